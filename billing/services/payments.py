"""Money in: a payment settles what the payer named, then the oldest due; the rest is credit on account."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from decimal import Decimal
from http import HTTPStatus

from django.db import transaction
from django.db.models import F
from django.utils.translation import gettext_lazy

from billing.charges.ageing import OpenItem, allocated
from billing.charges.totals import rounded
from billing.currencies import MOST, in_currency, places_of
from billing.models import Allocation, BankEntry, BankEntryState, Invoice, Payment, PaymentMethod
from billing.queries.balances import credit_left, unsettled
from trimmer.errors import Refusal
from trimmer.models import Client, User
from trimmer.showing import to_local


class AmountRefused(Refusal):
    code = "amount_refused"
    message = gettext_lazy("Give an amount above zero, as the currency is counted.")
    status = HTTPStatus.BAD_REQUEST


class DayIsAhead(Refusal):
    code = "payment_day_ahead"
    message = gettext_lazy("This day lies ahead. Enter the day on which the money came.")
    status = HTTPStatus.BAD_REQUEST


class MethodUnknown(Refusal):
    code = "payment_method_unknown"
    message = gettext_lazy("Choose how it was paid.")
    status = HTTPStatus.BAD_REQUEST


class InvoiceNotOpen(Refusal):
    code = "invoice_not_open"
    message = gettext_lazy("Invoice %(number)s is not an open invoice of this client. Choose one that is open.")


class PaymentIsWithdrawn(Refusal):
    code = "payment_is_withdrawn"
    message = gettext_lazy("This payment is withdrawn already.")


class WithdrawalReasonMissing(Refusal):
    code = "withdrawal_reason_missing"
    message = gettext_lazy("Say why the payment is withdrawn.")
    status = HTTPStatus.BAD_REQUEST


class NoCredit(Refusal):
    code = "no_credit"
    message = gettext_lazy("There is nothing to settle: no credit on account, or no open invoice.")


@transaction.atomic
def record_payment(
    *,
    client: Client,
    received_on: dt.date,
    amount: Decimal,
    method: str,
    reference: str = "",
    note: str = "",
    named_invoices: Sequence[Invoice] = (),
    by: User | None,
    now: dt.datetime,
) -> Payment:
    """Record money of a client and spread it: over the named invoices in their order, then over the oldest due.

    What is left over stays with the payment as credit on account. Raises AmountRefused, DayIsAhead, MethodUnknown,
    InvoiceNotOpen.
    """
    client = _hold(client)
    business = client.business
    if not 0 < amount < MOST or amount != rounded(amount, places_of(business.currency)):
        raise AmountRefused.at("amount")
    if received_on > to_local(now, business.time_zone).date():
        raise DayIsAhead.at("received_on")
    if method not in PaymentMethod.values:
        raise MethodUnknown.at("method")
    items = _open_items(client)
    for invoice in named_invoices:
        if str(invoice.pk) not in {item.key for item in items}:
            raise InvoiceNotOpen.at("named_invoices", number=invoice.number or invoice.pk)
    payment = Payment.objects.create(
        business=business,
        client=client,
        received_on=received_on,
        amount=amount,
        method=method,
        reference=reference.strip()[:140],
        note=note.strip()[:300],
        recorded_by=by,
        recorded_at=now,
    )
    spread = allocated(amount, items, named=[str(invoice.pk) for invoice in named_invoices])
    Allocation.objects.bulk_create(
        Allocation(payment=payment, invoice_id=int(key), amount=part) for key, part in spread.parts
    )
    return payment


@transaction.atomic
def undo_payment(
    *, payment: Payment, reason: str, went_back: bool = False, by: User | None, now: dt.datetime
) -> Payment:
    """Withdraw a payment that was typed wrongly or went back. What it settled is open again; the row stays, with why.

    The line of the bank it was made of waits again, unless the money went back by a line of its own.

    Raises PaymentIsWithdrawn, WithdrawalReasonMissing.
    """
    if not reason.strip():
        raise WithdrawalReasonMissing.at("reason")
    _hold(payment.client)
    withdrawn = (
        Payment.objects.standing()
        .filter(pk=payment.pk)
        .update(withdrawn_at=now, withdrawn_reason=reason.strip()[:300], withdrawn_by=by)
    )
    if not withdrawn:
        raise PaymentIsWithdrawn
    payment.allocations.all().delete()
    if not went_back:
        BankEntry.objects.filter(payment=payment, state=BankEntryState.SETTLED).update(
            state=BankEntryState.WAITING, payment=None, decided_at=now, decided_by=by
        )
    payment.refresh_from_db()
    return payment


@transaction.atomic
def use_credit(*, client: Client) -> list[Allocation]:
    """Settle a client's open invoices, the oldest due first, by the credit on its account, credit notes first.

    Raises NoCredit.
    """
    client = _hold(client)
    made: list[Allocation] = []
    for source in credit_left(client):
        items = _open_items(client)
        if not items:
            break
        for key, part in allocated(source.left, items).parts:
            made.append(_add(int(key), source.payment, source.credit_note, part))
    if not made:
        raise NoCredit
    return made


def _add(invoice_id: int, payment: Payment | None, credit_note: Invoice | None, part: Decimal) -> Allocation:
    """One row for each invoice and source: a further part adds to it."""
    row, made = Allocation.objects.get_or_create(
        invoice_id=invoice_id, payment=payment, credit_note=credit_note, defaults={"amount": part}
    )
    if not made:
        Allocation.objects.filter(pk=row.pk).update(amount=F("amount") + part)
        row.refresh_from_db()
    return row


def _hold(client: Client) -> Client:
    """One at a time for each client: what is open cannot be settled twice."""
    return Client.objects.select_for_update(of=("self",), no_key=True).select_related("business").get(pk=client.pk)


def _open_items(client: Client) -> list[OpenItem]:
    rows = unsettled(Invoice.objects.filter(client=client), dt.date.min)
    return [
        OpenItem(str(key), due, in_currency(amount, currency))
        for key, due, amount, currency in rows.values_list("pk", "due_on", "open_amount", "currency")
    ]
