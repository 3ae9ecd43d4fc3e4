"""What the planner answers: right, checked, repeatable, never worse than what stands."""

import itertools
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.planner import (
    Costs,
    Fixed,
    Infeasible,
    Job,
    Plan,
    Progress,
    Round,
    Rules,
    Week,
    check_plan,
    evaluate,
    plan_of,
    solve,
)

from .oracle import cheapest_cost, cheapest_hours
from .small_weeks import a_crew, a_job, on_a_road

STEPS = 40


def _solve(week: Week, **changes: Any) -> Plan:
    return solve(week, **({"seconds": 60, "effort": STEPS} | changes))


@st.composite
def jobs(draw: st.DrawFn, name: str) -> Job:
    """A job of a random small week."""
    opened = draw(st.sampled_from([390, 480, 600, 780]))
    openings: tuple[tuple[int, int], ...] = ((opened, draw(st.sampled_from([900, 1140]))),)
    if draw(st.booleans()):
        openings = ((390, 570), (opened + 120, 1140))
    days = draw(st.sampled_from([(0,), (1,), (0, 1)]))
    return a_job(
        name,
        work=draw(st.sampled_from([30, 60, 120, 240, 270])),
        setup=draw(st.sampled_from([0, 15])),
        may_split=draw(st.booleans()),
        windows=dict.fromkeys(days, openings),
        due_day=draw(st.sampled_from([None, 0, 1])),
        late_cost=draw(st.sampled_from([0, 20, 60])),
        skip_cost=draw(st.sampled_from([40, 200, 900])),
        tier=draw(st.sampled_from([0, 1])),
        last_of_day=draw(st.sampled_from([False, False, True])),
    )


@st.composite
def weeks(draw: st.DrawFn, most_jobs: int = 4, crews: int = 2) -> Week:
    """A random week of two days, up to `crews` crews (two at most) and up to `most_jobs` jobs."""
    count = draw(st.integers(1, most_jobs))
    made = [draw(jobs(f"j{index}")) for index in range(count)]
    places = [draw(st.integers(0, 60)) for _ in range(count)]
    going = [a_crew(name, hours=dict.fromkeys((0, 1), (390, 1140))) for name in ("north", "south")]
    going = going[: draw(st.integers(1, crews))]
    going[0] = replace(going[0], longest_day=draw(st.sampled_from([300, 600])))
    return on_a_road(made, places, crews=going, bases=[0, 40][: len(going)], days=2)


@st.composite
def unusual(draw: st.DrawFn, week: Week) -> Week:
    """The week with rules and figures that a plain week has not."""
    lengths = st.integers(0, 5000)
    count = len(week.jobs)
    jobs = [
        replace(
            job,
            lock_up=draw(st.sampled_from([None, 60, 100])),
            longest_visit=draw(st.sampled_from([None, None, 150])),
            wash_after=draw(st.sampled_from([None, 0, 90])),
            latest_day=draw(st.sampled_from([None, None, 0])),
        )
        for job in week.jobs
    ]
    part_day = a_crew(
        hours={0: (390, 640), 1: (700, 1140)}, costs=Costs(crew_day=35.5, drive=0, off_work=0.75, metre=0.01)
    )
    return replace(
        week,
        jobs=tuple(jobs),
        crews=(draw(st.sampled_from([week.crews[0], part_day])), *week.crews[1:]),
        home=tuple(tuple(minutes + draw(st.integers(0, 15)) for minutes in row) for row in week.out),
        metres_out=tuple(tuple(draw(lengths) for _ in range(count)) for _ in week.crews),
        metres_between=tuple(tuple(draw(lengths) for _ in range(count)) for _ in range(count)),
        rules=replace(
            week.rules,
            regroup=draw(st.sampled_from([0, 25])),
            lunch=draw(st.sampled_from([0, 30, 45])),
            lunch_from=draw(st.sampled_from([600, 700])),
            most_drive_share=draw(st.sampled_from([None, 0.3, 1.0])),
            split_least=draw(st.sampled_from([60, 120])),
        ),
    )


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(weeks())
def test_a_small_week_gets_the_best_plan_there_is_and_proves_it(week: Week) -> None:
    plan, best = solve(week, seconds=60), cheapest_cost(week)
    assert check_plan(week, plan) == ()
    assert plan.cost == pytest.approx(best)
    assert plan.bound == pytest.approx(best)


@pytest.mark.slow
@settings(max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(weeks(most_jobs=6, crews=1), st.data())
def test_up_to_six_jobs_under_unusual_rules_get_the_best_plan(week: Week, data: st.DataObject) -> None:
    week = data.draw(unusual(week))
    plan, best = solve(week, seconds=60), cheapest_cost(week)
    assert check_plan(week, plan) == ()
    assert plan.cost == pytest.approx(best)
    assert plan.bound == pytest.approx(best)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(weeks(), st.randoms(use_true_random=False))
def test_a_round_gets_its_cheapest_hours(week: Week, chance: Any) -> None:
    names = chance.sample(
        [job.id for job in week.jobs if job.suits(0)], k=min(3, sum(job.suits(0) for job in week.jobs))
    )
    visits = [(name, week.job(name).work) for name in names]
    made = evaluate(week, "north", 0, visits)
    cost = None if isinstance(made, Infeasible) else made.cost
    last_ok = all(not week.job(name).last_of_day for name in names[:-1])
    assert cost == (cheapest_hours(week, "north", 0, visits) if names and last_ok else None)


@settings(max_examples=20, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(weeks(), st.sampled_from(["wash", "longest_day", "windows", "last_of_day", "split"]))
def test_relaxing_a_rule_never_makes_the_week_dearer(week: Week, rule: str) -> None:
    assert _solve(_relaxed(week, rule)).cost <= _solve(week).cost + 1e-9


def _relaxed(week: Week, rule: str) -> Week:
    if rule == "wash":
        return replace(week, rules=replace(week.rules, wash=0))
    if rule == "longest_day":
        return replace(week, crews=tuple(replace(crew, longest_day=700) for crew in week.crews))
    if rule == "windows":
        wide = ((390, 1140),)
        return replace(week, jobs=tuple(replace(j, windows=dict.fromkeys(j.windows, wide)) for j in week.jobs))
    changes: dict[str, Any] = {"last_of_day": False} if rule == "last_of_day" else {"may_split": True}
    return replace(week, jobs=tuple(replace(job, **changes) for job in week.jobs))


def _valley() -> Week:
    made = [a_job(f"j{n}", work=60 + 30 * (n % 4), due_day=n % 5, late_cost=25, tier=n % 2) for n in range(12)]
    return on_a_road(made, [5 + 7 * n for n in range(12)], crews=[a_crew(), a_crew("south")], bases=[0, 80])


def test_the_same_week_gives_the_same_plan() -> None:
    assert _solve(_valley(), seed=3) == _solve(_valley(), seed=3)


def test_no_time_at_all_still_gives_a_checked_plan() -> None:
    plan = solve(_valley(), seconds=0)
    assert check_plan(_valley(), plan) == ()
    assert plan.skipped == ()


def test_progress_is_told_and_never_gets_worse() -> None:
    heard: list[Progress] = []
    plan = _solve(_valley(), on_progress=heard.append)
    costs = [news.cost for news in heard]
    assert len(costs) > 1
    assert all(later <= earlier for earlier, later in itertools.pairwise(costs))
    assert heard[-1].plan == plan


def test_stopping_keeps_the_best_so_far() -> None:
    plan = solve(_valley(), seconds=60, stop=lambda: True)
    assert check_plan(_valley(), plan) == ()


def test_the_answer_is_never_worse_than_the_standing_plan() -> None:
    standing = _solve(_valley(), effort=200)
    assert solve(_valley(), seconds=0, standing=standing).cost <= standing.cost


def test_a_standing_plan_whose_job_was_called_off_is_mended() -> None:
    standing = _solve(_valley())
    week = _valley()
    fewer = on_a_road(week.jobs[:-1], [5 + 7 * n for n in range(11)], crews=week.crews, bases=[0, 80])
    assert check_plan(fewer, solve(fewer, seconds=0, standing=standing)) == ()


def test_a_confirmed_visit_stays_put() -> None:
    fixed = Fixed(crew="south", day=2, start=700)
    week = replace(_valley(), jobs=(replace(_valley().jobs[0], fixed=fixed, skip_cost=20000), *_valley().jobs[1:]))
    made = _solve(week).round_of("south", 2)
    assert made is not None
    assert ("j0", 700) in [(stop.job, stop.start) for stop in made.stops]


def test_a_big_herd_is_split_over_days() -> None:
    week = on_a_road([a_job("big", work=900, may_split=True, skip_cost=5000)], [30])
    plan = _solve(week)
    assert plan.skipped == ()
    assert sorted(stop.work for made in plan.rounds for stop in made.stops) in ([420, 480], [390, 510], [450, 450])


def test_two_crews_share_a_very_large_herd_on_its_only_day() -> None:
    job = a_job("big", work=900, may_split=True, crews_at_once=2, skip_cost=5000, windows={2: ((360, 1200),)})
    plan = _solve(on_a_road([job], [30], crews=[a_crew(), a_crew("south")]))
    assert {(made.crew, made.day) for made in plan.rounds} == {("north", 2), ("south", 2)}


def test_a_due_recheck_pulls_a_farm_forward() -> None:
    week = on_a_road([a_job("a", due_day=1, late_cost=50)], [10])
    assert _solve(week).rounds[0].day <= 1


def test_a_job_worth_less_than_it_costs_is_left_out() -> None:
    plan = _solve(on_a_road([a_job("a", skip_cost=30)], [60]))
    assert plan.skipped == ("a",)


def test_a_farm_that_needs_a_tilt_table_gets_the_crew_that_has_one() -> None:
    week = on_a_road([a_job("a", chute_kind="tilt")], [10], crews=[a_crew(), a_crew("south", chute_kind="tilt")])
    assert [made.crew for made in _solve(week).rounds] == ["south"]


def test_a_crew_off_and_a_part_day_are_kept() -> None:
    crew = a_crew(hours={1: (390, 600)})
    plan = _solve(on_a_road([a_job("a"), a_job("b", work=180)], [20, 20], crews=[crew]))
    assert [(made.day, made.visits) for made in plan.rounds] in ([(1, (("a", 60),))], [(1, (("b", 180),))])


def test_a_night_at_base_cleans() -> None:
    clean = a_job("clean", windows={1: ((390, 1140),)})
    dirty = a_job("dirty", tier=1, windows={0: ((390, 1140),)})
    assert [made.wash for made in _solve(on_a_road([clean, dirty], [10, 20])).rounds] == [0, 0]


def test_a_week_without_jobs_costs_nothing() -> None:
    assert _solve(on_a_road([], [])) == plan_of(on_a_road([], []), (), bound=_solve(on_a_road([], [])).bound)


def test_costs_may_be_fractions() -> None:
    week = on_a_road([a_job("a", skip_cost=99.5)], [30], costs=Costs(crew_day=12.25, drive=0.5, off_work=0.25))
    assert _solve(week).cost == pytest.approx(12.25 + 30 + 15)


def test_lock_up_makes_a_visit_longer() -> None:
    week = on_a_road([a_job("a", work=240, lock_up=120)], [10], rules=Rules(regroup=20))
    made = _solve(week).rounds[0]
    assert isinstance(made, Round)
    assert (made.stops[0].pens, made.back - made.leave) == (2, 10 + 10 + 240 + 20 + 10)
