"""A visit begins, has its times noted, and is completed, opened again, or written down after the fact."""

import datetime as dt
from typing import Any

import pytest

from tests.make import NOW, TODAY, a_business, a_client, a_crew, a_farm, a_record, a_request, a_visit, an_animal
from trimmer.models import Crew, Farm, HeadKind, RequestState, Visit, VisitState
from trimmer.services.visits import (
    CrewAlreadyComes,
    CrewOfAnotherBusiness,
    DayIsToCome,
    FewerThanRecorded,
    NoHeadDone,
    TimeIsToCome,
    TimesFarFromTheDay,
    TimesIncomplete,
    TimesOutOfOrder,
    VisitIsBilled,
    VisitIsNotDone,
    VisitIsOver,
    VisitTimes,
    complete_visit,
    note_moment,
    note_times,
    record_past_visit,
    reopen_visit,
    start_visit,
)

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)
MINUTE = dt.timedelta(minutes=1)


@pytest.fixture
def farm() -> Farm:
    return a_farm(a_client(a_business()))


@pytest.fixture
def crew(farm: Farm) -> Crew:
    return a_crew(farm.client.business)


@pytest.fixture
def visit(farm: Farm, crew: Crew) -> Visit:
    return a_visit(farm, crew, head={HeadKind.COW: 40})


def ago(minutes: int) -> dt.datetime:
    return NOW - minutes * MINUTE


def note(visit: Visit, distance: int | None = None, **times: dt.datetime) -> Visit:
    return note_times(visit=visit, times=VisitTimes(**times), distance_driven_m=distance, now=NOW)


def complete(visit: Visit, head_done: dict[str, int] | None = None) -> Visit:
    return complete_visit(visit=visit, head_done=head_done, by=None, now=NOW)


def done_head(visit: Visit) -> dict[str, int]:
    return {row.kind: row.done for row in visit.head.all() if row.done}


def test_arriving_puts_the_visit_under_way(visit: Visit) -> None:
    start_visit(visit=visit, now=NOW)

    visit.refresh_from_db()
    assert (visit.state, visit.arrived_at) == (VisitState.UNDER_WAY, NOW)


def test_a_moment_noted_twice_keeps_the_first(visit: Visit) -> None:
    start_visit(visit=visit, now=ago(30))
    start_visit(visit=visit, now=NOW)
    assert visit.arrived_at == ago(30)


def test_moments_follow_one_another(visit: Visit) -> None:
    note_moment(visit=visit, moment="arrived", now=ago(120))
    note_moment(visit=visit, moment="first_head", now=ago(100))
    note_moment(visit=visit, moment="last_head", now=ago(20))
    note_moment(visit=visit, moment="left", now=NOW)

    visit.refresh_from_db()
    assert (visit.first_head_at, visit.last_head_at, visit.left_at) == (ago(100), ago(20), NOW)


def test_times_and_distance_are_written_down_together(visit: Visit) -> None:
    note(visit, 14_200, arrived=ago(60), left=ago(5))

    visit.refresh_from_db()
    assert (visit.arrived_at, visit.left_at, visit.distance_driven_m) == (ago(60), ago(5), 14_200)


def test_taking_the_times_away_undoes_the_beginning(visit: Visit) -> None:
    start_visit(visit=visit, now=NOW)
    assert note(visit).state == VisitState.BOOKED


def test_a_visit_with_records_stays_under_way(visit: Visit) -> None:
    a_record(visit, an_animal(visit.farm))
    assert note(visit).state == VisitState.UNDER_WAY


@pytest.mark.parametrize(
    ("times", "field"),
    [
        ({"arrived": ago(10), "first_head": ago(20)}, "first_head"),
        ({"first_head": ago(10), "last_head": ago(20)}, "last_head"),
        ({"last_head": ago(10), "left": ago(20)}, "left"),
        ({"arrived": ago(10), "left": ago(20)}, "left"),
        ({"arrived": ago(10), "last_head": ago(20)}, "last_head"),
    ],
)
def test_times_out_of_order_are_refused_by_field(visit: Visit, times: dict[str, Any], field: str) -> None:
    with pytest.raises(TimesOutOfOrder) as refused:
        note(visit, **times)
    assert list(refused.value.fields) == [field]


def test_a_time_to_come_is_refused_beyond_what_clocks_differ(visit: Visit) -> None:
    with pytest.raises(TimeIsToCome):
        note(visit, arrived=NOW + 11 * MINUTE)
    assert note(visit, arrived=NOW + 9 * MINUTE).state == VisitState.UNDER_WAY


def test_a_time_far_from_the_day_is_refused(visit: Visit) -> None:
    with pytest.raises(TimesFarFromTheDay):
        note(visit, arrived=NOW - 2 * DAY)


@pytest.mark.parametrize("state", [VisitState.DONE, VisitState.CANCELLED])
def test_times_of_a_visit_that_is_over_stand(farm: Farm, crew: Crew, state: str) -> None:
    over = a_visit(farm, crew, state=state, cancelled_at=NOW if state == VisitState.CANCELLED else None)
    with pytest.raises(VisitIsOver):
        note(over, arrived=NOW)


def test_head_done_are_counted_from_the_records(visit: Visit) -> None:
    a_record(visit, an_animal(visit.farm))
    a_record(visit, an_animal(visit.farm))
    a_record(visit, an_animal(visit.farm), kind=HeadKind.LAME)

    complete(visit)

    assert visit.state == VisitState.DONE
    assert done_head(visit) == {HeadKind.COW: 2, HeadKind.LAME: 1}


def test_head_trimmed_without_a_record_are_added_by_hand(visit: Visit) -> None:
    a_record(visit, an_animal(visit.farm), kind=HeadKind.LAME)

    complete(visit, {HeadKind.COW: 38})

    assert done_head(visit) == {HeadKind.COW: 38, HeadKind.LAME: 1}


def test_fewer_head_than_recorded_are_refused_by_field(visit: Visit) -> None:
    a_record(visit, an_animal(visit.farm))
    with pytest.raises(FewerThanRecorded) as refused:
        complete(visit, {HeadKind.COW: 0})
    assert list(refused.value.fields) == ["head_done.cow"]


def test_a_visit_without_head_is_not_completed(visit: Visit) -> None:
    with pytest.raises(NoHeadDone):
        complete(visit, {HeadKind.COW: 0})
    visit.refresh_from_db()
    assert visit.state == VisitState.BOOKED


def test_half_of_the_chute_time_is_refused(visit: Visit) -> None:
    note(visit, first_head=ago(60))
    with pytest.raises(TimesIncomplete) as refused:
        complete(visit, {HeadKind.COW: 40})
    assert list(refused.value.fields) == ["last_head"]


def test_a_visit_to_come_is_not_completed(farm: Farm, crew: Crew) -> None:
    with pytest.raises(DayIsToCome):
        complete(a_visit(farm, crew, date=TODAY + DAY), {HeadKind.COW: 1})


def test_a_visit_is_completed_once(visit: Visit) -> None:
    complete(visit, {HeadKind.COW: 40})
    with pytest.raises(VisitIsOver):
        complete(visit, {HeadKind.COW: 41})
    assert done_head(visit) == {HeadKind.COW: 40}


def test_its_request_is_done_with_the_last_part(farm: Farm, crew: Crew) -> None:
    request = a_request(farm, state=RequestState.BOOKED)
    parts = [a_visit(farm, crew, date=TODAY - DAY), a_visit(farm, crew)]
    for part in parts:
        part.requests.add(request)

    complete(parts[0], {HeadKind.COW: 20})
    request.refresh_from_db()
    assert request.state == RequestState.BOOKED

    complete(parts[1], {HeadKind.COW: 20})
    request.refresh_from_db()
    assert request.state == RequestState.DONE


def test_a_done_visit_is_opened_again_with_its_request(visit: Visit) -> None:
    request = a_request(visit.farm, state=RequestState.BOOKED)
    visit.requests.add(request)
    complete(visit, {HeadKind.COW: 40})

    reopen_visit(visit=visit, by=None, now=NOW)

    request.refresh_from_db()
    assert (visit.state, request.state) == (VisitState.UNDER_WAY, RequestState.BOOKED)


def test_a_billed_visit_is_not_opened_again(farm: Farm, crew: Crew) -> None:
    billed = a_visit(farm, crew, state=VisitState.DONE, locked_at=NOW)
    with pytest.raises(VisitIsBilled):
        reopen_visit(visit=billed, by=None, now=NOW)


def test_only_a_done_visit_is_opened_again(visit: Visit) -> None:
    with pytest.raises(VisitIsNotDone):
        reopen_visit(visit=visit, by=None, now=NOW)


def record_past(farm: Farm, crew: Crew, date: dt.date = TODAY - 30 * DAY, **values: Any) -> Visit:
    values = {"head_done": {HeadKind.COW: 52}, "by": None, "now": NOW} | values
    return record_past_visit(farm=farm, crew=crew, date=date, **values)


def test_a_past_visit_is_stored_as_done(farm: Farm, crew: Crew) -> None:
    then = NOW - 30 * DAY

    past = record_past(farm, crew, times=VisitTimes(arrived=then, left=then + 90 * MINUTE), note="in snow")

    past.refresh_from_db()
    assert (past.state, past.arrived_at, past.note) == (VisitState.DONE, then, "in snow")
    assert done_head(past) == {HeadKind.COW: 52}


def test_a_past_visit_is_stored_once(farm: Farm, crew: Crew) -> None:
    record_past(farm, crew)
    with pytest.raises(CrewAlreadyComes):
        record_past(farm, crew)


def test_a_past_visit_lies_in_the_past(farm: Farm, crew: Crew) -> None:
    with pytest.raises(DayIsToCome):
        record_past(farm, crew, TODAY + DAY)


def test_a_past_visit_by_a_crew_of_another_business_is_refused(farm: Farm) -> None:
    with pytest.raises(CrewOfAnotherBusiness):
        record_past(farm, a_crew(a_business()))


def test_a_past_visit_with_times_out_of_order_is_refused(farm: Farm, crew: Crew) -> None:
    then = NOW - 30 * DAY
    with pytest.raises(TimesOutOfOrder):
        record_past(farm, crew, times=VisitTimes(arrived=then, left=then - MINUTE))
