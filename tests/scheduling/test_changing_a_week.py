"""A change to a week can be made by code, and changes nothing else."""

from dataclasses import replace
from typing import Any

import pytest

from scheduling.planner import (
    BadWeek,
    Change,
    ChangeKind,
    Fixed,
    Infeasible,
    Job,
    Round,
    Rules,
    Week,
    apply,
    burden,
    check_plan,
    evaluate,
    plan_of,
    read_week,
    solve,
    write_week,
)

from .small_weeks import a_crew, a_job, on_a_road

SHORT_DAYS = a_crew(longest_day=280)


def _with(job: Job, **week: Any) -> Week:
    return on_a_road([job], [20], **week)


def _change(kind: str, **fields: Any) -> Change:
    return Change(kind=ChangeKind(kind), **fields)


def _may(week: Week, day: int = 0, crew: str = "north", work: int | None = None) -> bool:
    made = evaluate(week, crew, day, [("a", work or week.job("a").work)])
    return isinstance(made, Round) and check_plan(replace(week), plan_of(week, [made])) == ()


@pytest.mark.parametrize(
    ("job", "crew", "change", "day"),
    [
        ({"work": 240}, {"longest_day": 280}, _change("longer-day", crew="north", day=1, minutes=20), 1),
        ({"work": 240}, {"hours": {1: (390, 670)}}, _change("back-later", crew="north", day=1, minutes=20), 1),
        ({"work": 240}, {"hours": {1: (600, 900)}}, _change("leave-earlier", crew="north", day=1, minutes=20), 1),
        ({"windows": {1: ((600, 650),)}}, {}, _change("open-earlier", job="a", day=1, minutes=20), 1),
        ({"windows": {1: ((600, 650),)}}, {}, _change("open-later", job="a", day=1, minutes=20), 1),
        ({"latest_day": 1}, {}, _change("later-day", job="a", day=2), 2),
        ({"earliest_day": 3}, {}, _change("earlier-day", job="a", day=2), 2),
        ({"windows": {0: ((400, 500),)}, "latest_day": 0}, {}, _change("day-suits", job="a", day=2), 2),
        ({}, {"hours": {0: (390, 1140)}}, _change("crew-goes-out", crew="north", day=2), 2),
        ({"chute_kind": "tilt"}, {}, _change("any-chute", job="a"), 0),
        ({"crews": frozenset()}, {}, _change("any-crew", job="a"), 0),
        ({"fixed": Fixed(crew="north", day=1, start=600)}, {}, _change("other-day", job="a"), 0),
    ],
)
def test_a_change_makes_a_visit_possible(job: dict[str, Any], crew: dict[str, Any], change: Change, day: int) -> None:
    week = _with(a_job("a", **job), crews=[a_crew(**crew)])
    assert not _may(week, day)
    assert _may(apply(week, change), day)


def test_a_day_made_longer_leaves_the_other_days_as_they_are() -> None:
    week = apply(
        _with(a_job("a", work=240), crews=[SHORT_DAYS]), _change("longer-day", crew="north", day=1, minutes=20)
    )
    assert isinstance(evaluate(week, "north", 2, [("a", 240)]), Infeasible)


def test_a_days_own_limit_is_kept_in_the_week_file() -> None:
    week = apply(_with(a_job("a")), _change("longer-day", crew="north", day=1, minutes=20))
    assert read_week(write_week(week)).crews[0].longest_on == {1: 620}


def test_a_split_job_has_whole_steps_of_work() -> None:
    week = apply(_with(a_job("a", work=250), rules=Rules(split_step=30)), _change("split", job="a"))
    assert week.job("a").work == 270
    assert (150, 120) in week.split_patterns(week.job("a"))


def test_a_confirmed_visit_may_be_at_another_hour_of_its_day_only() -> None:
    fixed = a_job("a", windows={1: ((600, 670),)}, fixed=Fixed(crew="north", day=1, start=600))
    week = apply(_with(fixed), _change("other-hour", job="a"))
    assert week.job("a").fixed is None
    assert _may(week, 1)
    assert not _may(week, 2)
    assert len(week.job("a").openings(1, 70)) == 1


def test_worth_more_is_paid_for_leaving_out() -> None:
    week = apply(_with(a_job("a", skip_cost=30)), _change("worth-more", job="a", amount=181))
    assert solve(week, seconds=30, effort=10).skipped == ()


def test_due_later_is_late_later() -> None:
    week = apply(_with(a_job("a", due_day=0, late_cost=10)), _change("due-later", job="a", day=3))
    assert week.job("a").late_days(4) == 1


def test_a_second_crew_drives_from_the_same_base_on_that_day_only() -> None:
    week = apply(_with(a_job("a")), _change("second-crew", crew="north", day=2))
    assert [crew.id for crew in week.crews] == ["north", "north+2"]
    assert _may(week, 2, "north+2")
    assert not _may(week, 1, "north+2")


@pytest.mark.parametrize(
    "change",
    [
        _change("longer-day", day=1, minutes=20),
        _change("longer-day", crew="north", minutes=20),
        _change("open-later", job="a", day=0, opening=3, minutes=5),
        _change("other-hour", job="a"),
    ],
)
def test_a_change_that_says_too_little_is_refused(change: Change) -> None:
    with pytest.raises(BadWeek):
        apply(_with(a_job("a")), change)


def test_changes_have_an_order_of_size() -> None:
    ordered = [
        _change("longer-day", crew="north", day=0, minutes=10),
        _change("open-later", job="a", day=0, minutes=10),
        _change("back-later", crew="north", day=0, minutes=15),
        _change("split", job="a"),
        _change("day-suits", job="a", day=3),
        _change("longer-day", crew="north", day=0, minutes=75),
        _change("crew-goes-out", crew="north", day=0),
        _change("other-hour", job="b"),
        _change("other-day", job="b"),
        _change("any-chute", job="a"),
        _change("worth-more", job="a", amount=500),
    ]
    assert sorted(ordered[::-1], key=burden) == ordered  # noqa: C415 (the order it came in shall not count)
