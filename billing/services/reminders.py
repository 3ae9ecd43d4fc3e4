"""Reminding of what is overdue: steps and rates as the business sets them, stops, and e-mails that are noted."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from http import HTTPStatus
from typing import Final

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.charges.totals import ZERO
from billing.models import (
    InterestCount,
    Invoice,
    LateInterest,
    RemindedInvoice,
    Reminder,
    ReminderStep,
    ReminderStop,
)
from billing.queries.reminders import DueReminder, due_reminders
from billing.services.documents import bytes_of, keep_document
from billing.services.sending import file_name
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, Client, Job, User
from trimmer.services.jobs import start_job
from trimmer.services.messages import send_message, write_body
from trimmer.showing import show_day, show_money, to_local

REMIND_JOB: Final = "send_reminders"
MOST_STEPS: Final = 9


class StepsRefused(Refusal):
    code = "reminder_steps_refused"
    message = gettext_lazy("Each step needs its own number of days past due, one at least, and its words.")
    status = HTTPStatus.BAD_REQUEST


class RatesRefused(Refusal):
    code = "late_interest_refused"
    message = gettext_lazy("Each rate needs a day of its own and a percentage from 0 to 100.")
    status = HTTPStatus.BAD_REQUEST


class NothingToRemind(Refusal):
    code = "nothing_to_remind"
    message = gettext_lazy("There is nothing to remind %(client)s of any more.")


class NobodyToRemind(Refusal):
    code = "nobody_to_remind"
    message = gettext_lazy("Choose at least one client.")
    status = HTTPStatus.BAD_REQUEST


class RemindersAreStopped(Refusal):
    code = "reminders_are_stopped"
    message = gettext_lazy("Reminders to %(client)s are stopped: %(why)s")


class NoAddressToRemind(Refusal):
    code = "no_address_to_remind"
    message = gettext_lazy("%(client)s has no e-mail address. Add it to the client, or call.")


class StopReasonMissing(Refusal):
    code = "stop_reason_missing"
    message = gettext_lazy("Say why nobody is to be reminded.")
    status = HTTPStatus.BAD_REQUEST


class StoppedAlready(Refusal):
    code = "reminders_stopped_already"
    message = gettext_lazy("Reminders are stopped here already.")


class StopIsLifted(Refusal):
    code = "stop_is_lifted"
    message = gettext_lazy("This stop is lifted already.")


@dataclass(frozen=True)
class StepValues:
    days: int
    text: str
    with_interest: bool = False
    least: Decimal = ZERO


@dataclass(frozen=True)
class RateValues:
    valid_from: dt.date
    percent: Decimal


@transaction.atomic
def keep_steps(*, business: Business, steps: Sequence[StepValues]) -> list[ReminderStep]:
    """Set the steps of reminding in place of those before. What was sent stays noted. Raises StepsRefused."""
    days = [step.days for step in steps]
    if len(steps) > MOST_STEPS or len(set(days)) < len(days) or any(day < 1 or day > 999 for day in days):
        raise StepsRefused
    if any(not step.text.strip() or step.least < 0 for step in steps):
        raise StepsRefused
    ReminderStep.objects.of(business).delete()
    return [
        ReminderStep.objects.create(
            business=business,
            days=step.days,
            text=step.text.strip(),
            with_interest=step.with_interest,
            least=step.least,
        )
        for step in sorted(steps, key=lambda one: one.days)
    ]


@transaction.atomic
def keep_rates(*, business: Business, rates: Sequence[RateValues], count: str) -> list[LateInterest]:
    """Set the rates for late payment in place of those before, and how time is counted. Raises RatesRefused."""
    days = [rate.valid_from for rate in rates]
    if count not in InterestCount.values or len(set(days)) < len(days):
        raise RatesRefused
    if any(not 0 <= rate.percent <= 100 for rate in rates):
        raise RatesRefused
    LateInterest.objects.of(business).delete()
    return [
        LateInterest.objects.create(business=business, valid_from=rate.valid_from, percent=rate.percent, count=count)
        for rate in sorted(rates, key=lambda one: one.valid_from)
    ]


@transaction.atomic
def keep_reminding(*, business: Business, steps: Sequence[StepValues], rates: Sequence[RateValues], count: str) -> None:
    """Set steps and rates together. Raises StepsRefused, RatesRefused."""
    keep_steps(business=business, steps=steps)
    keep_rates(business=business, rates=rates, count=count)


@transaction.atomic
def stop_reminders(
    *, client: Client, invoice: Invoice | None = None, reason: str, by: User | None, now: dt.datetime
) -> ReminderStop:
    """Remind nobody of this invoice, or this client of any, until the stop is lifted.

    Raises StopReasonMissing, StoppedAlready.
    """
    if not reason.strip():
        raise StopReasonMissing.at("reason")
    try:
        with transaction.atomic():
            return ReminderStop.objects.create(
                business=client.business,
                client=client,
                invoice=invoice,
                reason=reason.strip()[:300],
                set_at=now,
                set_by=by,
            )
    except IntegrityError:
        raise StoppedAlready from None


@transaction.atomic
def lift_stop(*, stop: ReminderStop, by: User | None, now: dt.datetime) -> ReminderStop:
    """Let reminders go on. Raises StopIsLifted."""
    if not ReminderStop.objects.filter(pk=stop.pk, lifted_at__isnull=True).update(lifted_at=now, lifted_by=by):
        raise StopIsLifted
    stop.refresh_from_db()
    return stop


@transaction.atomic
def send_reminder(*, client: Client, by: User | None, now: dt.datetime) -> Reminder:
    """Remind a client of all that is due for it today, in the words of the furthest step, with the invoices' files.

    Two at once send one: the database holds each step of an invoice to one reminder. Raises NothingToRemind,
    RemindersAreStopped, NoAddressToRemind.
    """
    held = Client.objects.select_for_update(of=("self",), no_key=True).select_related("business").get(pk=client.pk)
    business = held.business
    today = to_local(now, business.time_zone).date()
    due = next((one for one in due_reminders(business, today) if one.client.pk == held.pk), None)
    if due is None:
        raise NothingToRemind(client=held.name)
    if due.stopped is not None:
        raise RemindersAreStopped(client=held.name, why=due.stopped.reason)
    if not held.email:
        raise NoAddressToRemind(client=held.name)
    files = [
        (file_name(one.invoice), bytes_of(keep_document(invoice=one.invoice, now=now)), "application/pdf")
        for one in due.invoices
    ]
    with business_locale(business):
        subject = _("Reminder of %(business)s") % {"business": business.name}
    [message] = send_message(
        business=business,
        client=held,
        kind="reminder",
        recipients=[held.email],
        subject=subject,
        body=_body(business, due),
        attachments=files,
        now=now,
    )
    reminder = Reminder.objects.create(
        business=business, client=held, days=due.step.days, message=message, sent_on=today, sent_by=by
    )
    RemindedInvoice.objects.bulk_create(
        RemindedInvoice(
            reminder=reminder, invoice=one.invoice, days=one.step.days, open_amount=one.open, interest=one.interest
        )
        for one in due.invoices
    )
    return reminder


@transaction.atomic
def start_reminders(*, business: Business, clients: Sequence[Client], by: User | None) -> Job:
    """Have a worker remind these clients, each in a transaction of its own. Raises NobodyToRemind."""
    keys = [client.pk for client in clients if client.business_id == business.pk]
    if not keys:
        raise NobodyToRemind
    return start_job(business=business, kind=REMIND_JOB, arguments={"clients": keys}, asked_by=by)


def _body(business: Business, due: DueReminder) -> str:
    language, currency = business.language, business.currency
    return write_body(
        business=business,
        template="billing/mail/reminder.txt",
        client=due.client,
        words=due.step.text,
        rows=[
            {
                "number": one.invoice.number,
                "due": show_day(one.invoice.due_on, language, weekday=False) if one.invoice.due_on else "",
                "open": show_money(one.open, currency, language),
                "reference": one.invoice.reference,
            }
            for one in due.invoices
        ],
        total=show_money(due.open, currency, language),
        interest=show_money(due.interest, currency, language) if due.interest else "",
    )
