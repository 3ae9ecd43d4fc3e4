"""The owner reads who did what, narrows it, takes it along; the accountant gets it with the books."""

import csv
import datetime as dt
import hashlib
import io
import json
import zipfile
from decimal import Decimal as D

import pytest
from django.db import connection
from django.urls import reverse
from pytest_django.fixtures import DjangoAssertNumQueries
from rest_framework.test import APIClient

from billing.models import BooksFile, TrailEntry
from billing.queries.trail import check_trail, link, trail_csv, trail_of
from billing.services.books import books_zip
from billing.services.documents import keep_document
from billing.services.einvoice_settings import keep_e_invoice_settings
from billing.services.payments import record_payment
from tests import make
from tests.billing import bills
from trimmer.acting import acting
from trimmer.models import Client, User

pytestmark = pytest.mark.django_db
EVER = {"first": dt.date(2020, 1, 1), "last": dt.date(2999, 1, 1)}


@pytest.fixture
def client() -> Client:
    return make.a_client(bills.a_trimming_business(), name="Alder Bank Dairy", email="alder@example.org")


@pytest.fixture
def clerk(client: Client) -> User:
    user = make.a_member(client.business, "office", name="Ida Clerk").user
    with acting(user, "payment-add"):
        record_payment(client=client, received_on=make.TODAY, amount=D(90), method="cash", by=user, now=make.NOW)
    connection.check_constraints()
    return user


def page(client: Client, query: str = "") -> str:
    owner = make.signed_in(make.a_member(client.business, "owner", name="Olga Owner"))
    return owner.get(reverse("audit-trail") + query).content.decode()


def test_the_owner_reads_who_did_what(client: Client, clerk: User) -> None:
    shown = page(client)
    assert "Ida Clerk" in shown
    assert "payment-add" in shown
    assert "Every link" not in shown


def test_it_is_narrowed_by_thing_person_and_period(client: Client, clerk: User) -> None:
    assert "Ida Clerk</td>" not in page(client, "?thing=trimmer_business").replace("<br>", "</td>")
    payments = page(client, f"?thing=billing_payment&by={clerk.pk}")
    assert "payment-add" in payments
    assert "trimmer_business</" not in payments
    assert "Nothing was done that fits" in page(client, "?last=2020-01-01")
    assert "lies before the first" in page(client, "?first=2026-02-01&last=2026-01-01")


def test_an_invoice_leads_to_its_own_trail(client: Client) -> None:
    invoice = bills.an_invoice(client)
    connection.check_constraints()
    owner = make.signed_in(make.a_member(client.business, "owner"))
    way = f"{reverse('audit-trail')}?invoice={invoice.pk}"
    assert way in owner.get(reverse("invoice-page", args=[invoice.pk])).content.decode()
    shown = owner.get(way).content.decode()
    assert "→ <strong>issued</strong>" in shown


def test_the_page_checks_the_chain(client: Client, clerk: User) -> None:
    assert "Every link of the chain holds" in page(client, "?check=1")


def test_fifty_entries_take_few_queries(client: Client, django_assert_max_num_queries: DjangoAssertNumQueries) -> None:
    for amount in range(60):
        with acting(None, ""):
            record_payment(
                client=client, received_on=make.TODAY, amount=D(amount + 1), method="cash", by=None, now=make.NOW
            )
    owner = make.signed_in(make.a_member(client.business, "owner"))
    with django_assert_max_num_queries(14):
        owner.get(reverse("audit-trail"))


@pytest.mark.parametrize("role", ["office", "trimmer"])
def test_it_is_for_the_owner_alone(client: Client, role: str) -> None:
    assert make.signed_in(make.a_member(client.business, role)).get(reverse("audit-trail")).status_code == 403


def test_all_of_it_can_be_taken_along(client: Client, clerk: User) -> None:
    owner = make.signed_in(make.a_member(client.business, "owner"))
    answer = owner.get(reverse("audit-trail-csv") + "?thing=billing_payment")
    rows = list(csv.reader(io.StringIO(b"".join(answer).decode())))
    assert [row[2:6] for row in rows[1:]] == [["Ida Clerk", "payment-add", "added", "billing_payment"]]
    assert json.loads(rows[1][8])["method"] == "cash"


def test_a_name_that_a_spreadsheet_would_run_is_made_harmless(client: Client) -> None:
    person = make.a_member(client.business, "office", name="=1+1").user
    with acting(person, ""):
        record_payment(client=client, received_on=make.TODAY, amount=D(1), method="cash", by=None, now=make.NOW)
    [_titles, line] = trail_csv(trail_of(client.business, thing="billing_payment"))
    assert "'=1+1" in line


def test_a_program_reads_the_trail(client: Client, clerk: User) -> None:
    program = APIClient()
    program.force_login(make.a_member(client.business, "owner").user)
    answer = program.get(reverse("api-audit-trail-list"), {"thing": "billing_payment", "by": str(clerk.pk)}).json()
    [entry] = answer["results"] if isinstance(answer, dict) else answer
    assert (entry["act"], entry["before"], entry["after"]["method"]) == ("added", None, "cash")
    before = TrailEntry.objects.of(client.business).get(position=entry["position"] - 1)
    assert entry["hash"] == link(before.hash, entry["body"])


def test_the_accountants_zip_holds_e_invoices_and_the_trail(client: Client) -> None:
    keep_e_invoice_settings(business=client.business, e_invoices=True)
    client.street, client.city, client.country = "Mill Lane 9", "Untertal", "AT"
    client.save()
    client.business.refresh_from_db()
    invoice = bills.an_invoice(client)
    keep_document(invoice=invoice, now=make.NOW)
    connection.check_constraints()
    books = BooksFile.objects.create(business=client.business, asked_at=make.NOW, **EVER)
    packed = zipfile.ZipFile(io.BytesIO(books_zip(books, lambda *_: None)))
    manifest = json.loads(packed.read("manifest.json"))
    for syntax in ("cii", "ubl"):
        name = f"documents/{invoice.number}-{syntax}.xml"
        kept = invoice.xml_files.get(syntax=syntax)
        assert manifest["sha256"][name] == kept.sha256 == hashlib.sha256(packed.read(name)).hexdigest()
    before = ""
    for line in packed.read("audit-trail.jsonl").decode().splitlines():
        entry = json.loads(line)
        assert entry["hash"] == link(before, entry["body"])
        before = entry["hash"]
    head = manifest["audit_trail"]
    assert head["hash"] == before
    assert check_trail(client.business, anchors=[(head["position"], head["hash"])]) is None
    assert set(packed.namelist()) - {"manifest.json"} == manifest["sha256"].keys()
