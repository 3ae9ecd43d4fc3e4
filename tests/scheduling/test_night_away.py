"""Two days out near far farms, with a bed paid for, where that is cheaper than driving there twice."""

from dataclasses import replace
from typing import Any

import pytest

from scheduling.planner import (
    BadWeek,
    Costs,
    Job,
    Night,
    Plan,
    Round,
    Rules,
    Week,
    check_plan,
    evaluate,
    plan_of,
    read_week,
    solve,
    write_week,
)

from .small_weeks import a_crew, a_job, on_a_road

COSTS = Costs(crew_day=60, drive=2, off_work=1, bed=90)
NIGHT = Night(crew="north", day=0, near="a")


def _far(*, costs: Costs = COSTS, jobs: tuple[Job, ...] = (), **changes: Any) -> Week:
    """Two long jobs two hours down the road, which a day cannot hold both."""
    both = jobs or (a_job("a", work=240, skip_cost=3000), a_job("b", work=270, skip_cost=3000))
    return replace(on_a_road(both, [120, 130], costs=costs, rules=Rules(wash=45, lunch=30)), **changes)


def _made(week: Week, day: int, job: str) -> Round:
    made = evaluate(week, "north", day, [(job, week.job(job).work)])
    assert isinstance(made, Round), made
    return made


def test_a_night_away_saves_two_drives() -> None:
    week = _far()
    plan = solve(week, seconds=20, effort=20)
    assert check_plan(week, plan) == ()
    assert len(plan.nights) == 1
    assert sum(made.drive for made in plan.rounds) == 120 + 130 + 10
    assert plan.cost == 2 * 60 + 90 + 3 * (120 + 130 + 10)


def test_without_a_price_for_the_bed_nobody_stays_away() -> None:
    plan = solve(_far(costs=replace(COSTS, bed=None)), seconds=20, effort=20)
    assert plan.nights == ()
    assert plan.cost == plan.bound == 2 * 60 + 3 * 2 * (120 + 130)


def test_a_bed_dearer_than_the_drives_stays_empty() -> None:
    assert solve(_far(costs=replace(COSTS, bed=900)), seconds=20, effort=20).nights == ()


def test_near_farms_are_no_reason_to_stay_away() -> None:
    plan = solve(_far(rules=Rules(night_from=150)), seconds=20, effort=20)
    assert plan.nights == ()


def test_no_bound_is_told_where_a_night_away_might_pay() -> None:
    assert solve(_far(), seconds=20, effort=20).bound is None


def test_the_evening_ends_and_the_morning_begins_at_the_bed() -> None:
    week = _far(nights=(NIGHT,))
    evening, morning = _made(week, 0, "a"), _made(week, 1, "b")
    assert (evening.drive_home, evening.sleeps_near, evening.slept_near) == (0, "a", None)
    assert (morning.stops[0].drive, morning.sleeps_near, morning.slept_near) == (10, None, "a")
    assert evening.cost == 60 + 90 + 3 * 120


def test_each_of_the_two_days_keeps_the_longest_day() -> None:
    evening = 120 + 10 + 240
    for longest, fits in ((evening, True), (evening - 1, False)):
        week = _far(nights=(NIGHT,), crews=(a_crew(longest_day=longest),))
        assert isinstance(evaluate(week, "north", 0, [("a", 240)]), Round) == fits


def test_a_farm_too_far_for_a_day_is_reached_with_a_night_away() -> None:
    jobs = a_job("a", work=120, skip_cost=5000), a_job("b", work=60, skip_cost=5000)
    week = replace(on_a_road(jobs, [250, 240], costs=COSTS), crews=(a_crew(longest_day=420),))
    assert solve(replace(week, costs=replace(COSTS, bed=None)), seconds=20, effort=20).skipped == ("a", "b")
    plan = solve(week, seconds=20, effort=20)
    assert plan.skipped == ()
    assert check_plan(week, plan) == ()


def test_a_herd_that_is_not_clean_is_washed_off_before_the_night() -> None:
    jobs = a_job("a", work=240, tier=1), a_job("b", work=270)
    week = _far(jobs=jobs, nights=(NIGHT,))
    evening = _made(week, 0, "a")
    assert (evening.wash, evening.back - evening.stops[0].start) == (45, 10 + 240 + 45)
    assert _made(week, 1, "b").wash == 0


def test_a_plan_with_nights_keeps_them_as_a_standing_plan() -> None:
    week = _far()
    standing = solve(week, seconds=20, effort=20)
    assert solve(week, seconds=0, standing=standing) == standing


def test_a_week_with_settled_nights_survives_its_file() -> None:
    week = read_week(write_week(_far(nights=(NIGHT,))))
    assert week.nights == (Night(crew=0, day=0, near=0),)
    assert week.costs.bed == 90


@pytest.mark.parametrize(
    "nights",
    [
        [Night(crew="north", day=4, near="a")],
        [Night(crew="nobody", day=0, near="a")],
        [Night(crew="north", day=0, near="x")],
        [NIGHT, Night(crew="north", day=1, near="a")],
    ],
)
def test_nights_that_cannot_be_are_refused(nights: list[Night]) -> None:
    with pytest.raises(BadWeek) as refused:
        _far(nights=tuple(nights))
    assert refused.value.code == "bad-night"


def _plan(week: Week) -> Plan:
    away = replace(week, nights=(NIGHT,))
    return replace(plan_of(away, [_made(away, 0, "a"), _made(away, 1, "b")]), nights=(NIGHT,))


def test_the_checker_accepts_a_night_with_its_evening_and_morning() -> None:
    assert check_plan(_far(), _plan(_far())) == ()


@pytest.mark.parametrize(
    ("code", "nights"),
    [
        ("night-elsewhere", ()),
        ("night-elsewhere", (replace(NIGHT, near="b"),)),
        ("night-without-a-round", (replace(NIGHT, day=1),)),
        ("nights-in-a-row", (NIGHT, replace(NIGHT, day=1))),
    ],
)
def test_the_checker_finds_a_night_that_is_not_as_told(code: str, nights: tuple[Night, ...]) -> None:
    plan = replace(_plan(_far()), nights=nights)
    assert code in {breach.code for breach in check_plan(_far(), plan)}


def test_the_checker_finds_a_night_nobody_pays_for() -> None:
    week = _far(costs=replace(COSTS, bed=None))
    assert "no-bed" in {breach.code for breach in check_plan(week, _plan(_far()))}


def test_the_checker_finds_an_evening_without_its_morning() -> None:
    plan = _plan(_far())
    half = replace(plan, rounds=plan.rounds[:1], skipped=("b",), rounds_cost=plan.rounds[0].cost, skip_cost=3000)
    assert {breach.code for breach in check_plan(_far(), half)} == {"night-without-a-round"}
