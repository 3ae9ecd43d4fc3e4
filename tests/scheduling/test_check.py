"""The checker finds every broken rule in a plan made by hand; it accepts what the rounds allow."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from scheduling.planner import Costs, Fixed, Plan, Round, Rules, Week, check_plan, evaluate, plan_of

from .small_weeks import a_crew, a_job, on_a_road

CREWS = [a_crew(), a_crew("south", chute_kind="tilt")]


def _week(**job: Any) -> Week:
    return on_a_road([a_job("a", **job), a_job("b")], [10, 20], crews=CREWS)


def _round(week: Week, visits: Sequence[tuple[str, int]], crew: str = "north", day: int = 0) -> Round:
    made = evaluate(week, crew, day, visits)
    assert isinstance(made, Round), made
    return made


def _codes(week: Week, plan: Plan) -> set[str]:
    return {breach.code for breach in check_plan(week, plan)}


def test_a_right_plan_has_no_breach() -> None:
    week = _week()
    assert _codes(week, plan_of(week, [_round(week, [("a", 60), ("b", 60)])])) == set()


def test_leaving_everything_out_is_a_plan() -> None:
    week = _week()
    plan = plan_of(week, [])
    assert plan.cost == 600
    assert _codes(week, plan) == set()


@pytest.mark.parametrize(
    ("code", "stricter"),
    [
        ("not-for-crew", {"crews": frozenset({"south"})}),
        ("wrong-chute", {"chute_kind": "tilt"}),
        ("outside-dates", {"earliest_day": 1}),
        ("outside-opening", {"windows": {1: ((390, 1140),)}}),
        ("outside-opening", {"windows": {0: ((390, 460),)}}),
        ("confirmed-visit-moved", {"fixed": Fixed(crew="north", day=0, start=700)}),
        ("visit-too-long", {"longest_visit": 30}),
        ("not-last", {"last_of_day": True}),
        ("wrong-length", {"setup": 20}),
        ("work-does-not-add-up", {"work": 90}),
        ("too-fast", {"tier": 1}),
    ],
)
def test_a_plan_of_a_looser_week_breaks_the_stricter_rule(code: str, stricter: dict[str, Any]) -> None:
    plan = plan_of(_week(), [_round(_week(), [("a", 60), ("b", 60)])])
    assert code in _codes(_week(**stricter), plan)


@pytest.mark.parametrize(
    ("code", "changes"),
    [
        ("leaves-early", {"leave": 380}),
        ("back-late", {"back": 1200}),
        ("day-too-long", {"back": 1100}),
        ("no-lunch", {"lunch": None}),
        ("no-lunch", {"lunch": 900}),
        ("too-fast", {"leave": 400}),
        ("too-fast", {"back": 500}),
        ("crew-off", {"day": 5}),
        ("crew-off", {"crew": "nobody"}),
        ("empty-round", {"stops": ()}),
        ("wrong-cost", {"cost": 1}),
    ],
)
def test_a_round_changed_by_hand_is_found(code: str, changes: dict[str, Any]) -> None:
    week = _week()
    plan = plan_of(week, [_round(week, [("a", 60), ("b", 60)])])
    assert code in _codes(week, replace(plan, rounds=(replace(plan.rounds[0], **changes),)))


def test_more_head_in_a_day_than_the_crew_takes_are_found() -> None:
    looser = on_a_road([a_job("a", head=30), a_job("b", head=11)], [10, 20])
    plan = plan_of(looser, [_round(looser, [("a", 60), ("b", 60)])])
    stricter = replace(looser, crews=(a_crew(most_head=40),))
    assert _codes(looser, plan) == set()
    assert _codes(stricter, plan) == {"too-many-head"}


def test_a_crew_in_two_places_is_found() -> None:
    week = _week()
    plan = plan_of(week, [_round(week, [("a", 60)]), _round(week, [("b", 60)])])
    assert _codes(week, plan) == {"two-rounds"}


def test_a_job_forgotten_is_found() -> None:
    week = _week()
    plan = replace(plan_of(week, [_round(week, [("a", 60)])]), skipped=(), skip_cost=0)
    assert _codes(week, plan) == {"not-accounted-for", "wrong-cost"}


def test_a_job_that_is_not_asked_for_is_found() -> None:
    week = _week()
    plan = plan_of(week, [_round(week, [("b", 60)])])
    stranger = replace(plan.rounds[0].stops[0], job="x")
    assert "unknown-job" in _codes(week, replace(plan, rounds=(replace(plan.rounds[0], stops=(stranger,)),)))


def _split_plan(parts: Sequence[tuple[str, int, int]], **job: Any) -> tuple[Week, Plan]:
    week = _week(**({"work": 390, "may_split": True} | job))
    rounds = [_round(week, [("a", work)], crew, day) for crew, day, work in parts]
    return week, plan_of(week, rounds)


def test_a_split_in_the_allowed_way_passes() -> None:
    assert _codes(*_split_plan([("north", 0, 240), ("south", 2, 150)])) == set()


@pytest.mark.parametrize(
    "parts",
    [
        [("north", 0, 300), ("north", 1, 90)],
        [("north", 0, 245), ("north", 1, 145)],
        [("north", 0, 120), ("north", 1, 120), ("north", 2, 120), ("north", 3, 30)],
    ],
)
def test_a_split_against_the_rules_is_found(parts: list[tuple[str, int, int]]) -> None:
    assert _codes(*_split_plan(parts)) == {"split-against-rules"}


def test_a_job_that_may_not_be_split_is_not() -> None:
    assert "split-against-rules" in _codes(*_split_plan([("north", 0, 240), ("north", 1, 150)], may_split=False))


def test_two_crews_share_a_day_only_where_the_job_allows() -> None:
    parts = [("north", 0, 240), ("south", 0, 150)]
    assert _codes(*_split_plan(parts)) == {"two-visits-in-a-day"}
    assert _codes(*_split_plan(parts, crews_at_once=2)) == set()


def test_lateness_is_counted_for_the_last_visit() -> None:
    week, plan = _split_plan([("north", 0, 240), ("south", 3, 150)], due_day=1, late_cost=20)
    assert plan.late_cost == 40
    assert _codes(week, plan) == set()


def test_driving_out_of_proportion_is_found() -> None:
    loose = on_a_road([a_job("a")], [60])
    strict = on_a_road([a_job("a")], [60], rules=Rules(most_drive_share=1))
    plan = plan_of(loose, [_round(loose, [("a", 60)])])
    assert _codes(strict, plan) == {"too-much-driving"}


def test_money_is_counted_in_whatever_unit() -> None:
    week = on_a_road([a_job("a")], [30], costs=Costs(crew_day=12.5, drive=0.35, off_work=0.7))
    plan = plan_of(week, [_round(week, [("a", 60)])])
    assert plan.cost == pytest.approx(12.5 + 60 * 0.35 + 60 * 0.7)
    assert _codes(week, plan) == set()
