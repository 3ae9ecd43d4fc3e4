"""A visit is booked, moved and cancelled."""

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
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
    a_request,
    a_visit,
    an_animal,
)
from trimmer.models import (
    AccessWindow,
    ChuteKind,
    Crew,
    DaysOff,
    Farm,
    HeadKind,
    ListReason,
    RequestState,
    Visit,
    VisitState,
)
from trimmer.queries.visits import booking_cautions
from trimmer.services.visits import (
    CrewAlreadyComes,
    CrewDoesNotGoOut,
    CrewOfAnotherBusiness,
    DayIsPast,
    FarmIsNotVisited,
    HoursDoNotFit,
    ReasonIsMissing,
    RequestIsTaken,
    VisitIsNotBooked,
    VisitIsOver,
    book_visit,
    cancel_visit,
    change_plan,
    move_visit,
)

pytestmark = pytest.mark.django_db

type Committing = Callable[..., Any]

DAY = dt.timedelta(days=1)
HOUR = dt.timedelta(hours=1)


@pytest.fixture
def farm() -> Farm:
    return a_farm(a_client(a_business()))


@pytest.fixture
def crew(farm: Farm) -> Crew:
    return a_crew(farm.client.business)


def at(hour: int, day: dt.date = TODAY) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(hour), tzinfo=dt.UTC)


def book(farm: Farm, crew: Crew, day: dt.date = TODAY, **fields: Any) -> Visit:
    values: dict[str, Any] = {
        "date": day,
        "planned_start": at(9, day),
        "planned_end": at(12, day),
        "head": {HeadKind.COW: 40},
        "by": None,
        "now": NOW,
    } | fields
    return book_visit(farm=farm, crew=crew, **values)


def move(visit: Visit, day: dt.date = TODAY, **fields: Any) -> Any:
    values: dict[str, Any] = {"crew": visit.crew, "date": day, "planned_start": at(9, day), "planned_end": at(12, day)}
    return move_visit(visit=visit, by=None, now=NOW, **(values | fields))


def test_a_booked_visit_tells_its_planned_hours_unless_others_are_given(farm: Farm, crew: Crew) -> None:
    plain = book(farm, crew)
    wider = book(farm, crew, TODAY + DAY, told=(at(8, TODAY + DAY), at(13, TODAY + DAY)))

    assert (plain.told_from, plain.told_to) == (at(9), at(12))
    assert (wider.told_from, wider.told_to) == (at(8, TODAY + DAY), at(13, TODAY + DAY))
    assert [row.planned for row in plain.head.all()] == [40]


def test_its_requests_count_as_booked(farm: Farm, crew: Crew) -> None:
    request = a_request(farm)

    visit = book(farm, crew, requests=[request])

    request.refresh_from_db()
    assert request.state == RequestState.BOOKED
    assert list(visit.requests.all()) == [request]


def test_its_trim_list_is_drawn_up(farm: Farm, crew: Crew) -> None:
    request = a_request(farm)
    request.lame_animals.create(number="4711")

    visit = book(farm, crew, requests=[request])

    assert [(entry.number, entry.reason) for entry in visit.trim_list.all()] == [("4711", ListReason.LAME)]


def test_the_trim_list_follows_a_move(farm: Farm, crew: Crew) -> None:
    cow = an_animal(farm, calved_on=TODAY - 58 * DAY)  # on the list from 60 days in milk
    visit = book(farm, crew)
    assert not visit.trim_list.exists()

    move(visit, TODAY + 2 * DAY)

    assert [entry.animal for entry in visit.trim_list.all()] == [cow]


def test_a_request_taken_meanwhile_is_refused_and_nothing_is_booked(farm: Farm, crew: Crew) -> None:
    request = a_request(farm, state=RequestState.BOOKED)

    with pytest.raises(RequestIsTaken):
        book(farm, crew, requests=[request])

    assert not Visit.objects.exists()


def test_a_further_part_of_a_job_shares_its_request(farm: Farm, crew: Crew) -> None:
    request = a_request(farm)

    book(farm, crew, requests=[request])
    book(farm, crew, TODAY + DAY, requests=[request], further_part=True)

    assert request.visits.count() == 2


def test_a_request_of_another_farm_is_refused(farm: Farm, crew: Crew) -> None:
    with pytest.raises(RequestIsTaken):
        book(farm, crew, requests=[a_request(a_farm(farm.client))])


def test_a_crew_of_another_business_is_refused(farm: Farm) -> None:
    with pytest.raises(CrewOfAnotherBusiness) as refused:
        book(farm, a_crew(a_business()))
    assert list(refused.value.fields) == ["crew"]


def test_a_crew_that_no_longer_goes_out_is_refused(farm: Farm) -> None:
    with pytest.raises(CrewDoesNotGoOut):
        book(farm, a_crew(farm.client.business, active=False))


def test_an_archived_farm_is_refused(farm: Farm, crew: Crew) -> None:
    farm.archived_at = NOW
    with pytest.raises(FarmIsNotVisited):
        book(farm, crew)


def test_a_past_day_is_refused(farm: Farm, crew: Crew) -> None:
    with pytest.raises(DayIsPast):
        book(farm, crew, TODAY - DAY)


def test_the_day_is_past_when_it_is_past_at_the_business() -> None:
    farm = a_farm(a_client(a_business(time_zone="Pacific/Auckland")))
    evening_of_the_fourth_in_utc = dt.datetime(2026, 3, 4, 20, 0, tzinfo=dt.UTC)  # the fifth in Auckland

    with pytest.raises(DayIsPast):
        book(farm, a_crew(farm.client.business), now=evening_of_the_fourth_in_utc)


@pytest.mark.parametrize(("start", "end"), [(at(12), at(9)), (at(9), at(9)), (at(9, TODAY + DAY), at(12, TODAY + DAY))])
def test_hours_that_end_before_they_begin_or_lie_on_another_day_are_refused(
    farm: Farm, crew: Crew, start: dt.datetime, end: dt.datetime
) -> None:
    with pytest.raises(HoursDoNotFit):
        book(farm, crew, planned_start=start, planned_end=end)


def test_told_hours_on_another_day_are_refused(farm: Farm, crew: Crew) -> None:
    with pytest.raises(HoursDoNotFit):
        book(farm, crew, told=(at(9, TODAY + DAY), at(10, TODAY + DAY)))


def test_a_crew_comes_to_a_farm_once_a_day(farm: Farm, crew: Crew) -> None:
    book(farm, crew)
    with pytest.raises(CrewAlreadyComes):
        book(farm, crew, planned_start=at(14), planned_end=at(15))


def test_after_a_cancelled_visit_the_day_is_free_again(farm: Farm, crew: Crew) -> None:
    cancel_visit(visit=book(farm, crew), reason="snow", by=None, now=NOW)
    assert book(farm, crew).state == VisitState.BOOKED


def test_booking_tells_the_farm_when_asked_to(
    farm: Farm, crew: Crew, django_capture_on_commit_callbacks: Committing
) -> None:
    a_farm_person(farm.client, email="herd@example.test")

    with django_capture_on_commit_callbacks(execute=True):
        visit = book(farm, crew, tell=True)

    assert (mail.outbox[0].to, visit.told_at) == (["herd@example.test"], NOW)


def test_who_booked_is_kept(farm: Farm, crew: Crew) -> None:
    owner = a_member(farm.client.business)
    assert book(farm, crew, by=owner.user, note=" bring mats ").booked_by == owner.user
    assert Visit.objects.get().note == "bring mats"


def test_a_moved_visit_tells_its_new_hours(
    farm: Farm, crew: Crew, django_capture_on_commit_callbacks: Committing
) -> None:
    a_farm_person(farm.client)
    visit = book(farm, crew, tell=True)

    with django_capture_on_commit_callbacks(execute=True):
        told = move(visit, TODAY + DAY)

    assert told.change == "moved"
    assert mail.outbox[-1].subject.startswith("Changed:")
    assert (visit.date, visit.told_from) == (TODAY + DAY, at(9, TODAY + DAY))


def test_a_move_that_changes_nothing_the_farm_sees_is_not_told(farm: Farm, crew: Crew) -> None:
    a_farm_person(farm.client)
    visit = book(farm, crew, tell=True, told=(at(8), at(12)))

    assert move(visit, told=(at(8), at(12)), planned_start=at(10)) is None


def test_a_move_to_another_day_forgets_the_planned_drive(farm: Farm, crew: Crew) -> None:
    visit = book(farm, crew, drive_minutes=20, distance_m=14_000, position=2)

    move(visit, planned_start=at(10))
    assert (visit.drive_minutes_planned, visit.distance_planned_m, visit.position) == (20, 14_000, 2)
    move(visit, TODAY + DAY)
    assert (visit.drive_minutes_planned, visit.distance_planned_m, visit.position) == (None, None, 0)


@pytest.mark.parametrize("state", [VisitState.UNDER_WAY, VisitState.DONE])
def test_a_visit_that_has_begun_is_not_moved(farm: Farm, crew: Crew, state: str) -> None:
    with pytest.raises(VisitIsNotBooked):
        move(a_visit(farm, crew, state=state))


def test_a_visit_is_not_moved_onto_another(farm: Farm, crew: Crew) -> None:
    book(farm, crew, TODAY + DAY)
    with pytest.raises(CrewAlreadyComes):
        move(book(farm, crew), TODAY + DAY)


def test_a_visit_is_not_moved_into_the_past(farm: Farm, crew: Crew) -> None:
    with pytest.raises(DayIsPast):
        move(book(farm, crew), TODAY - DAY)


def test_cancelling_puts_its_requests_back(farm: Farm, crew: Crew) -> None:
    request = a_request(farm)
    visit = book(farm, crew, requests=[request])

    cancel_visit(visit=visit, reason="chute  broken", by=None, now=NOW)

    request.refresh_from_db()
    assert request.state == RequestState.OPEN
    assert (visit.state, visit.cancelled_at, visit.cancel_reason) == (VisitState.CANCELLED, NOW, "chute broken")


def test_a_request_that_another_visit_still_serves_stays_booked(farm: Farm, crew: Crew) -> None:
    request = a_request(farm)
    first = book(farm, crew, requests=[request])
    second = book(farm, crew, TODAY + DAY, requests=[request], further_part=True)

    cancel_visit(visit=first, reason="snow", by=None, now=NOW)
    request.refresh_from_db()
    assert request.state == RequestState.BOOKED

    cancel_visit(visit=second, reason="snow", by=None, now=NOW)
    request.refresh_from_db()
    assert request.state == RequestState.OPEN


def test_a_cancelled_visit_is_told(farm: Farm, crew: Crew, django_capture_on_commit_callbacks: Committing) -> None:
    a_farm_person(farm.client)
    visit = book(farm, crew, tell=True)

    with django_capture_on_commit_callbacks(execute=True):
        told = cancel_visit(visit=visit, reason="snow", by=None, now=NOW)

    assert told is not None
    assert mail.outbox[-1].subject.startswith("Called off:")


def test_a_cancelling_can_be_kept_quiet(farm: Farm, crew: Crew) -> None:
    a_farm_person(farm.client)
    assert cancel_visit(visit=book(farm, crew, tell=True), reason="x", by=None, now=NOW, tell=False) is None


def test_cancelling_needs_a_reason(farm: Farm, crew: Crew) -> None:
    with pytest.raises(ReasonIsMissing):
        cancel_visit(visit=book(farm, crew), reason="  ", by=None, now=NOW)


@pytest.mark.parametrize("state", [VisitState.UNDER_WAY, VisitState.DONE])
def test_a_visit_that_has_begun_is_not_cancelled(farm: Farm, crew: Crew, state: str) -> None:
    with pytest.raises(VisitIsNotBooked):
        cancel_visit(visit=a_visit(farm, crew, state=state), reason="snow", by=None, now=NOW)


def test_the_planned_head_change(farm: Farm, crew: Crew) -> None:
    visit = book(farm, crew, head={HeadKind.COW: 40, HeadKind.LAME: 2})

    change_plan(visit=visit, head={HeadKind.COW: 55}, note="two pens", now=NOW)

    assert [(row.kind, row.planned) for row in visit.head.all()] == [(HeadKind.COW, 55)]
    assert visit.note == "two pens"


def test_the_head_of_a_done_visit_are_not_planned_anew(farm: Farm, crew: Crew) -> None:
    with pytest.raises(VisitIsOver):
        change_plan(visit=a_visit(farm, crew, state=VisitState.DONE), head={}, note="", now=NOW)


def cautions(farm: Farm, crew: Crew, first: int = 9, last: int = 12, day: dt.date = TODAY) -> list[str]:
    return list(booking_cautions(farm=farm, crew=crew, date=day, start=at(first, day), end=at(last, day)))


def test_nothing_speaks_against_a_working_day(farm: Farm, crew: Crew) -> None:
    assert cautions(farm, crew) == []


def test_a_day_off_is_a_caution_and_no_refusal(farm: Farm, crew: Crew) -> None:
    DaysOff.objects.create(crew=crew, first=TODAY, last=TODAY)
    assert cautions(farm, crew) == ["crew_is_off"]
    assert book(farm, crew).pk


def test_a_sunday_and_an_evening_are_cautions(farm: Farm, crew: Crew) -> None:
    sunday = TODAY + 4 * DAY
    assert cautions(farm, crew, day=sunday) == ["crew_does_not_work", "day_does_not_suit"]
    assert cautions(farm, crew, 15, 18) == ["outside_working_hours"]


def test_hours_outside_the_access_windows_are_a_caution(farm: Farm, crew: Crew) -> None:
    AccessWindow.objects.create(farm=farm, weekday=TODAY.weekday(), opens=dt.time(10), closes=dt.time(15))
    assert cautions(farm, crew) == ["outside_access_hours"]
    assert cautions(farm, crew, 10, 12) == []


def test_a_client_on_hold_and_a_chute_that_does_not_fit_are_cautions(farm: Farm, crew: Crew) -> None:
    farm.client.on_hold = True
    farm.chute_kind_needed = ChuteKind.TILT_TABLE
    assert cautions(farm, crew) == ["client_on_hold", "other_chute_needed"]


def test_a_crew_that_is_elsewhere_is_a_caution(farm: Farm, crew: Crew) -> None:
    there = book(a_farm(farm.client), crew)
    assert cautions(farm, crew, 11, 13) == ["crew_is_elsewhere"]
    assert cautions(farm, crew, 12, 13) == []
    assert booking_cautions(farm=farm, crew=crew, date=TODAY, start=at(11), end=at(13), leaving_out=there) == []
