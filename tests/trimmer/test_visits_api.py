"""Visits booked, moved, carried out and completed by a program."""

import datetime as dt
from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from rest_framework.test import APIClient

from tests.make import (
    NOW,
    TODAY,
    a_business,
    a_client,
    a_crew,
    a_farm,
    a_farm_person,
    a_member,
    a_request,
    a_visit,
)
from trimmer.access import Seat
from trimmer.models import Crew, Farm, HeadKind, RequestState, Visit, VisitState

pytestmark = pytest.mark.django_db

LIST = "/api/v1/visits"
DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def farm() -> Farm:
    return a_farm(a_client(a_business(time_zone="America/Chicago")))


@pytest.fixture
def crew(farm: Farm) -> Crew:
    return a_crew(farm.client.business)


@pytest.fixture
def owner(farm: Farm) -> APIClient:
    return program(a_member(farm.client.business))


def program(seat: Seat) -> APIClient:
    client = APIClient()
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def booking(farm: Farm, crew: Crew, day: int = 5, **values: Any) -> dict[str, Any]:
    return {
        "farm": farm.pk,
        "crew": crew.pk,
        "date": f"2026-03-0{day}",
        "planned_start": f"2026-03-0{day}T15:00:00Z",
        "planned_end": f"2026-03-0{day}T18:00:00Z",
        "head": [{"kind": "cow", "count": 40}],
    } | values


def test_a_visit_is_booked(farm: Farm, crew: Crew, owner: APIClient) -> None:
    request = a_request(farm)

    answer = owner.post(LIST, booking(farm, crew, requests=[request.pk], drive_minutes=12, distance_m=9000))

    assert answer.status_code == HTTPStatus.CREATED
    assert (answer.data["state"], answer.data["requests"]) == ("booked", [request.pk])
    assert answer.data["head"] == [{"kind": "cow", "planned": 40, "done": 0}]
    assert (answer.data["drive_minutes_planned"], answer.data["distance_planned_m"]) == (12, 9000)


def test_times_come_in_utc(farm: Farm, crew: Crew, owner: APIClient) -> None:
    answer = owner.post(LIST, booking(farm, crew))
    assert answer.json()["planned_start"] == "2026-03-05T15:00:00Z"


def test_a_request_that_was_taken_is_refused(farm: Farm, crew: Crew, owner: APIClient) -> None:
    request = a_request(farm, state=RequestState.BOOKED)
    answer = owner.post(LIST, booking(farm, crew, requests=[request.pk]))
    assert (answer.status_code, answer.data["code"]) == (HTTPStatus.CONFLICT, "request_is_taken")


def test_another_businesss_crew_is_unknown(farm: Farm, owner: APIClient) -> None:
    answer = owner.post(LIST, booking(farm, a_crew(a_business())))
    assert (answer.status_code, list(answer.data["fields"])) == (HTTPStatus.BAD_REQUEST, ["crew"])


def test_half_of_the_told_hours_is_an_invalid_value(farm: Farm, crew: Crew, owner: APIClient) -> None:
    answer = owner.post(LIST, booking(farm, crew, told_from="2026-03-05T15:00:00Z"))
    assert list(answer.data["fields"]) == ["told_to"]


def test_visits_are_narrowed(farm: Farm, crew: Crew, owner: APIClient) -> None:
    wanted = a_visit(farm, crew, date=TODAY, state=VisitState.DONE)
    a_visit(farm, crew, date=TODAY - 10 * DAY, state=VisitState.DONE)
    a_visit(farm, crew, date=TODAY + DAY)
    a_visit(farm, a_crew(farm.client.business), date=TODAY)

    asked: dict[str, Any] = {"date_from": "2026-03-01", "date_to": "2026-03-31", "state": "done"}
    asked |= {"crew": crew.pk, "farm": farm.pk}

    assert [row["id"] for row in owner.get(LIST, asked).data["results"]] == [wanted.pk]


def test_the_list_takes_few_queries(
    farm: Farm, crew: Crew, owner: APIClient, django_assert_max_num_queries: Any
) -> None:
    for days in range(10):
        a_visit(farm, crew, date=TODAY + days * DAY, head={HeadKind.COW: 5})
    with django_assert_max_num_queries(10):
        assert owner.get(LIST).data["count"] == 10


def test_a_visit_is_moved(farm: Farm, crew: Crew, owner: APIClient) -> None:
    visit = a_visit(farm, crew, date=TODAY + DAY)
    values = booking(farm, crew, 6)

    answer = owner.patch(f"{LIST}/{visit.pk}", values)

    assert answer.data["date"] == "2026-03-06"


def test_a_visit_is_cancelled(farm: Farm, crew: Crew, owner: APIClient) -> None:
    visit = a_visit(farm, crew)
    answer = owner.post(f"{LIST}/{visit.pk}/cancel", {"reason": "snow"})
    assert (answer.data["state"], answer.data["cancel_reason"]) == ("cancelled", "snow")


def test_a_visit_is_carried_out(farm: Farm, crew: Crew, owner: APIClient) -> None:
    visit = a_visit(farm, crew, head={HeadKind.COW: 40})
    times = {
        "arrived": "2026-03-04T06:00:00Z",
        "first_head": "2026-03-04T06:20:00Z",
        "last_head": "2026-03-04T08:50:00Z",
    }

    noted = owner.post(f"{LIST}/{visit.pk}/times", times | {"distance_driven_m": 14_200})
    done = owner.post(f"{LIST}/{visit.pk}/complete", {"head_done": [{"kind": "cow", "count": 38}]})
    again = owner.post(f"{LIST}/{visit.pk}/reopen")

    assert (noted.data["state"], noted.data["distance_driven_m"]) == ("under_way", 14_200)
    assert (done.data["state"], done.data["head"][0]["done"]) == ("done", 38)
    assert again.data["state"] == "under_way"


def test_times_out_of_order_name_their_field(farm: Farm, crew: Crew, owner: APIClient) -> None:
    visit = a_visit(farm, crew)
    times = {"arrived": "2026-03-04T06:00:00Z", "left": "2026-03-04T05:00:00Z"}
    answer = owner.post(f"{LIST}/{visit.pk}/times", times)
    assert (answer.data["code"], list(answer.data["fields"])) == ("times_out_of_order", ["left"])


def test_the_same_key_books_once(farm: Farm, crew: Crew, owner: APIClient) -> None:
    for _ in range(2):
        answer = owner.post(LIST, booking(farm, crew), headers={"Idempotency-Key": "k1"})
        assert answer.status_code == HTTPStatus.CREATED
    assert Visit.objects.count() == 1


def test_a_farm_sees_what_it_was_told(farm: Farm, crew: Crew) -> None:
    a_visit(farm, crew, told_from=NOW, told_to=NOW, planned_start=NOW, note="owes for two visits")

    row = program(a_farm_person(farm.client)).get(LIST).data["results"][0]

    assert row["told_from"]
    assert (row["note"], row["planned_start"]) == (None, None)


def test_a_stranger_finds_nothing(farm: Farm, crew: Crew) -> None:
    visit = a_visit(farm, crew)
    for seat in (a_farm_person(a_client(farm.client.business)), a_member(a_business())):
        assert program(seat).get(f"{LIST}/{visit.pk}").status_code == HTTPStatus.NOT_FOUND
        assert program(seat).get(LIST).data["count"] == 0


def test_a_farm_person_changes_no_visit(farm: Farm, crew: Crew) -> None:
    visit = a_visit(farm, crew)
    herdsman = program(a_farm_person(farm.client))
    assert herdsman.post(LIST, booking(farm, crew)).status_code == HTTPStatus.FORBIDDEN
    assert herdsman.patch(f"{LIST}/{visit.pk}", {}).status_code == HTTPStatus.FORBIDDEN
    for change in ("cancel", "times", "complete", "reopen"):
        assert herdsman.post(f"{LIST}/{visit.pk}/{change}", {}).status_code == HTTPStatus.FORBIDDEN
