"""The reason a job was left out is the real one."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import pytest

from scheduling.planner import (
    Costs,
    Fixed,
    Job,
    LeftOut,
    Round,
    Rules,
    Week,
    evaluate,
    hopeless,
    left_out,
    plan_of,
    solve,
)

from .small_weeks import a_crew, a_job, on_a_road

ONE_DAY = {0: ((390, 1140),)}


def _reason(week: Week) -> LeftOut:
    plan = solve(week, seconds=30, effort=40)
    (reason,) = left_out(week, plan)
    return reason


def _one(job: Job, place: int = 20, **week: Any) -> LeftOut:
    return _reason(on_a_road([job], [place], **week))


@pytest.mark.parametrize(
    ("code", "job"),
    [
        ("no-day-suits", {"windows": {}}),
        ("no-day-suits", {"windows": ONE_DAY, "earliest_day": 1}),
        ("no-crew", {"crews": frozenset()}),
        ("wrong-chute", {"chute_kind": "tilt"}),
        ("no-crew-that-day", {"windows": {4: ((390, 1140),)}}),
        ("window-short", {"windows": {0: ((600, 650),)}}),
        ("confirmed-crew-off", {"windows": {4: ((390, 1140),)}, "fixed": Fixed(crew="north", day=4, start=600)}),
    ],
)
def test_a_job_nobody_can_do_is_named_before_solving(code: str, job: dict[str, Any]) -> None:
    week = on_a_road([a_job("a", **job)], [20], crews=[a_crew(hours={0: (390, 1140), 1: (390, 1140)})])
    assert [reason.code for reason in hopeless(week)] == [code]
    assert _reason(week).code == code


def test_a_week_that_can_be_done_has_nothing_hopeless() -> None:
    assert hopeless(on_a_road([a_job("a")], [20])) == ()


def test_a_job_longer_than_any_day_says_by_how_much() -> None:
    reason = _one(a_job("a", work=600))
    assert (reason.code, reason.params["over"]) == ("too-long", 600 + 10 + 40 + 30 - 600)


def test_the_minutes_it_was_too_long_are_enough_to_let_it_in() -> None:
    job, crew = a_job("a", work=600), a_crew()
    over = _one(job).params["over"]
    longer = on_a_road([job], [20], crews=[replace(crew, longest_day=crew.longest_day + over)])
    assert solve(longer, seconds=30, effort=40).skipped == ()


def test_a_job_worth_less_than_it_costs_says_both() -> None:
    reason = _one(a_job("a", skip_cost=30))
    assert reason.code == "worth-less"
    assert (reason.params["added"], reason.params["skip_cost"]) == (60 + 2 * 40 + 40, 30)


def _left(jobs: Sequence[Job], places: Sequence[int], visits: Sequence[str]) -> LeftOut:
    """The reason for the one job that is not in a plan of one round on Monday."""
    week = on_a_road(jobs, places, crews=[a_crew(hours={0: (390, 1140)})], days=1)
    made = evaluate(week, "north", 0, [(name, week.job(name).work) for name in visits])
    assert isinstance(made, Round)
    (reason,) = left_out(week, plan_of(week, [made]))
    return reason


def test_a_job_that_would_push_out_another_names_it() -> None:
    reason = _left([a_job("a", work=400), a_job("b", work=400)], [20, 20], ["a"])
    assert reason.code == "displaces"
    assert reason.params == {"crew": "north", "day": 0, "jobs": ("a",), "extra": 0}


def test_a_confirmed_visit_in_the_way_is_named() -> None:
    fixed = a_job("a", work=400, fixed=Fixed(crew="north", day=0, start=500), skip_cost=9000)
    reason = _left([fixed, a_job("b", work=400)], [20, 20], ["a"])
    assert reason.code == "confirmed-in-the-way"
    assert reason.params["jobs"] == ("a",)


def test_a_job_kept_out_by_washing_down_says_so() -> None:
    morning, later = {0: ((390, 500),)}, {0: ((480, 560),)}
    dirty = a_job("dirty", tier=1, windows=morning, skip_cost=9000)
    reason = _left([dirty, a_job("clean", windows=later)], [20, 20], ["dirty"])
    assert reason.code == "wash-down"


FULL = a_job("full", work=400, skip_cost=9000)


def test_a_day_too_short_by_a_few_minutes_says_by_how_many() -> None:
    reason = _left([FULL, a_job("b", work=130)], [20, 20], ["full"])
    assert (reason.code, reason.params["over"]) == ("day-too-long", 410 + 140 + 40 + 30 - 600)
    assert reason.nearest is not None
    assert (reason.nearest.crew, reason.nearest.day) == ("north", 0)


def test_a_crew_that_has_to_be_back_says_how_late_it_would_be() -> None:
    week = on_a_road([FULL, a_job("b", work=60)], [20, 20], crews=[a_crew(hours={0: (390, 900)})], days=1)
    reason = next(iter(left_out(week, plan_of(week, [_round(week, "full")]))))
    assert (reason.code, reason.params["over"]) == ("back-late", 390 + 20 + 410 + 70 + 20 + 30 - 900)


def test_an_opening_that_is_missed_says_by_how_much_and_whose() -> None:
    early = a_job("b", windows={0: ((700, 790),)}, work=60)
    reason = _left([a_job("full", work=380, windows={0: ((400, 810),)}, skip_cost=9000), early], [20, 20], ["full"])
    assert (reason.code, reason.params["jobs"]) == ("window-missed", ("b",))
    assert reason.params["over"] == 410 + 390 - 720


def test_a_chute_that_is_busy_elsewhere_is_the_reason() -> None:
    crews = [a_crew("tilt", hours={0: (390, 1140)}, chute_kind="tilt"), a_crew("plain", hours={0: (390, 1140)})]
    week = on_a_road([FULL, a_job("b", work=300, chute_kind="tilt")], [20, 20], crews=crews, days=1)
    made = evaluate(week, "tilt", 0, [("full", 400)])
    assert isinstance(made, Round)
    (reason,) = left_out(week, plan_of(week, [made]))
    assert (reason.code, reason.params) == ("chute-busy", {"crew": "plain", "day": 0, "chute_kind": "tilt"})


def test_a_latest_day_that_is_full_is_the_reason() -> None:
    week = on_a_road([FULL, a_job("b", work=300, latest_day=0)], [20, 20])
    (reason,) = left_out(week, plan_of(week, [_round(week, "full")]))
    assert (reason.code, reason.params["day"]) == ("latest-day", 1)


def test_a_job_that_would_pay_is_said_to_fit() -> None:
    week = on_a_road([FULL, a_job("b")], [20, 20])
    (reason,) = left_out(week, plan_of(week, [_round(week, "full")]))
    assert (reason.code, reason.params["added"]) == ("fits", 0)


def _round(week: Week, job: str) -> Round:
    made = evaluate(week, "north", 0, [(job, week.job(job).work)])
    assert isinstance(made, Round)
    return made


def test_more_head_than_a_crew_treats_in_a_day_is_said() -> None:
    week = on_a_road([a_job("a", head=50)], [10], crews=[a_crew(most_head=40)])
    (reason,) = hopeless(week)
    assert (reason.code, reason.params["head"], reason.params["most"]) == ("too-many-head", 50, 40)


def test_a_long_way_for_little_is_said() -> None:
    (reason,) = hopeless(on_a_road([a_job("a")], [60], rules=Rules(most_drive_share=1)))
    assert (reason.code, reason.params["drive"]) == ("too-much-driving", 120)


def test_a_farm_within_reach_of_a_night_away_is_not_hopeless() -> None:
    far = on_a_road([a_job("a", work=120)], [250], crews=[a_crew(longest_day=420)])
    assert [reason.code for reason in hopeless(far)] == ["too-long"]
    assert hopeless(replace(far, costs=Costs(bed=90))) == ()
