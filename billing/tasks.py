"""Issuing many drafts: long work, one transaction each, taken up where it stopped."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable
from typing import Any

from celery import shared_task
from django.utils import timezone
from django.utils.translation import gettext as _

from billing.models import BooksFile, Invoice, InvoiceSending, IssueRun, SendingState
from billing.services.books import BOOKS_JOB, books_zip
from billing.services.issuing import ISSUE_JOB, issue_for_run
from billing.services.reminders import REMIND_JOB, send_reminder
from billing.services.sending import SEND_JOB, deliver, send_invoice, try_again_what_failed
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Client
from trimmer.services.jobs import Work, job_kind

log = logging.getLogger(__name__)


@job_kind(ISSUE_JOB)
def issue_run(work: Work) -> Callable[[], dict[str, Any]]:
    """Issue every draft of the run, each in its own transaction, and tell which were issued and which were not.

    A draft that cannot be issued stops nobody. Drafts that are issued already, by this worker's forerunner or by hand,
    are told and left alone, so the run may be done twice.
    """
    run = IssueRun.objects.select_related("business", "asked_by").get(
        pk=work.job.arguments["run"], business=work.job.business
    )
    keys = list(run.invoices.order_by("client__name", "pk").values_list("pk", flat=True))
    issued: list[dict[str, Any]] = []
    failed: list[dict[str, Any]] = []
    unsent: list[dict[str, Any]] = []
    with business_locale(run.business):
        for place, key in enumerate(keys):
            work.report(100 * place // len(keys), _("%(place)s of %(all)s") % {"place": place, "all": len(keys)})
            invoice = Invoice.objects.select_related("client", "business").filter(pk=key).first()
            if invoice is None:
                continue  # dropped meanwhile
            told = _tried(invoice, failed, _issue, run, work)
            if told is None:
                continue
            issued.append(told)
            if run.send:
                _tried(invoice, unsent, _send_once, run, work)
    return lambda: {"issued": issued, "failed": failed, "unsent": unsent}


type Deed[T] = Callable[[Invoice, IssueRun, Work], T]


def _tried[T](invoice: Invoice, failures: list[dict[str, Any]], do: Deed[T], run: IssueRun, work: Work) -> T | None:
    """What it gave, or None with the failure noted: one that cannot be done stops nobody."""
    try:
        return do(invoice, run, work)
    except Refusal as refusal:
        message = str(refusal)
    except Exception:
        log.exception("invoice %s of an issue run", invoice.pk)
        message = _("Something went wrong on our side. Try this one again.")
    failures.append({"invoice": invoice.pk, "client": invoice.client.name, "message": message})
    return None


def _issue(invoice: Invoice, run: IssueRun, work: Work) -> dict[str, Any]:
    return issue_for_run(run=run, invoice=invoice, by=run.asked_by, now=work.clock())


def _send_once(invoice: Invoice, run: IssueRun, work: Work) -> None:
    invoice.refresh_from_db()
    if not invoice.sendings.exists():
        send_invoice(invoice=invoice, by=run.asked_by, now=work.clock())


@job_kind(SEND_JOB)
def send_invoices(work: Work) -> Callable[[], dict[str, Any]]:
    """Hand e-mails to the mail server, each noted by itself: what this worker's forerunner sent is left alone."""
    rows = InvoiceSending.objects.of(work.job.business).filter(pk__in=work.job.arguments["sendings"])
    told = [
        deliver(sending=row, now=work.clock())
        for row in rows.select_related("invoice__business", "invoice__client", "message__business").order_by("pk")
    ]
    sent = [row.pk for row in told if row.state == SendingState.SENT]
    return lambda: {"sent": sent, "failed": [row.pk for row in told if row.pk not in sent]}


@shared_task(name="billing.tasks.try_mails_again")
def try_mails_again() -> int:
    """Try again what the mail server did not take. Safe to run at any time."""
    return try_again_what_failed(now=timezone.now())


@job_kind(BOOKS_JOB)
def books_of_a_period(work: Work) -> Callable[[], dict[str, Any]]:
    """Put all of a period together for the accountant; kept once the worker still holds the job."""
    books = BooksFile.objects.select_related("business").get(pk=work.job.arguments["books"], business=work.job.business)
    with business_locale(books.business):
        content = books_zip(books, work.report)

    def save() -> dict[str, Any]:
        digest = hashlib.sha256(content).hexdigest()
        BooksFile.objects.filter(pk=books.pk).update(content=content, sha256=digest, made_at=work.clock())
        return {"books": books.pk, "sha256": digest}

    return save


@job_kind(REMIND_JOB)
def send_reminders(work: Work) -> Callable[[], dict[str, Any]]:
    """Remind each client in a transaction of its own. One that cannot be reminded stops nobody, and one that was
    reminded already, by this worker's forerunner, is left alone."""
    clients = Client.objects.of(work.job.business).filter(pk__in=work.job.arguments["clients"]).order_by("name", "pk")
    sent: list[dict[str, Any]] = []
    failed: list[dict[str, Any]] = []
    rows = list(clients)
    with business_locale(work.job.business):
        for place, client in enumerate(rows):
            work.report(100 * place // len(rows), _("%(place)s of %(all)s") % {"place": place, "all": len(rows)})
            try:
                reminder = send_reminder(client=client, by=work.job.asked_by, now=work.clock())
            except Refusal as refusal:
                failed.append({"client": client.pk, "name": client.name, "message": str(refusal)})
            else:
                sent.append({"client": client.pk, "name": client.name, "reminder": reminder.pk})
    return lambda: {"sent": sent, "failed": failed}
