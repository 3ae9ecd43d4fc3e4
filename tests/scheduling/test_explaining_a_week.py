"""A farm that did not fit is shown with what stands in the way and the smallest change that lets it in."""

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling import planner
from scheduling.models import LeftOut, ProposedStop, ProposedWeek
from scheduling.reasons import what_lets_it_in, what_stands_in_the_way, why_left_out
from scheduling.services.explaining import reason_details
from tests import make
from trimmer.models import AccessWindow, Crew, Farm, Urgency

from .proposals import MONDAY, key_of, propose

pytestmark = pytest.mark.django_db


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"))


def a_farm_that_closes_early(crew: Crew, name: str = "Brook End") -> Farm:
    """It may be reached on Wednesdays from 9 to 12 only, and its 20 cows take longer."""
    farm = make.a_farm(make.a_client(crew.business), name=name, days_that_suit=[2])
    AccessWindow.objects.create(farm=farm, weekday=2, opens=dt.time(9), closes=dt.time(12))
    make.a_request(farm, head={"cow": 20}, urgency=Urgency.URGENT)
    return farm


def the_left_out(week: ProposedWeek) -> LeftOut:
    return LeftOut.objects.select_related("week", "farm").get(week=week)


def test_the_change_is_kept_with_the_reason(crew: Crew) -> None:
    a_farm_that_closes_early(crew)
    row = the_left_out(propose(crew))
    change = row.details["change"]
    assert (row.reason, change["kind"], change["day"]) == ("window-short", "open-earlier", 2)
    assert 20 * 8 + 55 - 180 <= change["minutes"] < 20 * 8 + 55 - 180 + 5
    assert [visit["crew"] for visit in change["visits"]] == [crew.name]
    assert change["displaced"] == []


def test_the_farm_is_in_once_the_change_is_made(crew: Crew) -> None:
    farm = a_farm_that_closes_early(crew)
    change = the_left_out(propose(crew)).details["change"]
    opens = dt.datetime.combine(MONDAY, dt.time(9)) - dt.timedelta(minutes=change["minutes"])
    farm.access_windows.update(opens=opens.time())
    week = propose(crew)
    assert ProposedStop.objects.get(round__week=week).key == key_of(farm)


def test_the_page_says_it(crew: Crew, client: Client) -> None:
    a_farm_that_closes_early(crew)
    row = the_left_out(propose(crew))
    said = what_lets_it_in(row, "EUR")
    assert "It fits if the farm can be reached" in said
    assert "earlier on Wednesday" in said
    client.force_login(make.a_member(crew.business).user)
    page = client.get(reverse("week-page", args=[MONDAY.isoformat()])).content.decode()
    assert said.split(".")[0] in page


def _row(week: ProposedWeek, reason: planner.LeftOut, *, booked: bool = False) -> LeftOut:
    details = reason_details(
        reason, booked=booked, crew_name=lambda crew: f"crew {crew}", farm_name=lambda job: f"farm {job}"
    )
    return LeftOut(week=week, reason=reason.code, details=details)


def _suggesting(kind: planner.ChangeKind, **fields: Any) -> planner.Suggestion:
    change = planner.Change(kind=kind, **({"job": "a"} | fields))
    visit = planner.Visit(job="a", crew="1", day=3, start=630, end=700, work=60)
    return planner.Suggestion(change=change, visits=(visit,), extra=4550)


SENTENCES: dict[str, tuple[dict[str, Any], str]] = {
    "longer-day": ({"crew": 1, "day": 3, "minutes": 35}, "if crew 1 may be out 35 min longer on Thursday."),
    "back-later": ({"crew": 1, "day": 3, "minutes": 65}, "if crew 1 may be back 1 h 05 min later on Thursday."),
    "leave-earlier": ({"crew": 1, "day": 3, "minutes": 5}, "if crew 1 leaves 5 min earlier on Thursday."),
    "open-earlier": ({"day": 3, "minutes": 20}, "if the farm can be reached 20 min earlier on Thursday."),
    "open-later": ({"day": 3, "minutes": 20}, "if the work may end 20 min later at the farm on Thursday."),
    "split": ({}, "if the work may be spread over several visits."),
    "later-day": ({"day": 4}, "if it may wait until Friday."),
    "earlier-day": ({"day": 0}, "if it may be done from Monday on."),
    "day-suits": ({"day": 1}, "if Tuesday suits the farm as well."),
    "due-later": ({"day": 4}, "worth the trip if it is due only on Friday."),
    "crew-goes-out": ({"crew": 1, "day": 5}, "if crew 1 goes out on Saturday."),
    "other-hour": ({"job": "b"}, "if the booked visit at farm b may be at another hour of its day."),
    "other-day": ({"job": "b"}, "if the booked visit at farm b may be on another day."),
    "any-chute": ({}, "if any chute will do."),
    "any-crew": ({}, "if any crew may do it."),
    "worth-more": ({"amount": 22000}, "if waiting for another week costs 220.00 EUR or more."),
}


@pytest.mark.parametrize("kind", SENTENCES)
def test_every_change_has_its_sentence(crew: Crew, kind: str) -> None:
    fields, sentence = SENTENCES[kind]
    week = ProposedWeek(business=crew.business, monday=MONDAY)
    found = _suggesting(planner.ChangeKind(kind), **fields)
    row = _row(week, planner.LeftOut(job="a", code="no-room", suggestion=found, searched=True))
    said = what_lets_it_in(row, "EUR")
    assert sentence in said
    assert "Then crew 1 on Thursday at 10:30" in said
    assert "the week costs 45.50 EUR more" in said


def test_every_kind_of_change_that_is_looked_for_has_a_sentence() -> None:
    assert {*SENTENCES, planner.ChangeKind.SECOND_CREW} == set(planner.ChangeKind)


def test_what_the_change_displaces_is_named(crew: Crew) -> None:
    week = ProposedWeek(business=crew.business, monday=MONDAY)
    found = planner.Suggestion(
        change=planner.Change(kind=planner.ChangeKind.WORTH_MORE, job="a", amount=100),
        visits=(),
        extra=-10,
        displaced=("b", "c"),
    )
    row = _row(week, planner.LeftOut(job="a", code="displaces", suggestion=found, searched=True))
    assert what_lets_it_in(row, "EUR").endswith("Left for another week then: farm b, farm c.")


@pytest.mark.parametrize(
    ("reason", "params", "sentence"),
    [
        ("day-too-long", {"over": 65}, "crew 1 on Tuesday: the day would be 1 h 05 min too long."),
        ("back-late", {"over": 20}, "the crew would be back 20 min too late."),
        ("window-missed", {"over": 20, "jobs": ("b",)}, "farm b would be reached 20 min too late"),
        ("no-lunch", {"over": 20}, "lunch would be 20 min too late."),
        ("chute-busy", {"chute_kind": "tilt"}, "crew 1 would have time for it on Tuesday, but tows another chute"),
        ("latest-day", {}, "with crew 1 on Tuesday, but that is later than it may be."),
        ("fits", {"added": 1000, "skip_cost": 5000}, "for 10.00 EUR, less than waiting for another week costs"),
    ],
)
def test_every_reason_has_its_sentence(crew: Crew, reason: str, params: dict[str, Any], sentence: str) -> None:
    week = ProposedWeek(business=crew.business, monday=MONDAY)
    row = _row(week, planner.LeftOut(job="a", code=reason, params={"crew": 1, "day": 1} | params))
    assert sentence in what_stands_in_the_way(row, "EUR")


def test_what_was_not_found_out_is_said(crew: Crew) -> None:
    week = ProposedWeek(business=crew.business, monday=MONDAY)
    late, none = (_row(week, planner.LeftOut(job="a", code="no-room", searched=searched)) for searched in (False, True))
    assert why_left_out(late, "EUR").endswith("There was no time to find out what would let it in.")
    assert why_left_out(none, "EUR").endswith("No single change lets it in.")


def test_a_farm_without_a_position_is_told_nothing_of_changes(crew: Crew) -> None:
    row = LeftOut(week=ProposedWeek(business=crew.business, monday=MONDAY), reason="no-position", details={})
    assert what_lets_it_in(row, "EUR") == ""
