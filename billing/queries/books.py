"""The books of a period, from what is issued and what came in. Nothing here is stored."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.utils.translation import gettext as _

from billing.charges.totals import ZERO
from billing.currencies import in_currency
from billing.documents.ledger import Account, Entry, Posting, Role
from billing.models import BookAccount, Invoice, InvoiceKind, Payment
from trimmer.models import Business
from trimmer.showing import to_local


@dataclass(frozen=True)
class TaxSum:
    """What a category and rate came to in a period, by the dates of the documents: invoices less credit notes."""

    code: str
    rate: Decimal
    name: str
    base: Decimal
    tax: Decimal
    documents: int


def journal_of(business: Business, first: date | None, last: date) -> list[Entry]:
    """Every entry from `first` (None: from the beginning) to `last`, by date: documents, payments, and payments taken
    back on the day they were."""
    entries = [*_documents(business, first, last), *_payments(business, first, last)]
    return sorted(entries, key=lambda entry: (entry.on, entry.document))


def _documents(business: Business, first: date | None, last: date) -> Iterable[Entry]:
    rows = Invoice.objects.of(business).issued().filter(issued_on__lte=last)
    rows = rows if first is None else rows.filter(issued_on__gte=first)
    for invoice in rows.select_related("client").prefetch_related("taxes").order_by("issued_on", "pk"):
        credit = invoice.kind == InvoiceKind.CREDIT_NOTE
        sign = -1 if credit else 1
        postings = [
            Posting(_receivable(invoice.client.number), sign * in_currency(invoice.gross_total, invoice.currency))
        ]
        for tax in sorted(invoice.taxes.all(), key=lambda row: row.pk):
            detail = tax_detail(tax.code, tax.rate)
            postings.append(Posting(Account(Role.REVENUE, detail), -sign * in_currency(tax.base, invoice.currency)))
            if tax.tax:
                postings.append(Posting(Account(Role.TAX, detail), -sign * in_currency(tax.tax, invoice.currency)))
        text = (_("Credit note %(number)s") if credit else _("Invoice %(number)s")) % {"number": invoice.number}
        yield Entry(
            on=invoice.issued_on or last,
            document=str(invoice.number),
            client_number=invoice.client.number,
            client=str(invoice.buyer.get("name") or invoice.client.name),
            text=text,
            postings=tuple(posting for posting in postings if posting.amount),
        )


def _payments(business: Business, first: date | None, last: date) -> Iterable[Entry]:
    rows = Payment.objects.of(business).filter(received_on__lte=last).select_related("client")
    for payment in rows.order_by("received_on", "pk"):
        amount = in_currency(payment.amount, business.currency)
        money, owed = Account(Role(payment.method)), _receivable(payment.client.number)
        told = {"document": f"P{payment.pk}", "client_number": payment.client.number, "client": payment.client.name}
        if first is None or payment.received_on >= first:
            how = _("Payment, %(how)s") % {"how": payment.get_method_display()}
            text = f"{how} {payment.reference}".strip()
            yield Entry(
                on=payment.received_on, text=text, postings=(Posting(money, amount), Posting(owed, -amount)), **told
            )
        back = payment.withdrawn_at and to_local(payment.withdrawn_at, business.time_zone).date()
        if back and back <= last and (first is None or back >= first):
            text = _("Payment taken back: %(why)s") % {"why": payment.withdrawn_reason}
            yield Entry(on=back, text=text, postings=(Posting(owed, amount), Posting(money, -amount)), **told)


def _receivable(number: str) -> Account:
    return Account(Role.RECEIVABLE, number)


def tax_detail(code: str, rate: Decimal) -> str:
    """How an account of a tax is told: S 19, S 5.5, Z."""
    percent = f"{rate.normalize():f}"
    return code if not rate else f"{code} {percent}"


def tax_summary(business: Business, first: date, last: date) -> list[TaxSum]:
    """Base and tax by category and rate, by the dates of the documents."""
    rows = Invoice.objects.of(business).issued().filter(issued_on__range=(first, last)).prefetch_related("taxes")
    base: dict[tuple[str, Decimal], Decimal] = defaultdict(lambda: ZERO)
    tax: dict[tuple[str, Decimal], Decimal] = defaultdict(lambda: ZERO)
    names: dict[tuple[str, Decimal], str] = {}
    count: dict[tuple[str, Decimal], int] = defaultdict(int)
    for invoice in rows.order_by("issued_on", "pk"):
        sign = -1 if invoice.kind == InvoiceKind.CREDIT_NOTE else 1
        for row in invoice.taxes.all():
            key = row.code, row.rate.normalize()
            base[key] += sign * in_currency(row.base, invoice.currency)
            tax[key] += sign * in_currency(row.tax, invoice.currency)
            names[key] = row.name
            count[key] += 1
    return [
        TaxSum(code, rate, names[code, rate], base[code, rate], tax[code, rate], count[code, rate])
        for code, rate in sorted(base)
    ]


def account_codes(business: Business, accounts: Iterable[Account]) -> dict[Account, str]:
    """The accountant's number of each account: its own, or that of its role."""
    told = {(row.role, row.detail): row.code for row in BookAccount.objects.of(business)}
    return {
        account: told.get((account.role.value, account.detail)) or told.get((account.role.value, ""), "")
        for account in accounts
    }
