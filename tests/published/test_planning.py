"""Planning against figures known from outside the planner."""

import json
from pathlib import Path

import pytest

from scheduling.planner import check_plan, read_week, solve

from ..scheduling.small_weeks import a_job, on_a_road
from .routing_problems import problem, week_of

WEEKS = Path(__file__).parents[2] / "fixtures" / "weeks"
pytestmark = pytest.mark.published


def test_the_infectious_herd_comes_last() -> None:
    """Clean to dirty within a day (University of Vermont "Healthy Farms"; Cornell NYSCHAP biosecurity advice): of
    farms A (clean), B (infectious) and C (clean) on the road A, B, C, B is visited last whatever the driving."""
    day = {0: ((390, 1140),)}
    names = [a_job("A", windows=day), a_job("B", windows=day, tier=2, last_of_day=True), a_job("C", windows=day)]
    plan = solve(on_a_road(names, [10, 20, 30]), seconds=30, effort=40)
    (made,) = plan.rounds
    assert [stop.job for stop in made.stops] in (["A", "C", "B"], ["C", "A", "B"])
    assert made.wash == 0


@pytest.mark.parametrize(("name", "optimum"), [("w01", 1662)])
def test_a_week_with_a_proven_optimum(name: str, optimum: int) -> None:
    """Optima proven by enumerating rounds and confirmed by a second, compact exact model (constraint programming)."""
    week = read_week(json.loads((WEEKS / f"{name}.json").read_text()))
    plan = solve(week, seconds=60, effort=200)
    assert check_plan(week, plan) == ()
    assert plan.cost == optimum


@pytest.mark.parametrize(
    ("name", "customers", "vehicles", "minutes", "up"),
    [
        ("R101", 25, 25, 10, False),
        ("RC101", 25, 5, 10, False),
        ("C101", 25, 25, 2, False),
        ("C101", 25, 25, 2, True),
        pytest.param("R101", 50, 13, 10, False, marks=pytest.mark.slow),
        pytest.param("C101", 50, 6, 2, False, marks=pytest.mark.slow),
        pytest.param("C101", 50, 6, 2, True, marks=pytest.mark.slow),
    ],
)
def test_routing_with_time_windows_reaches_the_published_optimum(
    name: str, customers: int, vehicles: int, minutes: int, up: bool
) -> None:
    """Solomon 1987; optimal distances of Kohl et al. 1999, named in the files. Found and proven."""
    given = problem(name)
    week = week_of(given, customers, vehicles, minutes=minutes, up=up)
    plan = solve(week, seconds=120)
    assert check_plan(week, plan) == ()
    assert plan.skipped == ()
    assert plan.cost == plan.bound == round(10 * given["optimal_distance"][str(customers)])
