"""Visits on pages: booked by hand, moved, cancelled, carried out and completed; the day sheet; what a farm sees."""

import datetime as dt
from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from django.core import mail

from tests.make import (
    NOW,
    TODAY,
    a_business,
    a_client,
    a_crew,
    a_farm,
    a_farm_person,
    a_member,
    a_record,
    a_request,
    a_visit,
    an_animal,
    signed_in,
)
from trimmer.access import Seat
from trimmer.models import Contact, Crew, Farm, HeadKind, RequestState, Visit, VisitState

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)
TOMORROW = TODAY + DAY
ZONE = "America/Chicago"


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(NOW + dt.timedelta(hours=6), tick=False):  # 09:00 in Chicago
        yield


@pytest.fixture
def farm() -> Farm:
    business = a_business(time_zone=ZONE, units="us", language="en-US")
    farm = a_farm(a_client(business), name="Alder Bank", access_notes="Gate on the left", handling_notes="One kicks")
    Contact.objects.create(farm=farm, name="Una", phone="555 0101", email="una@example.test")
    return farm


@pytest.fixture
def crew(farm: Farm) -> Crew:
    return a_crew(farm.client.business, name="North crew")


@pytest.fixture
def owner(farm: Farm) -> Seat:
    return a_member(farm.client.business)


def local(hour: int, minute: int = 0, day: dt.date = TODAY) -> dt.datetime:
    """A clock time in Chicago, six hours behind UTC in that week."""
    return dt.datetime.combine(day, dt.time(hour, minute), tzinfo=dt.UTC) + dt.timedelta(hours=6)


def form(crew: Crew, day: dt.date = TOMORROW, **values: Any) -> dict[str, Any]:
    return {
        "crew": crew.pk,
        "date": day.isoformat(),
        "planned_start": "08:00",
        "planned_end": "11:00",
        "head_cow": "40",
        "tell": "on",
    } | values


def test_a_visit_is_booked_for_a_request(
    farm: Farm, crew: Crew, owner: Seat, django_capture_on_commit_callbacks: Any
) -> None:
    request = a_request(farm)
    browser = signed_in(owner)
    page = browser.get(f"/visits/book?request={request.pk}")
    assert page.context["form"].initial["head_cow"] == 40
    assert "Wed, Mar 4: 40 × cow, routine trim" in page.text

    with django_capture_on_commit_callbacks(execute=True):
        answer = browser.post(f"/visits/book?request={request.pk}", form(crew, requests=[request.pk]), follow=True)

    visit = Visit.objects.get()
    assert (visit.planned_start, visit.planned_end) == (local(8, day=TOMORROW), local(11, day=TOMORROW))
    assert list(visit.requests.all()) == [request]
    assert "The visit is booked." in answer.text
    assert "8:00" in mail.outbox[0].subject


def test_a_visit_is_booked_without_telling(farm: Farm, crew: Crew, owner: Seat) -> None:
    answer = signed_in(owner).post(f"/visits/book?farm={farm.pk}", form(crew, tell=""), follow=True)

    assert Visit.objects.get().told_at is None
    assert "The farm has not been told of this visit by e-mail." in answer.text


def test_the_farm_is_chosen_first(farm: Farm, owner: Seat) -> None:
    answer = signed_in(owner).get("/visits/book")
    assert "Alder Bank" in answer.text


def test_booking_where_nobody_has_an_e_mail_says_to_call(farm: Farm, crew: Crew, owner: Seat) -> None:
    farm.contacts.all().delete()
    answer = signed_in(owner).post(f"/visits/book?farm={farm.pk}", form(crew), follow=True)
    assert "call them" in answer.text


def test_cautions_are_shown_once_and_then_passed_over(farm: Farm, crew: Crew, owner: Seat) -> None:
    browser, address = signed_in(owner), f"/visits/book?farm={farm.pk}"
    sunday = TODAY + 4 * DAY

    first = browser.post(address, form(crew, sunday))
    assert "The crew does not go out on that weekday." in first.text
    assert not Visit.objects.exists()

    browser.post(address, form(crew, sunday, in_spite_of=first.context["form"]["in_spite_of"].value()))
    assert Visit.objects.get().date == sunday


def test_a_booking_refused_keeps_what_was_typed(farm: Farm, crew: Crew, owner: Seat) -> None:
    a_visit(farm, crew, date=TOMORROW)
    answer = signed_in(owner).post(f"/visits/book?farm={farm.pk}", form(crew, note="bring mats"))
    assert "This crew already comes to this farm on that day." in answer.text
    assert "bring mats" in answer.text


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"planned_end": "07:00"}, "The end is not after the beginning."),
        ({"told_from": "07:00"}, "Give both hours the farm is told, or neither."),
        ({"told_from": "10:00", "told_to": "09:00"}, "The end is not after the beginning."),
        ({"head_cow": ""}, "Say how many head are planned."),
    ],
)
def test_hours_and_head_that_make_no_sense_are_said_in_the_form(
    farm: Farm, crew: Crew, owner: Seat, typed: dict[str, Any], said: str
) -> None:
    answer = signed_in(owner).post(f"/visits/book?farm={farm.pk}", form(crew, **typed))
    assert said in answer.text
    assert not Visit.objects.exists()


def test_without_a_crew_the_page_says_what_to_do(farm: Farm, owner: Seat) -> None:
    assert "No crew goes out" in signed_in(owner).get(f"/visits/book?farm={farm.pk}").text


def test_told_hours_may_be_wider_than_the_planned_ones(farm: Farm, crew: Crew, owner: Seat) -> None:
    signed_in(owner).post(f"/visits/book?farm={farm.pk}", form(crew, told_from="07:30", told_to="08:30"))
    visit = Visit.objects.get()
    assert (visit.told_from, visit.told_to) == (local(7, 30, TOMORROW), local(8, 30, TOMORROW))


def booked(farm: Farm, crew: Crew, day: dt.date = TODAY, **fields: Any) -> Visit:
    hours = {"planned_start": local(8, day=day), "planned_end": local(11, day=day)}
    hours |= {"told_from": local(8, day=day), "told_to": local(9, day=day), "told_at": NOW}
    return a_visit(farm, crew, date=day, **({"head": {HeadKind.COW: 40}} | hours | fields))


def test_a_visit_is_moved_and_the_farm_told(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew)

    answer = signed_in(owner).post(f"/visits/{visit.pk}/move", form(crew), follow=True)

    visit.refresh_from_db()
    assert visit.date == TOMORROW
    assert "Told by e-mail: una@example.test" in answer.text


def test_a_moved_visit_starts_from_its_hours(farm: Farm, crew: Crew, owner: Seat) -> None:
    page = signed_in(owner).get(f"/visits/{booked(farm, crew).pk}/move")
    assert 'value="08:00"' in page.text
    assert f'value="{TODAY.isoformat()}"' in page.text


def test_a_visit_is_cancelled_with_a_reason(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew)
    request = a_request(farm, state=RequestState.BOOKED)
    visit.requests.add(request)
    browser = signed_in(owner)
    assert "una@example.test" in browser.get(f"/visits/{visit.pk}/cancel").text

    answer = browser.post(f"/visits/{visit.pk}/cancel", {"reason": "chute broken"}, follow=True)

    request.refresh_from_db()
    assert request.state == RequestState.OPEN
    assert "chute broken" in answer.text


def test_a_refused_cancelling_is_said_in_the_form(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew, state=VisitState.UNDER_WAY)
    answer = signed_in(owner).post(f"/visits/{visit.pk}/cancel", {"reason": "snow"})
    assert "This visit has begun" in answer.text


def test_a_farm_is_told_afterwards(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew, told_at=None)
    answer = signed_in(owner).post(f"/visits/{visit.pk}/tell", follow=True)
    assert "Told by e-mail: una@example.test" in answer.text


def test_a_farm_is_not_told_of_a_visit_that_has_begun(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew, state=VisitState.UNDER_WAY)
    assert signed_in(owner).post(f"/visits/{visit.pk}/tell").status_code == HTTPStatus.CONFLICT


def test_the_crew_presses_a_button_at_each_moment(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit, browser = booked(farm, crew), signed_in(owner)

    assert "Arrived now" in browser.get(f"/visits/{visit.pk}").text
    answer = browser.post(f"/visits/{visit.pk}/moment", {"moment": "arrived"}, follow=True)

    visit.refresh_from_db()
    assert visit.arrived_at == NOW + dt.timedelta(hours=6)
    assert "First head in now" in answer.text


def test_head_are_shown_as_planned_recorded_and_done(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew, state=VisitState.DONE)
    visit.head.update(done=38)
    a_record(visit, an_animal(farm))

    (row,) = signed_in(owner).get(f"/visits/{visit.pk}").context["head"]

    assert (str(row["kind"]), row["planned"], row["recorded"], row["done"]) == ("cow, routine trim", 40, 1, 38)


def test_the_office_is_not_shown_the_way_to_record(farm: Farm, crew: Crew) -> None:
    visit = booked(farm, crew)
    page = signed_in(a_member(farm.client.business, "office")).get(f"/visits/{visit.pk}").text
    assert f"/visits/{visit.pk}/records/add" not in page


def test_an_unknown_moment_is_not_taken(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew)
    answer = signed_in(owner).post(f"/visits/{visit.pk}/moment", {"moment": "told"})
    assert answer.status_code == HTTPStatus.BAD_REQUEST


def test_times_are_typed_on_the_business_clock_and_distance_in_miles(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew)
    typed = {"arrived": "07:00", "first_head": "07:30", "last_head": "08:45", "left": "", "distance": "10"}

    signed_in(owner).post(f"/visits/{visit.pk}/times", typed)

    visit.refresh_from_db()
    assert (visit.arrived_at, visit.last_head_at, visit.left_at) == (local(7), local(8, 45), None)
    assert visit.distance_driven_m == 16_093  # 10 international miles


def test_a_time_left_as_it_stands_keeps_its_seconds(farm: Farm, crew: Crew, owner: Seat) -> None:
    exact = local(7) + dt.timedelta(seconds=42)
    visit = booked(farm, crew, arrived_at=exact, distance_driven_m=16_050)

    signed_in(owner).post(f"/visits/{visit.pk}/times", {"arrived": "07:00", "first_head": "07:30", "distance": "10.0"})

    visit.refresh_from_db()
    assert (visit.arrived_at, visit.first_head_at, visit.distance_driven_m) == (exact, local(7, 30), 16_050)


def test_times_out_of_order_are_said_beside_the_field(farm: Farm, crew: Crew, owner: Seat) -> None:
    typed = {"arrived": "08:00", "first_head": "07:30"}
    answer = signed_in(owner).post(f"/visits/{booked(farm, crew).pk}/times", typed)
    assert answer.context["form"].errors == {"first_head": ["The first head cannot go in before the crew arrives."]}


def test_a_visit_is_completed_with_head_added_by_hand(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew)
    a_record(visit, an_animal(farm), kind=HeadKind.LAME)
    browser = signed_in(owner)
    assert browser.get(f"/visits/{visit.pk}/complete").context["form"].initial == {"head_lame": 1}

    browser.post(f"/visits/{visit.pk}/complete", {"head_lame": "1", "head_cow": "39"})

    visit.refresh_from_db()
    assert visit.state == VisitState.DONE
    assert {row.kind: row.done for row in visit.head.all()} == {HeadKind.COW: 39, HeadKind.LAME: 1}


def test_fewer_than_recorded_is_said_beside_the_number(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew)
    a_record(visit, an_animal(farm))
    answer = signed_in(owner).post(f"/visits/{visit.pk}/complete", {"head_cow": "0"})
    assert answer.context["form"].errors == {"head_cow": ["1 was recorded at the chute."]}


def test_a_visit_without_head_is_refused_above_the_form(farm: Farm, crew: Crew, owner: Seat) -> None:
    answer = signed_in(owner).post(f"/visits/{booked(farm, crew).pk}/complete", {})
    assert "No head was recorded." in answer.text


def test_a_done_visit_is_opened_again(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew, state=VisitState.DONE)
    signed_in(owner).post(f"/visits/{visit.pk}/reopen")
    visit.refresh_from_db()
    assert visit.state == VisitState.UNDER_WAY


def test_a_billed_visit_stays_closed(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew, state=VisitState.DONE, locked_at=NOW)
    browser = signed_in(owner)
    assert "Open again" not in browser.get(f"/visits/{visit.pk}").text
    assert browser.post(f"/visits/{visit.pk}/reopen").status_code == HTTPStatus.CONFLICT


def test_the_plan_of_a_visit_is_changed(farm: Farm, crew: Crew, owner: Seat) -> None:
    visit = booked(farm, crew)
    signed_in(owner).post(f"/visits/{visit.pk}/edit", {"head_cow": "55", "note": "two pens"})
    visit.refresh_from_db()
    assert (visit.head.get().planned, visit.note) == (55, "two pens")


def test_visits_are_listed_as_rounds_in_order(farm: Farm, crew: Crew, owner: Seat) -> None:
    late = booked(a_farm(farm.client), crew, planned_start=local(13), planned_end=local(15))
    early = booked(farm, crew)
    booked(farm, crew, TOMORROW)
    booked(farm, crew, TODAY - DAY)

    answer = signed_in(owner).get("/visits")

    rounds = answer.context["rounds"]
    assert list(rounds[0].visits) == [early, late]
    assert [round.date for round in rounds] == [TODAY, TOMORROW]
    assert rounds[0].head == 80


def test_visits_are_narrowed_by_days_crew_and_state(farm: Farm, crew: Crew, owner: Seat) -> None:
    other = a_crew(farm.client.business)
    wanted = booked(farm, crew, TODAY - 2 * DAY, state=VisitState.DONE)
    booked(farm, other, TODAY - 2 * DAY, state=VisitState.DONE)
    booked(farm, crew, TODAY - 9 * DAY, state=VisitState.DONE)

    asked: dict[str, Any] = {"date_from": TODAY - 3 * DAY, "date_to": TODAY, "crew": crew.pk, "state": "done"}
    answer = signed_in(owner).get("/visits", asked)

    assert list(answer.context["page"]) == [wanted]


def test_the_list_takes_few_queries(farm: Farm, crew: Crew, owner: Seat, django_assert_max_num_queries: Any) -> None:
    for days in range(20):
        booked(farm, crew, TODAY + days * DAY)
    browser = signed_in(owner)
    with django_assert_max_num_queries(14):
        assert browser.get("/visits").status_code == HTTPStatus.OK


def test_the_day_sheet_has_what_a_crew_needs_on_the_way(
    farm: Farm, crew: Crew, owner: Seat, django_assert_max_num_queries: Any
) -> None:
    visit = booked(farm, crew, note="bring mats")
    visit.requests.add(a_request(farm, note="bull in the first pen"))
    booked(a_farm(farm.client, name="Far Acre"), crew, TODAY)
    booked(farm, a_crew(farm.client.business), TODAY, state=VisitState.CANCELLED, cancelled_at=NOW)
    browser = signed_in(owner)

    with django_assert_max_num_queries(16):
        sheet = browser.get(f"/visits/day?date={TODAY.isoformat()}").text

    for expected in ("555 0101", "Gate on the left", "One kicks", "bring mats", "bull in the first pen", "Far Acre"):
        assert expected in sheet
    assert len(browser.get("/visits/day").context["rounds"]) == 1


def test_a_day_without_visits_says_so(farm: Farm, owner: Seat) -> None:
    assert "No visit on this day" in signed_in(owner).get("/visits/day?date=2026-08-01").text


def test_a_farm_sees_its_hours_and_not_the_crews_notes(farm: Farm, crew: Crew) -> None:
    visit = booked(farm, crew, note="owes for two visits", told_from=local(7, 30))
    seat = a_farm_person(farm.client)
    browser = signed_in(seat)

    page = browser.get(f"/visits/{visit.pk}").text

    assert "7:30\N{NO-BREAK SPACE}AM–9:00\N{NO-BREAK SPACE}AM" in page
    assert "more than 3 h" in page
    assert "owes for two visits" not in page
    assert "Arrived now" not in page
    assert "7:30" in browser.get("/visits").text


def test_a_farm_sees_past_visits_apart(farm: Farm, crew: Crew) -> None:
    past = booked(farm, crew, TODAY - DAY, state=VisitState.DONE)
    browser = signed_in(a_farm_person(farm.client))
    assert list(browser.get("/visits").context["page"]) == []
    assert list(browser.get("/visits?past=1").context["page"]) == [past]


def test_a_stranger_finds_no_visit(farm: Farm, crew: Crew) -> None:
    visit = booked(farm, crew)
    neighbour = a_farm_person(a_client(farm.client.business))
    other = a_member(a_business())
    for seat in (neighbour, other):
        assert signed_in(seat).get(f"/visits/{visit.pk}").status_code == HTTPStatus.NOT_FOUND
    assert signed_in(other).post(f"/visits/{visit.pk}/cancel", {"reason": "x"}).status_code == HTTPStatus.NOT_FOUND


def test_a_farm_person_changes_no_visit(farm: Farm, crew: Crew) -> None:
    visit = booked(farm, crew)
    browser = signed_in(a_farm_person(farm.client))
    for change in ("move", "cancel", "complete", "times", "edit", "moment", "tell", "reopen"):
        assert browser.post(f"/visits/{visit.pk}/{change}").status_code == HTTPStatus.FORBIDDEN
