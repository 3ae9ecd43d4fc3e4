"""What one more hour on each crew-day, or one more crew-day, would be worth: found by solving again with it."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from .change import Change, ChangeKind, apply
from .plan import Plan
from .problem import Key, Number, Week
from .solve import solve


@dataclass(frozen=True, kw_only=True)
class Worth:
    """saved: what the week would cost less with the change; brought_in: jobs that were left out and would be done;
    None and (): there was no time to find out."""

    change: Change
    saved: Number | None
    brought_in: tuple[Key, ...] = ()


def worth_of_time(
    week: Week,
    plan: Plan,
    *,
    seconds: float,
    effort: int | None = None,
    minutes: int = 60,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> tuple[Worth, ...]:
    """Each crew-day longer by `minutes`, each crew's day off worked, and a second crew on each day that is worked;
    the most worth first, what could not be found out in time last.

    seconds: for all of it; effort: for each solving.
    """
    started = time.monotonic()

    def left() -> float:
        return seconds - (time.monotonic() - started)

    changes = list(_changes(week, minutes))
    each = seconds / (len(changes) + 2)
    base = solve(week, seconds=2 * each, effort=effort, seed=seed, stop=stop, standing=plan)
    found = []
    for place, change in enumerate(changes):
        if left() <= 0 or (stop is not None and stop()):
            found.append(Worth(change=change, saved=None))
            continue
        share = left() / (len(changes) - place)
        better = solve(apply(week, change), seconds=share, effort=effort, seed=seed, stop=stop, standing=base)
        brought = tuple(job for job in base.skipped if job not in better.skipped)
        found.append(Worth(change=change, saved=max(0, base.cost - better.cost), brought_in=brought))
    return tuple(sorted(found, key=lambda worth: (worth.saved is None, -(worth.saved or 0))))


def _changes(week: Week, minutes: int) -> list[Change]:
    worked = week.crew_days()
    longer = [Change(kind=ChangeKind.BACK_LATER, crew=crew, day=day, minutes=minutes) for crew, day in worked]
    busy = sorted({day for _, day in worked})
    off = [(crew.id, day) for crew in week.crews if crew.hours for day in busy if day not in crew.hours]
    out = [Change(kind=ChangeKind.CREW_GOES_OUT, crew=crew, day=day) for crew, day in off]
    like = next(crew for crew in week.crews)
    second = [Change(kind=ChangeKind.SECOND_CREW, crew=like.id, day=day) for day in busy]
    return [*longer, *out, *second]
