"""Labelling against the truth of a day: every round worth it is found, at its cheapest cost, and no other."""

import itertools
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from ortools.linear_solver import pywraplp  # type: ignore[attr-defined]

from scheduling.planner import Infeasible, Week, evaluate, solve
from scheduling.planner.arrays import Shift, WeekArrays
from scheduling.planner.labelling import Labeller

from .small_weeks import a_job, on_a_road
from .test_solve import unusual, weeks

EVERYTHING = 1e9
quick = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def _cost_of(arrays: WeekArrays, shift: Shift, order: tuple[int, ...]) -> float | None:
    """What a round of items costs in this order, with the lateness of whole jobs; None where it cannot be driven."""
    week = arrays.week
    jobs = [arrays.items[item][0] for item in order]
    visits = [(week.jobs[arrays.items[item][0]].id, arrays.items[item][1]) for item in order]
    made = evaluate(week, shift.crew, shift.day, visits)
    if len(set(jobs)) < len(order) or isinstance(made, Infeasible):
        return None
    late = sum(
        week.jobs[j].late_cost * week.jobs[j].late_days(shift.day)
        for j, item in zip(jobs, order, strict=True)
        if arrays.item_whole[item]
    )
    return float(made.cost + late)


def _costs_by_trying(arrays: WeekArrays, shift: Shift) -> dict[tuple[int, ...], float]:
    """The cheapest cost, with the lateness of whole jobs, of each set of items."""
    best: dict[tuple[int, ...], float] = {}
    items = sorted(set(shift.item.tolist()))
    for count in range(1, len(arrays.week.jobs) + 1):
        for order in itertools.permutations(items, count):
            cost = _cost_of(arrays, shift, order)
            if cost is not None:
                key = tuple(sorted(order))
                best[key] = min(best.get(key, EVERYTHING), cost)
    return best


def _with_prices(week: Week, chance: Any) -> Iterator[tuple[WeekArrays, Labeller, Shift, Any]]:
    arrays = WeekArrays(week)
    labeller = Labeller(arrays)
    for shift in arrays.shifts:
        worth = {item: chance.uniform(0, 300) for item in sorted(set(shift.item.tolist()))}
        yield arrays, labeller, shift, np.array([worth[item] for item in shift.item.tolist()], dtype=float)


def _reduced(costs: dict[tuple[int, ...], float], arrays: WeekArrays, shift: Shift, prices: Any) -> dict[Any, float]:
    """Prices are of slots, and hold the lateness of a whole job already."""
    worth = dict(zip(shift.item.tolist(), (prices + shift.late).tolist(), strict=True))
    return {key: cost - sum(worth[item] for item in key) for key, cost in costs.items()}


@quick
@given(st.one_of(weeks(most_jobs=4), weeks(most_jobs=4).flatmap(unusual)), st.randoms(use_true_random=False))
def test_every_round_is_listed_at_its_cheapest_cost(week: Week, chance: Any) -> None:
    for arrays, labeller, shift, prices in _with_prices(week, chance):
        outlook = labeller.outlook(shift, prices)
        found = labeller.all_below(outlook, shift, prices, 0.0, EVERYTHING, most=10**6)
        truth = _costs_by_trying(arrays, shift)
        assert found.whole
        assert {tuple(sorted(c.visits)): c.cost for c in found.columns} == pytest.approx(truth)


@quick
@given(st.one_of(weeks(most_jobs=4), weeks(most_jobs=4).flatmap(unusual)), st.randoms(use_true_random=False))
def test_the_round_of_the_least_reduced_cost_is_found(week: Week, chance: Any) -> None:
    for arrays, labeller, shift, prices in _with_prices(week, chance):
        outlook = labeller.outlook(shift, prices)
        found = labeller.cheapest(outlook, shift, prices, 0.0, 0.0, limit=10)
        truth = _reduced(_costs_by_trying(arrays, shift), arrays, shift, prices)
        least = min(0.0, min(truth.values(), default=0.0))
        assert min([0.0, *(c.reduced for c in found.columns)]) == pytest.approx(least, abs=1e-6)
        # The others cost what they say; in another order they may cost less, if that order was not worth going on with.
        for column in found.columns:
            assert column.cost == pytest.approx(_cost_of(arrays, shift, tuple(column.visits)), abs=1e-6)
            assert column.reduced >= truth[tuple(sorted(column.visits))] - 1e-6


@quick
@given(weeks(most_jobs=4), st.randoms(use_true_random=False), st.integers(1, 3))
def test_rounds_that_may_come_back_bound_the_true_ones(week: Week, chance: Any, near: int) -> None:
    for arrays, labeller, shift, prices in _with_prices(week, chance):
        outlook = labeller.outlook(shift, prices)
        found = labeller.relaxed(outlook, shift, prices, 0.0, 0.0, near=near)
        truth = _reduced(_costs_by_trying(arrays, shift), arrays, shift, prices)
        assert found.lowest <= min(0.0, min(truth.values(), default=0.0)) + 1e-6


@quick
@given(weeks(most_jobs=4), st.randoms(use_true_random=False), st.integers(-200, 100))
def test_all_rounds_below_a_reduced_cost_are_listed(week: Week, chance: Any, below: int) -> None:
    for arrays, labeller, shift, prices in _with_prices(week, chance):
        outlook = labeller.outlook(shift, prices)
        found = labeller.all_below(outlook, shift, prices, 0.0, below, most=10**6)
        truth = _reduced(_costs_by_trying(arrays, shift), arrays, shift, prices)
        wanted = {key for key, reduced in truth.items() if reduced < below - 1e-6}
        assert wanted <= {tuple(sorted(c.visits)) for c in found.columns}


def test_a_week_in_which_nothing_can_be_done_has_a_bound() -> None:
    plan = solve(on_a_road([a_job("a", windows={})], [10]), seconds=60)
    assert (plan.cost, plan.bound) == (300, 300)


def test_a_linear_solver_that_stumbles_takes_no_proof_away(monkeypatch: pytest.MonkeyPatch) -> None:
    goes, calls = pywraplp.Solver.Solve, itertools.count()

    def stumbles(solver: Any, *how: Any) -> Any:
        return pywraplp.Solver.ABNORMAL if next(calls) % 3 == 0 else goes(solver, *how)

    monkeypatch.setattr(pywraplp.Solver, "Solve", stumbles)
    plan = solve(on_a_road([a_job(f"j{n}", work=120) for n in range(6)], [5 + 9 * n for n in range(6)]), seconds=60)
    assert plan.bound == plan.cost
