"""One day of one crew: when it can be, when it cannot, at what hours and cost."""

from typing import Any

import pytest

from scheduling.planner import Costs, Fixed, Infeasible, Round, Rules, evaluate

from .small_weeks import a_crew, a_job, on_a_road


def _refused(result: Round | Infeasible) -> tuple[str, Any]:
    assert isinstance(result, Infeasible)
    return result.code, result.params.get("over")


def _made(result: Round | Infeasible) -> Round:
    assert isinstance(result, Round), result
    return result


def test_one_visit_costs_the_day_the_driving_and_the_time_off_work() -> None:
    week = on_a_road([a_job("a")], [30])
    made = _made(evaluate(week, "north", 0, [("a", 60)]))
    assert made.cost == 60 + 2 * 60 + 1 * 60
    assert (made.leave, made.back, made.drive, made.off_work) == (390, 520, 60, 60)


def test_a_crew_leaves_late_rather_than_wait() -> None:
    week = on_a_road([a_job("a", windows={0: ((600, 700),)})], [30])
    made = _made(evaluate(week, "north", 0, [("a", 60)]))
    assert (made.leave, made.stops[0].start, made.off_work) == (570, 600, 60)


def test_waiting_between_two_farms_is_paid() -> None:
    week = on_a_road([a_job("a", windows={0: ((400, 480),)}), a_job("b", windows={0: ((600, 700),)})], [10, 10])
    made = _made(evaluate(week, "north", 0, [("a", 60), ("b", 60)]))
    assert made.leave == 400  # the latest start at a is 410
    assert made.off_work == 10 + (600 - 480) + 10


def test_the_second_opening_is_taken_when_the_first_is_missed() -> None:
    week = on_a_road([a_job("a", work=180), a_job("b", windows={0: ((400, 500), (700, 800))})], [10, 10])
    made = _made(evaluate(week, "north", 0, [("a", 180), ("b", 60)]))
    assert made.stops[1].start == 700


def test_lunch_may_come_before_leaving_or_after_returning_and_is_then_not_on_the_road() -> None:
    early = _made(evaluate(on_a_road([a_job("a")], [30]), "north", 0, [("a", 60)]))
    assert early.lunch == 660 >= early.back
    late = _made(evaluate(on_a_road([a_job("a", windows={0: ((900, 1000),)})], [30]), "north", 0, [("a", 60)]))
    assert late.lunch is not None
    assert late.lunch + 30 <= late.leave


def test_lunch_may_interrupt_the_work_and_is_not_time_off_work() -> None:
    week = on_a_road([a_job("a", work=480)], [30])
    made = _made(evaluate(week, "north", 0, [("a", 480)]))
    assert made.lunch is not None
    assert made.stops[0].start <= made.lunch < made.stops[0].end
    assert made.back - made.leave == 30 + 490 + 30 + 30
    assert made.off_work == 60


def test_a_week_without_lunch_has_none() -> None:
    week = on_a_road([a_job("a", work=480)], [30], rules=Rules(lunch=0))
    made = _made(evaluate(week, "north", 0, [("a", 480)]))
    assert made.lunch is None
    assert made.back - made.leave == 550


def test_a_day_too_long_says_by_how_much() -> None:
    week = on_a_road([a_job("a", work=540)], [30])
    assert _refused(evaluate(week, "north", 0, [("a", 540)])) == ("day-too-long", 40)


def test_a_part_day_ends_earlier() -> None:
    week = on_a_road([a_job("a", work=240)], [30], crews=[a_crew(hours={0: (390, 690), 1: (390, 1140)})])
    assert _refused(evaluate(week, "north", 0, [("a", 240)])) == ("back-late", 10)
    _made(evaluate(week, "north", 1, [("a", 240)]))


def test_an_opening_missed_says_by_how_much() -> None:
    week = on_a_road([a_job("a"), a_job("b", windows={0: ((390, 540),)})], [10, 20])
    assert _refused(evaluate(week, "north", 0, [("a", 60), ("b", 60)])) == ("window-missed", 10)


def test_a_visit_longer_than_any_opening_is_refused() -> None:
    week = on_a_road([a_job("a", windows={0: ((600, 660),)})], [10])
    assert _refused(evaluate(week, "north", 0, [("a", 60)]))[0] == "window-short"


def test_a_round_goes_to_a_cleaner_herd_only_after_a_wash_down() -> None:
    week = on_a_road([a_job("clean"), a_job("dirty", tier=1)], [10, 20])
    clean_first = _made(evaluate(week, "north", 0, [("clean", 60), ("dirty", 60)]))
    dirty_first = _made(evaluate(week, "north", 0, [("dirty", 60), ("clean", 60)]))
    assert (clean_first.wash, dirty_first.wash) == (0, 45)
    assert dirty_first.cost == clean_first.cost + 45


def test_a_farm_may_ask_for_a_longer_wash_down() -> None:
    week = on_a_road([a_job("clean"), a_job("dirty", tier=1, wash_after=90)], [10, 20])
    assert _made(evaluate(week, "north", 0, [("dirty", 60), ("clean", 60)])).stops[0].wash == 90


def test_driving_may_differ_by_direction() -> None:
    plain = on_a_road([a_job("a")], [30])
    week = type(plain)(**(vars(plain) | {"home": ((50,),)}))
    assert _made(evaluate(week, "north", 0, [("a", 60)])).drive_home == 50


def test_metres_are_paid_where_they_are_known() -> None:
    plain = on_a_road([a_job("a")], [30], costs=Costs(crew_day=0, drive=0, off_work=0, metre=0.5))
    week = type(plain)(**(vars(plain) | {"metres_out": ((1000,),), "metres_between": ((0,),)}))
    made = _made(evaluate(week, "north", 0, [("a", 60)]))
    assert (made.metres, made.cost) == (2000, 1000)


def test_a_crew_may_have_prices_of_its_own() -> None:
    week = on_a_road([a_job("a")], [30], crews=[a_crew(costs=Costs(crew_day=100, drive=0, off_work=0))])
    assert _made(evaluate(week, "north", 0, [("a", 60)])).cost == 100


def test_a_confirmed_visit_keeps_its_crew_day_and_minute() -> None:
    fixed = Fixed(crew="north", day=1, start=615)
    week = on_a_road([a_job("a", fixed=fixed)], [30], crews=[a_crew(), a_crew("south")])
    assert _made(evaluate(week, "north", 1, [("a", 60)])).stops[0].start == 615
    assert _refused(evaluate(week, "north", 2, [("a", 60)]))[0] == "confirmed-elsewhere"
    assert _refused(evaluate(week, "south", 1, [("a", 60)]))[0] == "confirmed-elsewhere"


@pytest.mark.parametrize(
    ("code", "job", "day"),
    [
        ("crew-off", {}, 6),
        ("not-for-crew", {"crews": frozenset({"south"})}, 0),
        ("wrong-chute", {"chute_kind": "tilt"}, 0),
        ("day-does-not-suit", {"windows": {1: ((390, 1140),)}}, 0),
        ("day-does-not-suit", {"earliest_day": 2}, 1),
        ("day-does-not-suit", {"latest_day": 2}, 3),
        ("visit-too-long", {"longest_visit": 45}, 0),
    ],
)
def test_what_needs_no_clock_is_refused(code: str, job: dict[str, Any], day: int) -> None:
    week = on_a_road([a_job("a", **job)], [30], crews=[a_crew(), a_crew("south", chute_kind="tilt")])
    assert _refused(evaluate(week, "north", day, [("a", 60)]))[0] == code


def test_nothing_follows_a_herd_known_to_be_infectious() -> None:
    week = on_a_road([a_job("a", last_of_day=True), a_job("b")], [10, 20])
    assert _refused(evaluate(week, "north", 0, [("a", 60), ("b", 60)]))[0] == "not-last"
    _made(evaluate(week, "north", 0, [("b", 60), ("a", 60)]))


def test_a_farm_is_visited_once_in_a_round() -> None:
    week = on_a_road([a_job("a", work=240, may_split=True)], [10])
    assert _refused(evaluate(week, "north", 0, [("a", 120), ("a", 120)]))[0] == "twice"


def test_an_empty_round_is_none() -> None:
    assert _refused(evaluate(on_a_road([a_job("a")], [10]), "north", 0, []))[0] == "empty"


def test_a_long_drive_for_little_work_waits_until_it_is_due() -> None:
    rules = Rules(most_drive_share=1)
    week = on_a_road([a_job("a", due_day=3)], [60], rules=rules)
    assert _refused(evaluate(week, "north", 2, [("a", 60)]))[0] == "too-much-driving"
    _made(evaluate(week, "north", 3, [("a", 60)]))


def test_a_day_holds_no_more_head_than_the_crew_takes() -> None:
    jobs = [a_job("a", head=30), a_job("b", work=240, may_split=True, head=20)]
    week = on_a_road(jobs, [10, 20], crews=[a_crew(most_head=40)])
    assert _made(evaluate(week, "north", 0, [("a", 60), ("b", 120)])).visits == (("a", 60), ("b", 120))
    refused = evaluate(week, "north", 0, [("a", 60), ("b", 240)])
    assert isinstance(refused, Infeasible)
    assert (refused.code, dict(refused.params)) == ("too-many-head", {"head": 50, "most": 40})
