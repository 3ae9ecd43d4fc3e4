"""A week is proposed from what asks for visits, confirmed, and undone before its days come."""

import datetime as dt

import pytest
from django.core import mail

from scheduling import tasks
from scheduling.models import ProposedStop, ProposedWeek, WeekState
from scheduling.services import weeks
from tests import make
from trimmer.models import (
    AccessWindow,
    ChuteKind,
    Contact,
    Crew,
    DaysOff,
    Farm,
    HealthTier,
    Job,
    JobState,
    Recheck,
    RequestState,
    Urgency,
    Visit,
    VisitState,
)
from trimmer.services import jobs

pytestmark = pytest.mark.django_db

MONDAY = dt.date(2026, 3, 9)
assert tasks.plan_week


def propose(crew: Crew, monday: dt.date = MONDAY) -> ProposedWeek:
    """A week proposed and planned, as a worker would."""
    from scheduling.services.settings import keep_settings

    keep_settings(business=crew.business, seconds=1)
    week = weeks.propose_week(business=crew.business, monday=monday, by=None, now=make.NOW)
    assert week.job is not None
    jobs.run(week.job.pk, clock=lambda: make.NOW)
    week.refresh_from_db()
    assert Job.objects.get(proposed_week=week).state == JobState.DONE
    return week


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"))


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business))


def stops_of(week: ProposedWeek) -> list[ProposedStop]:
    return list(ProposedStop.objects.filter(round__week=week).order_by("round__date", "position"))


def test_a_request_becomes_a_stop_within_the_crews_hours(crew: Crew, farm: Farm) -> None:
    request = make.a_request(farm, head={"cow": 20})
    week = propose(crew)
    [stop] = stops_of(week)
    assert week.state == WeekState.PROPOSED
    assert list(stop.requests.all()) == [request]
    assert stop.head == {"cow": 20}
    assert (stop.end_at - stop.start_at) >= dt.timedelta(minutes=55 + 160)
    assert stop.round.leave_at.hour >= 7
    assert stop.round.back_at.hour < 17


def test_access_windows_and_days_that_suit_are_kept(crew: Crew, farm: Farm) -> None:
    farm.days_that_suit = [3]
    farm.save()
    AccessWindow.objects.create(farm=farm, weekday=3, opens=dt.time(12), closes=dt.time(16))
    make.a_request(farm, head={"cow": 10})
    [stop] = stops_of(propose(crew))
    assert stop.round.date == MONDAY + dt.timedelta(days=3)
    assert stop.start_at.hour >= 12


def test_a_recheck_that_comes_due_pulls_a_visit(crew: Crew, farm: Farm) -> None:
    Recheck.objects.create(
        animal=make.an_animal(farm),
        trigger="block_wood",
        what="look_at_block",
        due_from=MONDAY,
        due_by=MONDAY + dt.timedelta(days=2),
    )
    [stop] = stops_of(propose(crew))
    assert (stop.reason, stop.head) == ("recheck", {"recheck": 1})
    assert stop.round.date <= MONDAY + dt.timedelta(days=2)


def test_a_recheck_not_yet_due_asks_for_nothing(crew: Crew, farm: Farm) -> None:
    later = MONDAY + dt.timedelta(days=20)
    Recheck.objects.create(
        animal=make.an_animal(farm), trigger="block_wood", what="look_at_block", due_from=later, due_by=later
    )
    assert stops_of(propose(crew)) == []


def test_a_standing_arrangement_comes_due_after_its_weeks(crew: Crew, farm: Farm) -> None:
    farm.visit_interval_weeks = 6
    farm.save()
    visit = make.a_visit(farm, crew, date=MONDAY - dt.timedelta(weeks=6), state=VisitState.DONE)
    visit.head.create(kind="cow", planned=25, done=23)
    [stop] = stops_of(propose(crew))
    assert (stop.reason, stop.head) == ("standing", {"cow": 23})


def test_lame_cows_done_in_between_do_not_make_a_standing_arrangement_forgotten(crew: Crew, farm: Farm) -> None:
    farm.visit_interval_weeks = 6
    farm.save()
    routine = make.a_visit(farm, crew, date=MONDAY - dt.timedelta(weeks=6), state=VisitState.DONE)
    routine.head.create(kind="cow", planned=23, done=23)
    in_between = make.a_visit(farm, crew, date=MONDAY - dt.timedelta(weeks=2), state=VisitState.DONE)
    in_between.head.create(kind="lame", planned=3, done=3)

    [stop] = stops_of(propose(crew))

    assert (stop.reason, stop.head) == ("standing", {"cow": 23})


def test_an_effort_ends_the_search_in_place_of_the_clock(crew: Crew) -> None:
    week = weeks.propose_week(business=crew.business, monday=MONDAY, effort=40, by=None, now=make.NOW)

    assert week.job is not None
    assert (week.job.arguments["effort"], week.job.arguments["seconds"]) == (40, weeks.MOST_SECONDS)


def test_a_standing_arrangement_seen_lately_waits(crew: Crew, farm: Farm) -> None:
    farm.visit_interval_weeks = 6
    farm.save()
    visit = make.a_visit(farm, crew, date=MONDAY - dt.timedelta(weeks=3), state=VisitState.DONE)
    visit.head.create(kind="cow", planned=25, done=23)
    assert stops_of(propose(crew)) == []


def test_requests_of_one_farm_become_one_visit(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 10})
    make.a_request(farm, head={"lame": 2}, urgency=Urgency.URGENT)
    [stop] = stops_of(propose(crew))
    assert stop.head == {"cow": 10, "lame": 2}
    assert stop.requests.count() == 2


def test_requests_whose_days_do_not_meet_stay_apart(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"lame": 1}, earliest_on=MONDAY, due_on=MONDAY, urgency=Urgency.URGENT)
    make.a_request(farm, head={"cow": 20}, earliest_on=MONDAY + dt.timedelta(days=3), due_on=MONDAY + dt.timedelta(4))
    first, second = stops_of(propose(crew))
    assert first.round.date == MONDAY
    assert second.round.date >= MONDAY + dt.timedelta(days=3)


def test_a_booked_visit_stays_put(crew: Crew, farm: Farm) -> None:
    start = dt.datetime(2026, 3, 10, 9, 0, tzinfo=dt.UTC)
    make.a_visit(
        farm, crew, date=start.date(), planned_start=start, planned_end=start + dt.timedelta(hours=2), head={"cow": 9}
    )
    make.a_request(make.a_farm(farm.client), head={"cow": 30})
    booked = [stop for stop in stops_of(propose(crew)) if stop.was_booked]
    assert [(stop.start_at, stop.round.crew) for stop in booked] == [(start, crew)]


def test_a_round_goes_from_the_cleanest_to_the_most_infectious_herd(crew: Crew, farm: Farm) -> None:
    for tier in (HealthTier.LAST, HealthTier.CLEAN):
        other = make.a_farm(farm.client, health_tier=tier, days_that_suit=[0])
        make.a_request(other, head={"cow": 10})
    stops = stops_of(propose(crew))
    assert [stop.farm.health_tier for stop in stops] == [HealthTier.CLEAN, HealthTier.LAST]


def test_a_big_herd_is_worked_over_several_days_and_its_head_add_up(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 101, "lame": 3})
    stops = stops_of(propose(crew))
    assert len(stops) > 1
    assert {stop.parts for stop in stops} == {len(stops)}
    assert sum(stop.head["cow"] for stop in stops) == 101
    assert sum(stop.head.get("lame", 0) for stop in stops) == 3


def test_days_off_are_left_free(crew: Crew, farm: Farm) -> None:
    DaysOff.objects.create(crew=crew, first=MONDAY, last=MONDAY + dt.timedelta(days=3))
    make.a_request(farm, head={"cow": 10})
    [stop] = stops_of(propose(crew))
    assert stop.round.date == MONDAY + dt.timedelta(days=4)


def test_a_farm_on_hold_is_not_visited(crew: Crew, farm: Farm) -> None:
    make.a_request(farm)
    farm.client.on_hold = True
    farm.client.save()
    assert stops_of(propose(crew)) == []


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"latitude": None, "longitude": None}, "no-position"),
        ({"days_that_suit": [6]}, "no-crew-that-day"),
        ({"days_that_suit": []}, "no-day-suits"),
        ({"chute_kind_needed": ChuteKind.TILT_TABLE}, "wrong-chute"),
    ],
)
def test_what_does_not_fit_is_listed_with_its_reason(
    crew: Crew, farm: Farm, fields: dict[str, object], reason: str
) -> None:
    make.a_request(make.a_farm(farm.client, **fields))
    week = propose(crew)
    assert [row.reason for row in week.left_out.all()] == [reason]


def test_a_week_of_days_off_leaves_everything_out(crew: Crew, farm: Farm) -> None:
    DaysOff.objects.create(crew=crew, first=MONDAY, last=MONDAY + dt.timedelta(days=6))
    make.a_request(farm)
    assert [row.reason for row in propose(crew).left_out.all()] == ["no-crew-this-week"]


def test_confirming_books_the_stops_and_tells_the_farms(
    crew: Crew, farm: Farm, django_capture_on_commit_callbacks: object
) -> None:
    Contact.objects.create(farm=farm, name="Una", email="una@example.test")
    request = make.a_request(farm, head={"cow": 20})
    week = propose(crew)
    with django_capture_on_commit_callbacks(execute=True):  # type: ignore[operator]
        [visit] = weeks.confirm_week(week=week, by=None, now=make.NOW)
    request.refresh_from_db()
    assert request.state == RequestState.BOOKED
    assert visit.told_from is not None
    assert visit.planned_start is not None
    assert visit.told_from <= visit.planned_start
    assert mail.outbox[0].to == ["una@example.test"]


def test_a_split_job_is_booked_in_all_its_parts(crew: Crew, farm: Farm) -> None:
    request = make.a_request(farm, head={"cow": 101})
    visits = weeks.confirm_week(week=propose(crew), by=None, now=make.NOW)
    assert len(visits) > 1
    assert all(request in visit.requests.all() for visit in visits)


def test_a_week_is_confirmed_once(crew: Crew, farm: Farm) -> None:
    make.a_request(farm)
    week = propose(crew)
    weeks.confirm_week(week=week, by=None, now=make.NOW)
    with pytest.raises(weeks.NotProposed):
        weeks.confirm_week(week=week, by=None, now=make.NOW)


def test_a_withdrawn_request_makes_the_proposal_out_of_date(crew: Crew, farm: Farm) -> None:
    request = make.a_request(farm)
    week = propose(crew)
    request.state = RequestState.WITHDRAWN
    request.save()
    with pytest.raises(weeks.OutOfDate):
        weeks.confirm_week(week=week, by=None, now=make.NOW)
    assert not Visit.objects.exists()


def test_undoing_cancels_the_visits_and_the_requests_wait_again(crew: Crew, farm: Farm) -> None:
    request = make.a_request(farm)
    week = propose(crew)
    weeks.confirm_week(week=week, by=None, now=make.NOW)
    weeks.undo_week(week=week, by=None, now=make.NOW)
    request.refresh_from_db()
    assert request.state == RequestState.OPEN
    assert {visit.state for visit in Visit.objects.all()} == {VisitState.CANCELLED}
    assert weeks.confirm_week(week=week, by=None, now=make.NOW)


def test_a_week_that_has_begun_is_not_undone(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 10})
    week = propose(crew)
    [visit] = weeks.confirm_week(week=week, by=None, now=make.NOW)
    that_day = dt.datetime.combine(visit.date, dt.time(6), tzinfo=dt.UTC)
    with pytest.raises(weeks.WeekHasBegun):
        weeks.undo_week(week=week, by=None, now=that_day)
    visit.refresh_from_db()
    assert visit.state == VisitState.BOOKED


def test_only_a_confirmed_week_is_undone(crew: Crew, farm: Farm) -> None:
    with pytest.raises(weeks.NotConfirmed):
        weeks.undo_week(week=propose(crew), by=None, now=make.NOW)


def test_a_proposal_is_put_away_once(crew: Crew, farm: Farm) -> None:
    week = propose(crew)
    weeks.drop_week(week=week)
    with pytest.raises(weeks.NotProposed):
        weeks.drop_week(week=week)


def test_a_week_is_named_by_its_monday(crew: Crew) -> None:
    with pytest.raises(weeks.NotAMonday):
        weeks.propose_week(business=crew.business, monday=MONDAY + dt.timedelta(days=1), by=None, now=make.NOW)


def test_a_week_that_is_over_is_not_planned(crew: Crew) -> None:
    with pytest.raises(weeks.WeekIsOver):
        weeks.propose_week(business=crew.business, monday=MONDAY - dt.timedelta(weeks=2), by=None, now=make.NOW)


def test_without_working_hours_nothing_is_planned() -> None:
    crew = make.a_crew(make.a_business(), weekdays=())
    with pytest.raises(weeks.NobodyGoesOut):
        weeks.propose_week(business=crew.business, monday=MONDAY, by=None, now=make.NOW)


def test_a_week_is_planned_once_at_a_time(crew: Crew) -> None:
    weeks.propose_week(business=crew.business, monday=MONDAY, by=None, now=make.NOW)
    with pytest.raises(weeks.AlreadyBeingPlanned):
        weeks.propose_week(business=crew.business, monday=MONDAY, by=None, now=make.NOW)


def test_in_the_current_week_only_days_to_come_are_planned(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 10}, urgency=Urgency.URGENT)
    [stop] = stops_of(propose(crew, make.TODAY - dt.timedelta(days=make.TODAY.weekday())))
    assert stop.round.date > make.TODAY


def test_hours_are_local_also_in_summer(crew: Crew, farm: Farm) -> None:
    AccessWindow.objects.create(farm=farm, weekday=1, opens=dt.time(9), closes=dt.time(12))
    farm.days_that_suit = [1]
    farm.save()
    make.a_request(farm, head={"cow": 5})
    [stop] = stops_of(propose(crew, dt.date(2026, 6, 8)))
    assert dt.time(8) <= stop.start_at.time() <= dt.time(11)
