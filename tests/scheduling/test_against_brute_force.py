"""On random small weeks with every rule at work the planner finds what trying everything finds."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.planner import Costs, Crew, Fixed, Job, Moves, Night, Plan, Rules, Told, Week, check_plan, solve

from .brute_force import best_cost
from .small_weeks import a_crew, a_job

DAYS = 2
CREWS = ("north", "south")
CALM = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
MANY = settings(CALM, max_examples=150)

# Every hour and length is a multiple of five minutes, so that trying everything takes less than a second.
_drives = st.sampled_from([0, 5, 5, 10, 10, 15, 20, 25, 35, 50, 75])
_metres = st.integers(0, 40).map(lambda n: 500 * n)


@st.composite
def _openings(draw: st.DrawFn) -> tuple[tuple[int, int], ...]:
    morning, afternoon = (390, draw(st.sampled_from([570, 720]))), (draw(st.sampled_from([735, 840])), 1140)
    all_day = ((390, 1140),)
    return draw(st.sampled_from([all_day, all_day, (morning, afternoon), (morning,), (afternoon,), ((600, 1000),)]))


@st.composite
def _jobs(draw: st.DrawFn, name: str, crews: int) -> Job:
    days = draw(st.sampled_from([(0, 1), (0, 1), (0, 1), (0,), (1,)]))
    lucky = draw(st.integers(0, 9)) == 0
    job = a_job(
        name,
        work=draw(st.sampled_from([30, 60, 90, 150, 240, 330])),
        setup=draw(st.sampled_from([0, 15])),
        may_split=draw(st.booleans()),
        windows={day: draw(_openings()) for day in days},
        earliest_day=draw(st.sampled_from([0, 0, 0, 0, 0, 1])),
        latest_day=draw(st.sampled_from([None, None, None, 0, 1])),
        due_day=draw(st.sampled_from([None, -1, 0, 1])),
        late_cost=draw(st.sampled_from([0, 20, 60])),
        skip_cost=draw(st.sampled_from([900, 600, 200, 100])),
        tier=draw(st.sampled_from([0, 0, 1, 2])),
        last_of_day=draw(st.sampled_from([False] * 7 + [True])),
        crews=draw(st.sampled_from([None, None, None, frozenset({"north"})])),
        chute_kind=draw(st.sampled_from([None, None, None, None, None, "tilt"])),
        longest_visit=draw(st.sampled_from([None, None, 150])),
        lock_up=draw(st.sampled_from([None, 60, 120])),
        crews_at_once=draw(st.sampled_from([1, 1, 2])),
        wash_after=draw(st.sampled_from([None, 0, 90])),
        head=draw(st.integers(0, 12)),
        told=draw(st.sampled_from([(), (), (Told(crew="north", day=0, start=600),)])),
    )
    if not lucky:
        return job
    start = draw(st.sampled_from([480, 600, 780]))
    length = job.setup + job.work + 90
    return replace(
        job,
        fixed=Fixed(crew="north", day=days[0], start=start),
        windows={days[0]: ((start, start + length),)},
        crews=None,
        chute_kind=None,
        longest_visit=None,
        earliest_day=0,
        latest_day=None,
        skip_cost=5000,
    )


@st.composite
def _crews(draw: st.DrawFn, name: str) -> Crew:
    both = {0: (390, 1140), 1: (390, 1140)}
    hours = draw(st.sampled_from([both, both, both, {0: (390, 780), 1: (420, 1140)}, {1: (390, 1020)}]))
    return a_crew(
        name,
        hours=hours,
        longest_day=draw(st.sampled_from([600, 600, 480, 300])),
        longest_on=draw(st.sampled_from([{}, {}, {1: 700}])),
        chute_kind=draw(st.sampled_from(["tilt", None])),
        costs=draw(st.sampled_from([None, Costs(crew_day=35.5, drive=0, off_work=0.75, metre=0.01)])),
        most_head=draw(st.sampled_from([None, None, 15, 25])),
    )


@st.composite
def weeks(draw: st.DrawFn, most_jobs: int) -> Week:
    """Two days, one or two crews from bases of their own, up to `most_jobs` jobs, every rule of a week."""
    crews = draw(st.integers(1, 2))
    count = draw(st.integers(1, most_jobs))

    def table(rows: int, entries: st.SearchStrategy[int]) -> tuple[tuple[int, ...], ...]:
        return tuple(tuple(draw(entries) for _ in range(count)) for _ in range(rows))

    share = draw(st.sampled_from([None, None, None, 0.3, 1.0]))
    with_metres = draw(st.booleans())
    return Week(
        crews=tuple(draw(_crews(name)) for name in CREWS[:crews]),
        jobs=tuple(draw(_jobs(f"j{n}", crews)) for n in range(count)),
        out=table(crews, _drives),
        home=draw(st.sampled_from([None, table(crews, _drives)])),
        between=table(count, _drives),
        metres_out=table(crews, _metres) if with_metres else None,
        metres_between=table(count, _metres) if with_metres else None,
        costs=Costs(crew_day=60, drive=2, off_work=1, metre=draw(st.sampled_from([0, 0.005]))),
        rules=Rules(
            wash=draw(st.sampled_from([0, 45])),
            lunch=draw(st.sampled_from([0, 30, 45])),
            lunch_from=draw(st.sampled_from([600, 690])),
            lunch_to=draw(st.sampled_from([750, 840])),
            split_step=30,
            split_least=draw(st.sampled_from([60, 120])),
            split_most=draw(st.sampled_from([2, 3])),
            regroup=draw(st.sampled_from([0, 20])),
            most_drive_share=share,
        ),
        moves=Moves(hour=5, crew=20, day=45, cancel=60),
        days=DAYS,
    )


def _agrees(week: Week) -> None:
    plan, best = solve(week, seconds=60), best_cost(week)
    assert check_plan(week, plan) == ()
    assert plan.cost == pytest.approx(best)
    assert plan.bound == pytest.approx(best)


@settings(CALM, max_examples=30)
@given(weeks(most_jobs=4))
def test_a_small_week_under_every_rule_gets_the_best_plan_and_its_proof(week: Week) -> None:
    _agrees(week)


@CALM
@given(weeks(most_jobs=4), st.data())
def test_a_settled_night_away_is_planned_for_the_best(week: Week, data: st.DataObject) -> None:
    crew = replace(week.crews[0], hours=dict.fromkeys((0, 1), (390, 1140)), costs=Costs(bed=45))
    night = Night(crew=crew.id, day=0, near=data.draw(st.sampled_from([job.id for job in week.jobs])))
    _agrees(replace(week, crews=(crew, *week.crews[1:]), nights=(night,)))


@pytest.mark.slow
@MANY
@given(weeks(most_jobs=6))
def test_up_to_six_jobs_under_every_rule_get_the_best_plan_and_its_proof(week: Week) -> None:
    _agrees(week)


def test_a_way_round_that_is_quicker_than_the_way_itself_is_seen() -> None:
    """From base to the last farm directly takes 65 minutes, by way of the others none."""
    halves = {0: ((390, 570), (735, 1140))}
    jobs = [a_job(f"j{n}", work=30, setup=0, windows=halves, skip_cost=40) for n in range(4)]
    fixed = [
        a_job(name, work=30, windows={0: ((480, 615),)}, skip_cost=5000, fixed=Fixed(crew="north", day=0, start=480))
        for name in ("now", "or never")
    ]
    week = Week(
        crews=(a_crew(hours={0: (390, 1140)}, longest_day=300),),
        jobs=(*jobs, *fixed),
        out=((0, 0, 0, 65, 0, 0),),
        between=((0,) * 6,) * 6,
        rules=Rules(wash=0, lunch=0),
        days=DAYS,
    )
    plan = solve(week, seconds=60)
    assert plan.cost == plan.bound == best_cost(week)


def _each_job(**changes: Any) -> Callable[[Week], Week]:
    return lambda week: replace(week, jobs=tuple(replace(job, **changes) for job in week.jobs))


def _each_crew(**changes: Any) -> Callable[[Week], Week]:
    return lambda week: replace(week, crews=tuple(replace(crew, **changes) for crew in week.crews))


def _rules(**changes: Any) -> Callable[[Week], Week]:
    return lambda week: replace(week, rules=replace(week.rules, **changes))


def _wider_windows(week: Week) -> Week:
    wide = ((330, 1260),)
    return replace(week, jobs=tuple(replace(job, windows=dict.fromkeys(job.windows, wide)) for job in week.jobs))


def _every_day(week: Week) -> Week:
    hours = dict.fromkeys(range(week.days), (390, 1140))
    return replace(week, crews=tuple(replace(crew, hours=hours) for crew in week.crews))


RELAXED: dict[str, Callable[[Week], Week]] = {
    "access windows": _wider_windows,
    "earliest day": _each_job(earliest_day=0),
    "latest day": _each_job(latest_day=None),
    "due day": _each_job(due_day=None),
    "crews allowed": _each_job(crews=None),
    "chute kind": _each_job(chute_kind=None),
    "longest visit": _each_job(longest_visit=None),
    "health tier": _each_job(tier=0),
    "last of day": _each_job(last_of_day=False),
    "confirmed": _each_job(fixed=None),
    "told": _each_job(told=()),
    "splitting": _each_job(may_split=True),
    "crews at once": _each_job(crews_at_once=2),
    "own wash-down": _each_job(wash_after=0),
    "longest day": _each_crew(longest_day=800, longest_on={}),
    "most head": _each_crew(most_head=None),
    "hours and days off": _every_day,
    "wash-down": _rules(wash=0),
    "lunch hours": _rules(lunch_from=540, lunch_to=900),
    "drive share": _rules(most_drive_share=None),
    "least part": _rules(split_least=30),
    "parts": _rules(split_most=4),
}


@pytest.mark.parametrize("rule", RELAXED)
@settings(CALM, max_examples=15)
@given(weeks(most_jobs=4))
def test_relaxing_a_rule_never_makes_the_best_plan_dearer(rule: str, week: Week) -> None:
    strict, relaxed = solve(week, seconds=60), solve(RELAXED[rule](week), seconds=60)
    assert relaxed.cost <= strict.cost + 1e-6


@settings(CALM, max_examples=25)
@given(weeks(most_jobs=6), st.integers(0, 3))
def test_the_same_week_seed_and_effort_give_the_same_plan(week: Week, seed: int) -> None:
    def made() -> Plan:
        return solve(week, seconds=60, effort=6, seed=seed)

    assert made() == made()


def test_trying_everything_finds_the_hand_reckoned_cost() -> None:
    job = a_job("a", work=60, setup=10, windows={1: ((480, 600),)})
    monday, tuesday = (a_crew(hours={day: (390, 1140)}) for day in (0, 1))
    week = Week(crews=(tuesday,), jobs=(job,), out=((30,),), between=((0,),), rules=Rules(lunch=0), days=2)
    assert best_cost(week) == 60 + 2 * 60 + 60
    assert best_cost(replace(week, crews=(monday,))) == 300
