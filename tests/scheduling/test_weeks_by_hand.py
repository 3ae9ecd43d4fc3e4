"""A proposed week is changed by hand: tried, kept, undone, done again, and pinned for the next proposal."""

import datetime as dt
from decimal import Decimal

import pytest

from scheduling.models import LeftOut, ProposedStop, ProposedWeek, StepKind, WeekStep
from scheduling.services import changing, weeks
from scheduling.services.arranging import cost_parts
from tests import make
from tests.scheduling.proposals import MONDAY, THURSDAY, TUESDAY, WEDNESDAY, a_week, key_of, propose, stop_at
from trimmer.models import AccessWindow, Crew, Farm, HealthTier

pytestmark = pytest.mark.django_db


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"), name="North")


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business), name="Alder Bank")


def other_day(stop: ProposedStop) -> dt.date:
    return WEDNESDAY if stop.round.date != WEDNESDAY else THURSDAY


def move(week: ProposedWeek, farm: Farm, crew: Crew, date: dt.date, place: int | None = None) -> WeekStep:
    return changing.move_stop(
        week=week, version=week.version, key=key_of(farm), crew=crew, date=date, place=place, by=None, now=make.NOW
    )


def test_a_visit_is_moved_to_another_day_at_the_cost_that_was_shown(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    day = other_day(stop_at(week, farm))
    before = week.cost
    trial = changing.try_move(week=week, key=key_of(farm), crew=crew, date=day, place=None)
    assert stop_at(week, farm).round.date != day  # only tried
    move(week, farm, crew, day)
    assert stop_at(week, farm).round.date == day
    assert before is not None
    assert week.cost == before + round(Decimal(trial.extra) / 100, 2)


def test_each_place_is_offered_with_its_cost_or_its_rule(crew: Crew, farm: Farm) -> None:
    farm.days_that_suit = [0, 1, 2]
    farm.save()
    week = a_week(crew, farm)
    offered = changing.places_of(week=week, key=key_of(farm))
    assert [found.day for found in offered if found.refused is None] == [0, 1, 2]
    assert [found.refused.code for found in offered if found.refused] == ["day-does-not-suit"] * 2
    [now] = [found for found in offered if found.now]
    assert now.extra == 0


def test_what_is_offered_is_what_moving_costs(crew: Crew, farm: Farm) -> None:
    other = make.a_farm(farm.client, latitude=47.2)
    week = a_week(crew, farm, other)
    for found in changing.places_of(week=week, key=key_of(farm)):
        date = MONDAY + dt.timedelta(days=found.day)
        trial = changing.try_move(week=week, key=key_of(farm), crew=crew, date=date, place=found.place)
        assert trial.extra == pytest.approx(found.extra)


def test_the_parts_of_the_cost_add_up(crew: Crew, farm: Farm) -> None:
    far = make.a_farm(farm.client, days_that_suit=[])
    week = a_week(crew, farm, far)
    assert sum(Decimal(part) for part in week.parts.values()) == week.cost
    assert Decimal(week.parts["left"]) > 0
    hand = changing.hand_of(week)
    assert sum(cost_parts(hand.week, hand.plan).values()) == pytest.approx(hand.plan.cost)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"days_that_suit": [0]}, "takes no visit that day"),
        ({"chute_kind_needed": "tilt_table"}, "needs another chute"),
    ],
)
def test_a_rule_that_forbids_a_move_is_said(crew: Crew, farm: Farm, fields: dict[str, object], said: str) -> None:
    other = make.a_farm(farm.client, name="Thistle End", **fields)
    week = a_week(crew, farm, other)
    with pytest.raises(changing.RuleForbids) as refused:
        move(week, other, crew, THURSDAY)
    assert f"Thistle End {said}" in str(refused.value)


def test_a_day_that_grows_too_long_is_said_with_the_minutes(crew: Crew, farm: Farm) -> None:
    big = make.a_farm(farm.client, name="Thistle End", days_that_suit=[0])
    farm.days_that_suit = [0, 1]
    farm.save()
    week = a_week(crew, farm, big, head=40)
    with pytest.raises(changing.RuleForbids) as refused:
        move(week, farm, crew, MONDAY)
    assert refused.value.params["rule"] in {"day-too-long", "back-late"}
    assert "min" in str(refused.value)


def test_nothing_follows_a_herd_that_is_to_be_the_last(crew: Crew, farm: Farm) -> None:
    ill = make.a_farm(farm.client, name="Thistle End", health_tier=HealthTier.LAST, days_that_suit=[1])
    week = a_week(crew, farm, ill, head=5)
    last = ProposedStop.objects.filter(round__week=week, round__date=TUESDAY).count()
    with pytest.raises(changing.RuleForbids) as refused:
        move(week, farm, crew, TUESDAY, place=last)
    assert "is to be the last of a round" in str(refused.value)


def test_a_visit_takes_another_place_in_its_round(crew: Crew, farm: Farm) -> None:
    farm.days_that_suit = [1]
    farm.save()
    other = make.a_farm(farm.client, latitude=47.2, days_that_suit=[1])
    week = a_week(crew, farm, other, head=10)
    first, last = sorted((stop_at(week, farm), stop_at(week, other)), key=lambda stop: stop.position)
    move(week, first.farm, crew, TUESDAY, place=1)
    assert stop_at(week, first.farm).position == 1
    assert stop_at(week, last.farm).position == 0


def test_steps_are_undone_and_done_again(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    was, cost = stop_at(week, farm).round.date, week.cost
    day = other_day(stop_at(week, farm))
    move(week, farm, crew, day)
    changing.undo_change(week=week, version=week.version)
    assert (stop_at(week, farm).round.date, week.cost) == (was, cost)
    changing.redo_change(week=week, version=week.version)
    assert stop_at(week, farm).round.date == day


def test_a_new_step_takes_the_place_of_those_undone(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    move(week, farm, crew, other_day(stop_at(week, farm)))
    changing.undo_change(week=week, version=week.version)
    changing.take_out_stop(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    with pytest.raises(changing.NothingToRedo):
        changing.redo_change(week=week, version=week.version)
    assert [step.kind for step in WeekStep.objects.filter(week=week)] == [StepKind.PROPOSED, StepKind.TAKEN_OUT]


def test_the_week_as_it_was_proposed_is_not_undone(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    with pytest.raises(changing.NothingToUndo):
        changing.undo_change(week=week, version=week.version)


def test_a_visit_is_taken_out_and_put_back(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    cost = week.cost
    changing.take_out_stop(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    assert [(row.farm, row.reason) for row in LeftOut.objects.filter(week=week)] == [(farm, "taken-out")]
    assert not ProposedStop.objects.filter(round__week=week).exists()
    changing.put_in_job(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    assert week.cost == cost
    assert not LeftOut.objects.filter(week=week).exists()


def test_what_is_in_the_week_is_not_put_in(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    with pytest.raises(changing.NotLeftOut):
        changing.put_in_job(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)


def test_a_big_herd_is_put_back_in_several_visits(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm, head=101)
    changing.take_out_stop(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    changing.put_in_job(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    stops = ProposedStop.objects.filter(round__week=week, farm=farm)
    assert len(stops) > 1
    assert sum(stop.head["cow"] for stop in stops) == 101


def test_one_part_of_a_split_job_is_moved_but_not_to_the_other_parts_day(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm, head=101)
    first, second, *_ = ProposedStop.objects.filter(round__week=week).order_by("part")
    free = next(
        MONDAY + dt.timedelta(days=n)
        for n in range(5)
        if not ProposedStop.objects.filter(round__week=week, round__date=MONDAY + dt.timedelta(days=n)).exists()
    )
    with pytest.raises(changing.RuleForbids) as refused:
        changing.try_move(week=week, key=key_of(farm), part=1, crew=crew, date=second.round.date, place=None)
    assert refused.value.params["rule"] in {"two-visits-in-a-day", "visited-twice", "twice"}
    trial = changing.try_move(week=week, key=key_of(farm), part=1, crew=crew, date=free, place=None)
    assert first.round.date != free
    assert len(trial.touched) == 2


def test_a_pinned_visit_is_not_moved_until_its_pin_is_off(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    day = other_day(stop_at(week, farm))
    changing.pin_stop(week=week, version=week.version, key=key_of(farm), hour=False, by=None, now=make.NOW)
    assert stop_at(week, farm).pin == "day"
    with pytest.raises(changing.VisitIsPinned):
        move(week, farm, crew, day)
    changing.unpin_stop(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    move(week, farm, crew, day)
    assert stop_at(week, farm).round.date == day


def test_the_next_proposal_keeps_a_pin_and_what_was_taken_out(crew: Crew, farm: Farm) -> None:
    other = make.a_farm(farm.client)
    week = a_week(crew, farm, other)
    dear = max(
        (found for found in changing.places_of(week=week, key=key_of(farm)) if not found.refused),
        key=lambda found: found.extra or 0,
    )
    date = MONDAY + dt.timedelta(days=dear.day)
    move(week, farm, crew, date)
    changing.pin_stop(week=week, version=week.version, key=key_of(farm), hour=True, by=None, now=make.NOW)
    changing.take_out_stop(week=week, version=week.version, key=key_of(other), by=None, now=make.NOW)
    start = stop_at(week, farm).start_at
    again = propose(crew)
    kept = stop_at(again, farm)
    assert (kept.round.date, kept.start_at, kept.pin) == (date, start, "hour")
    assert [(row.farm, row.reason) for row in again.left_out.all()] == [(other, "taken-out")]
    assert again.follows == week
    assert again.bound is not None
    assert again.cost is not None
    assert again.bound <= again.cost


def test_a_pinned_hour_is_kept_when_its_round_changes(crew: Crew, farm: Farm) -> None:
    other = make.a_farm(farm.client, latitude=47.2)
    week = a_week(crew, farm, other, head=5)
    there = stop_at(week, farm)
    changing.pin_stop(week=week, version=week.version, key=key_of(farm), hour=True, by=None, now=make.NOW)
    changing.take_out_stop(week=week, version=week.version, key=key_of(other), by=None, now=make.NOW)
    assert stop_at(week, farm).start_at == there.start_at


def test_an_hour_is_not_pinned_for_a_job_in_several_visits(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm, head=101)
    with pytest.raises(changing.RuleForbids) as refused:
        changing.pin_stop(week=week, version=week.version, key=key_of(farm), hour=True, by=None, now=make.NOW)
    assert "split over several visits" in str(refused.value)
    changing.pin_stop(week=week, version=week.version, key=key_of(farm), hour=False, by=None, now=make.NOW)
    assert {stop.pin for stop in ProposedStop.objects.filter(round__week=week)} == {"day"}


def test_a_booked_visit_stays_where_it_is(crew: Crew, farm: Farm) -> None:
    start = dt.datetime(2026, 3, 10, 9, 0, tzinfo=dt.UTC)
    visit = make.a_visit(
        farm, crew, date=start.date(), planned_start=start, planned_end=start + dt.timedelta(hours=2), head={"cow": 9}
    )
    week = a_week(crew, make.a_farm(farm.client))
    key = f"visit-{visit.pk}"
    with pytest.raises(changing.VisitIsBooked):
        changing.try_move(week=week, key=key, crew=crew, date=THURSDAY, place=None)
    with pytest.raises(changing.VisitIsBooked):
        changing.take_out_stop(week=week, version=week.version, key=key, by=None, now=make.NOW)
    with pytest.raises(changing.VisitIsBooked):
        changing.pin_stop(week=week, version=week.version, key=key, hour=False, by=None, now=make.NOW)


def test_a_place_is_one_of_the_weeks_days_and_of_ones_own_crews(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    with pytest.raises(changing.NoSuchPlace):
        move(week, farm, crew, MONDAY + dt.timedelta(days=7))
    with pytest.raises(changing.NoSuchPlace):
        move(week, farm, make.a_crew(make.a_business()), TUESDAY)


def test_a_visit_that_is_not_there_is_refused(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    with pytest.raises(changing.NoSuchVisit):
        changing.places_of(week=week, key="farm-0")
    with pytest.raises(changing.NoSuchVisit):
        changing.places_of(week=week, key=key_of(farm), part=2)
    with pytest.raises(changing.NoSuchVisit):
        changing.unpin_stop(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)


def test_of_two_who_change_a_proposal_the_second_is_told(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    seen_by_both = week.version
    move(week, farm, crew, other_day(stop_at(week, farm)))
    with pytest.raises(weeks.ChangedMeanwhile):
        changing.take_out_stop(week=week, version=seen_by_both, key=key_of(farm), by=None, now=make.NOW)
    assert ProposedStop.objects.filter(round__week=week).count() == 1


def test_confirming_a_version_one_has_not_seen_is_refused(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    seen = week.version
    move(week, farm, crew, other_day(stop_at(week, farm)))
    with pytest.raises(weeks.ChangedMeanwhile):
        weeks.confirm_week(week=week, version=seen, by=None, now=make.NOW)
    assert len(weeks.confirm_week(week=week, version=week.version, by=None, now=make.NOW)) == 1


def test_a_confirmed_week_is_not_changed_as_a_proposal(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    weeks.confirm_week(week=week, by=None, now=make.NOW)
    with pytest.raises(weeks.NotProposed):
        move(week, farm, crew, THURSDAY)


def test_a_proposal_that_is_being_planned_anew_is_not_changed(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    weeks.propose_week(business=crew.business, monday=MONDAY, by=None, now=make.NOW)
    with pytest.raises(weeks.AlreadyBeingPlanned):
        move(week, farm, crew, THURSDAY)


def test_a_proposal_without_its_ground_is_not_changed(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    week.ground = {}
    week.save()
    with pytest.raises(changing.NotToBeChanged):
        changing.places_of(week=week, key=key_of(farm))


def test_the_bound_says_nothing_once_a_pin_it_was_proven_under_is_off(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    changing.pin_stop(week=week, version=week.version, key=key_of(farm), hour=False, by=None, now=make.NOW)
    again = propose(crew)
    assert changing.bound_holds(again)
    changing.unpin_stop(week=again, version=again.version, key=key_of(farm), by=None, now=make.NOW)
    assert not changing.bound_holds(again)


def test_access_hours_are_minded_when_a_visit_is_tried(crew: Crew, farm: Farm) -> None:
    AccessWindow.objects.create(farm=farm, weekday=2, opens=dt.time(12), closes=dt.time(13))
    week = a_week(crew, farm)
    [there] = [found for found in changing.places_of(week=week, key=key_of(farm)) if found.day == 2]
    assert there.refused is not None
    assert there.refused.code == "window-short"
