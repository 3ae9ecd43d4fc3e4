"""Manners of the whole API: signing in, writes sent twice, refusals, pages of a list."""

from __future__ import annotations

import datetime as dt
import threading
from concurrent.futures import ThreadPoolExecutor
from http import HTTPStatus
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone
from rest_framework.test import APIClient

from scheduling.models import ProposedWeek
from tests import make
from trimmer.access import Seat
from trimmer.models import Animal, AnsweredRequest, ApiToken, Farm, Role
from trimmer.secret import hash_secret

KEY = {"Idempotency-Key": "5b0e0c1c-7f6e-4a57-9d54-1d4c8f0f7a11"}


@pytest.fixture
def seat(db: None) -> Seat:
    return make.a_member(make.a_business())


@pytest.fixture
def farm(seat: Seat) -> Farm:
    return make.a_farm(make.a_client(seat.business))


def program(seat: Seat) -> APIClient:
    """A client of the API, signed in by the browser's session."""
    client = APIClient()
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def a_token(seat: Seat, secret: str = "s3cret", **fields: Any) -> ApiToken:
    return ApiToken.objects.create(
        business=seat.business, user=seat.user, name="t", secret_hash=hash_secret(secret), made_at=make.NOW, **fields
    )


def with_token(secret: str = "s3cret") -> APIClient:
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {secret}")
    return client


def cow(farm: Farm, number: str = "4711") -> dict[str, Any]:
    return {"farm": farm.pk, "number": number}


def test_a_token_signs_a_program_in(seat: Seat, farm: Farm) -> None:
    a_token(seat)
    answer = with_token().get("/api/v1/farms")
    assert answer.status_code == HTTPStatus.OK
    assert [row["id"] for row in answer.json()["results"]] == [farm.pk]


@pytest.mark.parametrize("secret", ["wrong", "", "two words"])
def test_a_wrong_token_is_refused_in_plain_words(seat: Seat, secret: str) -> None:
    a_token(seat)
    answer = with_token(secret).get("/api/v1/farms")
    assert answer.status_code == HTTPStatus.UNAUTHORIZED
    assert set(answer.json()) == {"code", "message"}


def test_a_withdrawn_token_is_refused(seat: Seat) -> None:
    a_token(seat, withdrawn_at=make.NOW)
    assert with_token().get("/api/v1/farms").status_code == HTTPStatus.UNAUTHORIZED


def test_the_token_of_somebody_who_left_is_refused(seat: Seat) -> None:
    a_token(seat)
    seat.user.memberships.all().delete()
    assert with_token().get("/api/v1/farms").status_code == HTTPStatus.UNAUTHORIZED


def test_a_token_acts_in_its_own_business_only(seat: Seat, farm: Farm) -> None:
    other = make.a_business(name="Bracken")
    seat.user.memberships.create(business=other, role=Role.OWNER)
    ApiToken.objects.create(
        business=other, user=seat.user, name="t", secret_hash=hash_secret("other"), made_at=make.NOW
    )
    assert with_token("other").get("/api/v1/farms").json()["results"] == []


def test_a_write_sent_twice_with_its_key_is_done_once_and_answered_twice(seat: Seat, farm: Farm) -> None:
    client = program(seat)
    first = client.post("/api/v1/animals", cow(farm), format="json", headers=KEY)
    second = client.post("/api/v1/animals", cow(farm), format="json", headers=KEY)
    assert first.status_code == second.status_code == HTTPStatus.CREATED
    assert first.json() == second.json()
    assert second.headers["Idempotency-Replayed"] == "true"
    assert Animal.objects.count() == 1


def test_a_key_used_for_another_write_is_refused(seat: Seat, farm: Farm) -> None:
    client = program(seat)
    client.post("/api/v1/animals", cow(farm), format="json", headers=KEY)
    answer = client.post("/api/v1/animals", cow(farm, "4712"), format="json", headers=KEY)
    assert answer.status_code == HTTPStatus.UNPROCESSABLE_ENTITY
    assert answer.json()["code"] == "idempotency_key_used_for_another"
    assert Animal.objects.count() == 1


def test_a_key_that_is_too_long_is_refused(seat: Seat, farm: Farm) -> None:
    answer = program(seat).post("/api/v1/animals", cow(farm), format="json", headers={"Idempotency-Key": "k" * 101})
    assert (answer.status_code, answer.json()["code"]) == (HTTPStatus.BAD_REQUEST, "idempotency_key_too_long")


def test_a_refused_write_is_not_remembered(seat: Seat, farm: Farm) -> None:
    client = program(seat)
    assert (
        client.post("/api/v1/animals", cow(farm, ""), format="json", headers=KEY).status_code == HTTPStatus.BAD_REQUEST
    )
    assert not AnsweredRequest.objects.exists()
    assert client.post("/api/v1/animals", cow(farm), format="json", headers=KEY).status_code == HTTPStatus.CREATED


def test_the_same_key_of_another_person_is_another_key(seat: Seat, farm: Farm) -> None:
    colleague = make.a_member(seat.business)
    program(seat).post("/api/v1/animals", cow(farm), format="json", headers=KEY)
    answer = program(colleague).post("/api/v1/animals", cow(farm, "4712"), format="json", headers=KEY)
    assert answer.status_code == HTTPStatus.CREATED


@pytest.mark.django_db(transaction=True)
def test_the_same_write_sent_by_several_at_once_is_done_once() -> None:
    seat = make.a_member(make.a_business())
    make.a_crew(seat.business)
    monday = timezone.now().date() + dt.timedelta(days=14 - timezone.now().weekday())
    start = threading.Barrier(4)

    def send(_: int) -> tuple[int, int]:
        try:
            client = program(seat)
            start.wait()
            answer = client.post("/api/v1/weeks", {"monday": monday.isoformat()}, format="json", headers=KEY)
            return answer.status_code, answer.json()["id"]
        finally:
            connection.close()

    with ThreadPoolExecutor(4) as pool:
        answers = set(pool.map(send, range(4)))
    assert answers == {(HTTPStatus.ACCEPTED, ProposedWeek.objects.get().pk)}


def test_bad_values_are_named_field_by_field(seat: Seat, farm: Farm) -> None:
    answer = program(seat).post("/api/v1/animals", {"farm": 0, "number": ""}, format="json")
    body = answer.json()
    assert (answer.status_code, body["code"]) == (HTTPStatus.BAD_REQUEST, "invalid_values")
    assert set(body["fields"]) == {"farm", "number"}


def test_what_is_not_json_is_refused_in_plain_words(seat: Seat) -> None:
    answer = program(seat).post("/api/v1/animals", "{", content_type="application/json")
    assert answer.status_code == HTTPStatus.BAD_REQUEST
    assert set(answer.json()) == {"code", "message"}


def test_a_session_write_needs_its_csrf_token(seat: Seat, farm: Farm) -> None:
    client = APIClient(enforce_csrf_checks=True)
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    answer = client.post("/api/v1/animals", cow(farm), format="json")
    assert (answer.status_code, answer.json()["code"]) == (HTTPStatus.FORBIDDEN, "permission_denied")
    assert not Animal.objects.exists()


def test_long_lists_come_in_pages(seat: Seat, farm: Farm) -> None:
    for n in range(5):
        make.an_animal(farm, number=f"A{n}")
    body = program(seat).get("/api/v1/animals?page_size=2&page=2").json()
    assert (body["count"], len(body["results"])) == (5, 2)
    assert body["next"]
    assert body["previous"]


@pytest.mark.parametrize("path", ["/api/v1/cows", "/api/v2/farms", "/api/v1/animals/0"])
def test_an_unknown_address_is_refused_like_everything_else(seat: Seat, path: str) -> None:
    answer = program(seat).get(path)
    assert (answer.status_code, set(answer.json())) == (HTTPStatus.NOT_FOUND, {"code", "message"})


def test_the_schema_is_sound_and_read_on_our_own_page(seat: Seat) -> None:
    schema = program(seat).get("/api/v1/schema?format=json")
    assert schema.json()["openapi"].startswith("3.")
    page = make.signed_in(seat).get("/api/v1/reader")
    assert b"swagger-ui" in page.content
    assert b"<script>" not in page.content
