"""A proposed week changed, asked about and planned anew by a program."""

from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from django.urls import reverse
from rest_framework.test import APIClient

from scheduling.models import ProposedWeek, WeekStep
from scheduling.services import weeks
from tests import make
from tests.scheduling.proposals import MONDAY, THURSDAY, TUESDAY, a_week, key_of, stop_at
from trimmer.models import Crew, Farm, Job, JobState, Role
from trimmer.services import jobs

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(make.NOW, tick=False):
        yield


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"), name="North")


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business), name="Alder Bank", days_that_suit=[0, 1, 3])


@pytest.fixture
def week(crew: Crew, farm: Farm) -> ProposedWeek:
    return a_week(crew, farm)


@pytest.fixture
def owner(crew: Crew) -> APIClient:
    client = APIClient()
    seat = make.a_member(crew.business, Role.OWNER)
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def at(week: ProposedWeek, name: str) -> str:
    return f"{reverse('api-week-detail', args=[week.pk])}/{name}"


def post(client: APIClient, path: str, **values: Any) -> Any:
    return client.post(path, values, format="json")


def there(farm: Farm, crew: Crew, **values: Any) -> dict[str, Any]:
    return {"key": key_of(farm), "crew": crew.pk, "date": THURSDAY.isoformat()} | values


def test_a_week_tells_its_cost_in_parts_and_how_far_from_the_best_it_is(owner: APIClient, week: ProposedWeek) -> None:
    answer = owner.get(reverse("api-week-detail", args=[week.pk])).json()
    assert set(answer["parts"]) == {"out", "time", "road", "late", "left"}
    assert answer["bound_sentence"].startswith(("This is the cheapest", "No plan can be more than"))
    assert answer["rounds"][0]["stops"][0]["pin"] == ""


def test_places_are_listed_with_their_cost_or_their_rule(owner: APIClient, week: ProposedWeek, farm: Farm) -> None:
    rows = owner.get(at(week, "places"), {"key": key_of(farm)}).json()
    assert [row["date"] for row in rows if row["refused"] == ""] == ["2026-03-09", "2026-03-10", "2026-03-12"]
    assert {row["rule"] for row in rows} == {"", "day-does-not-suit"}
    assert owner.get(at(week, "places")).status_code == HTTPStatus.BAD_REQUEST


def test_trying_keeps_nothing_and_moving_costs_what_was_tried(
    owner: APIClient, week: ProposedWeek, farm: Farm, crew: Crew
) -> None:
    tried = post(owner, at(week, "try"), **there(farm, crew)).json()
    assert owner.get(reverse("api-week-detail", args=[week.pk])).json()["version"] == week.version
    moved = post(owner, at(week, "move"), version=week.version, **there(farm, crew)).json()
    assert (moved["cost"], moved["version"], moved["step"]) == (tried["cost"], week.version + 1, 1)
    assert stop_at(week, farm).round.date == THURSDAY


def test_a_rule_that_forbids_is_an_answer_with_its_sentence(
    owner: APIClient, week: ProposedWeek, farm: Farm, crew: Crew
) -> None:
    answer = post(owner, at(week, "try"), **there(farm, crew, date="2026-03-11"))
    assert answer.status_code == HTTPStatus.CONFLICT
    assert answer.json()["code"] == "rule_forbids"
    assert answer.json()["message"] == "Alder Bank takes no visit that day."


def test_the_second_of_two_changes_to_one_version_is_refused(
    owner: APIClient, week: ProposedWeek, farm: Farm, crew: Crew
) -> None:
    post(owner, at(week, "move"), version=week.version, **there(farm, crew))
    answer = post(owner, at(week, "take-out"), version=week.version, key=key_of(farm))
    assert (answer.status_code, answer.json()["code"]) == (HTTPStatus.CONFLICT, "proposal_changed_meanwhile")


def test_a_proposal_that_changed_since_it_was_looked_at_is_not_confirmed(
    owner: APIClient, week: ProposedWeek, farm: Farm, crew: Crew
) -> None:
    post(owner, at(week, "move"), version=week.version, **there(farm, crew))
    answer = post(owner, at(week, "confirm"), version=week.version)
    assert (answer.status_code, answer.json()["code"]) == (HTTPStatus.CONFLICT, "proposal_changed_meanwhile")
    assert post(owner, at(week, "confirm")).status_code == HTTPStatus.BAD_REQUEST
    assert post(owner, at(week, "confirm"), version=week.version + 1).json()["state"] == "confirmed"


def test_a_change_sent_twice_with_one_key_is_made_once(
    owner: APIClient, week: ProposedWeek, farm: Farm, crew: Crew
) -> None:
    body = {"version": week.version} | there(farm, crew)
    answers = [owner.post(at(week, "move"), body, format="json", headers={"Idempotency-Key": "a"}) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [HTTPStatus.OK] * 2
    assert WeekStep.objects.filter(week=week).count() == 2


def test_steps_are_listed_undone_and_done_again(owner: APIClient, week: ProposedWeek, farm: Farm) -> None:
    post(owner, at(week, "pin"), version=1, key=key_of(farm), hour=True)
    post(owner, at(week, "unpin"), version=2, key=key_of(farm))
    post(owner, at(week, "take-out"), version=3, key=key_of(farm))
    post(owner, at(week, "put-in"), version=4, key=key_of(farm))
    assert post(owner, at(week, "step-back"), version=5).json()["step"] == 3
    assert post(owner, at(week, "step-again"), version=6).json()["step"] == 4
    kinds = [row["kind"] for row in owner.get(at(week, "steps")).json()]
    assert kinds == ["proposed", "pinned", "unpinned", "taken_out", "put_in"]


def test_a_week_is_compared_with_itself_as_first_made(
    owner: APIClient, week: ProposedWeek, farm: Farm, crew: Crew
) -> None:
    post(owner, at(week, "move"), version=week.version, **there(farm, crew))
    answer = owner.get(at(week, "comparison")).json()
    assert [(row["farm"], row["how"]) for row in answer["changes"]] == [(farm.pk, "moved")]
    assert answer["changes"][0]["new"]["date"] == THURSDAY.isoformat()
    assert sum(float(part) for part in answer["after_parts"].values()) == pytest.approx(float(answer["after_cost"]))


def test_only_proposals_of_one_week_are_compared(owner: APIClient, week: ProposedWeek, crew: Crew) -> None:
    other = ProposedWeek.objects.create(business=crew.business, monday="2026-03-16", asked_at=make.NOW)
    answer = owner.get(at(week, "comparison"), {"with": other.pk})
    assert (answer.status_code, answer.json()["code"]) == (HTTPStatus.BAD_REQUEST, "not_one_week")


def test_a_question_is_asked_answered_and_taken_over(owner: APIClient, week: ProposedWeek, farm: Farm) -> None:
    asked = post(owner, at(week, "questions"), kind="why_not", key=key_of(farm), date=THURSDAY.isoformat())
    assert asked.status_code == HTTPStatus.ACCEPTED
    jobs.run(asked.json()["job"], clock=lambda: make.NOW)
    question = f"{at(week, 'questions')}/{asked.json()['id']}"
    assert "extra" in owner.get(question).json()["answer"]
    post(owner, f"{question}/take", version=week.version)
    assert stop_at(week, farm).round.date == THURSDAY


def test_a_question_about_a_day_names_visit_and_day(owner: APIClient, week: ProposedWeek) -> None:
    answer = post(owner, at(week, "questions"), kind="why_not")
    assert answer.status_code == HTTPStatus.BAD_REQUEST
    assert set(answer.json()["fields"]) == {"key", "date"}


def test_planning_is_stopped(owner: APIClient, week: ProposedWeek, crew: Crew) -> None:
    again = weeks.propose_week(business=crew.business, monday=MONDAY, by=None, now=make.NOW)
    post(owner, at(again, "stop"))
    assert Job.objects.get(proposed_week=again).stop_asked


def test_a_booked_week_is_planned_anew_and_accepted(
    owner: APIClient, week: ProposedWeek, farm: Farm, crew: Crew
) -> None:
    [visit] = weeks.confirm_week(week=week, by=None, now=make.NOW)
    happened = [{"kind": "crew_down", "crew": crew.pk, "date": visit.date.isoformat()}]
    asked = post(owner, reverse("api-week-replan"), monday=MONDAY.isoformat(), happened=happened)
    assert asked.status_code == HTTPStatus.ACCEPTED
    jobs.run(asked.json()["job"], clock=lambda: make.NOW)
    assert Job.objects.get(pk=asked.json()["job"]).state == JobState.DONE
    new = ProposedWeek.objects.get(pk=asked.json()["id"])
    [change] = owner.get(at(new, "changes")).json()
    assert (change["how"], change["old"]["date"]) == ("moved", visit.date.isoformat())
    post(owner, at(new, "accept"), version=new.version)
    visit.refresh_from_db()
    assert visit.date.isoformat() == change["new"]["date"]


def test_a_crew_of_another_business_is_no_place(owner: APIClient, week: ProposedWeek, farm: Farm) -> None:
    other = make.a_crew(make.a_business())
    answer = post(owner, at(week, "move"), version=week.version, **there(farm, other, date=TUESDAY.isoformat()))
    assert answer.status_code == HTTPStatus.BAD_REQUEST
