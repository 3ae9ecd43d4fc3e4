"""The work of the weeks to come: what is counted, what is not counted twice, and where it lies."""

import datetime as dt
from typing import Any

import pytest

from scheduling.due_work import WEEKS, AnimalDates, Coming, DueFigures, DueWeek, FarmWork, outlook
from scheduling.plots import HEIGHT, WIDTH, bars, dots, rule

pytestmark = pytest.mark.pure

TODAY = dt.date(2026, 3, 4)  # a Wednesday
MONDAY = dt.date(2026, 3, 2)
MINUTES = {"cow": 8.0, "heifer": 7.0, "bull": 15.0, "lame": 15.0, "recheck": 4.0}


def _farm(**facts: Any) -> FarmWork:
    values: dict[str, Any] = {"farm": 1, "herd": 0, "minutes": MINUTES, "visit": 60.0}
    return FarmWork(**(values | facts))


def _weeks(*farms: FarmWork, **figures: Any) -> list[DueWeek]:
    return outlook(farms, today=TODAY, capacity=[2400.0] * WEEKS, figures=DueFigures(**figures))


def _head(weeks: list[DueWeek], source: str) -> dict[int, float]:
    return {n: round(week.head[source], 6) for n, week in enumerate(weeks) if week.head[source]}


def test_a_booked_visit_lies_in_its_week_with_its_own_minutes() -> None:
    weeks = _weeks(_farm(booked=[Coming(MONDAY + dt.timedelta(days=9), {"cow": 30}, 333.0)]))
    assert _head(weeks, "booked") == {1: 30}
    assert (weeks[1].minutes["booked"], weeks[1].visits, weeks[1].share) == (333, 1, 333 / 2400)


def test_a_request_is_due_when_it_says_or_at_once() -> None:
    farm = _farm(asked=[Coming(None, {"cow": 10}), Coming(TODAY + dt.timedelta(weeks=3), {"lame": 2})])
    weeks = _weeks(farm)
    assert _head(weeks, "asked") == {0: 10, 3: 2}
    assert weeks[3].minutes["asked"] == 60 + 2 * 15


def test_a_standing_arrangement_comes_every_so_many_weeks_after_the_last_visit() -> None:
    farm = _farm(usual={"cow": 20, "recheck": 2}, interval_weeks=6, last_on=TODAY - dt.timedelta(weeks=2))
    assert _head(_weeks(farm), "standing") == {4: 20, 10: 20, 16: 20, 22: 20}


def test_an_overdue_arrangement_is_due_now() -> None:
    farm = _farm(usual={"cow": 20}, interval_weeks=8, last_on=TODAY - dt.timedelta(weeks=20))
    assert list(_head(_weeks(farm), "standing")) == [0, 8, 16, 24]


def test_a_booked_routine_visit_is_the_arrangements_next() -> None:
    booked = [Coming(TODAY + dt.timedelta(weeks=1), {"cow": 25})]
    farm = _farm(usual={"cow": 20}, interval_weeks=8, last_on=TODAY - dt.timedelta(weeks=20), booked=booked)
    assert list(_head(_weeks(farm), "standing")) == [9, 17, 25]


def test_a_visit_for_rechecks_alone_does_not_put_an_arrangement_off() -> None:
    booked = [Coming(TODAY, {"recheck": 3})]
    farm = _farm(usual={"cow": 20}, interval_weeks=8, last_on=TODAY - dt.timedelta(weeks=8), booked=booked)
    assert next(iter(_head(_weeks(farm), "standing"))) == 0


def test_what_a_farm_asked_for_stands_for_the_next_of_its_arrangement() -> None:
    farm = _farm(usual={"cow": 20}, interval_weeks=10, last_on=TODAY, asked=[Coming(None, {"cow": 30})])
    assert list(_head(_weeks(farm), "standing")) == [20]


def test_animals_are_due_before_dry_off_or_calving_and_after_calving() -> None:
    animals = [
        AnimalDates(heifer=False, dry_off_on=MONDAY + dt.timedelta(days=7 + 14), calving_due_on=MONDAY),
        AnimalDates(heifer=True, calving_due_on=MONDAY + dt.timedelta(days=60 + 21)),
        AnimalDates(heifer=False, calved_on=MONDAY + dt.timedelta(days=28 - 80)),
    ]
    weeks = _weeks(_farm(animals=animals), by_formula=False)
    assert _head(weeks, "animals") == {2: 1, 3: 1, 4: 1}


def test_an_animal_trimmed_lately_is_not_due() -> None:
    due = MONDAY + dt.timedelta(days=14)
    calved = due - dt.timedelta(days=80)
    trimmed = [due - dt.timedelta(days=days) for days in (20, 40)]
    animals = [AnimalDates(heifer=False, calved_on=calved, trimmed_on=day) for day in trimmed]
    assert _head(_weeks(_farm(animals=animals), by_formula=False), "animals") == {2: 1}


def test_animals_with_an_arrangement_are_not_counted_twice() -> None:
    animals = [AnimalDates(heifer=False, dry_off_on=TODAY + dt.timedelta(days=30))]
    farm = _farm(usual={"cow": 20}, interval_weeks=8, last_on=TODAY, animals=animals)
    assert not _head(_weeks(farm), "animals")


def test_visits_to_come_cover_the_first_animals_due() -> None:
    animals = [AnimalDates(heifer=False, dry_off_on=MONDAY + dt.timedelta(days=7 + 7 * n)) for n in range(1, 6)]
    farm = _farm(animals=animals, booked=[Coming(TODAY, {"cow": 3, "recheck": 4})])
    assert _head(_weeks(farm, by_formula=False), "animals") == {4: 1, 5: 1}


def test_a_herd_without_anything_known_needs_what_the_formula_says() -> None:
    # Cramer's printed example: 1,000 cows x 2.6 at 40 a day are 65 visits a year, that is 2,600 head.
    weeks = _weeks(_farm(herd=1000, usual={"cow": 40}))
    days = 7 * WEEKS - 2
    assert sum(week.head["formula"] for week in weeks) == pytest.approx(2600 * days / 365)
    assert sum(week.visits for week in weeks) == pytest.approx(65 * days / 365)
    assert weeks[0].head["formula"] == pytest.approx(weeks[1].head["formula"] * 5 / 7)


def test_the_formula_only_adds_what_is_not_known_otherwise() -> None:
    animals = [AnimalDates(heifer=False, dry_off_on=MONDAY + dt.timedelta(days=20 + n)) for n in range(20)]
    booked = [Coming(TODAY, {"cow": 10})]
    whole, some = _weeks(_farm(herd=100)), _weeks(_farm(herd=100, animals=animals, booked=booked))
    assert sum(week.total_head for week in whole) == pytest.approx(sum(week.total_head for week in some))
    plenty = _weeks(_farm(herd=10, booked=[Coming(TODAY, {"cow": 500})]))
    assert not _head(plenty, "formula")


def test_the_formula_can_be_left_out_and_its_factor_changed() -> None:
    assert not _head(_weeks(_farm(herd=100), by_formula=False), "formula")
    usual, twice = _weeks(_farm(herd=100)), _weeks(_farm(herd=100), factor=5.2)
    assert twice[3].head["formula"] == pytest.approx(2 * usual[3].head["formula"])


def test_a_recheck_costs_a_coming_of_its_own_only_where_nobody_comes_anyway() -> None:
    rechecks = [TODAY - dt.timedelta(days=9), TODAY, TODAY + dt.timedelta(weeks=2)]
    booked = [Coming(TODAY + dt.timedelta(weeks=2), {"cow": 10})]
    weeks = _weeks(_farm(rechecks=rechecks, booked=booked))
    assert _head(weeks, "recheck") == {0: 2, 2: 1}
    assert (weeks[0].minutes["recheck"], weeks[0].visits) == (60 + 8, 1)
    assert (weeks[2].minutes["recheck"], weeks[2].visits) == (4, 1)


def test_what_lies_beyond_half_a_year_is_in_no_week() -> None:
    farm = _farm(booked=[Coming(MONDAY + dt.timedelta(weeks=WEEKS), {"cow": 9})], rechecks=[MONDAY.replace(year=2027)])
    assert sum(week.total_head for week in _weeks(farm)) == 0


def test_a_week_without_crews_has_no_share_and_all_of_its_work_is_too_much() -> None:
    week = DueWeek(MONDAY, 0.0)
    week.add("asked", 3, 90.0, 1)
    assert (week.share, week.over) == (None, 90)


# Plots


@pytest.mark.parametrize(
    ("most", "last"), [(95, 100), (1, 1.0), (120, 120), (121, 125), (0.3, 0.3), (0, 1), (2600, 3000)]
)
def test_lines_of_a_plot_stand_at_round_values_and_reach_the_most(most: float, last: float) -> None:
    values = rule(most)
    assert values[0] == 0
    assert values[-1] == pytest.approx(last)
    assert 2 <= len(values) <= 7


def test_bars_stand_on_each_other_within_the_canvas() -> None:
    made = bars([{"booked": 10.0, "asked": 5.0}, {"booked": 0.0}], [40.0, 40.0], marks=[(0, "now")])
    booked, asked = made.boxes
    assert asked.y + asked.height == booked.y
    assert booked.height == pytest.approx(2 * asked.height, abs=2)
    assert all(0 < box.x < WIDTH and 0 < box.y < HEIGHT for box in made.boxes)
    assert len(made.steps.split()) == 4


def test_a_dot_far_off_stands_at_the_top() -> None:
    made = dots([(0.0, 900.0, False, "far"), (1.0, 80.0, True, "near")], limit=100.0, marks=[])
    far, near = made.dots
    assert 0 < far.y < made.limit < near.y < HEIGHT
