"""Two people book or cancel at the same time: the database says who was first."""

import datetime as dt
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from django.db import connection

from tests.make import NOW, TODAY, a_business, a_client, a_crew, a_farm, a_request
from trimmer.errors import Refusal
from trimmer.models import Crew, Farm, HeadKind, RequestState, Visit, VisitRequest
from trimmer.services.visits import book_visit, cancel_visit

pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*calls: Callable[[], Any]) -> list[str]:
    """The code of each call's refusal, or "done"."""

    def answer(call: Callable[[], Any]) -> str:
        try:
            call()
        except Refusal as refusal:
            return refusal.code
        finally:
            connection.close()
        return "done"

    with ThreadPoolExecutor(len(calls)) as pool:
        return sorted(pool.map(answer, calls))


def book(farm: Farm, crew: Crew, request: VisitRequest, day: dt.date = TODAY, **values: Any) -> Visit:
    start = dt.datetime.combine(day, dt.time(9), tzinfo=dt.UTC)
    return book_visit(
        farm=farm,
        crew=crew,
        date=day,
        planned_start=start,
        planned_end=start + dt.timedelta(hours=2),
        head={HeadKind.COW: 20},
        requests=[request],
        by=None,
        now=NOW,
        **values,
    )


def test_a_request_is_booked_by_one_of_two() -> None:
    farm = a_farm(a_client(a_business()))
    crews = [a_crew(farm.client.business) for _ in range(2)]
    request = a_request(farm)

    answers = at_once(*(lambda crew=crew: book(farm, crew, request) for crew in crews))

    assert answers == ["done", "request_is_taken"]
    assert Visit.objects.count() == 1


def test_a_crew_is_booked_to_a_farm_once_by_two() -> None:
    farm = a_farm(a_client(a_business()))
    crew = a_crew(farm.client.business)
    requests = [a_request(farm), a_request(farm)]

    answers = at_once(*(lambda wish=wish: book(farm, crew, wish) for wish in requests))

    assert answers == ["crew_already_comes", "done"]
    assert VisitRequest.objects.waiting().count() == 1


def test_a_request_waits_again_when_its_two_parts_are_cancelled_at_once() -> None:
    farm = a_farm(a_client(a_business()))
    crew = a_crew(farm.client.business)
    request = a_request(farm)
    parts = [book(farm, crew, request), book(farm, crew, request, TODAY + dt.timedelta(days=1), further_part=True)]

    answers = at_once(*(lambda part=part: cancel_visit(visit=part, reason="snow", by=None, now=NOW) for part in parts))

    request.refresh_from_db()
    assert (answers, request.state) == (["done", "done"], RequestState.OPEN)


def test_a_visit_is_cancelled_by_one_of_two() -> None:
    farm = a_farm(a_client(a_business()))
    visit = book(farm, a_crew(farm.client.business), a_request(farm))

    def cancel() -> None:
        cancel_visit(visit=Visit.objects.get(pk=visit.pk), reason="snow", by=None, now=NOW)

    assert at_once(cancel, cancel) == ["done", "visit_is_not_booked"]
