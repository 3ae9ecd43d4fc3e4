"""Who owes what: how invoices stand, balances and their age, statements. Nothing here is stored."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any, Final

from django.db.models import Case, CharField, F, OuterRef, QuerySet, Subquery, Sum, TextChoices, Value, When
from django.db.models.functions import Coalesce
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.charges.ageing import Age, Ageing, OpenItem, aged
from billing.charges.totals import ZERO
from billing.currencies import in_currency
from billing.models import (
    NEARLY_NOTHING,
    Allocation,
    AmountField,
    Invoice,
    InvoiceKind,
    InvoiceQuerySet,
    InvoiceState,
    Payment,
)
from trimmer.access import Seat
from trimmer.models import Business, Client


class Standing(TextChoices):
    """How a document stands, derived from what settles it."""

    DRAFT = "draft", gettext_lazy("draft")
    OPEN = "open", gettext_lazy("open")
    PART_PAID = "part_paid", gettext_lazy("part paid")
    OVERDUE = "overdue", gettext_lazy("overdue")
    PAID = "paid", gettext_lazy("paid")
    CREDITED = "credited", gettext_lazy("credited")
    ISSUED = "issued", gettext_lazy("issued")


AGE_NAMES: Final = {
    Age.CURRENT: gettext_lazy("not yet due"),
    Age.DAYS_1_30: gettext_lazy("1–30 days"),
    Age.DAYS_31_60: gettext_lazy("31–60 days"),
    Age.DAYS_61_90: gettext_lazy("61–90 days"),
    Age.OVER_90: gettext_lazy("over 90 days"),
}
"""Days past due, in words."""


@dataclass(frozen=True, slots=True)
class InvoiceStanding:
    """How one issued invoice stands on a day. Amounts in the currency of the invoice."""

    standing: Standing
    settled: Decimal
    """By payments and credit notes"""
    credited: Decimal
    """The sum of its credit notes, whether they settled it or went on account"""
    open: Decimal


def invoices_seen_by(seat: Seat) -> InvoiceQuerySet:
    """Documents a person may see: a member all of the business; a farm's person, if they may, what was issued to it."""
    rows = Invoice.objects.seen_by(seat)
    if seat.is_member:
        return rows
    return rows.issued() if seat.may_see_invoices else rows.none()


def with_standing(invoices: QuerySet[Invoice], today: date) -> QuerySet[Any]:
    """The same rows, each with `settled`, `credited`, `open_amount` and `standing` (a value of Standing) on a day."""
    settled = _sum_of(Allocation.objects.filter(invoice=OuterRef("pk")), "invoice", "amount")
    credited = _sum_of(
        Invoice.objects.filter(credits=OuterRef("pk"), state=InvoiceState.ISSUED), "credits", "gross_total"
    )
    return invoices.annotate(settled=settled, credited=credited).annotate(
        open_amount=F("gross_total") - F("settled"),
        standing=Case(
            When(state=InvoiceState.DRAFT, then=Value(Standing.DRAFT.value)),
            When(kind=InvoiceKind.CREDIT_NOTE, then=Value(Standing.ISSUED.value)),
            When(
                gross_total__gt=NEARLY_NOTHING,
                credited__gt=F("gross_total") - NEARLY_NOTHING,
                then=Value(Standing.CREDITED.value),
            ),
            When(settled__gt=F("gross_total") - NEARLY_NOTHING, then=Value(Standing.PAID.value)),
            When(due_on__lt=today, then=Value(Standing.OVERDUE.value)),
            When(settled__gt=NEARLY_NOTHING, then=Value(Standing.PART_PAID.value)),
            default=Value(Standing.OPEN.value),
            output_field=CharField(),
        ),
    )


def unsettled(invoices: QuerySet[Invoice], today: date) -> QuerySet[Any]:
    """Issued invoices of which something is open, the longest due first."""
    rows = with_standing(invoices.filter(state=InvoiceState.ISSUED, kind=InvoiceKind.INVOICE), today)
    return rows.filter(open_amount__gt=NEARLY_NOTHING).order_by("due_on", "number", "pk")


def overdue_invoices(business: Business, today: date) -> QuerySet[Any]:
    """Invoices past due of which something is open, the longest due first."""
    return unsettled(Invoice.objects.of(business), today).filter(due_on__lt=today).select_related("client")


def invoice_standing(invoice: Invoice, today: date) -> InvoiceStanding:
    """How one document stands on a day."""
    row = with_standing(Invoice.objects.filter(pk=invoice.pk), today).get()
    return InvoiceStanding(
        Standing(row.standing),
        in_currency(row.settled, invoice.currency),
        in_currency(row.credited, invoice.currency),
        in_currency(row.open_amount, invoice.currency),
    )


@dataclass(frozen=True, slots=True)
class CreditSource:
    """A payment or a credit note of which a part settles no invoice yet."""

    payment: Payment | None
    credit_note: Invoice | None
    on: date
    left: Decimal


def credit_left(client: Client) -> list[CreditSource]:
    """A client's credit on account by where it comes from: credit notes first, then payments, the oldest first."""
    return [source for found in _credit_of(Client.objects.filter(pk=client.pk)).values() for source in found]


def client_balance(client: Client, today: date) -> Ageing:
    """What a client owes on a day, by age, and the credit on its account."""
    return _ageing(Client.objects.filter(pk=client.pk), today).get(client.pk, aged((), on=today))


@dataclass(frozen=True, slots=True)
class ClientAgeing:
    """A client, and what it owes by age."""

    client: Client
    ageing: Ageing


@dataclass(frozen=True, slots=True)
class BusinessAgeing:
    """Every client with something open or on account, and the sum of all."""

    rows: tuple[ClientAgeing, ...]
    total: Ageing


def ageing_of(business: Business, today: date) -> BusinessAgeing:
    """What every client owes on a day, by age. Four queries, however many clients there are."""
    clients = Client.objects.of(business)
    by_client = _ageing(clients, today)
    rows = tuple(
        ClientAgeing(client, by_client[client.pk])
        for client in clients.filter(pk__in=by_client).order_by("name", "pk")
        if by_client[client.pk].owed or by_client[client.pk].credit
    )
    ages = {age: sum((row.ageing.by_age[age] for row in rows), ZERO) for age in Age}
    return BusinessAgeing(rows, Ageing(today, ages, sum((row.ageing.credit for row in rows), ZERO)))


@dataclass(frozen=True, slots=True)
class StatementLine:
    """One event of an account: what it was, what it added (negative: took off) and the balance after it."""

    on: date
    text: str
    invoice: Invoice | None
    payment: Payment | None
    amount: Decimal
    balance: Decimal


@dataclass(frozen=True, slots=True)
class Statement:
    """A client's account between two days, both included."""

    client: Client
    first: date
    last: date
    opening: Decimal
    lines: tuple[StatementLine, ...]
    closing: Decimal


def statement_of(client: Client, first: date, last: date) -> Statement:
    """Invoices, credit notes and payments of a client between two days, with the balance before and after.

    Withdrawn payments do not appear: they were never received.
    """
    events: list[tuple[date, int, int, str, Invoice | None, Payment | None, Decimal]] = []
    for invoice in client.invoices.filter(state=InvoiceState.ISSUED, issued_on__lte=last):
        credit = invoice.kind == InvoiceKind.CREDIT_NOTE
        text = (_("Credit note %(number)s") if credit else _("Invoice %(number)s")) % {"number": invoice.number}
        amount = -invoice.gross_total if credit else invoice.gross_total
        on = invoice.issued_on
        if on is not None:
            events.append((on, int(credit), invoice.pk, text, invoice, None, amount))
    for payment in client.payments.standing().filter(received_on__lte=last):
        text = _("Payment, %(how)s") % {"how": payment.get_method_display()}
        events.append((payment.received_on, 2, payment.pk, text, None, payment, -payment.amount))
    events.sort(key=lambda event: event[:3])
    balance = ZERO
    opening = ZERO
    lines = []
    for on, _kind, _key, text, invoice_row, payment_row, amount in events:
        balance += amount
        if on < first:
            opening = balance
        else:
            lines.append(StatementLine(on, text, invoice_row, payment_row, amount, balance))
    return Statement(client, first, last, opening, tuple(lines), balance)


def _sum_of(rows: QuerySet[Any], by: str, amount: str) -> Coalesce:
    total = rows.order_by().values(by).annotate(total=Sum(amount)).values("total")
    return Coalesce(Subquery(total), Value(ZERO), output_field=AmountField())


def _ageing(clients: QuerySet[Client], today: date) -> dict[int, Ageing]:
    items: dict[int, list[OpenItem]] = {}
    invoices = unsettled(Invoice.objects.filter(client__in=clients), today)
    for row in invoices.values_list("client_id", "pk", "due_on", "open_amount", "currency"):
        client_id, key, due, amount, currency = row
        items.setdefault(client_id, []).append(OpenItem(str(key), due, in_currency(amount, currency)))
    credit = {key: sum((one.left for one in sources), ZERO) for key, sources in _credit_of(clients).items()}
    return {key: aged(items.get(key, ()), on=today, credit=credit.get(key, ZERO)) for key in {*items, *credit}}


def _credit_of(clients: QuerySet[Client]) -> dict[int, list[CreditSource]]:
    """What is left of credit notes and payments, by client."""
    used_note = _sum_of(Allocation.objects.filter(credit_note=OuterRef("pk")), "credit_note", "amount")
    used_payment = _sum_of(Allocation.objects.filter(payment=OuterRef("pk")), "payment", "amount")
    notes: QuerySet[Any] = (
        Invoice.objects.filter(client__in=clients, kind=InvoiceKind.CREDIT_NOTE, state=InvoiceState.ISSUED)
        .annotate(used=used_note)
        .filter(used__lt=F("gross_total") - NEARLY_NOTHING)
        .order_by("issued_on", "pk")
    )
    payments: QuerySet[Any] = (
        Payment.objects.standing()
        .filter(client__in=clients)
        .annotate(used=used_payment)
        .filter(used__lt=F("amount") - NEARLY_NOTHING)
        .select_related("business")
        .order_by("received_on", "pk")
    )
    found: dict[int, list[CreditSource]] = {}
    for note in notes:
        left = in_currency(note.gross_total - note.used, note.currency)
        found.setdefault(note.client_id, []).append(CreditSource(None, note, note.issued_on or date.min, left))
    for payment in payments:
        left = in_currency(payment.amount - payment.used, payment.business.currency)
        found.setdefault(payment.client_id, []).append(CreditSource(payment, None, payment.received_on, left))
    return found
