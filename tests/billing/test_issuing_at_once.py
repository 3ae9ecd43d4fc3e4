"""Two offices at once: numbers without gap or twin, and no visit billed twice."""

import threading
from collections.abc import Callable

import pytest
from django.db import connection

from billing.models import Allocation, BilledVisit, Invoice, InvoiceSeries
from billing.queries import client_balance, invoice_standing
from billing.services import issuing
from billing.services.credits import CreditDraftWaits, credit_invoice
from billing.services.documents import keep_document
from billing.services.drafts import NotADraft, draft_invoices
from billing.services.issuing import issue_invoice
from billing.services.payments import record_payment
from tests import make
from tests.billing import bills
from trimmer.models import Business, Crew

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]

DRAFTS = 200
EVERY_FIFTH = 5


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
def test_two_offices_issue_200_drafts_at_once(business: Business, monkeypatch: pytest.MonkeyPatch) -> None:
    done_visits(business, DRAFTS)
    keys = [draft.pk for draft in draft_invoices(business=business, by=None, now=make.NOW).drafts]
    assert len(keys) == DRAFTS
    proper = issuing._reference
    tried: list[str] = []

    def breaks_at_times(number: str) -> str:
        tried.append(number)
        if len(tried) % EVERY_FIFTH == 0:
            raise Broke
        return proper(number)

    monkeypatch.setattr("billing.services.issuing._reference", breaks_at_times)

    def issue_all(order: list[int]) -> None:
        waiting = list(order)
        while waiting:
            invoice = Invoice.objects.get(pk=waiting[0])
            try:
                issue_invoice(invoice=invoice, on=make.TODAY, by=None, now=make.NOW)
            except Broke:
                continue  # rolled back, number and all: once more
            except NotADraft:
                pass  # the other office was quicker
            waiting.pop(0)

    at_once(lambda: issue_all(keys), lambda: issue_all(keys[::-1]))

    numbers = list(Invoice.objects.issued().order_by("number").values_list("number", flat=True))
    assert numbers == [f"2026-{number:06d}" for number in range(1, DRAFTS + 1)]
    assert InvoiceSeries.objects.get().last == DRAFTS
    assert len(tried) > DRAFTS
    assert BilledVisit.objects.values("visit").distinct().count() == BilledVisit.objects.count() == DRAFTS


def test_two_offices_draft_the_same_visits_at_once(business: Business) -> None:
    done_visits(business, 30)

    def draft() -> None:
        draft_invoices(business=business, by=None, now=make.NOW)

    at_once(draft, draft)
    assert BilledVisit.objects.values("visit").distinct().count() == BilledVisit.objects.count() == 30
    assert Invoice.objects.count() == 30
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
