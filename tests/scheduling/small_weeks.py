"""Small weeks for planner tests: a straight road with farms on it, so that every figure can be worked out by hand."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from scheduling.planner import Costs, Crew, Job, Rules, Week

ALL_DAY = (360, 1200)
DAYS = range(5)


def a_crew(id: str = "north", **changes: Any) -> Crew:
    """A crew that may leave at 6:30 and must be back at 19:00, at most ten hours later, Monday to Friday."""
    return replace(Crew.steady(id, days=DAYS, earliest=390, latest=1140, longest_day=600), **changes)


def a_job(id: str, **changes: Any) -> Job:
    """An hour's work with ten minutes of setup, at any time of any day; leaving it out costs 300."""
    plain: dict[str, Any] = {"work": 60, "setup": 10, "skip_cost": 300, "windows": dict.fromkeys(DAYS, (ALL_DAY,))}
    return Job(id=id, **(plain | changes))


def on_a_road(
    jobs: Sequence[Job],
    places: Sequence[int],
    *,
    crews: Sequence[Crew] = (a_crew(),),
    bases: Sequence[int] = (),
    costs: Costs | None = None,
    rules: Rules | None = None,
    days: int = 5,
) -> Week:
    """A week along one road: `places` are minutes from its start, the bases too (all at 0 unless told)."""
    at = list(bases) or [0] * len(crews)
    return Week(
        crews=tuple(crews),
        jobs=tuple(jobs),
        out=tuple(tuple(abs(base - place) for place in places) for base in at),
        between=tuple(tuple(abs(a - b) for b in places) for a in places),
        costs=costs or Costs(crew_day=60, drive=2, off_work=1),
        rules=rules or Rules(),
        days=days,
    )
