"""The pages of sheets: bring one in, see how it stands, store it, put it away, take tables out."""

from __future__ import annotations

import csv
import io
from http import HTTPStatus
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client as Browser
from openpyxl import load_workbook
from pytest_django import DjangoAssertNumQueries

from tests import make
from tests.trimmer.test_bringing_sheets import ANIMAL, CLIENT, a_file, run_job
from trimmer.access import Seat
from trimmer.models import Animal, Business, Job, SheetImport, SheetState
from trimmer.services import sheets

pytestmark = pytest.mark.django_db


@pytest.fixture
def business() -> Business:
    business = make.a_business()
    make.a_farm(make.a_client(business, number="1001"), name="Upper Mill")
    return business


@pytest.fixture
def office(business: Business) -> Seat:
    return make.a_member(business, "office")


def bring(browser: Browser, kind: str, content: bytes, name: str = "my sheet.csv") -> Any:
    return browser.post(f"/sheets/bring/{kind}", {"file": SimpleUploadedFile(name, content)}, follow=True)


def a_checked_sheet(business: Business, *rows: dict[str, str], kind: str = "animals") -> SheetImport:
    sheet = sheets.bring_sheet(
        business=business, kind=kind, file_name="my sheet.csv", content=a_file(kind, *rows), by=None, now=make.NOW
    )
    run_job(sheet)
    return sheet


def test_a_file_is_brought_checked_looked_at_and_stored(business: Business, office: Seat) -> None:
    browser = make.signed_in(office)

    page = bring(browser, "animals", a_file("animals", ANIMAL))
    sheet = SheetImport.objects.get()
    assert b"Checking every cell" in page.content
    run_job(sheet)

    page = browser.get(f"/sheets/{sheet.pk}")
    assert b"There is no fault in it" in page.content
    assert "217 is added: Group or pen “Pen 3”".encode() in page.content
    assert not Animal.objects.exists()

    browser.post(f"/sheets/{sheet.pk}/store")
    sheet.refresh_from_db()
    assert b"Storing all of it" in browser.get(f"/sheets/{sheet.pk}").content
    run_job(sheet)

    assert b"All of it was stored" in browser.get(f"/sheets/{sheet.pk}").content
    assert Animal.objects.get().group == "Pen 3"
    assert sheet.brought_by == office.user


def test_a_file_that_cannot_be_read_is_refused_in_the_form(business: Business, office: Seat) -> None:
    page = bring(make.signed_in(office), "animals", b"\xd0\xcf\x11\xe0 an old one", "herd.xls")

    assert b"herd.xls is an old spreadsheet (.xls)" in page.content
    assert b"errorlist" in page.content
    assert not SheetImport.objects.exists()


def test_a_file_far_too_large_is_not_even_read(
    business: Business, office: Seat, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("trimmer.services.sheets.bringing.LARGEST", 10)

    page = bring(make.signed_in(office), "animals", a_file("animals", ANIMAL))

    assert b"larger than" in page.content
    assert not SheetImport.objects.exists()


def test_an_empty_file_is_refused_in_the_form(business: Business, office: Seat) -> None:
    assert b"There is nothing in this file" in bring(make.signed_in(office), "animals", b"").content


def test_each_fault_is_named_by_row_column_and_what_stands_there(business: Business, office: Seat) -> None:
    sheet = a_checked_sheet(business, ANIMAL, ANIMAL | {"client_number": "9", "number": "1"})

    page = make.signed_in(office).get(f"/sheets/{sheet.pk}").content.decode()

    assert "1 fault. Put it right in your file" in page
    for told in ("Row 3", "A3", "Client number", ">9<", "There is no client with number 9."):
        assert told in page
    assert "Store all of it" not in page


def test_many_faults_come_in_pages(business: Business, office: Seat) -> None:
    sheet = a_checked_sheet(business, *(ANIMAL | {"client_number": "9", "number": str(n)} for n in range(120)))
    browser = make.signed_in(office)

    first, last = browser.get(f"/sheets/{sheet.pk}"), browser.get(f"/sheets/{sheet.pk}?page=3")

    assert b"120 faults" in first.content
    assert b"A51" in first.content
    assert b"A52" not in first.content
    assert b"A121" in last.content


def test_faults_are_taken_out_as_a_table_with_formulas_made_harmless(business: Business, office: Seat) -> None:
    sheet = a_checked_sheet(business, ANIMAL | {"client_number": "=1+1"})

    file = make.signed_in(office).get(f"/sheets/{sheet.pk}/problems")

    header, line = csv.reader(io.StringIO(file.content.decode("utf-8-sig")))
    assert header == ["Row", "Cell", "Column", "What stands there", "What is wrong", "Must be mended"]
    assert line[:4] == ["2", "A2", "Client number", "'=1+1"]
    assert (line[4][:40], line[5]) == ("There is no client with number =1+1. Bri", "yes")
    assert 'filename="my sheet - faults.csv"' in file["Content-Disposition"]


def test_a_sheet_that_changes_nothing_is_not_offered_to_be_stored(business: Business, office: Seat) -> None:
    make.an_animal(business.clients.get().farms.get(), number="217", group="Pen 3")
    sheet = a_checked_sheet(business, ANIMAL)

    page = make.signed_in(office).get(f"/sheets/{sheet.pk}").content

    assert b"it would change nothing" in page
    assert b"Store all of it" not in page


def test_what_is_worth_a_look_is_shown_and_does_not_stand_in_the_way(business: Business, office: Seat) -> None:
    sheet = a_checked_sheet(business, ANIMAL | {"official_tag": "UK230011500123"})

    page = make.signed_in(office).get(f"/sheets/{sheet.pk}").content

    assert b"Worth a look" in page
    assert b"UK230011500123" in page
    assert b"Store all of it" in page


def test_a_check_that_broke_off_says_so(business: Business, office: Seat) -> None:
    sheet = sheets.bring_sheet(
        business=business, kind="animals", file_name="a.csv", content=a_file("animals", ANIMAL), by=None, now=make.NOW
    )
    Job.objects.update(state="failed", message="Start it again.")
    browser = make.signed_in(office)

    assert b"Checking broke off" in browser.get(f"/sheets/{sheet.pk}").content
    assert b"broke off" in browser.get("/sheets").content


def test_a_storing_that_broke_off_can_be_tried_again(business: Business, office: Seat) -> None:
    sheet = a_checked_sheet(business, ANIMAL)
    sheets.store_sheet(sheet=sheet, by=None, now=make.NOW)
    Job.objects.filter(kind="store_sheet").update(state="failed")
    browser = make.signed_in(office)

    assert b"Store it again" in browser.get(f"/sheets/{sheet.pk}").content
    browser.post(f"/sheets/{sheet.pk}/store")
    sheet.refresh_from_db()
    run_job(sheet)

    assert sheet.state == SheetState.STORED


def test_a_sheet_stored_meanwhile_is_refused_with_a_message(business: Business, office: Seat) -> None:
    sheet = a_checked_sheet(business, ANIMAL)
    browser = make.signed_in(office)
    browser.post(f"/sheets/{sheet.pk}/store")

    page = browser.post(f"/sheets/{sheet.pk}/store", headers={"Referer": f"http://testserver/sheets/{sheet.pk}"})

    assert page.status_code == HTTPStatus.FOUND
    assert b"This sheet is not ready to store" in browser.get(f"/sheets/{sheet.pk}").content


def test_a_sheet_is_put_away(business: Business, office: Seat) -> None:
    sheet = a_checked_sheet(business, ANIMAL)

    page = make.signed_in(office).post(f"/sheets/{sheet.pk}/drop", follow=True)

    assert b"my sheet.csv is put away" in page.content
    assert not SheetImport.objects.exists()


@pytest.mark.parametrize("address", ["/sheets/export/animals.csv", "/sheets/template/animals.csv"])
def test_tables_and_templates_are_taken_out(business: Business, office: Seat, address: str) -> None:
    make.an_animal(business.clients.get().farms.get(), number="217")

    file = make.signed_in(office).get(address)

    assert file["Content-Type"] == "text/csv; charset=utf-8"
    assert "attachment" in file["Content-Disposition"]
    assert file.content.decode("utf-8-sig").startswith("Client number,Farm,Number,")
    assert ",217," in file.content.decode("utf-8-sig").splitlines()[1]


def test_a_workbook_is_taken_out(business: Business, office: Seat) -> None:
    file = make.signed_in(office).get("/sheets/template/clients_and_farms.xlsx")

    assert load_workbook(io.BytesIO(file.content)).sheetnames[0] == "Clients and farms"


def test_visits_are_taken_out_for_a_span_of_days(business: Business, office: Seat) -> None:
    farm = business.clients.get().farms.get()
    crew = make.a_crew(business)
    for day, number in ((1, "111"), (2, "222"), (3, "333")):
        visit = make.a_visit(farm, crew, date=make.TODAY.replace(day=day), state="done")
        make.a_record(visit, make.an_animal(farm, number=number))
    browser = make.signed_in(office)

    some = browser.get("/sheets/export/visits_and_records.csv?first=2026-03-02&last=2026-03-02").content
    all_of_them = browser.get("/sheets/export/visits_and_records.csv").content
    turned = browser.get("/sheets/export/visits_and_records.csv?first=2026-03-02&last=2026-03-01", follow=True).content

    assert [number in some for number in (b",111,", b",222,", b",333,")] == [False, True, False]
    assert all(number in all_of_them for number in (b",111,", b",222,", b",333,"))
    assert b"The last day comes before the first" in turned


def test_a_trimmer_has_no_sheets_of_clients_and_prices(business: Business) -> None:
    trimmer = make.a_member(business, "trimmer")
    clients = a_checked_sheet(business, CLIENT, kind="clients_and_farms")
    browser = make.signed_in(trimmer)

    page = browser.get("/sheets").content

    assert b"Visits and records" in page
    assert b"Price list" not in page
    assert b"my sheet.csv" not in page
    assert browser.get(f"/sheets/{clients.pk}").status_code == HTTPStatus.NOT_FOUND
    for address in ("bring/prices", "export/prices.csv", "template/clients_and_farms.csv"):
        assert browser.get(f"/sheets/{address}").status_code == HTTPStatus.FORBIDDEN


def test_there_are_no_other_kinds_and_forms(business: Business, office: Seat) -> None:
    browser = make.signed_in(office)

    for address in ("bring/cats", "export/cats.csv", "export/animals.ods", "template/animals.pdf"):
        assert browser.get(f"/sheets/{address}").status_code == HTTPStatus.NOT_FOUND


def test_what_is_taken_out_is_of_ones_own_business(business: Business) -> None:
    make.an_animal(business.clients.get().farms.get(), number="217")
    stranger = make.a_member(make.a_business(name="Others"))

    assert b"217" not in make.signed_in(stranger).get("/sheets/export/animals.csv").content


def test_the_list_takes_few_queries_however_long_it_is(
    business: Business, office: Seat, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for number in range(5):
        a_checked_sheet(business, ANIMAL | {"number": str(number)})
    browser = make.signed_in(office)

    with django_assert_max_num_queries(12) as done:
        browser.get("/sheets")

    assert not any("problems" in query["sql"] or '"content"' in query["sql"] for query in done.captured_queries)
