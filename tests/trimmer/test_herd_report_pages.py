"""The herd report of a farm: page, paper and table, and the figures worked out again from the table alone."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections import defaultdict
from http import HTTPStatus
from typing import Any

import pypdf
import pytest
from django.test import Client as Browser
from rest_framework.test import APIClient

from tests import make
from trimmer.models import ChuteRecord, Farm, Finding, Recheck
from trimmer.queries.herd_reports import herd_report_of

pytestmark = pytest.mark.django_db

FIRST, LAST = make.TODAY - dt.timedelta(days=120), make.TODAY


def an_animal_seen(farm: Farm, number: str, day: dt.date, *lesions: str) -> ChuteRecord:
    crew = farm.client.business.crews.first() or make.a_crew(farm.client.business)
    visit = farm.visits.filter(date=day).first() or make.a_visit(farm, crew, date=day, head={"cow": 1})
    animal = farm.animals.filter(number=number).first() or make.an_animal(farm, number=number)
    record = ChuteRecord.objects.create(visit=visit, animal=animal, recorded_at=make.NOW)
    for lesion in lesions:
        Finding.objects.create(record=record, foot="LH", claw="outer", lesion=lesion)
    return record


@pytest.fixture
def farm() -> Farm:
    return make.a_farm(make.a_client(make.a_business(time_zone="Europe/Dublin", language="en-IE")))


@pytest.fixture
def herd(farm: Farm) -> Farm:
    """Three days of work: 36 animals, one seen twice, one with a formula for a number."""
    found = {0: ("DD",), 1: ("DD", "SU"), 5: ("WLF",), 9: ("SU",), 11: ("IH", "DD")}
    for day in (10, 50, 90):
        for number in range(12):
            an_animal_seen(farm, f"{day}{number:02}", LAST - dt.timedelta(days=day), *found.get(number, ()))
    an_animal_seen(farm, "9001", LAST - dt.timedelta(days=30), "SU")
    an_animal_seen(farm, "=1+1", LAST - dt.timedelta(days=30), "SU")
    an_animal_seen(farm, "9000", LAST - dt.timedelta(days=400), "DD")
    return farm


def person_of(farm: Farm) -> Browser:
    return make.signed_in(make.a_farm_person(farm.client))


def address(farm: Farm, ending: str = "", **period: Any) -> str:
    asked = {"first": FIRST, "last": LAST} | period
    return f"/farms/{farm.pk}/herd-report{ending}?" + "&".join(f"{name}={day}" for name, day in asked.items())


def rates_from(text: str) -> tuple[int, dict[str, int]]:
    """Head, and head with each lesion: worked out from the exported table with nothing of the service."""
    head, with_lesion = set(), defaultdict(set)
    for row in csv.DictReader(io.StringIO(text)):
        head.add(row["animal"])
        if row["lesion"]:
            with_lesion[row["lesion"]].add(row["animal"])
    return len(head), {lesion: len(animals) for lesion, animals in with_lesion.items()}


def test_the_figures_are_those_of_the_table(herd: Farm) -> None:
    report = herd_report_of(herd, first=FIRST, last=LAST, today=LAST).report
    text = person_of(herd).get(address(herd, ".csv")).content.decode("utf-8-sig")
    assert (report.head, {row.lesion: row.now.count for row in report.lesions}) == rates_from(text)
    assert report.head == 37
    assert text.count("\n") == 1 + 38 + 6  # six animals have two lesions


def test_a_number_that_is_a_formula_is_harmless_in_the_table(herd: Farm) -> None:
    assert "'=1+1" in person_of(herd).get(address(herd, ".csv")).content.decode()


def test_a_farm_reads_its_report(herd: Farm) -> None:
    text = person_of(herd).get(address(herd)).content.decode()
    for words in ("Digital dermatitis", "Sole ulcer", "24.3", "Alberta Dairy Hoof Health Project", "veterinarian"):
        assert words in text
    assert "9001" in text.partition("keep coming back")[2]  # found again after sixty days


def test_the_paper_says_the_same(herd: Farm) -> None:
    answer = person_of(herd).get(address(herd, ".pdf"))
    assert answer.headers["Content-Type"] == "application/pdf"
    text = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(answer.content)).pages)
    for words in ("Herd report", "Digital dermatitis", "24.3", herd.name):
        assert words in text


def test_rechecks_are_counted_as_they_were_kept(herd: Farm) -> None:
    due = LAST - dt.timedelta(days=20)
    animals = list(herd.animals.order_by("pk")[:3])
    seen = ChuteRecord.objects.filter(visit__date=LAST - dt.timedelta(days=50)).first()
    rows = [(make.NOW, seen, ""), (make.NOW, None, "sold"), (None, None, "")]
    for animal, (closed_at, record, reason) in zip(animals, rows, strict=True):
        Recheck.objects.create(
            animal=animal,
            trigger="by_hand",
            what="look",
            due_from=due,
            due_by=due,
            closed_at=closed_at,
            closed_by_record=record,
            closed_reason=reason,
        )
    kept = herd_report_of(herd, first=FIRST, last=LAST, today=LAST).report.kept
    assert (kept.at_chute, kept.told, kept.late, kept.missing) == (1, 0, 1, 1)


def test_a_period_without_work_says_so(farm: Farm) -> None:
    browser = person_of(farm)
    assert "No animal was recorded" in browser.get(address(farm)).content.decode()
    assert browser.get(address(farm, ".pdf")).status_code == HTTPStatus.OK
    assert browser.get(address(farm, ".csv")).content.decode("utf-8-sig").count("\n") == 1


@pytest.mark.parametrize(
    ("period", "said"),
    [
        ({"first": LAST, "last": FIRST}, "ends before it begins"),
        ({"first": "2001-01-01"}, "five years"),
        ({"first": "yesterday"}, "valid date"),
    ],
)
def test_a_period_that_cannot_be_is_refused_with_a_sentence(farm: Farm, period: dict[str, Any], said: str) -> None:
    answer = person_of(farm).get(address(farm, **period))
    assert answer.status_code == HTTPStatus.OK
    assert said in answer.content.decode()


def test_another_farms_report_is_not_there(herd: Farm) -> None:
    stranger = make.signed_in(make.a_farm_person(make.a_client(herd.client.business)))
    for ending in ("", ".csv", ".pdf"):
        assert stranger.get(address(herd, ending)).status_code == HTTPStatus.NOT_FOUND


def test_many_records_take_few_queries(herd: Farm, django_assert_max_num_queries: Any) -> None:
    browser = person_of(herd)
    with django_assert_max_num_queries(16):
        browser.get(address(herd))


def test_a_program_reads_the_same_figures(herd: Farm) -> None:
    api = APIClient()
    api.force_login(make.a_farm_person(herd.client).user)
    answer = api.get(f"/api/v1/farms/{herd.pk}/herd-report", {"first": str(FIRST), "last": str(LAST)})
    assert answer.status_code == HTTPStatus.OK
    assert answer.data["head"] == 37
    assert (answer.data["lesions"][0]["lesion"], answer.data["lesions"][0]["now"]["count"]) == ("DD", 9)


def test_a_program_is_told_of_a_period_that_cannot_be(herd: Farm) -> None:
    api = APIClient()
    api.force_login(make.a_farm_person(herd.client).user)
    answer = api.get(f"/api/v1/farms/{herd.pk}/herd-report", {"first": str(LAST), "last": str(FIRST)})
    assert answer.status_code == HTTPStatus.BAD_REQUEST
    assert "ends before it begins" in str(answer.data)
