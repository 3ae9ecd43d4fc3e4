"""Weeks made by the generator of the bench are weeks that can be meant."""

import pytest

from scheduling.planner import check_plan, hopeless, read_week, solve

from ..bench.generator import week_file
from .reference_price import plan_price


@pytest.mark.parametrize(("jobs", "crews"), [(6, 1), (40, 3), (200, 12)])
def test_every_job_of_a_generated_week_can_be_done(jobs: int, crews: int) -> None:
    week = read_week(week_file(jobs, crews))
    assert (len(week.jobs), len(week.crews), hopeless(week)) == (jobs, crews, ())


def test_the_same_figures_give_the_same_week() -> None:
    assert week_file(30, 3, 7) == week_file(30, 3, 7) != week_file(30, 3, 8)


def test_the_first_plan_of_a_generated_week_is_sound() -> None:
    problem = week_file(40, 3)
    plan = solve(read_week(problem), seconds=0)
    assert check_plan(read_week(problem), plan) == ()
    assert plan_price(problem, plan.as_file()) == plan.cost
