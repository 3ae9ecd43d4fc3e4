"""Requests on pages: a farm asks, a member notes what was asked by phone, and answers."""

import datetime as dt
from http import HTTPStatus
from typing import Any

import pytest
from django.core import mail
from django.utils import timezone

from tests.make import (
    NOW,
    a_business,
    a_client,
    a_crew,
    a_farm,
    a_farm_person,
    a_member,
    a_request,
    a_visit,
    signed_in,
)
from trimmer.access import Seat
from trimmer.models import AskedVia, Contact, Farm, HeadKind, RequestState, Urgency, VisitRequest
from trimmer.queries.requests import head_left, requests_to_show

pytestmark = pytest.mark.django_db

EMPTY_FORMSET = {"lame-TOTAL_FORMS": "0", "lame-INITIAL_FORMS": "0"}


@pytest.fixture
def farm() -> Farm:
    return a_farm(a_client(a_business()), name="Alder Bank")


@pytest.fixture
def herdsman(farm: Farm) -> Seat:
    return a_farm_person(farm.client)


@pytest.fixture
def office(farm: Farm) -> Seat:
    return a_member(farm.client.business, "office")


def wish(farm: Farm, **values: Any) -> dict[str, Any]:
    return {"farm": farm.pk, "urgency": Urgency.ROUTINE, "head_cow": "40"} | EMPTY_FORMSET | values


def test_a_farm_asks_for_a_visit_with_lame_cows(farm: Farm, herdsman: Seat) -> None:
    lame = {
        "lame-TOTAL_FORMS": "3",
        "lame-0-number": "12",
        "lame-0-scored": "sprecher_1_5:4",
        "lame-1-number": "31",
        "lame-1-note": "left hind",
        "lame-2-number": "",
    }

    answer = signed_in(herdsman).post("/requests/add", wish(farm, weekdays=["0", "2"], **lame), follow=True)

    request = VisitRequest.objects.get()
    assert answer.redirect_chain == [(f"/requests/{request.pk}", HTTPStatus.FOUND)]
    assert "4 of 1–5 (lame)" in answer.text
    assert (request.asked_via, request.weekdays) == (AskedVia.FARM, [0, 2])
    assert {row.kind: row.count for row in request.head.all()} == {HeadKind.COW: 40, HeadKind.LAME: 2}


def test_the_scores_come_with_what_they_mean(herdsman: Seat) -> None:
    answer = signed_in(herdsman).get("/requests/add")
    assert "Arched back standing and walking; short strides." in answer.text
    assert "Theriogenology 47" in answer.text


def test_a_farm_person_with_one_farm_does_not_choose(farm: Farm, herdsman: Seat) -> None:
    answer = signed_in(herdsman).get("/requests/add")
    assert f'<input type="hidden" name="farm" value="{farm.pk}"' in answer.text


def test_a_farm_person_chooses_among_their_own_farms(farm: Farm, herdsman: Seat) -> None:
    a_farm(farm.client, name="Far Acre")
    stranger = a_farm(a_client(farm.client.business), name="Thistle End")

    answer = signed_in(herdsman).post("/requests/add", wish(stranger))

    assert "Far Acre" in answer.text
    assert "Thistle End" not in answer.text
    assert not VisitRequest.objects.exists()


def test_a_farm_person_who_may_not_ask_is_refused(farm: Farm) -> None:
    seat = a_farm_person(farm.client, may_ask=False)
    assert signed_in(seat).get("/requests/add").status_code == HTTPStatus.FORBIDDEN
    assert "Ask for a visit" not in signed_in(seat).get("/requests").text


def test_a_refusal_keeps_what_was_typed(farm: Farm, herdsman: Seat) -> None:
    yesterday = (timezone.localdate() - dt.timedelta(days=1)).isoformat()

    answer = signed_in(herdsman).post("/requests/add", wish(farm, due_on=yesterday, note="gate code 7"))

    assert "The last day that suits is past." in answer.text
    assert "gate code 7" in answer.text


def test_a_refused_animal_is_named_in_its_row(farm: Farm, herdsman: Seat) -> None:
    lame = {"lame-TOTAL_FORMS": "3", "lame-0-number": "12", "lame-1-number": "", "lame-2-number": "12"}

    answer = signed_in(herdsman).post("/requests/add", wish(farm, **lame))

    assert answer.context["lame"].forms[2].errors == {"number": ["Animal 12 is named twice. Leave one of the two out."]}


def test_nothing_asked_for_is_said_above_the_form(farm: Farm, herdsman: Seat) -> None:
    answer = signed_in(herdsman).post("/requests/add", wish(farm, head_cow=""))
    assert "Say how many head there are to do" in answer.text


def test_a_member_notes_what_was_asked_by_phone(farm: Farm, office: Seat) -> None:
    signed_in(office).post("/requests/add", wish(farm))

    request = VisitRequest.objects.get()
    assert (request.asked_via, request.asked_by) == (AskedVia.PHONE, office.user)


def test_the_inbox_has_the_urgent_on_top(farm: Farm, office: Seat) -> None:
    routine = a_request(farm, asked_at=NOW - dt.timedelta(days=3))
    done = a_request(farm, state=RequestState.DONE, urgency=Urgency.URGENT)
    urgent = a_request(farm, urgency=Urgency.URGENT)
    due = a_request(farm, due_on=dt.date(2026, 3, 20))

    assert list(requests_to_show(office)) == [urgent, due, routine, done]


def test_the_inbox_is_narrowed_by_state_and_farm(farm: Farm, office: Seat) -> None:
    other = a_farm(farm.client, name="Far Acre")
    waiting = a_request(farm)
    a_request(farm, state=RequestState.DONE)
    a_request(other)

    answer = signed_in(office).get("/requests", {"state": "open", "farm": str(farm.pk)})

    assert [row.pk for row in answer.context["page"]] == [waiting.pk]


def test_the_inbox_takes_few_queries(farm: Farm, office: Seat, django_assert_max_num_queries: Any) -> None:
    crew = a_crew(farm.client.business)
    for days in range(12):
        request = a_request(farm, state=RequestState.BOOKED)
        a_visit(farm, crew, date=NOW.date() + dt.timedelta(days=days)).requests.add(request)
    browser = signed_in(office)

    with django_assert_max_num_queries(14):
        assert browser.get("/requests").status_code == HTTPStatus.OK


def test_an_empty_inbox_says_what_to_do(office: Seat, herdsman: Seat) -> None:
    assert "Note a request" in signed_in(office).get("/requests").text
    assert "Say how many cows there are to do" in signed_in(herdsman).get("/requests").text


def test_a_request_is_changed_as_long_as_it_waits(farm: Farm, herdsman: Seat) -> None:
    request = a_request(farm)
    browser = signed_in(herdsman)

    browser.post(f"/requests/{request.pk}/edit", wish(farm, head_cow="", head_heifer="7"))

    assert {row.kind: row.count for row in request.head.all()} == {HeadKind.HEIFER: 7}
    VisitRequest.objects.update(state=RequestState.BOOKED)
    answer = browser.post(f"/requests/{request.pk}/edit", wish(farm))
    assert "no longer waiting" in answer.text


def test_a_farm_withdraws_its_request(farm: Farm, herdsman: Seat) -> None:
    request = a_request(farm)

    signed_in(herdsman).post(f"/requests/{request.pk}/withdraw", {"reason": ""})

    request.refresh_from_db()
    assert request.state == RequestState.WITHDRAWN


def test_a_member_declines_a_request(farm: Farm, office: Seat, django_capture_on_commit_callbacks: Any) -> None:
    Contact.objects.create(farm=farm, name="Una", email="una@example.test")
    request = a_request(farm)
    browser = signed_in(office)
    assert "una@example.test" in browser.get(f"/requests/{request.pk}/decline").text

    with django_capture_on_commit_callbacks(execute=True):
        answer = browser.post(f"/requests/{request.pk}/decline", {"reason": "too far"}, follow=True)

    assert [message.to for message in mail.outbox] == [["una@example.test"]]
    assert "too far" in answer.text


def test_declining_where_nobody_has_an_e_mail_says_to_call(farm: Farm, office: Seat) -> None:
    request = a_request(farm)
    answer = signed_in(office).post(f"/requests/{request.pk}/decline", {"reason": "too far"}, follow=True)
    assert "call them" in answer.text


def test_a_stranger_finds_no_request(farm: Farm) -> None:
    request = a_request(farm)
    neighbour = a_farm_person(a_client(farm.client.business))
    other = a_member(a_business())
    for seat in (neighbour, other):
        assert signed_in(seat).get(f"/requests/{request.pk}").status_code == HTTPStatus.NOT_FOUND
        assert signed_in(seat).post(f"/requests/{request.pk}/withdraw").status_code == HTTPStatus.NOT_FOUND


def test_a_farm_person_does_not_decline(farm: Farm, herdsman: Seat) -> None:
    request = a_request(farm)
    assert signed_in(herdsman).post(f"/requests/{request.pk}/decline").status_code == HTTPStatus.FORBIDDEN


def test_head_left_are_those_not_done_on_earlier_visits(farm: Farm) -> None:
    request = a_request(farm, head={HeadKind.COW: 100, HeadKind.LAME: 2})
    first = a_visit(farm, a_crew(farm.client.business), state="done")
    first.requests.add(request)
    first.head.create(kind=HeadKind.COW, planned=60, done=55)
    first.head.create(kind=HeadKind.LAME, done=3)

    assert head_left(request) == {HeadKind.COW: 45}
