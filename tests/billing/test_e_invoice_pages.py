"""The office's way to e-invoices: turned on, what is missing, on the draft, on the invoice, to the file."""

from __future__ import annotations

from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from django.test import Client as Browser
from django.urls import reverse
from rest_framework.test import APIClient

from billing.documents.einvoice_cii import read_cii
from billing.documents.einvoice_ubl import read_ubl
from billing.models import BillingSettings, ClientBilling, Invoice
from billing.services.einvoice_settings import AddressKindMissing, keep_client_billing, keep_e_invoice_settings
from billing.services.einvoices import e_invoice_of
from tests import make
from tests.billing import bills
from trimmer.models import Business, Client, Role

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _it_is_now() -> Iterator[None]:
    """The clock that views read stands still."""
    with time_machine.travel(make.NOW, tick=False):
        yield


@pytest.fixture
def business() -> Business:
    made = bills.a_trimming_business()
    keep_e_invoice_settings(business=made, e_invoices=True)
    return made


@pytest.fixture
def client(business: Business) -> Client:
    return make.a_client(business)


@pytest.fixture
def office(business: Business) -> Browser:
    return make.signed_in(make.a_member(business, Role.OFFICE))


def get(browser: Browser, name: str, /, *args: Any) -> str:
    answer = browser.get(reverse(name, args=args))
    assert answer.status_code == HTTPStatus.OK
    return " ".join(answer.content.decode().split())


def post(browser: Browser, name: str, /, *args: Any, **values: Any) -> str:
    answer = browser.post(reverse(name, args=args), values, follow=True)
    assert answer.status_code == HTTPStatus.OK
    return " ".join(answer.content.decode().split())


def test_the_settings_turn_them_on_and_say_what_is_missing() -> None:
    business = bills.a_trimming_business(iban="DE89370400440532013001")
    office = make.signed_in(make.a_member(business, Role.OFFICE))
    assert "check digits" not in get(office, "e-invoice-settings")
    page = post(office, "e-invoice-settings", e_invoices="on", e_address="9915:test", e_scheme="9915", contact="Nell")
    assert "The settings are stored." in page
    assert "its check digits do not fit" in page
    assert reverse("business-edit") in page
    row = BillingSettings.objects.get(business=business)
    assert (row.e_invoices, row.e_address, row.e_scheme, row.contact) == (True, "9915:test", "9915", "Nell")


def test_an_address_needs_its_kind_unless_it_is_for_e_mail(office: Browser, business: Business) -> None:
    assert "Say what kind of address" in post(office, "e-invoice-settings", e_address="9915:test")
    post(office, "e-invoice-settings", e_invoices="on", e_address="bills@hooves.example")
    assert BillingSettings.objects.get(business=business).e_scheme == "EM"
    with pytest.raises(AddressKindMissing):
        keep_e_invoice_settings(business=business, e_invoices=True, e_address="no address", e_scheme="EM")


def test_numbering_and_e_invoices_are_kept_apart(office: Browser, business: Business) -> None:
    post(office, "billing-settings", credit_prefix="CN-", travel_share="alone")
    row = BillingSettings.objects.get(business=business)
    assert (row.e_invoices, row.credit_prefix) == (True, "CN-")
    post(office, "e-invoice-settings", contact="Nell")
    row.refresh_from_db()
    assert (row.e_invoices, row.credit_prefix, row.contact) == (False, "CN-", "Nell")


def test_what_a_client_wants_is_kept_and_stands_on_its_bills(office: Browser, client: Client) -> None:
    assert reverse("client-billing", args=[client.pk]) in get(office, "client-statement", client.pk)
    page = post(office, "client-billing", client.pk, bills="visit", buyer_reference=" Barn 7 ", register_number="HRB 7")
    assert "is stored" in page
    row = ClientBilling.objects.get(client=client)
    assert (row.buyer_reference, row.register_number) == ("Barn 7", "HRB 7")
    assert "Say what kind of address" in post(office, "client-billing", client.pk, bills="visit", e_address="x")
    assert e_invoice_of(bills.an_invoice(client)).buyer_reference == "Barn 7"


def test_a_draft_says_what_is_missing_and_where(office: Browser, client: Client) -> None:
    client.tax_id = "ATU00000000"
    client.save()
    draft = bills.a_draft(client)
    for name in ("invoice-page", "invoice-issue"):
        page = get(office, name, draft.pk)
        assert "The tax registration of the client is not right (ATU00000000)" in page
        assert reverse("client-page", args=[client.pk]) in page
    assert "ATU00000000" in get(office, "invoice-issue-many")
    refused = post(office, "invoice-issue", draft.pk, on=make.TODAY.isoformat())
    assert "The tax registration of the client is not right" in refused
    assert Invoice.objects.get().number is None


def test_a_draft_of_a_business_without_them_says_nothing(client: Client) -> None:
    keep_e_invoice_settings(business=client.business, e_invoices=False)
    client.tax_id = "ATU00000000"
    client.save()
    draft = bills.a_draft(client)
    office = make.signed_in(make.a_member(client.business, Role.OFFICE))
    for name, args in (("invoice-page", [draft.pk]), ("invoice-issue", [draft.pk]), ("invoice-issue-many", [])):
        assert "ATU00000000" not in get(office, name, *args)


def test_an_issued_invoice_offers_both_files_and_names_the_rules(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    page = get(office, "invoice-page", invoice.pk)
    assert "Factur-X EN 16931 1." in page
    assert "EN 16931 UBL 1." in page
    for name, read in (("invoice-cii", read_cii), ("invoice-ubl", read_ubl)):
        assert reverse(name, args=[invoice.pk]) in page
        answer = office.get(reverse(name, args=[invoice.pk]))
        assert answer["Content-Type"] == "application/xml"
        assert f"{invoice.number}-" in answer["Content-Disposition"]
        assert read(answer.content) == e_invoice_of(invoice)


def test_a_draft_is_no_file_yet(office: Browser, client: Client) -> None:
    answer = office.get(reverse("invoice-cii", args=[bills.a_draft(client).pk]))
    assert answer.status_code == HTTPStatus.CONFLICT


def test_the_farm_gets_its_own_only_if_it_may_see_invoices(client: Client) -> None:
    invoice = bills.an_invoice(client)
    for may_see, status in ((True, HTTPStatus.OK), (False, HTTPStatus.FORBIDDEN)):
        seat = make.a_farm_person(client, email=f"{may_see}@example.test", may_see_invoices=may_see)
        assert make.signed_in(seat).get(reverse("invoice-ubl", args=[invoice.pk])).status_code == status


def test_the_api_hands_out_the_files(business: Business, client: Client) -> None:
    invoice, draft = bills.an_invoice(client), bills.a_draft(client)
    api = APIClient()
    seat = make.a_member(business, Role.OFFICE)
    api.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    for name, read in (("api-invoice-cii", read_cii), ("api-invoice-ubl", read_ubl)):
        answer = api.get(reverse(name, args=[invoice.pk]), headers={"Accept": "application/xml"})
        assert read(answer.content) == e_invoice_of(invoice)
        refused = api.get(reverse(name, args=[draft.pk]))
        assert (refused.status_code, refused.json()["code"]) == (HTTPStatus.CONFLICT, "not_issued_yet")


def test_the_api_says_why_an_e_invoice_is_refused(business: Business, client: Client) -> None:
    client.tax_id = "ATU00000000"
    client.save()
    draft = bills.a_draft(client)
    api = APIClient()
    seat = make.a_member(business, Role.OFFICE)
    api.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    answer = api.post(reverse("api-invoice-issue", args=[draft.pk]), {"on": make.TODAY.isoformat()}, format="json")
    assert (answer.status_code, answer.json()["code"]) == (HTTPStatus.CONFLICT, "e_invoice_refused")
    assert "page of the client" in answer.json()["message"]


def test_another_business_keeps_its_own(client: Client) -> None:
    other = bills.a_trimming_business(name="Other hooves")
    office = make.signed_in(make.a_member(other, Role.OFFICE))
    assert office.get(reverse("client-billing", args=[client.pk])).status_code == HTTPStatus.NOT_FOUND
    invoice = bills.an_invoice(client)
    assert office.get(reverse("invoice-cii", args=[invoice.pk])).status_code == HTTPStatus.NOT_FOUND


def test_what_is_issued_keeps_its_copy(client: Client) -> None:
    invoice = bills.an_invoice(client)
    keep_client_billing(client=client, buyer_reference="Later")
    assert e_invoice_of(invoice).buyer_reference == ""
