"""E-mails: written in the transaction, handed to the mail server once it is through, and each noted."""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Iterable, Sequence
from email.utils import formataddr, parseaddr
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.db import transaction
from django.template.loader import render_to_string

from trimmer.access import business_locale
from trimmer.models import Business, Client, SentMessage

log = logging.getLogger(__name__)

SECONDS_TO_ANSWER = 20  # how long the mail server may take
LONGEST_SUBJECT = 200


type Attachment = tuple[str, bytes, str]
"""A file that goes with an e-mail: name, content, media type."""


def send_message(
    *,
    business: Business,
    client: Client | None,
    kind: str,
    recipients: Iterable[str],
    subject: str,
    body: str,
    attachments: Sequence[Attachment] = (),
    now: dt.datetime,
) -> list[SentMessage]:
    """Send one e-mail to each recipient once the transaction is through; says which notes it made.

    Each note says "failed" until the mail server has taken the e-mail, so neither a mail server that is down nor a
    process that dies in between passes for a message sent. Nothing that goes wrong here undoes the transaction.
    Addresses given twice (whatever their case) and empty ones count once or not at all.
    """
    notes = note_messages(business=business, client=client, kind=kind, recipients=recipients, subject=subject, now=now)
    if notes:
        transaction.on_commit(lambda: _hand_over(business, notes, body, attachments), robust=True)
    return notes


def note_messages(
    *,
    business: Business,
    client: Client | None,
    kind: str,
    recipients: Iterable[str],
    subject: str,
    now: dt.datetime,
) -> list[SentMessage]:
    """Note one e-mail to each recipient that somebody else hands over (`hand_over`), "failed" until that is done."""
    line = " ".join(subject.split())[:LONGEST_SUBJECT]
    addresses = {address.strip().lower(): address.strip() for address in recipients if address.strip()}
    return [
        SentMessage.objects.create(
            business=business, client=client, kind=kind, recipient=address, subject=line, sent_at=now, failed=True
        )
        for address in addresses.values()
    ]


def hand_over(*, note: SentMessage, body: str, attachments: Sequence[Attachment] = ()) -> str:
    """Hand a noted e-mail to the mail server now. Says why it was not taken; "" when it was."""
    connection: BaseEmailBackend = get_connection(timeout=SECONDS_TO_ANSWER)
    try:
        _message(note.business, note, body, attachments, connection).send()
    except OSError as refused:  # also every error of smtplib
        log.exception("message %s (%s) could not be sent", note.pk, note.kind)
        return str(refused) or type(refused).__name__
    SentMessage.objects.filter(pk=note.pk).update(failed=False)
    return ""


def write_body(*, business: Business, template: str, **values: Any) -> str:
    """The text of an e-mail from a template, in the language and time zone of the business.

    The template finds the business as `business`, the address links start with as `site`, and the given values.
    """
    with business_locale(business):
        return render_to_string(template, {"business": business, "site": settings.SITE_URL} | values).strip() + "\n"


def _hand_over(business: Business, notes: Sequence[SentMessage], body: str, attachments: Sequence[Attachment]) -> None:
    connection: BaseEmailBackend = get_connection(timeout=SECONDS_TO_ANSWER)
    for note in notes:
        try:
            _message(business, note, body, attachments, connection).send()
        except OSError:  # also every error of smtplib
            log.exception("message %s (%s) could not be sent", note.pk, note.kind)
        else:
            note.failed = False
            SentMessage.objects.filter(pk=note.pk).update(failed=False)


def _message(
    business: Business,
    note: SentMessage,
    body: str,
    attachments: Sequence[Attachment],
    connection: BaseEmailBackend,
) -> EmailMessage:
    """Comes from the service's own address under the business's name; an answer goes to the business."""
    sender = formataddr((business.name, parseaddr(settings.DEFAULT_FROM_EMAIL)[1]))
    message = EmailMessage(
        subject=note.subject,
        body=body,
        from_email=sender,
        to=[note.recipient],
        reply_to=[business.email] if business.email else None,
        connection=connection,
    )
    for attachment in attachments:
        message.attach(*attachment)
    return message
