import pytest
from django.core import mail
from pytest_django import DjangoCaptureOnCommitCallbacks

from billing.models import InvoiceSending
from billing.services import sending
from billing.services.credits import credit_invoice
from billing.services.documents import bytes_of, keep_document
from billing.services.issuing import issue_invoice
from billing.services.sending import send_invoice
from tests import make
from tests.billing import bills
from trimmer.models import Client

pytestmark = pytest.mark.django_db


@pytest.fixture
def client() -> Client:
    return make.a_client(bills.a_trimming_business(), email="alder@example.test")


def test_an_invoice_is_sent_with_its_kept_file(
    client: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    invoice = bills.an_invoice(client)
    with django_capture_on_commit_callbacks(execute=True):
        [sent] = send_invoice(invoice=invoice, by=None, now=make.NOW)
    [message] = mail.outbox
    assert (message.to, message.subject) == (["alder@example.test"], "Invoice 2026-000001 of Hollin Hoof Care")
    assert message.attachments == [
        ("2026-000001.pdf", bytes_of(keep_document(invoice=invoice, now=make.NOW)), "application/pdf")
    ]
    for words in ("Dear Alder Bank Dairy", "€690.20", "Please pay by 18 Mar 2026", bills.SOUND["iban"], "RF42"):
        assert str(words) in str(message.body)
    sent.message.refresh_from_db()
    assert (sent.invoice, sent.message.failed) == (invoice, False)


def test_a_credit_note_asks_for_no_money(
    client: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    draft = credit_invoice(invoice=bills.an_invoice(client), reason="Miscounted", by=None, now=make.NOW)
    note = issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    with django_capture_on_commit_callbacks(execute=True):
        send_invoice(invoice=note, by=None, now=make.NOW)
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
