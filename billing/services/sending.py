"""An issued document goes to the client by e-mail, with its file. A worker hands it to the mail server."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from http import HTTPStatus
from typing import Final

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.models import Invoice, InvoiceKind, InvoiceSending, InvoiceState, SendingState, Syntax
from billing.services.documents import bytes_of, keep_document
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import User
from trimmer.services.jobs import start_job
from trimmer.services.messages import hand_over, note_messages, write_body
from trimmer.showing import show_day, show_money

SEND_JOB: Final = "send_invoices"
MOST_TRIES: Final = 5
FIRST_PAUSE: Final = dt.timedelta(minutes=5)
"""Before the second try; each pause is twice the one before."""


class NotIssuedYet(Refusal):
    code = "not_issued_yet"
    message = gettext_lazy("Only what is issued can be sent. Issue the draft first.")


class NotFailed(Refusal):
    code = "sending_not_failed"
    message = gettext_lazy("This e-mail is on its way or was handed over already.")


class NoAddress(Refusal):
    code = "no_address"
    message = gettext_lazy("There is no e-mail address to send it to. Give one, or add it to the client.")
    status = HTTPStatus.BAD_REQUEST


class AddressRefused(Refusal):
    code = "address_refused"
    message = gettext_lazy("“%(address)s” is no e-mail address. Correct it.")
    status = HTTPStatus.BAD_REQUEST


@transaction.atomic
def send_invoice(
    *, invoice: Invoice, recipients: Iterable[str] | None = None, by: User | None, now: dt.datetime
) -> list[InvoiceSending]:
    """Send an issued document to the given addresses, or to the client's own. Says which sendings it noted.

    They wait for a worker, which starts on them once the transaction is through; one that the mail server does not take
    is tried again later. Raises NotIssuedYet, NoAddress, AddressRefused.
    """
    if invoice.state != InvoiceState.ISSUED:
        raise NotIssuedYet
    given = [invoice.client.email] if recipients is None else list(recipients)
    addresses = [address.strip() for address in given if address.strip()]
    if not addresses:
        raise NoAddress.at("recipients")
    for address in addresses:
        try:
            validate_email(address)
        except ValidationError:
            raise AddressRefused.at("recipients", address=address) from None
    keep_document(invoice=invoice, now=now)
    business = invoice.business
    with business_locale(business):
        credit = invoice.kind == InvoiceKind.CREDIT_NOTE
        words = _("Credit note %(number)s of %(business)s") if credit else _("Invoice %(number)s of %(business)s")
        subject = words % {"number": invoice.number, "business": business.name}
    messages = note_messages(
        business=business,
        client=invoice.client,
        kind="credit_note" if credit else "invoice",
        recipients=addresses,
        subject=subject,
        now=now,
    )
    made = [InvoiceSending.objects.create(invoice=invoice, message=message, sent_by=by) for message in messages]
    start_job(business=business, kind=SEND_JOB, arguments={"sendings": [one.pk for one in made]}, asked_by=by)
    return made


def deliver(*, sending: InvoiceSending, now: dt.datetime) -> InvoiceSending:
    """Hand an e-mail that waits, or that failed, to the mail server, and note what came of it.

    A worker that dies in between leaves it waiting, so in the worst case somebody gets it twice, but nobody never.
    """
    sending.refresh_from_db()
    if sending.state == SendingState.SENT:
        return sending
    invoice = sending.invoice
    file = (file_name(invoice), bytes_of(keep_document(invoice=invoice, now=now)), "application/pdf")
    reason = hand_over(note=sending.message, body=_body(invoice), attachments=[file])
    sending.state = SendingState.FAILED if reason else SendingState.SENT
    sending.reason, sending.tries, sending.tried_at = reason[:300], sending.tries + 1, now
    sending.save(update_fields=["state", "reason", "tries", "tried_at"])
    return sending


@transaction.atomic
def send_again(*, sending: InvoiceSending, by: User | None) -> InvoiceSending:
    """Try an e-mail again that the mail server did not take. Raises NotFailed."""
    queued = InvoiceSending.objects.filter(pk=sending.pk, state=SendingState.FAILED).update(
        state=SendingState.QUEUED, reason=""
    )
    if not queued:
        raise NotFailed
    start_job(business=sending.invoice.business, kind=SEND_JOB, arguments={"sendings": [sending.pk]}, asked_by=by)
    sending.refresh_from_db()
    return sending


def try_again_what_failed(*, now: dt.datetime) -> int:
    """Have those tried again that the mail server did not take, each later than the time before. Says how many."""
    rows = InvoiceSending.objects.filter(state=SendingState.FAILED, tries__lt=MOST_TRIES).select_related(
        "invoice__business", "sent_by"
    )
    due = [row for row in rows if row.tried_at is None or row.tried_at + FIRST_PAUSE * 2 ** (row.tries - 1) <= now]
    for row in due:
        send_again(sending=row, by=row.sent_by)
    return len(due)


def _body(invoice: Invoice) -> str:
    business, credit = invoice.business, invoice.kind == InvoiceKind.CREDIT_NOTE
    return write_body(
        business=business,
        template="billing/mail/invoice.txt",
        invoice=invoice,
        credit=credit,
        date=_day(invoice.issued_on, business.language),
        due=_day(invoice.due_on, business.language),
        total=show_money(invoice.gross_total, invoice.currency, business.language),
    )


def _day(day: dt.date | None, language: str) -> str:
    return show_day(day, language, weekday=False) if day else ""


def file_name(invoice: Invoice, syntax: Syntax | None = None) -> str:
    """What a file of a document is called: its number, and nothing that a file system minds."""
    kept = re.sub(r"[^A-Za-z0-9._-]+", "-", invoice.number or f"draft-{invoice.pk}")
    return f"{kept}.pdf" if syntax is None else f"{kept}-{syntax}.xml"
