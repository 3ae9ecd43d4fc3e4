"""A week planned anew after something happened: little moves, nothing told is cancelled to save a move, and it is
never worse than leaving it."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.planner import (
    Cancelled,
    CrewDown,
    Event,
    Fixed,
    Job,
    Moves,
    NewJob,
    Overran,
    Plan,
    Replanned,
    Week,
    check_plan,
    compare,
    evaluate,
    plan_of,
    replan,
    solve,
)
from scheduling.planner.plan import Round
from scheduling.planner.problem import Key

from .small_weeks import a_crew, a_job, on_a_road
from .test_solve import weeks

MOVES = Moves(hour=10, crew=25, day=40, cancel=2000)
BOTH = (a_crew(), a_crew("south"))


def _standing(week: Week, *rounds: tuple[str, int, Sequence[str]]) -> Plan:
    """The plan of these rounds: crew, day, jobs in order."""
    made = [evaluate(week, crew, day, [(name, week.job(name).work) for name in names]) for crew, day, names in rounds]
    assert all(isinstance(r, Round) for r in made), made
    return plan_of(week, [r for r in made if isinstance(r, Round)])


def _again(week: Week, standing: Plan, *events: Event, **changes: Any) -> Replanned:
    how: dict[str, Any] = {"seconds": 30, "effort": 20, "moves": MOVES}
    return replan(week, standing, events, **(how | changes))


def _new(job: Job, week: Week, place: int, places: Sequence[int]) -> NewJob:
    drives = tuple(abs(place - other) for other in places)
    return NewJob(job=job, out=(place,) * len(week.crews), to=drives, back=drives)


def _where(plan: Plan) -> dict[Key, tuple[Key, int]]:
    return {stop.job: (made.crew, made.day) for made in plan.rounds for stop in made.stops}


def test_when_nothing_happened_nothing_moves() -> None:
    week = on_a_road([a_job("a"), a_job("b"), a_job("c")], [20, 25, 30])
    done = _again(week, _standing(week, ("north", 1, "a"), ("north", 2, "bc")), moves=replace(MOVES, day=500, crew=500))
    assert (done.moved, done.added, done.dropped, done.price) == ((), (), (), 0)


def test_a_small_saving_does_not_move_a_told_visit() -> None:
    week = on_a_road([a_job("a"), a_job("b")], [30, 30], crews=BOTH, bases=[0, 5])
    done = _again(week, _standing(week, ("north", 0, "ab")))
    assert _where(done.plan) == {"a": ("north", 0), "b": ("north", 0)}


def test_a_large_saving_moves_it() -> None:
    week = on_a_road([a_job("a"), a_job("b")], [30, 30])
    done = _again(week, _standing(week, ("north", 0, "a"), ("north", 3, "b")))
    (move,) = done.moved
    assert move.how == "day"
    assert done.price == 40
    assert done.plan.cost + done.price < done.leaving + done.leaving_price


def test_a_cancelled_job_is_gone_and_no_news_to_its_farm() -> None:
    week = on_a_road([a_job("a"), a_job("b"), a_job("c")], [20, 25, 30])
    done = _again(week, _standing(week, ("north", 1, "abc")), Cancelled(job="b"))
    assert (done.plan.skipped, done.dropped) == ((), ())
    assert _where(done.plan) == {"a": ("north", 1), "c": ("north", 1)}


def test_a_new_job_is_added_around_the_hours_told() -> None:
    places = [20, 40]
    week = on_a_road([a_job("a"), a_job("b", windows={1: ((700, 1140),)})], places)
    standing = _standing(week, ("north", 1, "ab"))
    done = _again(week, standing, _new(a_job("c", skip_cost=900), week, 30, places))
    assert [visit.job for visit in done.added] == ["c"]
    assert (done.moved, done.dropped) == ((), ())
    assert [stop.job for stop in done.plan.rounds[0].stops] == ["a", "b", "c"]  # on the way back


def test_a_crew_that_is_down_has_its_visits_taken_over() -> None:
    week = on_a_road([a_job("a"), a_job("b")], [20, 25], crews=BOTH)
    done = _again(week, _standing(week, ("north", 1, "ab")), CrewDown(crew="north", day=1))
    assert _where(done.plan) == {"a": ("south", 1), "b": ("south", 1)}
    assert [move.how for move in done.moved] == ["crew", "crew"]
    assert done.price == 50


def test_a_job_that_takes_longer_moves_the_others_only_as_it_must() -> None:
    week = on_a_road([a_job("a", work=200), a_job("b", work=200)], [20, 25])
    standing = _standing(week, ("north", 1, "ab"))
    done = _again(week, standing, Overran(job="a", work=260))
    (move,) = done.moved
    assert (move.job, move.how) == ("b", "hour")
    assert move.after.start - move.before.start == 60


def test_a_job_too_long_for_its_day_pushes_one_visit_out_of_it() -> None:
    week = on_a_road([a_job("a", work=200), a_job("b", work=200)], [20, 25])
    done = _again(week, _standing(week, ("north", 1, "ab")), Overran(job="a", work=400))
    (move,) = done.moved
    assert move.how == "day"
    assert done.dropped == ()


def test_the_visits_of_a_split_job_stay_where_they_were_told() -> None:
    week = on_a_road([a_job("a", work=600, may_split=True), a_job("b")], [20, 25])
    rounds = [evaluate(week, "north", day, [("a", 300)]) for day in (1, 3)]
    standing = plan_of(week, [r for r in rounds if isinstance(r, Round)])
    done = _again(week, standing)
    assert [visit.job for visit in done.added] == ["b"]
    assert (done.moved, done.dropped) == ((), ())


def test_a_confirmed_visit_never_moves() -> None:
    fixed = a_job("a", fixed=Fixed(crew="north", day=1, start=600), skip_cost=9000)
    week = on_a_road([fixed, a_job("b")], [20, 25], crews=BOTH)
    done = _again(week, _standing(week, ("north", 1, "ab")), Overran(job="b", work=400))
    assert next(visit for visit in done.difference.kept if visit.job == "a").start == 600


def test_a_told_visit_is_not_given_up_for_a_dearer_new_one() -> None:
    week = on_a_road([a_job("a", work=400)], [20], crews=[a_crew(hours={0: (390, 1140)})], days=1)
    done = _again(week, _standing(week, ("north", 0, "a")), _new(a_job("c", work=400, skip_cost=900), week, 20, [20]))
    assert done.plan.skipped == ("c",)
    assert done.dropped == ()


def test_with_no_time_the_plan_in_force_is_mended() -> None:
    week = on_a_road([a_job("a"), a_job("b")], [20, 25], crews=BOTH)
    done = _again(week, _standing(week, ("north", 1, "ab")), CrewDown(crew="north", day=1), seconds=0)
    assert done.plan.skipped == ()
    assert check_plan(done.week, done.plan) == ()


def _events(week: Week) -> st.SearchStrategy[Event]:
    jobs = st.sampled_from([job.id for job in week.jobs])
    crews = st.sampled_from([crew.id for crew in week.crews])
    return st.one_of(
        st.builds(Cancelled, job=jobs),
        st.builds(CrewDown, crew=crews, day=st.sampled_from([0, 1])),
        st.builds(Overran, job=jobs, work=st.sampled_from([90, 240, 300])),
    )


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(weeks(), st.data())
def test_planning_anew_is_never_worse_than_leaving_it_and_gives_up_no_told_visit_to_save_moves(
    week: Week, data: st.DataObject
) -> None:
    standing = solve(week, seconds=30, effort=5)
    event = data.draw(_events(week))
    done = _again(week, standing, event)
    assert check_plan(done.week, done.plan) == ()
    assert done.plan.cost + done.price <= done.leaving + done.leaving_price + 1e-6
    told = {stop.job for made in standing.rounds for stop in made.stops}
    all_kept = _again(week, standing, event, moves=Moves(cancel=MOVES.cancel))
    given_up, needed = (told.intersection(each.plan.skipped) for each in (done, all_kept))
    assert len(given_up) <= len(needed)


@settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(weeks())
def test_two_plans_differ_by_what_was_moved_added_and_dropped(week: Week) -> None:
    before, after = solve(week, seconds=30, effort=1), solve(week, seconds=30, effort=3, seed=5)
    found = compare(before, after)
    old, new = (sum(len(made.stops) for made in plan.rounds) for plan in (before, after))
    assert len(found.kept) + len(found.moved) + len(found.dropped) == old
    assert len(found.kept) + len(found.moved) + len(found.added) == new
    assert compare(before, before).kept == compare(before, before, tolerance=5).kept
    assert pytest.approx(0) == len(compare(after, after).moved)
