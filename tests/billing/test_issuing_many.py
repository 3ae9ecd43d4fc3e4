import datetime as dt
import os
import random
import subprocess
import sys
import time
from io import BytesIO
from typing import Any

import pytest
from django.core import mail
from django.urls import reverse
from django.utils import timezone
from pypdf import PdfReader

from billing import tasks
from billing.models import Invoice, InvoiceFile, IssueRun
from billing.services import issuing
from billing.services.drafts import drop_draft
from billing.services.issuing import issue_invoice, start_issue_run
from tests import make
from tests.billing import bills
from tests.billing.many_drafts import many_drafts
from tests.conftest import Worker, live_database_url
from trimmer.models import Business, Client, Job, JobState
from trimmer.services import jobs

pytestmark = pytest.mark.django_db

SECONDS_FOR_A_RUN = 60


@pytest.fixture
def business() -> Business:
    return bills.a_trimming_business()


def a_run(business: Business, drafts: list[Invoice], **more: Any) -> IssueRun:
    return start_issue_run(business=business, invoices=drafts, on=make.TODAY, by=None, now=make.NOW, **more)


def done(run: IssueRun) -> dict[str, Any]:
    assert run.job is not None
    assert jobs.run(run.job.pk, clock=lambda: make.NOW)
    job = Job.objects.get(pk=run.job.pk)
    assert job.state == JobState.DONE
    return dict(job.result)


def numbers(result: dict[str, Any]) -> list[str]:
    return [one["number"] for one in result["issued"]]


@pytest.mark.django_db(transaction=True)
def test_every_draft_is_issued_by_client_and_its_file_made(business: Business) -> None:
    drafts = [bills.a_draft(make.a_client(business, name=name)) for name in ("Beck", "Alder", "Cole")]
    result = done(a_run(business, drafts))
    assert [(one["client"], one["number"]) for one in result["issued"]] == [
        ("Alder", "2026-000001"),
        ("Beck", "2026-000002"),
        ("Cole", "2026-000003"),
    ]
    assert (result["failed"], InvoiceFile.objects.count()) == ([], 3)


@pytest.mark.django_db(transaction=True)
def test_one_that_cannot_be_issued_stops_nobody(business: Business) -> None:
    bad, good = (bills.a_draft(make.a_client(business, name=name)) for name in ("Alder", "Beck"))
    bad.lines.all().delete()
    result = done(a_run(business, [bad, good]))
    assert numbers(result) == ["2026-000001"]
    assert result["failed"] == [
        {"invoice": bad.pk, "client": "Alder", "message": str(issuing.NothingOnIt.message)},
    ]


@pytest.mark.django_db(transaction=True)
def test_a_fault_of_ours_stops_nobody_either(business: Business, monkeypatch: pytest.MonkeyPatch) -> None:
    drafts = [bills.a_draft(make.a_client(business, name=name)) for name in ("Alder", "Beck")]
    run = a_run(business, drafts)
    proper = issuing.issue_for_run

    def faulty(*, invoice: Invoice, **more: Any) -> dict[str, Any]:
        if invoice.client.name == "Alder":
            raise RuntimeError
        return proper(invoice=invoice, **more)

    monkeypatch.setattr(tasks, "issue_for_run", faulty)
    result = done(run)
    assert numbers(result) == ["2026-000001"]
    assert [one["client"] for one in result["failed"]] == ["Alder"]


@pytest.mark.django_db(transaction=True)
def test_a_run_that_died_is_taken_up_where_it_stopped(business: Business, monkeypatch: pytest.MonkeyPatch) -> None:
    drafts = [bills.a_draft(make.a_client(business, name=name)) for name in ("Alder", "Beck", "Cole")]
    run = a_run(business, drafts)
    assert run.job is not None
    proper = issuing.issue_for_run

    def killed(*, invoice: Invoice, **more: Any) -> dict[str, Any]:
        if invoice.client.name == "Beck":
            raise KeyboardInterrupt
        return proper(invoice=invoice, **more)

    with monkeypatch.context() as patched:
        patched.setattr(tasks, "issue_for_run", killed)
        with pytest.raises(KeyboardInterrupt):
            jobs.run(run.job.pk, clock=lambda: make.NOW)
    later = make.NOW + dt.timedelta(minutes=5)
    assert jobs.run(run.job.pk, clock=lambda: later)
    job = Job.objects.get(pk=run.job.pk)
    assert numbers(job.result) == ["2026-000001", "2026-000002", "2026-000003"]
    assert Invoice.objects.issued().count() == 3


@pytest.mark.django_db(transaction=True)
def test_what_was_issued_by_hand_is_told_and_what_was_dropped_is_not(business: Business) -> None:
    by_hand, dropped, left = (bills.a_draft(make.a_client(business, name=name)) for name in ("Alder", "Beck", "Cole"))
    run = a_run(business, [by_hand, dropped, left])
    issue_invoice(invoice=by_hand, on=make.TODAY, by=None, now=make.NOW)
    drop_draft(invoice=dropped)
    assert numbers(done(run)) == ["2026-000001", "2026-000002"]


@pytest.mark.django_db(transaction=True)
def test_each_is_sent_if_asked_and_an_address_that_is_missing_is_told(business: Business) -> None:
    drafts = [
        bills.a_draft(make.a_client(business, name=name, email=email))
        for name, email in (("Alder", "alder@example.test"), ("Beck", ""))
    ]
    result = done(a_run(business, drafts, send=True))
    bills.post_what_waits()
    assert [message.to for message in mail.outbox] == [["alder@example.test"]]
    assert len(result["issued"]) == 2
    assert [one["client"] for one in result["unsent"]] == ["Beck"]


@pytest.mark.django_db(transaction=True)
def test_a_run_done_twice_sends_once(business: Business) -> None:
    run = a_run(business, [bills.a_draft(make.a_client(business))], send=True)
    done(run)
    assert run.job_id is not None
    Job.objects.filter(pk=run.job_id).update(state=JobState.WAITING)
    done(run)
    bills.post_what_waits()
    assert len(mail.outbox) == 1


def test_a_run_needs_a_draft_of_the_business(business: Business) -> None:
    foreign = bills.a_draft(make.a_client(bills.a_trimming_business(name="Stranger")))
    issued = bills.an_invoice(make.a_client(business))
    with pytest.raises(issuing.NothingToIssue):
        a_run(business, [foreign, issued])


def test_a_run_is_not_dated_ahead(business: Business) -> None:
    draft = bills.a_draft(make.a_client(business))
    with pytest.raises(issuing.DateIsAhead):
        start_issue_run(
            business=business, invoices=[draft], on=make.TODAY + dt.timedelta(days=1), by=None, now=make.NOW
        )


def test_a_run_belongs_to_the_business_of_its_job(business: Business) -> None:
    run = a_run(business, [bills.a_draft(make.a_client(business))])
    Job.objects.update(business=bills.a_trimming_business(name="Stranger"))
    assert run.job is not None
    with pytest.raises(IssueRun.DoesNotExist):
        jobs.run(run.job.pk, clock=lambda: make.NOW)
    assert Client.objects.count() == 1
    assert not Invoice.objects.issued().exists()


@pytest.mark.django_db(transaction=True)
def test_a_worker_killed_at_any_moment_leaves_neither_gap_nor_twin(business: Business) -> None:
    """The moment is drawn by a seed. With 500 invoices, e-invoices and a real worker: tests.bench.batch."""
    run = a_run(business, many_drafts(business, 24))
    assert run.job is not None
    stop_at = random.Random(7).randrange(2, 12)
    module = [sys.executable, "-m", "tests.billing.issuing_child", str(run.job.pk)]
    with subprocess.Popen(module, env=os.environ | {"DATABASE_URL": live_database_url()}) as child:
        while Invoice.objects.issued().count() < stop_at:
            assert child.poll() is None, "it ended too early"
        child.kill()
    assert Job.objects.get(pk=run.job.pk).state == JobState.RUNNING
    later = timezone.now() + dt.timedelta(minutes=5)
    assert jobs.run(run.job.pk, clock=lambda: later)
    result = Job.objects.get(pk=run.job.pk).result
    assert numbers(result) == [f"2026-{number:06d}" for number in range(1, 25)]
    assert (Invoice.objects.issued().count(), InvoiceFile.objects.count(), result["failed"]) == (24, 24, [])


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_a_worker_process_issues_a_run(business: Business, worker: Worker) -> None:
    drafts = [bills.a_draft(make.a_client(business, name=name)) for name in ("Alder", "Beck")]
    run = a_run(business, drafts)
    assert run.job is not None
    deadline = time.monotonic() + SECONDS_FOR_A_RUN
    while not (job := Job.objects.get(pk=run.job.pk)).finished:
        assert time.monotonic() < deadline, f"{job.state}, {job.message}"
        time.sleep(0.2)
    assert (job.state, numbers(job.result)) == (JobState.DONE, ["2026-000001", "2026-000002"])
    assert InvoiceFile.objects.count() == 2


@pytest.mark.django_db(transaction=True)
def test_what_a_run_issued_is_one_pdf_to_print(business: Business) -> None:
    run = a_run(business, [bills.a_draft(make.a_client(business, name=name)) for name in ("Beck", "Alder")])
    office = make.signed_in(make.a_member(business, "office"))
    address = reverse("issue-run-print", args=[run.pk])
    assert "Nothing of this run is issued yet." in office.get(address, follow=True).content.decode()
    done(run)
    pages = [page.extract_text() for page in PdfReader(BytesIO(office.get(address).content)).pages]
    assert [number for number in ("2026-000001", "2026-000002") if any(number in page for page in pages)] == [
        "2026-000001",
        "2026-000002",
    ]
    assert "Alder" in pages[0]
