"""What one more hour of a crew-day, or one more crew-day, is worth."""

from scheduling.planner import ChangeKind, Week, apply, solve, worth_of_time

from .small_weeks import a_crew, a_job, on_a_road


def _tight() -> Week:
    """Two jobs that miss fitting into one day by less than an hour, and a day off."""
    jobs = [a_job("a", work=240), a_job("b", work=240, skip_cost=900)]
    return on_a_road(jobs, [20, 20], crews=[a_crew(hours={0: (390, 930)}, longest_day=540)], days=2)


def _worth(week: Week, seconds: float = 60) -> dict[tuple[ChangeKind, object, int | None], tuple[object, object]]:
    plan = solve(week, seconds=30, effort=20)
    found = worth_of_time(week, plan, seconds=seconds, effort=10)
    return {(w.change.kind, w.change.crew, w.change.day): (w.saved, w.brought_in) for w in found}


def test_an_hour_more_is_worth_what_it_lets_in() -> None:
    assert _worth(_tight())[ChangeKind.BACK_LATER, "north", 0] == (300, ("a",))


def test_a_second_crew_is_worth_what_it_lets_in_less_its_trip() -> None:
    assert _worth(_tight())[ChangeKind.SECOND_CREW, "north", 0] == (300 - (60 + 2 * 40 + 40), ("a",))


def test_a_day_off_of_another_crew_is_tried() -> None:
    crews = [a_crew(hours={0: (390, 930), 1: (390, 930)}), a_crew("south", hours={0: (390, 930)})]
    week = on_a_road([a_job("a", windows={1: ((390, 1140),)})], [20], crews=crews, bases=[0, 30], days=2)
    # south is half as far
    assert _worth(week)[ChangeKind.CREW_GOES_OUT, "south", 1] == (2 * 20 + 20, ())


def test_the_most_worth_comes_first_and_is_true() -> None:
    week = _tight()
    plan = solve(week, seconds=30, effort=20)
    first, *rest = worth_of_time(week, plan, seconds=60, effort=10)
    assert first.saved is not None
    assert all(first.saved >= (other.saved or 0) for other in rest)
    assert solve(apply(week, first.change), seconds=30, effort=20).cost == plan.cost - first.saved


def test_what_there_was_no_time_for_is_not_said() -> None:
    assert {saved for saved, _ in _worth(_tight(), seconds=0).values()} == {None}
