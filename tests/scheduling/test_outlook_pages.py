"""The outlook of a business: read from its rows, on the page and in the API."""

import datetime as dt
import re
from collections.abc import Callable
from decimal import Decimal
from http import HTTPStatus
from typing import Any

import pytest
from django.test import Client as Browser
from django.utils import timezone
from rest_framework.test import APIClient

from scheduling.outlook_models import OutlookSettings
from scheduling.services.due_work import OutlookFiguresRefused, keep_outlook_settings, outlook_of
from tests import make
from trimmer.access import Seat
from trimmer.models import Crew, DaysOff, Farm, Recheck

from .paced import a_visit_done, learn, some_visits

pytestmark = pytest.mark.django_db

MONDAY = make.TODAY - dt.timedelta(days=make.TODAY.weekday())


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"))


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business), name="Lower Brook", milking=0, dry=0)


@pytest.fixture
def owner(crew: Crew) -> Seat:
    return make.a_member(crew.business)


def _week(crew: Crew, number: int) -> Any:
    return outlook_of(business=crew.business, today=make.TODAY).weeks[number]


def test_crews_have_their_hours_without_lunch_days_off_and_days_gone(crew: Crew) -> None:
    assert _week(crew, 1).capacity == 5 * (600 - 30)
    assert _week(crew, 0).capacity == 3 * (600 - 30)  # from Wednesday
    DaysOff.objects.create(crew=crew, first=MONDAY + dt.timedelta(days=8), last=MONDAY + dt.timedelta(days=9))
    assert _week(crew, 1).capacity == 3 * (600 - 30)
    crew.longest_day = 300
    crew.save()
    assert _week(crew, 2).capacity == 5 * (300 - 30)
    crew.active = False
    crew.save()
    assert _week(crew, 2).capacity == 0


def test_each_source_is_read_from_its_rows(crew: Crew, farm: Farm) -> None:
    make.a_visit(farm, crew, date=MONDAY + dt.timedelta(weeks=1), head={"cow": 11})
    make.a_visit(farm, crew, date=MONDAY + dt.timedelta(weeks=1, days=1), head={"cow": 50}, state="done")
    make.a_request(farm, head={"cow": 7}, due_on=MONDAY + dt.timedelta(weeks=2))
    due = MONDAY + dt.timedelta(weeks=3)
    cow = make.an_animal(farm)
    for _reason in range(2):
        Recheck.objects.create(animal=cow, trigger="block", what="look_at_block", due_from=due, due_by=due)
    for _number in range(30):
        make.an_animal(farm, dry_off_on=MONDAY + dt.timedelta(weeks=5))
    weeks = outlook_of(business=crew.business, today=make.TODAY).weeks
    assert weeks[1].head["booked"] == 11
    assert weeks[2].head["asked"] == 7
    assert weeks[3].head["recheck"] == 1
    assert weeks[4].head["animals"] == 30 - 11 - 7


def test_an_arrangement_repeats_the_head_of_the_last_visit(crew: Crew, farm: Farm) -> None:
    farm.visit_interval_weeks = 4
    farm.save()
    a_visit_done(farm, crew, minutes=300, date=make.TODAY - dt.timedelta(weeks=1), head={"cow": 23, "lame": 2})
    weeks = outlook_of(business=crew.business, today=make.TODAY).weeks
    assert [n for n, week in enumerate(weeks) if week.head["standing"]] == [3, 7, 11, 15, 19, 23]
    assert weeks[3].head["standing"] == 23


def test_minutes_are_the_learned_ones_once_there_are_some(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 10})
    assert _week(crew, 0).minutes["asked"] == 10 * 8 + 55 + 40  # the planner's figures
    some_visits(farm, crew, *(400, 410, 390, 405, 395, 400, 403))
    learn(crew.business)
    seen = outlook_of(business=crew.business, today=make.TODAY)
    assert seen.weeks[0].minutes["asked"] > 10 * 11 + 55 + 40
    assert seen.pace_visits == 7


def test_farms_on_hold_archived_or_of_others_ask_for_nothing(crew: Crew, farm: Farm) -> None:
    make.a_farm(make.a_client(crew.business, on_hold=True), milking=200)
    make.a_farm(farm.client, milking=200, archived_at=make.NOW)
    make.a_farm(make.a_client(make.a_business()), milking=200)
    assert outlook_of(business=crew.business, today=make.TODAY).empty


def test_it_takes_few_queries(crew: Crew, farm: Farm, django_assert_max_num_queries: Callable[[int], Any]) -> None:
    for number in range(6):
        other = make.a_farm(farm.client, visit_interval_weeks=number or None)
        make.a_visit(other, crew, date=make.TODAY + dt.timedelta(days=number), head={"cow": 10})
        make.a_request(other)
    with django_assert_max_num_queries(24):
        outlook_of(business=crew.business, today=make.TODAY)


def test_the_formula_is_shown_beside_what_is_arranged(owner: Seat, crew: Crew, farm: Farm) -> None:
    farm.milking, farm.visit_interval_weeks = 1000, 8
    farm.save()
    (herd,) = outlook_of(business=crew.business, today=make.TODAY).herds
    assert (herd.needed, herd.arranged, herd.short) == (Decimal(65), Decimal("6.5"), True)  # Cramer's printed example
    page = make.signed_in(owner).get("/outlook").content.decode()
    assert "Lower Brook" in page
    assert "65.0" in page


def test_nothing_due_says_what_to_do(owner: Seat) -> None:
    page = make.signed_in(owner).get("/outlook").content.decode()
    assert "Nothing is due in the next half year" in page


def test_a_too_full_run_of_weeks_is_said_in_a_sentence_and_drawn(owner: Seat, crew: Crew, farm: Farm) -> None:
    today = timezone.now().date()
    for weeks in (8, 9):
        monday = today + dt.timedelta(weeks=weeks) - dt.timedelta(days=today.weekday())
        make.a_visit(farm, crew, date=monday, head={"cow": 600})
    page = re.sub(r"\s+", " ", make.signed_in(owner).get("/outlook").content.decode())
    assert page.count("more work than crews have hours") == 1
    assert page.count('<rect class="booked"') == 2
    assert page.count('<tr class="warn">') == 2
    assert ' style="' not in page


def test_the_api_tells_the_same(owner: Seat, crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 10})
    client = APIClient()
    client.force_login(owner.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    said = client.get("/api/v1/outlook").json()
    assert len(said["weeks"]) == 26
    assert said["weeks"][0]["head"]["asked"] == 10
    assert said["herds"][0]["farm"] == farm.pk
    kept = client.patch("/api/v1/outlook-settings", {"cows_a_day": 50}, format="json").json()
    assert kept["cows_a_day"] == 50
    assert client.patch("/api/v1/outlook-settings", {"cows_a_day": 0}, format="json").status_code == 400


def test_figures_can_be_changed_on_the_page(owner: Seat, crew: Crew) -> None:
    browser: Browser = make.signed_in(owner)
    figures = {"factor": "3", "cows_a_day": "45", "dry_off_days": "5", "calving_days": "56", "after_calving_days": "90"}
    answer = browser.post("/outlook/figures", figures | {"drive_minutes": "30", "full_percent": "90"})
    assert answer.status_code == HTTPStatus.FOUND
    kept = OutlookSettings.objects.of(crew.business).get()
    assert (kept.cows_a_day, kept.by_formula, kept.full_percent) == (45, False, 90)
    assert "greater than or equal to 28" in browser.post("/outlook/figures", figures | {"calving_days": "9"}).text


@pytest.mark.parametrize(
    "figures",
    [
        *({"factor": -1}, {"factor": 13}, {"cows_a_day": 0}, {"dry_off_days": 61}, {"calving_days": 27}),
        *({"after_calving_days": 201}, {"drive_minutes": 601}, {"full_percent": 9}, {"full_percent": None}),
    ],
)
def test_impossible_figures_are_refused_by_name(crew: Crew, figures: dict[str, Any]) -> None:
    with pytest.raises(OutlookFiguresRefused) as refused:
        keep_outlook_settings(business=crew.business, **figures)
    assert list(refused.value.fields) == list(figures)
    assert not OutlookSettings.objects.of(crew.business).exists()
