"""Local search against the truth of a day, the checker, and trying everything."""

import itertools
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.planner import Infeasible, Plan, Week, check_plan, evaluate, plan_of
from scheduling.planner.arrays import WeekArrays
from scheduling.planner.columns import visits_of
from scheduling.planner.labelling import Column
from scheduling.planner.local_search import LocalSearch, facts_of, round_cost

from . import test_against_brute_force as every_rule
from .brute_force import best_cost
from .small_weeks import a_crew, a_job, on_a_road
from .test_solve import unusual, weeks

STEPS = 1500
quick = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
any_week = st.one_of(weeks(), weeks().flatmap(unusual), every_rule.weeks(most_jobs=4))


def _plan(arrays: WeekArrays, columns: Sequence[Column]) -> Plan:
    made = []
    for column in columns:
        (crew, day), visits = visits_of(arrays, column)
        found = evaluate(arrays.week, crew, day, visits)
        assert not isinstance(found, Infeasible)
        made.append(found)
    return plan_of(arrays.week, made)


def _cost_of_order(arrays: WeekArrays, shift: int, order: Sequence[int]) -> float | None:
    """The cost of a round by `evaluate`, with the lateness of whole jobs."""
    week, where = arrays.week, arrays.shifts[shift]
    jobs = [week.jobs[arrays.items[item][0]] for item in order]
    works = [arrays.items[item][1] for item in order]
    made = evaluate(week, where.crew, where.day, [(job.id, work) for job, work in zip(jobs, works, strict=True)])
    if isinstance(made, Infeasible):
        return None
    late = sum(
        job.late_cost * job.late_days(where.day) for job, work in zip(jobs, works, strict=True) if work == job.work
    )
    return float(made.cost + late)


@quick
@given(any_week, st.randoms(use_true_random=False))
def test_every_round_costs_what_the_truth_of_a_day_says(week: Week, chance: Any) -> None:
    arrays = WeekArrays(week)
    facts = facts_of(arrays)
    for shift in arrays.shifts:
        items = range(len(arrays.items))
        orders = [order for count in (1, 2, 3) for order in itertools.permutations(items, count)]
        for order in chance.sample(orders, min(60, len(orders))):
            cost = round_cost(facts, shift.index, order)
            assert (None if cost == float("inf") else pytest.approx(cost)) == _cost_of_order(arrays, shift.index, order)


@quick
@given(any_week)
def test_a_small_week_gets_a_checked_plan_that_costs_the_least(week: Week) -> None:
    arrays = WeekArrays(week)
    met = LocalSearch(arrays, 0).run(STEPS)
    plan = _plan(arrays, met.plan)
    assert check_plan(week, plan) == ()
    assert plan.cost == pytest.approx(met.cost)
    assert met.cost == pytest.approx(best_cost(week))


@quick
@given(any_week)
def test_rounds_met_on_the_way_are_told_at_their_cost(week: Week) -> None:
    arrays = WeekArrays(week)
    met = LocalSearch(arrays, 0).run(STEPS // 10)
    assert {(column.shift, column.items) for column in met.plan} <= {(c.shift, c.items) for c in met.rounds}
    for column in met.rounds:
        assert column.cost == pytest.approx(_cost_of_order(arrays, column.shift, column.visits))


def _valley(jobs: int = 14) -> Week:
    made = [a_job(f"j{n}", work=40 + 30 * (n % 5), may_split=n % 5 == 4, skip_cost=150 + 40 * n) for n in range(jobs)]
    crews = (a_crew("north"), a_crew("south"))
    return on_a_road(made, [(37 * n) % 90 for n in range(jobs)], crews=crews, bases=[0, 60])


def test_the_same_seed_gives_the_same_plan_in_one_go_or_in_two() -> None:
    arrays = WeekArrays(_valley())
    stepwise = LocalSearch(arrays, 7)
    stepwise.run(200)
    assert LocalSearch(arrays, 7).run(600) == LocalSearch(arrays, 7).run(600) == stepwise.run(400)


def test_a_search_never_gets_worse_and_takes_over_a_better_plan() -> None:
    arrays = WeekArrays(_valley())
    good = LocalSearch(arrays, 1).run(2000)
    other = LocalSearch(arrays, 2)
    before = other.met().cost
    other.offer(good.plan)
    assert other.run(1).cost <= min(good.cost, before)
    assert LocalSearch(arrays, 3, plan=good.plan).met().cost <= good.cost


def test_beside_in_a_thread_it_tells_of_better_plans_until_stopped() -> None:
    week = _valley()
    arrays = WeekArrays(week)
    search = LocalSearch(arrays, 0)
    first = search.poll()
    search.start()
    met = search.stop()
    assert first is not None
    assert met.cost <= first.cost
    assert check_plan(week, _plan(arrays, met.plan)) == ()


def test_a_week_in_which_nothing_can_be_done_is_left_empty() -> None:
    week = on_a_road([a_job("far")], [900])
    assert LocalSearch(WeekArrays(week), 0).run(10).cost == 300
    assert LocalSearch(WeekArrays(on_a_road([], [])), 0).run(10).plan == []
