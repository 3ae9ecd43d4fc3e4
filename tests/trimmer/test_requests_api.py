"""Requests asked for, changed and answered by a program."""

from http import HTTPStatus
from typing import Any

import pytest
from rest_framework.test import APIClient

from tests.make import a_business, a_client, a_farm, a_farm_person, a_member, a_request
from trimmer.access import Seat
from trimmer.models import AskedVia, Farm, HeadKind, RequestState, VisitRequest

pytestmark = pytest.mark.django_db

LIST = "/api/v1/requests"


@pytest.fixture
def farm() -> Farm:
    return a_farm(a_client(a_business()))


@pytest.fixture
def herdsman(farm: Farm) -> Seat:
    return a_farm_person(farm.client)


@pytest.fixture
def office(farm: Farm) -> Seat:
    return a_member(farm.client.business, "office")


def program(seat: Seat) -> APIClient:
    client = APIClient()
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def wish(farm: Farm, **values: Any) -> dict[str, Any]:
    return {"farm": farm.pk, "head": [{"kind": "cow", "count": 40}]} | values


def test_a_farm_asks(farm: Farm, herdsman: Seat) -> None:
    lame = [{"number": "12", "score": 3, "scale": "sprecher_1_5"}]

    answer = program(herdsman).post(LIST, wish(farm, lame=lame, weekdays=[1]))

    assert answer.status_code == HTTPStatus.CREATED
    assert answer.data["head"] == [{"kind": "cow", "count": 40}, {"kind": "lame", "count": 1}]
    assert answer.data["lame_animals"][0]["score"] == 3
    assert (answer.data["asked_via"], answer.data["state"], answer.data["visits"]) == (AskedVia.FARM, "open", [])


def test_the_same_key_asks_once(farm: Farm, herdsman: Seat) -> None:
    client = program(herdsman)
    answers = [client.post(LIST, wish(farm), headers={"Idempotency-Key": "k1"}) for _ in range(2)]
    assert answers[0].data["id"] == answers[1].data["id"]
    assert VisitRequest.objects.count() == 1


def test_a_member_asks_by_phone(farm: Farm, office: Seat) -> None:
    assert program(office).post(LIST, wish(farm)).data["asked_via"] == AskedVia.PHONE


def test_a_refusal_names_its_fields(farm: Farm, herdsman: Seat) -> None:
    lame = [{"number": "12", "score": 9, "scale": "ahdb_0_3"}]
    answer = program(herdsman).post(LIST, wish(farm, lame=lame))
    assert answer.status_code == HTTPStatus.CONFLICT
    assert answer.data["code"] == "score_off_scale"
    assert list(answer.data["fields"]) == ["lame.0.score"]


def test_an_unknown_kind_is_an_invalid_value(farm: Farm, herdsman: Seat) -> None:
    answer = program(herdsman).post(LIST, wish(farm, head=[{"kind": "goat", "count": 2}]))
    assert (answer.status_code, answer.data["code"]) == (HTTPStatus.BAD_REQUEST, "invalid_values")
    assert "head.0.kind" in answer.data["fields"]


def test_another_clients_farm_is_unknown(farm: Farm, herdsman: Seat) -> None:
    stranger = a_farm(a_client(farm.client.business))
    assert program(herdsman).post(LIST, wish(stranger)).status_code == HTTPStatus.BAD_REQUEST


def test_a_farm_person_who_may_not_ask_is_refused(farm: Farm) -> None:
    silent = program(a_farm_person(farm.client, may_ask=False))
    request = a_request(farm)
    assert silent.post(LIST, wish(farm)).status_code == HTTPStatus.FORBIDDEN
    assert silent.post(f"{LIST}/{request.pk}/withdraw", {}).status_code == HTTPStatus.FORBIDDEN


def test_requests_are_listed_and_narrowed(farm: Farm, office: Seat) -> None:
    waiting = a_request(farm)
    a_request(farm, state=RequestState.DONE)
    a_request(a_farm(farm.client))

    answer = program(office).get(LIST, {"state": "open", "farm": str(farm.pk)})

    assert [row["id"] for row in answer.data["results"]] == [waiting.pk]


def test_the_list_takes_few_queries(farm: Farm, office: Seat, django_assert_max_num_queries: Any) -> None:
    for _ in range(10):
        a_request(farm)
    client = program(office)
    with django_assert_max_num_queries(12):
        assert client.get(LIST).data["count"] == 10


def test_a_request_is_replaced_withdrawn_and_declined(farm: Farm, herdsman: Seat, office: Seat) -> None:
    first, second = a_request(farm), a_request(farm)

    changed = program(herdsman).put(f"{LIST}/{first.pk}", {"head": [{"kind": HeadKind.HEIFER, "count": 5}]})
    withdrawn = program(herdsman).post(f"{LIST}/{first.pk}/withdraw", {})
    declined = program(office).post(f"{LIST}/{second.pk}/decline", {"reason": "too far"})

    assert changed.data["head"] == [{"kind": "heifer", "count": 5}]
    assert withdrawn.data["state"] == "withdrawn"
    assert (declined.data["state"], declined.data["answer"]) == ("declined", "too far")


def test_declining_needs_a_reason(farm: Farm, office: Seat) -> None:
    answer = program(office).post(f"{LIST}/{a_request(farm).pk}/decline", {})
    assert (answer.status_code, answer.data["code"]) == (HTTPStatus.CONFLICT, "reason_is_needed")


def test_a_stranger_finds_nothing(farm: Farm) -> None:
    request = a_request(farm)
    for seat in (a_farm_person(a_client(farm.client.business)), a_member(a_business())):
        assert program(seat).get(f"{LIST}/{request.pk}").status_code == HTTPStatus.NOT_FOUND
        assert program(seat).post(f"{LIST}/{request.pk}/withdraw", {}).status_code == HTTPStatus.NOT_FOUND
        assert program(seat).get(LIST).data["count"] == 0


def test_a_farm_person_does_not_decline(farm: Farm, herdsman: Seat) -> None:
    answer = program(herdsman).post(f"{LIST}/{a_request(farm).pk}/decline", {"reason": "x"})
    assert answer.status_code == HTTPStatus.FORBIDDEN
