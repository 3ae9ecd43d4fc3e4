"""A visit a farm was told may be moved, at the price of how far it moves."""

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.planner import BadWeek, Moves, Round, Told, Week, check_plan, evaluate, plan_of, solve

from .oracle import cheapest_cost
from .small_weeks import a_crew, a_job, on_a_road
from .test_solve import weeks

MOVES = Moves(hour=5, crew=20, day=50, cancel=400)
BOTH = (a_crew(), a_crew("south"))


def _told(*told: Told, work: int = 60, may_split: bool = False) -> Week:
    job = a_job("a", told=told, work=work, may_split=may_split)
    return replace(on_a_road([job], [20], crews=BOTH), moves=MOVES)


def _extra(week: Week, crew: str, day: int, work: int = 60) -> float:
    """What a round with the job costs more than it would had the farm been told nothing."""
    untold = replace(week, jobs=tuple(replace(job, told=()) for job in week.jobs))
    priced, plain = (evaluate(each, crew, day, [("a", work)]) for each in (week, untold))
    assert isinstance(priced, Round)
    assert isinstance(plain, Round)
    return priced.cost - plain.cost


@pytest.mark.parametrize(("crew", "day", "price"), [("north", 1, 0), ("south", 1, 20), ("north", 2, 50)])
def test_a_told_visit_costs_by_how_far_it_moves(crew: str, day: int, price: int) -> None:
    assert _extra(_told(Told(crew="north", day=1, start=500)), crew, day) == price


def test_one_visit_in_place_of_two_told_takes_one_away() -> None:
    week = _told(Told(crew="north", day=1, start=500), Told(crew="north", day=3, start=500), work=240, may_split=True)
    assert _extra(week, "north", 1, work=240) == 50
    assert _extra(week, "north", 1, work=120) == 0


def test_a_farther_move_must_not_cost_less() -> None:
    with pytest.raises(BadWeek, match="farther"):
        Moves(crew=30, day=20, cancel=40)


def test_the_checker_prices_a_move_by_itself() -> None:
    week = _told(Told(crew="north", day=1, start=500))
    made = evaluate(week, "south", 2, [("a", 60)])
    assert isinstance(made, Round)
    assert check_plan(week, plan_of(week, [made])) == ()
    assert check_plan(week, plan_of(week, [replace(made, cost=made.cost - 50)])) != ()


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(weeks(), st.data())
def test_a_small_week_of_told_visits_gets_the_best_plan_there_is(week: Week, data: st.DataObject) -> None:
    crews = st.sampled_from([crew.id for crew in week.crews])
    told = st.builds(Told, crew=crews, day=st.sampled_from([0, 1]), start=st.sampled_from([400, 600]))
    jobs = tuple(replace(job, told=tuple(data.draw(st.lists(told, max_size=1)))) for job in week.jobs)
    week = replace(week, jobs=jobs, moves=MOVES)
    plan, best = solve(week, seconds=60), cheapest_cost(week)
    assert plan.cost == pytest.approx(best)
    assert plan.bound == pytest.approx(best)
