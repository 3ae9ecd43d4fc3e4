"""Offices at once: numbers without gap or twin, a trail without fork, and no visit billed twice."""

import random
import threading
from collections.abc import Callable
from contextlib import suppress
from functools import partial

import pytest
from django.db import OperationalError, connection, transaction

from billing.models import Allocation, BilledVisit, Invoice, InvoiceSeries, TrailEntry
from billing.queries import client_balance, invoice_standing
from billing.queries.trail import check_trail
from billing.services.credits import CreditDraftWaits, credit_invoice
from billing.services.documents import keep_document
from billing.services.drafts import NotADraft, draft_invoices
from billing.services.issuing import issue_invoice
from billing.services.payments import record_payment
from tests import make
from tests.billing import bills
from tests.billing.many_drafts import many_drafts
from trimmer.models import Business, Crew

pytestmark = pytest.mark.django_db(transaction=True)

WRITERS = 8
BROKEN = 0.2


class Broke(Exception):
    """What goes wrong on the way, on purpose."""


def at_once(*jobs: Callable[[], None]) -> None:
    """Run each job in a thread with a connection of its own; what one raises is raised here."""
    ready = threading.Barrier(len(jobs))
    raised: list[BaseException] = []

    def run(job: Callable[[], None]) -> None:
        try:
            ready.wait(30)
            job()
        except BaseException as error:  # noqa: BLE001  (told to the test's own thread)
            raised.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=[job]) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if raised:
        raise raised[0]


@pytest.fixture
def business() -> Business:
    business = bills.a_trimming_business()
    bills.a_price_list(business)
    return business


@pytest.fixture
def no_files(monkeypatch: pytest.MonkeyPatch) -> None:
    """Numbers are at stake here: setting 200 pages would only take time."""
    monkeypatch.setattr("billing.services.issuing.keep_document", lambda **_: None)


def done_visits(business: Business, clients: int) -> None:
    crew: Crew = make.a_crew(business)
    for number in range(clients):
        bills.a_done_visit(make.a_client(business, name=f"Client {number:03}"), crew=crew)


@pytest.mark.usefixtures("no_files")
@pytest.mark.parametrize("each", [6, pytest.param(250, marks=pytest.mark.slow)])
def test_eight_writers_with_a_fifth_rolled_back_leave_no_gap_and_no_twin(business: Business, each: int) -> None:
    keys = [draft.pk for draft in many_drafts(business, WRITERS * each)]
    broken: list[int] = []

    def writer(place: int) -> None:
        chance = random.Random(place)
        waiting = keys[place::WRITERS]
        while waiting:
            try:
                with transaction.atomic():
                    draft = Invoice.objects.get(pk=waiting[0])
                    issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
                    if chance.random() < BROKEN:
                        raise Broke
            except Broke:
                broken.append(waiting[0])  # its number went back with it: once more
            except OperationalError as busy:
                if "locked" not in str(busy):  # SQLite let others go first for twenty seconds: nothing was written
                    raise
            else:
                waiting.pop(0)

    at_once(*(partial(writer, place) for place in range(WRITERS)))

    numbers = list(Invoice.objects.issued().order_by("number").values_list("number", flat=True))
    assert numbers == [f"2026-{number:06d}" for number in range(1, WRITERS * each + 1)]
    assert InvoiceSeries.objects.get().last == WRITERS * each
    assert broken
    assert check_trail(business) is None
    assert TrailEntry.objects.of(business).filter(position=None).count() == 0


@pytest.mark.usefixtures("no_files")
def test_two_offices_issue_the_same_drafts_at_once(business: Business) -> None:
    keys = [draft.pk for draft in many_drafts(business, 20)]

    def issue_all(order: list[int]) -> None:
        for key in order:
            with suppress(NotADraft):  # the other office was quicker
                issue_invoice(invoice=Invoice.objects.get(pk=key), on=make.TODAY, by=None, now=make.NOW)

    at_once(lambda: issue_all(keys), lambda: issue_all(keys[::-1]))
    numbers = set(Invoice.objects.issued().values_list("number", flat=True))
    assert numbers == {f"2026-{number:06d}" for number in range(1, 21)}


def test_two_offices_draft_the_same_visits_at_once(business: Business) -> None:
    done_visits(business, 8)

    def draft() -> None:
        draft_invoices(business=business, by=None, now=make.NOW)

    at_once(draft, draft)
    assert BilledVisit.objects.values("visit").distinct().count() == BilledVisit.objects.count() == 8
    assert Invoice.objects.count() == 8
    assert all(invoice.lines.count() == 1 for invoice in Invoice.objects.all())


def test_two_payments_at_once_settle_an_invoice_once(business: Business) -> None:
    client = make.a_client(business)
    invoice = bills.an_invoice(client)

    def pay() -> None:
        record_payment(
            client=client,
            received_on=make.TODAY,
            amount=invoice.gross_total,
            method="transfer",
            by=None,
            now=make.NOW,
        )

    at_once(pay, pay)
    assert Allocation.objects.count() == 1
    assert invoice_standing(invoice, make.TODAY).open == 0
    assert client_balance(client, make.TODAY).credit == invoice.gross_total


def test_two_credit_notes_at_once_become_one(business: Business) -> None:
    invoice = bills.an_invoice(make.a_client(business))
    waited: list[bool] = []

    def credit() -> None:
        try:
            credit_invoice(invoice=invoice, reason="Miscounted", by=None, now=make.NOW)
        except CreditDraftWaits:
            waited.append(True)

    at_once(credit, credit)
    assert (invoice.credit_notes.count(), waited) == (1, [True])


def test_the_file_is_made_once_whoever_asks(business: Business) -> None:
    invoice = bills.an_invoice(make.a_client(business))
    kept: list[str] = []

    def ask() -> None:
        kept.append(keep_document(invoice=Invoice.objects.get(pk=invoice.pk), now=make.NOW).sha256)

    at_once(ask, ask, ask)
    assert len(kept) == 3
    assert len(set(kept)) == 1
