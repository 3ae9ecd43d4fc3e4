"""Sending an e-mail: on commit, one a recipient, noted; a failing mail server breaks nothing."""

from __future__ import annotations

from typing import Any

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.db import transaction
from pytest_django import DjangoCaptureOnCommitCallbacks

from tests import make
from trimmer.models import Business, SentMessage
from trimmer.services.messages import send_message

pytestmark = pytest.mark.django_db


def send(business: Business, *recipients: str, **changes: Any) -> list[SentMessage]:
    values: dict[str, Any] = {"client": None, "kind": "hours", "subject": "Your hours", "body": "Monday 08:00"}
    return send_message(business=business, recipients=recipients, now=make.NOW, **(values | changes))


def test_each_recipient_gets_a_message_of_their_own(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    business = make.a_business(email="office@hollin.test")

    with django_capture_on_commit_callbacks(execute=True):
        send(business, "ann@alder.test", "ben@alder.test")

    assert [message.to for message in mail.outbox] == [["ann@alder.test"], ["ben@alder.test"]]
    assert mail.outbox[0].from_email == "Hollin Hoof Care <no-reply@trimround.invalid>"
    assert mail.outbox[0].reply_to == ["office@hollin.test"]
    assert list(SentMessage.objects.of(business).values_list("failed", "kind")) == [(False, "hours")] * 2


def test_an_address_given_twice_gets_one_message_and_an_empty_one_none() -> None:
    business = make.a_business()

    notes = send(business, "Ann@alder.test", "ann@alder.test ", "")

    assert [note.recipient for note in notes] == ["ann@alder.test"]


def test_nothing_is_sent_when_the_transaction_is_undone(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    business = make.a_business()

    with django_capture_on_commit_callbacks(execute=True), transaction.atomic():
        send(business, "ann@alder.test")
        transaction.set_rollback(True)

    assert mail.outbox == []
    assert not SentMessage.objects.of(business).exists()


def test_until_the_mail_server_took_it_the_note_says_failed() -> None:
    note = send(make.a_business(), "ann@alder.test")[0]

    assert note.failed


def test_a_failing_mail_server_is_noted_and_stops_no_other_message(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks, monkeypatch: pytest.MonkeyPatch
) -> None:
    business = make.a_business()
    deliver = EmailBackend.send_messages

    def break_for_ann(self: EmailBackend, messages: list[mail.EmailMessage]) -> int:
        if messages[0].to == ["ann@alder.test"]:
            raise ConnectionRefusedError
        return deliver(self, messages)

    monkeypatch.setattr(EmailBackend, "send_messages", break_for_ann)
    with django_capture_on_commit_callbacks(execute=True):
        send(business, "ann@alder.test", "ben@alder.test")

    failed = dict(SentMessage.objects.of(business).values_list("recipient", "failed"))
    assert failed == {"ann@alder.test": True, "ben@alder.test": False}
    assert len(mail.outbox) == 1


def test_a_subject_is_one_line(django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks) -> None:
    business = make.a_business()

    with django_capture_on_commit_callbacks(execute=True):
        send(business, "ann@alder.test", subject="Hours for\r\nBcc: all@alder.test")

    assert mail.outbox[0].subject == "Hours for Bcc: all@alder.test"


def test_a_file_goes_with_the_message(django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks) -> None:
    business = make.a_business()

    with django_capture_on_commit_callbacks(execute=True):
        send(business, "ann@alder.test", attachments=[("visit.ics", b"BEGIN:VCALENDAR", "text/calendar")])

    name, _, media_type = mail.outbox[0].attachments[0]
    assert (name, media_type) == ("visit.ics", "text/calendar")
