import datetime as dt
from typing import Any

import pytest
from django.core import mail
from django.urls import reverse

from billing.models import InvoiceSending
from billing.services import sending
from billing.services.credits import credit_invoice
from billing.services.documents import bytes_of, keep_document
from billing.services.issuing import issue_invoice
from billing.services.sending import MOST_TRIES, deliver, send_again, send_invoice, try_again_what_failed
from tests import make
from tests.billing import bills
from trimmer.models import Client, Job
from trimmer.services import messages

pytestmark = pytest.mark.django_db


@pytest.fixture
def client() -> Client:
    return make.a_client(bills.a_trimming_business(), email="alder@example.test")


def test_an_invoice_is_sent_with_its_kept_file_by_a_worker(client: Client) -> None:
    invoice = bills.an_invoice(client)
    [sent] = send_invoice(invoice=invoice, by=None, now=make.NOW)
    assert (sent.state, sent.message.failed, mail.outbox) == ("queued", True, [])
    bills.post_what_waits()
    [message] = mail.outbox
    assert (message.to, message.subject) == (["alder@example.test"], "Invoice 2026-000001 of Hollin Hoof Care")
    assert message.attachments == [
        ("2026-000001.pdf", bytes_of(keep_document(invoice=invoice, now=make.NOW)), "application/pdf")
    ]
    for words in ("Dear Alder Bank Dairy", "€690.20", "Please pay by 18 Mar 2026", bills.SOUND["iban"], "RF42"):
        assert str(words) in str(message.body)
    sent = InvoiceSending.objects.select_related("message").get()
    assert (sent.invoice, sent.message.failed) == (invoice, False)
    assert (sent.state, sent.tries, sent.tried_at) == ("sent", 1, make.NOW)


def test_a_credit_note_asks_for_no_money(client: Client) -> None:
    draft = credit_invoice(invoice=bills.an_invoice(client), reason="Miscounted", by=None, now=make.NOW)
    note = issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    send_invoice(invoice=note, by=None, now=make.NOW)
    bills.post_what_waits()
    [message] = mail.outbox
    assert "credit note 2026-000002" in str(message.body)
    assert "pay" not in str(message.body)


def test_it_goes_to_the_addresses_given(client: Client) -> None:
    made = send_invoice(
        invoice=bills.an_invoice(client), recipients=["a@example.test", "b@example.test", " "], by=None, now=make.NOW
    )
    assert [one.message.recipient for one in made] == ["a@example.test", "b@example.test"]


def test_a_draft_is_not_sent(client: Client) -> None:
    with pytest.raises(sending.NotIssuedYet):
        send_invoice(invoice=bills.a_draft(client), by=None, now=make.NOW)


def test_without_an_address_nothing_is_sent(client: Client) -> None:
    client.email = ""
    client.save()
    with pytest.raises(sending.NoAddress):
        send_invoice(invoice=bills.an_invoice(client), by=None, now=make.NOW)
    assert not InvoiceSending.objects.exists()


def test_what_is_no_address_is_refused(client: Client) -> None:
    with pytest.raises(sending.AddressRefused):
        send_invoice(invoice=bills.an_invoice(client), recipients=["alder"], by=None, now=make.NOW)
    assert not InvoiceSending.objects.exists()


# A mail server that is down


@pytest.fixture
def down(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """The mail server takes nothing, until this is undone."""

    def refuse(*_args: Any) -> Any:
        raise ConnectionRefusedError("nobody answers")

    monkeypatch.setattr(messages, "_message", refuse)
    return monkeypatch


def a_failed_sending(client: Client) -> InvoiceSending:
    [sent] = send_invoice(invoice=bills.an_invoice(client), by=None, now=make.NOW)
    bills.post_what_waits()
    sent.refresh_from_db()
    return sent


def test_what_is_not_taken_says_why_and_nothing_is_lost(client: Client, down: pytest.MonkeyPatch) -> None:
    sent = a_failed_sending(client)
    assert (sent.state, sent.reason, sent.tries) == ("failed", "nobody answers", 1)
    assert sent.message.failed


def test_it_is_tried_again_later_each_time_and_not_for_ever(client: Client, down: pytest.MonkeyPatch) -> None:
    sent = a_failed_sending(client)
    now = make.NOW
    pauses = []
    while sent.tries < MOST_TRIES:
        before = now
        while not try_again_what_failed(now=now):
            now += dt.timedelta(minutes=5)
        pauses.append((now - before) // dt.timedelta(minutes=5))
        deliver(sending=sent, now=now)
    assert pauses == [1, 2, 4, 8]
    assert try_again_what_failed(now=now + dt.timedelta(days=9)) == 0


def test_it_goes_out_once_the_server_is_there_again(client: Client, down: pytest.MonkeyPatch) -> None:
    sent = a_failed_sending(client)
    down.undo()
    assert try_again_what_failed(now=make.NOW + dt.timedelta(minutes=6)) == 1
    bills.post_what_waits()
    sent.refresh_from_db()
    assert (sent.state, sent.reason, sent.tries, len(mail.outbox)) == ("sent", "", 2, 1)


def test_the_office_tries_again_from_the_page(client: Client, down: pytest.MonkeyPatch) -> None:
    sent = a_failed_sending(client)
    office = make.signed_in(make.a_member(client.business, "office"))
    page = reverse("invoice-page", args=[sent.invoice_id])
    shown = office.get(page).content.decode()
    assert "nobody answers" in shown
    assert "Try again" in shown
    down.undo()
    office.post(reverse("invoice-send-again", args=[sent.pk]))
    assert "on its way" in office.get(page).content.decode()
    bills.post_what_waits()
    assert len(mail.outbox) == 1
    assert "handed over" in office.get(page).content.decode()


def test_what_is_on_its_way_is_not_tried_again(client: Client) -> None:
    [sent] = send_invoice(invoice=bills.an_invoice(client), by=None, now=make.NOW)
    with pytest.raises(sending.NotFailed):
        send_again(sending=sent, by=None)


def test_a_job_done_twice_sends_once(client: Client) -> None:
    send_invoice(invoice=bills.an_invoice(client), by=None, now=make.NOW)
    bills.post_what_waits()
    Job.objects.update(state="waiting")
    bills.post_what_waits()
    assert len(mail.outbox) == 1
