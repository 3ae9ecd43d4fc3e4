"""The reference price of a week file agrees with the planner's, round by round and plan by plan."""

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.planner import Infeasible, evaluate, read_week, solve

from .reference_price import Refused, plan_price, round_price

WEEKS = Path(__file__).parents[2] / "fixtures" / "weeks"


def _problem(name: str) -> dict[str, Any]:
    problem: dict[str, Any] = json.loads((WEEKS / f"{name}.json").read_text())
    return problem


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.sampled_from(["w03", "w08", "w13", "d01"]), st.integers(0, 4), st.data())
def test_a_round_costs_the_same_to_the_minute(name: str, day: int, data: st.DataObject) -> None:
    problem = _problem(name)
    week = read_week(problem)
    suits = [job["id"] for job in problem["jobs"] if str(day) in job["windows"] and not job["may_split"]]
    visits = [
        (job, problem["jobs"][job]["work"]) for job in data.draw(st.permutations(suits))[: data.draw(st.integers(1, 4))]
    ]
    made = evaluate(week, 0, day, visits)
    try:
        priced: float | None = round_price(problem, 0, day, visits)
    except Refused:
        priced = None
    assert priced == (None if isinstance(made, Infeasible) else made.cost)


@pytest.mark.parametrize("name", ["w01", "w08", "w20", "d03"])
def test_a_plan_costs_the_same(name: str) -> None:
    problem = _problem(name)
    plan = solve(read_week(problem), seconds=0)
    assert plan_price(problem, plan.as_file()) == plan.cost


def _a_plan() -> tuple[dict[str, Any], dict[str, Any]]:
    problem = _problem("w03")
    return problem, solve(read_week(problem), seconds=0).as_file()


def test_two_rounds_of_a_crew_in_a_day_are_refused() -> None:
    problem, plan = _a_plan()
    with pytest.raises(Refused, match="goes out twice"):
        plan_price(problem, {"rounds": [plan["rounds"][0], plan["rounds"][0]]})


def test_half_a_job_is_refused() -> None:
    problem, plan = _a_plan()
    plan["rounds"][0]["visits"][0]["work"] -= 10
    with pytest.raises(Refused, match="minutes are done"):
        plan_price(problem, plan)


def test_hours_that_do_not_fit_are_refused() -> None:
    problem, plan = _a_plan()
    problem["crews"][0]["longest_day"] = 60
    with pytest.raises(Refused, match="no hours fit"):
        plan_price(problem, plan)
