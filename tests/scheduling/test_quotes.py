"""Quotes: the best openings among what stands, against solving the whole week again."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.planner import Fixed, Plan, Week, check_plan, solve
from scheduling.planner.quote import Opening, quote
from scheduling.planner.totals import plan_of

from .small_weeks import a_crew, a_job, on_a_road

AT_ANY_PRICE = 100_000


def standing_week(seed: int, jobs: int = 12) -> tuple[Week, list[int], Plan]:
    """A week of two crews, planned to the end; two visits in three are confirmed since."""
    chance = random.Random(seed)
    places = [chance.randrange(5, 90) for _ in range(jobs)]
    asked = [
        a_job(
            f"j{number}",
            work=chance.choice([60, 90, 120, 180, 240]),
            tier=chance.choice([0, 0, 0, 1]),
            skip_cost=AT_ANY_PRICE,
        )
        for number in range(jobs)
    ]
    crews = [a_crew("north"), a_crew("south")]
    plan = solve(on_a_road(asked, places, crews=crews, bases=[0, 40]), seconds=60, effort=30)
    fixed = []
    for made in plan.rounds:
        for stop in made.stops:
            job = next(job for job in asked if job.id == stop.job)
            told = Fixed(crew=made.crew, day=made.day, start=stop.start) if chance.random() < 2 / 3 else None
            fixed.append(replace(job, fixed=told))
    order = {job.id: job for job in fixed}
    week = on_a_road([order.get(job.id, job) for job in asked], places, crews=crews, bases=[0, 40])
    return week, places, solve(week, seconds=60, effort=60)


def asked_of(seed: int, week: Week, places: list[int]) -> Week:
    chance = random.Random(seed + 1000)
    days = [day for day in range(5) if chance.random() < 0.7] or [2]
    openings = {day: ((chance.choice([360, 600]), 1200),) for day in days}
    job = a_job("asked", work=chance.choice([60, 120, 180]), windows=openings, skip_cost=AT_ANY_PRICE)
    at = chance.randrange(5, 90)
    return replace(
        on_a_road([*week.jobs, job], [*places, at], crews=week.crews, bases=[0, 40], costs=week.costs), rules=week.rules
    )


def as_plan(week: Week, standing: Plan, opening: Opening) -> Plan:
    """The whole plan with the opening taken, where nobody has to make room."""
    changed = {(made.crew, made.day): made for made in opening.rounds}
    kept = [made for made in standing.rounds if (made.crew, made.day) not in changed]
    return plan_of(week, [*kept, *changed.values()])


@pytest.mark.parametrize("asks", [range(5, 9), pytest.param(range(5, 30), marks=pytest.mark.slow)], ids=["few", "many"])
def test_the_best_opening_is_as_good_as_solving_the_week_again(asks: range) -> None:
    """The best quoted is within 3 % of the true best extra cost in 95 % of asks."""
    good = 0
    for seed in asks:
        week, places, standing = standing_week(seed)
        asked = asked_of(seed, week, places)
        openings = quote([asked], "asked", standing=[standing])
        again = solve(asked, seconds=60, effort=60, standing=standing)
        truth = again.cost - standing.cost
        good += bool(openings) and openings[0].extra <= 1.03 * truth + 1e-6
    assert good >= 0.95 * len(asks)


@settings(max_examples=8, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.integers(100, 10_000))
def test_every_opening_can_be_taken_and_moves_nothing_confirmed(seed: int) -> None:
    week, places, standing = standing_week(seed, jobs=8)
    asked = asked_of(seed, week, places)
    for opening in quote([asked], "asked", standing=[standing]):
        if opening.displaced:
            continue
        plan = as_plan(asked, standing, opening)
        assert check_plan(asked, plan) == ()
        assert plan.cost - standing.cost == pytest.approx(opening.extra)


ROAD = [
    a_job("early", fixed=Fixed(crew="north", day=0, start=480)),
    a_job("late", fixed=Fixed(crew="north", day=2, start=480)),
]
MONDAY = {0: ((360, 1200),)}


def test_a_place_on_the_way_is_cheaper_than_a_day_of_its_own() -> None:
    """Worked by hand: beside a farm at 20 min, ten minutes on: 20 min driven and 20 off work more cost 60; a day of its
    own costs 60 for going out, 120 for an hour on the road and 60 off work."""
    week = on_a_road([*ROAD, a_job("asked")], [20, 20, 30])
    first, *others = quote([week], "asked", most=10)
    assert {opening.extra for opening in (first, others[0])} == {60}
    assert {opening.visits[0].day for opening in (first, others[0])} == {0, 2}
    assert (first.drive, first.displaced) == (20, ())
    assert [opening.extra for opening in others[1:]] == [240, 240, 240]


def test_several_weeks_are_compared() -> None:
    plain = on_a_road([a_job("asked")], [30])
    busy = on_a_road([*ROAD, a_job("asked")], [20, 20, 30])
    found = quote([plain, busy], "asked", most=3)
    assert [opening.week for opening in found] == [1, 1, 0]


def test_whoever_has_to_make_room_is_named_and_reckoned() -> None:
    """Monday alone suits, and the day is full with a visit that may as well come on Tuesday, at the same cost."""
    soft = a_job("soft", work=500)
    week = on_a_road([soft, a_job("asked", work=300, windows=MONDAY)], [20, 20])
    standing = plan_of(week, solve(on_a_road([replace(soft, windows=MONDAY)], [20]), seconds=5).rounds)
    (opening,) = quote([week], "asked", standing=[standing])
    assert opening.displaced == ("soft",)
    assert opening.visits[0].day == 0


def test_a_job_too_long_for_a_day_comes_in_parts() -> None:
    week = on_a_road([a_job("asked", work=900, may_split=True)], [20])
    (opening, *_) = quote([week], "asked")
    assert len(opening.visits) > 1
    assert sum(visit.work for visit in opening.visits) == 900


def test_where_nothing_suits_there_is_no_opening() -> None:
    assert quote([on_a_road([a_job("asked", windows={})], [20])], "asked") == ()


def test_no_opening_at_all_cannot_be_asked_for() -> None:
    with pytest.raises(ValueError, match="one opening"):
        quote([on_a_road([a_job("asked")], [20])], "asked", most=0)


def test_a_plan_that_does_not_fit_its_week_is_refused() -> None:
    week = on_a_road([a_job("other"), a_job("asked")], [20, 20])
    standing = solve(week, seconds=5)
    with pytest.raises(ValueError, match="cannot be driven"):
        quote([replace(week, jobs=(a_job("other", windows={}), week.jobs[1]))], "asked", standing=[standing])
