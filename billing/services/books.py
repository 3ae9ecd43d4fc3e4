"""The books handed over: accounts named, and all of a period as one ZIP with the hash of each file."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
import zipfile
from collections.abc import Callable, Mapping
from decimal import Decimal
from http import HTTPStatus
from typing import Final

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.charges.totals import ZERO
from billing.documents.ledger import Account, Role, balances, beancount_text, journal_csv
from billing.models import BookAccount, BookRole, BooksFile, Invoice, InvoiceFile, InvoiceTax, InvoiceXml, TrailHead
from billing.queries.balances import ageing_of
from billing.queries.books import account_codes, journal_of, tax_detail, tax_summary
from billing.queries.trail import AT_ONCE, trail_csv, trail_lines, trail_of
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, User
from trimmer.services.jobs import start_job
from trimmer.sheets.formulas import harmless
from trimmer.sheets.values import language_of
from trimmer.showing import to_local

BOOKS_JOB: Final = "books_of_a_period"


class PeriodRefused(Refusal):
    code = "books_period_refused"
    message = gettext_lazy("The period ends before it begins, or lies ahead. Choose days up to today.")
    status = HTTPStatus.BAD_REQUEST


class AccountCodeRefused(Refusal):
    code = "book_account_refused"
    message = gettext_lazy("Number “%(code)s” is longer than 20 signs. Give the accountant's short number.")
    status = HTTPStatus.BAD_REQUEST


def check_period(*, business: Business, first: dt.date, last: dt.date, now: dt.datetime) -> None:
    """Raises PeriodRefused for a period that ends before it begins or lies ahead."""
    if last < first or last > to_local(now, business.time_zone).date():
        raise PeriodRefused.at("last")


@transaction.atomic
def name_accounts(*, business: Business, codes: Mapping[tuple[str, str], str]) -> None:
    """Set the accountant's number for each (role, detail); an empty one takes it away. Raises AccountCodeRefused."""
    for (role, detail), code in codes.items():
        told = code.strip()
        if len(told) > 20:
            raise AccountCodeRefused(code=told)
        rows = BookAccount.objects.of(business)
        if not told:
            rows.filter(role=role, detail=detail).delete()
        else:
            rows.update_or_create(business=business, role=role, detail=detail, defaults={"code": told})


def accounts_to_name(business: Business) -> list[tuple[str, str, str]]:
    """(role, detail, number) of every account that may be named: each role, and each tax that was ever billed."""
    told = {(row.role, row.detail): row.code for row in BookAccount.objects.of(business)}
    taxes = sorted(
        {
            account.detail
            for account in _accounts_ever(business)
            if account.role in (Role.REVENUE, Role.TAX) and account.detail
        }
    )
    keys = [
        (role.value, detail)
        for role in BookRole
        for detail in ("", *(taxes if role in (BookRole.REVENUE, BookRole.TAX) else ()))
    ]
    return [(role, detail, told.get((role, detail), "")) for role, detail in keys]


def _accounts_ever(business: Business) -> set[Account]:
    rows = InvoiceTax.objects.of(business).filter(invoice__state="issued").values_list("code", "rate").distinct()
    return {Account(Role.TAX, tax_detail(code, rate)) for code, rate in rows}


def journal_text(*, business: Business, first: dt.date, last: dt.date) -> str:
    """The journal of a period as CSV, in the habits of the business's language."""
    with business_locale(business):
        entries = journal_of(business, first, last)
        titles = [_("Date"), _("Document"), _("Client number"), _("Client"), _("Text"), _("Account number")]
        titles += [_("Account"), _("Debit"), _("Credit"), _("Currency")]
        return journal_csv(
            entries,
            titles=titles,
            codes=account_codes(business, balances(entries)),
            currency=business.currency,
            comma=_comma(business),
        )


def beancount_of(*, business: Business, first: dt.date, last: dt.date) -> str:
    """The books of a period as Beancount text. What each client owes after it, as the balances page reckons it, stands
    as an assertion when the period ends today; the other balances come from the entries."""
    with business_locale(business):
        before = balances(journal_of(business, None, first - dt.timedelta(days=1)))
        entries = journal_of(business, first, last)
        closing = balances(journal_of(business, None, last))
        owed = _owed(business, last)
        if owed is not None:
            closing |= {one: owed.get(one, ZERO) for one in closing if one.role is Role.RECEIVABLE}
        return beancount_text(
            entries,
            opening=before,
            closing=closing,
            first=first,
            last=last,
            currency=business.currency,
            codes=account_codes(business, {*before, *closing}),
            title=business.name,
        )


def _owed(business: Business, last: dt.date) -> dict[Account, Decimal] | None:
    """What each client owes by the other reckoning; None if something happened after the period."""
    if any(entry.on > last for entry in journal_of(business, last, dt.date.max)):
        return None
    return {Account(Role.RECEIVABLE, row.client.number): row.ageing.balance for row in ageing_of(business, last).rows}


def tax_text(*, business: Business, first: dt.date, last: dt.date) -> str:
    """The tax summary of a period as CSV."""
    with business_locale(business):
        out = io.StringIO()
        comma = _comma(business)
        sheet = csv.writer(out, delimiter=";" if comma else ",", lineterminator="\r\n")
        sheet.writerow([_("Category"), _("Rate"), _("Tax"), _("Documents"), _("Base"), _("Tax amount"), _("Currency")])
        for row in tax_summary(business, first, last):
            figures = [f"{row.base:f}", f"{row.tax:f}"]
            figures = [figure.replace(".", ",") for figure in figures] if comma else figures
            sheet.writerow([row.code, f"{row.rate:f}", harmless(row.name), row.documents, *figures, business.currency])
        return out.getvalue()


def _comma(business: Business) -> bool:
    return language_of(business.language).number_rules[0].decimal == ","


@transaction.atomic
def start_books(*, business: Business, first: dt.date, last: dt.date, by: User | None, now: dt.datetime) -> BooksFile:
    """Have a worker put all of a period together for the accountant. Raises PeriodRefused."""
    check_period(business=business, first=first, last=last, now=now)
    books = BooksFile.objects.create(business=business, first=first, last=last, asked_at=now, asked_by=by)
    books.job = start_job(business=business, kind=BOOKS_JOB, arguments={"books": books.pk}, asked_by=by)
    books.save(update_fields=["job"])
    return books


def books_zip(books: BooksFile, report: Callable[[int, str], None]) -> bytes:
    """All of a period as ZIP bytes: each document's file and e-invoices as they were issued, journal, tax summary,
    Beancount text, what was done in it (the audit trail), and a manifest with the SHA-256 of each, the end of the
    trail's chain beside. The same facts give the same bytes."""
    business, first, last = books.business, books.first, books.last
    buffer = io.BytesIO()
    hashes: dict[str, str] = {}
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as packed:

        def add(name: str, content: bytes) -> None:
            hashes[name] = hashlib.sha256(content).hexdigest()
            packed.writestr(zipfile.ZipInfo(name), content, compress_type=zipfile.ZIP_DEFLATED)

        files = InvoiceFile.objects.of(business).filter(invoice__issued_on__range=(first, last))
        total = files.count()
        missing = Invoice.objects.of(business).issued().filter(issued_on__range=(first, last), file__isnull=True)
        for place, file in enumerate(files.select_related("invoice").order_by("invoice__number").iterator(50)):
            if place % 25 == 0:
                report(90 * place // max(1, total), _("%(place)s of %(all)s") % {"place": place, "all": total})
            add(f"documents/{file.invoice.number}.pdf", bytes(file.pdf))
        for xml in (
            InvoiceXml.objects.of(business)
            .filter(invoice__issued_on__range=(first, last))
            .select_related("invoice")
            .order_by("invoice__number", "syntax")
            .iterator(50)
        ):
            add(f"documents/{xml.invoice.number}-{xml.syntax}.xml", bytes(xml.content))
        add("journal.csv", journal_text(business=business, first=first, last=last).encode("utf-8-sig"))
        add("tax-summary.csv", tax_text(business=business, first=first, last=last).encode("utf-8-sig"))
        add("books.beancount", beancount_of(business=business, first=first, last=last).encode())
        report(95, _("Audit trail"))
        trail = trail_of(business, first=first, last=last).sealed()
        add("audit-trail.csv", "".join(trail_csv(trail.iterator(AT_ONCE))).encode("utf-8-sig"))
        add("audit-trail.jsonl", "".join(trail_lines(trail.iterator(AT_ONCE))).encode())
        head = TrailHead.objects.of(business).first()
        manifest = {
            "business": business.name,
            "first": first.isoformat(),
            "last": last.isoformat(),
            "audit_trail": {"position": head.position, "hash": head.hash} if head else None,
            "without_file": list(missing.values_list("number", flat=True)),
            "sha256": hashes,
        }
        text = json.dumps(manifest, indent=1, ensure_ascii=False, sort_keys=True)
        packed.writestr(zipfile.ZipInfo("manifest.json"), text.encode(), compress_type=zipfile.ZIP_DEFLATED)
    return buffer.getvalue()
