"""Why a visit is not on another day: what that would cost more, or the rule that forbids it."""

from collections.abc import Sequence
from typing import Any

import pytest

from scheduling.planner import Fixed, Job, Plan, Week, WhyNot, check_plan, evaluate, plan_of, solve, why_not
from scheduling.planner.change import with_job
from scheduling.planner.plan import Round

from .small_weeks import a_crew, a_job, on_a_road

TWO_DAYS = {0: (390, 1140), 1: (390, 1140)}


def _week(jobs: Sequence[Job], places: Sequence[int], **crew: Any) -> Week:
    return on_a_road(jobs, places, crews=[a_crew(hours=TWO_DAYS, **crew)], days=2)


def _ask(week: Week, job: str, day: int, plan: Plan | None = None, crew: str | None = None) -> WhyNot:
    return why_not(week, plan or solve(week, seconds=30, effort=20), job, day, crew=crew, seconds=30, effort=20)


def test_another_day_costs_a_second_trip() -> None:
    week = _week([a_job("a", windows={0: ((390, 1140),)}), a_job("b")], [30, 30])
    asked = _ask(week, "b", 1)
    assert asked.refused is None
    assert asked.extra == 60 + 2 * 60 + 60
    assert asked.plan is not None
    assert check_plan(week, asked.plan) == ()
    assert asked.difference is not None
    assert [move.job for move in asked.difference.moved if move.how == "day"] == ["b"]


def test_a_better_day_costs_less_than_nothing() -> None:
    week = _week([a_job("a"), a_job("b")], [30, 30])
    rounds = [evaluate(week, "north", day, [(name, 60)]) for day, name in ((0, "a"), (1, "b"))]
    plan = plan_of(week, [made for made in rounds if isinstance(made, Round)])
    assert _ask(week, "b", 0, plan).extra == -(60 + 2 * 60 + 60)


@pytest.mark.parametrize(
    ("code", "job", "day"),
    [
        ("no-day-suits", {"windows": {0: ((390, 1140),)}}, 1),
        ("window-short", {"windows": {0: ((390, 1140),), 1: ((600, 630),)}}, 1),
        ("no-crew-that-day", {"windows": {0: ((390, 1140),), 4: ((390, 1140),)}}, 4),
    ],
)
def test_a_rule_that_forbids_the_day_is_named(code: str, job: dict[str, Any], day: int) -> None:
    week = on_a_road([a_job("a", **job)], [20], crews=[a_crew(hours=TWO_DAYS)])
    refused = _ask(week, "a", day).refused
    assert refused is not None
    assert refused.code == code


def test_a_crew_that_may_not_do_it_is_no_way() -> None:
    week = on_a_road([a_job("a", crews=frozenset({"north"}))], [20], crews=[a_crew(), a_crew("south")])
    refused = _ask(week, "a", 1, crew="south").refused
    assert refused is not None
    assert refused.code == "no-crew"


def test_a_named_crew_does_it() -> None:
    week = on_a_road([a_job("a")], [20], crews=[a_crew(), a_crew("south")], bases=[0, 50])
    plan = _ask(week, "a", 3, crew="south").plan
    assert plan is not None
    assert [(made.crew, made.day) for made in plan.rounds] == [("south", 3)]


def test_the_job_may_push_out_what_is_worth_more_but_no_confirmed_visit() -> None:
    dear = a_job("dear", work=400, windows={1: ((390, 1140),)}, skip_cost=9000)
    week = _week([dear, a_job("a", work=400)], [20, 20])
    asked = _ask(week, "a", 1)
    assert asked.plan is not None
    assert asked.plan.skipped == ("dear",)
    fixed = Fixed(crew="north", day=1, start=500)
    confirmed = with_job(week, a_job("dear", work=400, fixed=fixed, windows={1: ((390, 1140),)}, skip_cost=9000))
    refused = _ask(confirmed, "a", 1).refused
    assert refused is not None
    assert refused.code == "confirmed-in-the-way"


def test_a_confirmed_visit_is_asked_about_as_if_it_were_free() -> None:
    week = _week([a_job("a", fixed=Fixed(crew="north", day=0, start=600), skip_cost=9000)], [20])
    assert _ask(week, "a", 1).extra == 0
