"""Small steps make a plan better, and never worse."""

from collections.abc import Sequence

from hypothesis import HealthCheck, given, settings

from scheduling.planner import Fixed, Week, check_plan, solve
from scheduling.planner.insertion import Draft, Rounds, plan_of_draft
from scheduling.planner.relocating import relocate

from .small_weeks import a_crew, a_job, on_a_road
from .test_solve import weeks


def _relocated(week: Week, *rounds: tuple[str, int, Sequence[str]], spent: bool = False) -> Draft:
    draft: Draft = {(crew, day): tuple((name, week.job(name).work) for name in names) for crew, day, names in rounds}
    relocate(Rounds(week), draft, lambda: spent)
    return draft


def test_a_visit_joins_another_on_its_way() -> None:
    week = on_a_road([a_job("a"), a_job("b")], [30, 30])
    assert len(_relocated(week, ("north", 0, "a"), ("north", 3, "b"))) == 1


def test_two_visits_change_places_where_neither_has_room_to_move() -> None:
    crews = [a_crew(name, hours={0: (390, 1140)}, longest_day=550) for name in ("north", "south")]
    week = on_a_road([a_job("a", work=400), a_job("b", work=400)], [5, 55], crews=crews, bases=[0, 60], days=1)
    draft = _relocated(week, ("north", 0, "b"), ("south", 0, "a"))
    assert draft == {("north", 0): (("a", 400),), ("south", 0): (("b", 400),)}


def test_a_confirmed_visit_stays() -> None:
    week = on_a_road([a_job("a", fixed=Fixed(crew="north", day=0, start=600)), a_job("b")], [30, 30])
    assert ("north", 0) in _relocated(week, ("north", 0, "a"), ("north", 3, "b"))


def test_without_time_nothing_moves() -> None:
    week = on_a_road([a_job("a"), a_job("b")], [30, 30])
    assert len(_relocated(week, ("north", 0, "a"), ("north", 3, "b"), spent=True)) == 2


@settings(max_examples=30, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(weeks())
def test_what_comes_out_is_a_plan_no_dearer(week: Week) -> None:
    plan = solve(week, seconds=0)
    pool = Rounds(week)
    draft: Draft = {(made.crew, made.day): made.visits for made in plan.rounds}
    relocate(pool, draft, lambda: False)
    better = plan_of_draft(pool, draft)
    assert check_plan(week, better) == ()
    assert better.cost <= plan.cost
    assert better.skipped == plan.skipped
