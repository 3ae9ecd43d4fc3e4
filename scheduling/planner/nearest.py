"""Where a left-out job comes nearest to fitting, and what stands in its way there."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from .change import Change, ChangeKind, apply, with_job
from .insertion import CrewDay, Draft, Visits
from .plan import Infeasible, Round
from .problem import DAY_END, Job, Key, Week
from .rounds import evaluate

_HOURS = ("day-too-long", "back-late", "window-missed", "no-lunch")
_MOST_TRIED, _MOST_MINUTES = 30, 600


@dataclass(frozen=True, kw_only=True)
class Nearest:
    """The round that comes nearest to holding one more visit: the crew, the day, and the visits in order with it.

    code: the rule that forbids it. day-too-long: longer from leaving to return than allowed; back-late: back after
    the crew's hours; window-missed: `job` (the left-out one or another of that day) cannot start in any of its
    openings; no-lunch: no time for lunch within its hours; all of them by `over` minutes. Other codes are those of
    `Infeasible`, without minutes.
    """

    crew: Key
    day: int
    code: str
    over: int | None
    job: Key | None
    visits: Visits


def misses(week: Week, draft: Draft, job: Job) -> Iterator[Nearest]:
    """Each place of each round where the job, whole or in its largest part, cannot be put, and why."""
    for crew_day in week.crew_days():
        if job.suits(crew_day[1]) and week.may(week.crew(crew_day[0]), job):
            for size in week.part_sizes(job)[:1]:
                yield from _misses_of_a_day(week, crew_day, draft.get(crew_day, ()), (job.id, size))


def _misses_of_a_day(week: Week, crew_day: CrewDay, visits: Visits, new: tuple[Key, int]) -> Iterator[Nearest]:
    for place in range(len(visits) + 1):
        tried = (*visits[:place], new, *visits[place:])
        made = evaluate(week, *crew_day, tried)
        if isinstance(made, Infeasible):
            yield Nearest(
                crew=crew_day[0],
                day=crew_day[1],
                code=made.code,
                over=made.params.get("over") if made.code in _HOURS else None,
                job=made.job,
                visits=tried,
            )


def nearest_of(week: Week, found: Sequence[Nearest]) -> Nearest | None:
    """The one that lacks the fewest minutes, and nothing besides; else the first that minutes do not help."""
    by_minutes = sorted((miss for miss in found if miss.over is not None), key=lambda miss: (miss.over, miss.day))
    whole = [
        replace(miss, over=over) for miss in by_minutes[:_MOST_TRIED] if (over := _lacking(week, miss)) is not None
    ]
    if whole:
        return min(whole, key=lambda miss: (miss.over, miss.day))
    return next((miss for miss in found if miss.over is None), None)


def _lacking(week: Week, miss: Nearest) -> int | None:
    """How many minutes are lacking in all, by halving; None: minutes of that kind are not enough. The figure of the
    miss itself is of the first rule that fails: lunch, say, may need more."""

    def enough(over: int) -> bool:
        return isinstance(evaluate(_given(week, miss, over), miss.crew, miss.day, miss.visits), Round)

    if not enough(_MOST_MINUTES):
        return None
    low, high = (miss.over or 1) - 1, _MOST_MINUTES
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def _given(week: Week, miss: Nearest, over: int) -> Week:
    """The week with so many minutes more where they are lacking."""
    if miss.code == "no-lunch":
        return replace(week, rules=replace(week.rules, lunch_to=week.rules.lunch_to + over))
    if miss.code == "window-missed" and miss.job is not None:
        job = week.job(miss.job)
        later = tuple((opened, min(DAY_END, closed + over)) for opened, closed in job.windows[miss.day])
        return with_job(week, replace(job, windows={**job.windows, miss.day: later}))
    kind = ChangeKind.LONGER_DAY if miss.code == "day-too-long" else ChangeKind.BACK_LATER
    return apply(week, Change(kind=kind, crew=miss.crew, day=miss.day, minutes=over))
