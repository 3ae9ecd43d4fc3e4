"""Who is to be reminded of what today. Nothing here is stored."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Max

from billing.charges.interest import Count, Rate, late_interest
from billing.charges.totals import ZERO
from billing.currencies import in_currency, places_of
from billing.models import Invoice, LateInterest, RemindedInvoice, ReminderStep, ReminderStop
from billing.queries.balances import overdue_invoices
from trimmer.models import Business, Client


@dataclass(frozen=True)
class DueInvoice:
    """An invoice to be reminded of: what is open, for how many days, by which step, and the interest until today."""

    invoice: Invoice
    open: Decimal
    days: int
    step: ReminderStep
    interest: Decimal


@dataclass(frozen=True)
class DueReminder:
    """All a client is to be reminded of, in the words of its furthest step."""

    client: Client
    invoices: Sequence[DueInvoice]
    stopped: ReminderStop | None = None

    @property
    def step(self) -> ReminderStep:
        return max((one.step for one in self.invoices), key=lambda step: step.days)

    @property
    def open(self) -> Decimal:
        return sum((one.open for one in self.invoices), ZERO)

    @property
    def interest(self) -> Decimal:
        return sum((one.interest for one in self.invoices), ZERO)

    @property
    def is_stopped(self) -> bool:
        return self.stopped is not None

    @property
    def has_address(self) -> bool:
        return bool(self.client.email)


def due_reminders(business: Business, today: date) -> list[DueReminder]:
    """Every client with an invoice whose next step is due, by name. A stopped client stands there with its stop;
    stopped invoices are left out, and so is a client that owes less than its step asks for.
    """
    steps = list(ReminderStep.objects.of(business).order_by("days"))
    if not steps:
        return []
    stops = ReminderStop.objects.of(business).filter(lifted_at__isnull=True)
    stopped_invoices = {stop.invoice_id for stop in stops if stop.invoice_id}
    stopped_clients = {stop.client_id: stop for stop in stops if not stop.invoice_id}
    reminded = dict(
        RemindedInvoice.objects.of(business)
        .values_list("invoice")
        .annotate(most=Max("days"))
        .values_list("invoice", "most")
    )
    rates = rates_of(business)
    by_client: dict[Client, list[DueInvoice]] = defaultdict(list)
    for row in overdue_invoices(business, today):
        days = (today - row.due_on).days
        step = next((step for step in reversed(steps) if step.days <= days), None)
        if step is None or row.pk in stopped_invoices or reminded.get(row.pk, 0) >= step.days:
            continue
        amount = in_currency(row.open_amount, row.currency)
        interest = interest_of(row, amount, today, rates) if step.with_interest else ZERO
        by_client[row.client].append(DueInvoice(row, amount, days, step, interest))
    found = [DueReminder(client, rows, stopped_clients.get(client.pk)) for client, rows in by_client.items()]
    enough = [one for one in found if one.open >= one.step.least]
    return sorted(enough, key=lambda one: (one.client.name, one.client.pk))


def rates_of(business: Business) -> list[LateInterest]:
    """The business's rates for late payment, by day."""
    return list(LateInterest.objects.of(business).order_by("valid_from"))


def interest_of(invoice: Invoice, amount: Decimal, today: date, rates: Sequence[LateInterest]) -> Decimal:
    """Interest on what is open of an invoice, until today. The way of counting is that of the newest rate in force."""
    in_force = [rate for rate in rates if rate.valid_from <= today]
    if not in_force or invoice.due_on is None:
        return ZERO
    return late_interest(
        amount,
        due=invoice.due_on,
        until=today,
        rates=[Rate(rate.valid_from, rate.percent) for rate in in_force],
        count=Count(in_force[-1].count),
        places=places_of(invoice.currency),
    )
