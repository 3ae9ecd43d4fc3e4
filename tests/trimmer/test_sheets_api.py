"""Programs bring sheets in and take tables out."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from rest_framework.test import APIClient

from tests import make
from tests.trimmer.test_bringing_sheets import ANIMAL, CLIENT, a_file, run_job
from trimmer.access import Seat
from trimmer.models import Animal, Business, SheetImport

pytestmark = pytest.mark.django_db


@pytest.fixture
def business() -> Business:
    business = make.a_business()
    make.a_farm(make.a_client(business, number="1001"), name="Upper Mill")
    return business


def program(seat: Seat) -> APIClient:
    client = APIClient()
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


@pytest.fixture
def office(business: Business) -> APIClient:
    return program(make.a_member(business, "office"))


def bring(client: APIClient, kind: str, content: bytes, **headers: str) -> Any:
    values = {"kind": kind, "file": SimpleUploadedFile("herd.csv", content)}
    return client.post("/api/v1/sheets", values, format="multipart", headers=headers)


def test_a_sheet_is_brought_checked_and_stored(office: APIClient) -> None:
    brought = bring(office, "animals", a_file("animals", ANIMAL))
    sheet = SheetImport.objects.get()
    run_job(sheet)
    checked = office.get(f"/api/v1/sheets/{sheet.pk}").json()
    told = office.post(f"/api/v1/sheets/{sheet.pk}/store")
    sheet.refresh_from_db()
    run_job(sheet)
    stored = office.get(f"/api/v1/sheets/{sheet.pk}").json()

    assert (brought.status_code, brought.json()["state"], told.status_code) == (201, "checking", 202)
    assert (checked["state"], checked["row_count"], checked["fault_count"]) == ("ready", 1, 0)
    assert checked["tables"][0] | {"examples": []} == {
        "name": "animals",
        "added": 1,
        "changed": 0,
        "same": 0,
        "examples": [],
    }
    assert (stored["state"], stored["progress"]) == ("stored", 100)
    assert Animal.objects.get().number == "217"


def test_a_file_sent_twice_with_one_key_is_taken_once(office: APIClient) -> None:
    answers = [bring(office, "animals", a_file("animals", ANIMAL), **{"Idempotency-Key": "k1"}) for _ in range(2)]

    assert [answer.status_code for answer in answers] == [201, 201]
    assert answers[0].json()["id"] == answers[1].json()["id"]
    assert SheetImport.objects.count() == 1


def test_faults_and_doubts_are_told_in_pages(office: APIClient) -> None:
    rows = [ANIMAL | {"official_tag": "UK230011500123"}, ANIMAL | {"client_number": "9", "number": "1"}]
    bring(office, "animals", a_file("animals", *rows))
    sheet = SheetImport.objects.get()
    run_job(sheet)

    faults = office.get(f"/api/v1/sheets/{sheet.pk}/faults").json()
    doubts = office.get(f"/api/v1/sheets/{sheet.pk}/doubts").json()

    assert faults["count"] == doubts["count"] == 1
    assert faults["results"][0] == {
        "row": 3,
        "column": "client_number",
        "cell": "A3",
        "title": "Client number",
        "code": "client_unknown",
        "value": "9",
        "message": "There is no client with number 9. Bring in clients and farms first, or correct it.",
    }
    assert doubts["results"][0]["code"] == "tag_uk_check_digit"
    refused = office.post(f"/api/v1/sheets/{sheet.pk}/store")
    assert (refused.status_code, refused.json()["code"]) == (409, "sheet_is_not_ready")


def test_what_cannot_be_a_sheet_is_refused(office: APIClient) -> None:
    not_a_table = bring(office, "animals", b"%PDF-1.7")
    no_kind = bring(office, "cats", a_file("animals", ANIMAL))
    nothing = office.post("/api/v1/sheets", {"kind": "animals"}, format="multipart")

    assert (not_a_table.status_code, not_a_table.json()["code"]) == (400, "sheet_cannot_be_read")
    assert "file" in not_a_table.json()["fields"]
    assert (no_kind.status_code, no_kind.json()["code"]) == (400, "sheet_kind_is_unknown")
    assert (nothing.status_code, list(nothing.json()["fields"])) == (400, ["file"])


def test_a_sheet_is_put_away(office: APIClient) -> None:
    bring(office, "animals", a_file("animals", ANIMAL))
    sheet = SheetImport.objects.get()

    assert office.delete(f"/api/v1/sheets/{sheet.pk}").status_code == HTTPStatus.NO_CONTENT
    assert not SheetImport.objects.exists()


def test_sheets_are_listed_by_kind_and_state(office: APIClient) -> None:
    bring(office, "animals", a_file("animals", ANIMAL))
    bring(office, "clients_and_farms", a_file("clients_and_farms", CLIENT))

    listed = office.get("/api/v1/sheets?kind=animals&state=checking").json()

    assert [row["kind"] for row in listed["results"]] == ["animals"]


def test_tables_and_templates_are_taken_out(business: Business, office: APIClient) -> None:
    make.an_animal(business.clients.get().farms.get(), number="4711")

    table = office.get("/api/v1/sheets/export?kind=animals&form=csv")
    template = office.get("/api/v1/sheets/template?kind=animals&form=xlsx")

    assert b"4711" in table.content
    assert table["Content-Type"].startswith("text/csv")
    assert template.content.startswith(b"PK")
    assert office.get("/api/v1/sheets/export?kind=animals&form=ods").status_code == HTTPStatus.BAD_REQUEST
    assert office.get("/api/v1/sheets/export?kind=cats&form=csv").json()["code"] == "sheet_kind_is_unknown"


def test_days_the_wrong_way_round_are_refused_and_not_answered_by_an_empty_table(office: APIClient) -> None:
    days = "first=2026-03-02&last=2026-03-01"

    refused = office.get(f"/api/v1/sheets/export?kind=visits_and_records&form=csv&{days}")

    assert (refused.status_code, list(refused.json()["fields"])) == (400, ["last"])
    assert "Turn them round" in str(refused.json()["fields"]["last"])


def test_a_trimmer_has_no_prices_in_or_out(business: Business) -> None:
    trimmer = program(make.a_member(business, "trimmer"))

    assert bring(trimmer, "prices", b"x").status_code == HTTPStatus.FORBIDDEN
    assert trimmer.get("/api/v1/sheets/export?kind=prices&form=csv").status_code == HTTPStatus.FORBIDDEN
