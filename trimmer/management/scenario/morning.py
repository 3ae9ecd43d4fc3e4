"""What is done this morning, by the people who do it: the week planned and confirmed, a visit billed, money taken."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from billing.models import Invoice, Payment, PaymentMethod
from billing.services.documents import bytes_of, keep_document
from billing.services.drafts import draft_invoices
from billing.services.issuing import issue_invoice
from billing.services.payments import record_payment
from billing.services.sending import deliver, file_name, send_invoice
from scheduling.models import ProposedWeek
from scheduling.services.weeks import confirm_week, propose_week
from trimmer.embedded import CannotStart, Child
from trimmer.management.scenario.founding import Ground
from trimmer.models import JobState, Visit
from trimmer.services.trim_lists import draw_up_trim_list

EFFORT = 60
"""Steps of search: with an effort in place of a time the plan is the same on every machine."""

LONGEST_PLANNING = 180.0
GLANCE = 0.3


@dataclass(frozen=True)
class Bill:
    """An issued invoice and where its document lies."""

    invoice: Invoice
    pdf: Path


def plan_week(ground: Ground, worker: Child, tell: Callable[[str, int], None]) -> ProposedWeek:
    """Ask for a plan of the coming week and wait until the worker has made it. Raises CannotStart if it does not."""
    week = propose_week(
        business=ground.business,
        monday=ground.planned_monday,
        effort=EFFORT,
        by=ground.people["owner"],
        now=ground.now,
    )
    job = week.job
    assert job is not None  # noqa: S101  (just asked for)
    deadline = time.monotonic() + LONGEST_PLANNING
    while not job.finished:
        if worker.ended is not None or time.monotonic() > deadline:
            raise CannotStart(f"the worker did not plan the week\n{worker.last_lines()}")
        time.sleep(GLANCE)
        job.refresh_from_db()
        tell(job.message, job.progress)
    if job.state == JobState.FAILED:
        raise CannotStart(f"the week could not be planned: {job.message}")
    week.refresh_from_db()
    return week


def confirm(ground: Ground, week: ProposedWeek) -> list[Visit]:
    """Confirm the week; the farms are told, and each visit gets its trim list."""
    now = ground.now + dt.timedelta(minutes=10)
    visits = confirm_week(week=week, by=ground.people["owner"], now=now)
    for visit in visits:
        draw_up_trim_list(visit=visit, now=now)
    return visits


def visit_of_yesterday(ground: Ground) -> Visit:
    """The visit of the last working day that the story tells of."""
    return (
        Visit.objects.of(ground.business)
        .select_related("farm__client", "crew")
        .get(farm__name=ground.valley.chute_day["farm"], date=ground.working_day_before)
    )


def bill_visit(ground: Ground, visit: Visit, folder: Path) -> Bill:
    """Draft, issue and send the invoice of one visit; its document is put into `folder`, too."""
    office, now = ground.people["office"], ground.now + dt.timedelta(minutes=20)
    drafting = draft_invoices(business=ground.business, visits=[visit], by=office, now=now)
    (draft,) = drafting.drafts
    invoice = issue_invoice(invoice=draft, on=ground.today, by=office, now=now)
    for sending in send_invoice(invoice=invoice, by=office, now=now):
        deliver(sending=sending, now=now)
    folder.mkdir(parents=True, exist_ok=True)
    pdf = folder / file_name(invoice)
    pdf.write_bytes(bytes_of(keep_document(invoice=invoice, now=now)))
    return Bill(invoice, pdf)


def take_payment(ground: Ground, invoice: Invoice) -> Payment:
    """The farm pays the whole of it at once."""
    return record_payment(
        client=invoice.client,
        received_on=ground.today,
        amount=invoice.gross_total,
        method=PaymentMethod.TRANSFER,
        reference=invoice.reference,
        named_invoices=[invoice],
        by=ground.people["office"],
        now=ground.now + dt.timedelta(minutes=30),
    )
