"""What changes for each farm between two plans: visits moved, added, dropped."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .plan import Plan, Round
from .problem import Key


@dataclass(frozen=True, kw_only=True)
class Visit:
    """A visit to a job as a farm hears of it: who comes, on which day, from when to when (minutes), for how much
    work."""

    job: Key
    crew: Key
    day: int
    start: int
    end: int
    work: int


@dataclass(frozen=True, kw_only=True)
class Moved:
    """A visit that is elsewhere. how: "day", "crew" (the same day) or "hour" (the same crew and day)."""

    before: Visit
    after: Visit
    how: str

    @property
    def job(self) -> Key:
        return self.before.job


@dataclass(frozen=True, kw_only=True)
class Difference:
    """Each visit of two plans is kept, moved, added or dropped; the visits by day and hour."""

    kept: tuple[Visit, ...]
    moved: tuple[Moved, ...]
    added: tuple[Visit, ...]
    dropped: tuple[Visit, ...]


def visits_of(rounds: Iterable[Round]) -> list[Visit]:
    """The visits of these rounds by day and hour."""
    visits = [
        Visit(job=stop.job, crew=made.crew, day=made.day, start=stop.start, end=stop.end, work=stop.work)
        for made in rounds
        for stop in made.stops
    ]
    return sorted(visits, key=lambda visit: (visit.day, visit.start, str(visit.job)))


def compare(before: Plan, after: Plan, *, tolerance: int = 0) -> Difference:
    """From one plan to the other. A start that is at most `tolerance` minutes off counts as kept. Of several visits to
    one job each keeps the nearest it can: its own crew and day, else its day, else another."""
    new: dict[Key, list[Visit]] = {}
    for visit in visits_of(after.rounds):
        new.setdefault(visit.job, []).append(visit)
    pairs: dict[Visit, Visit] = {}
    left = visits_of(before.rounds)
    for near in (_same_crew_and_day, _same_day, lambda old, new: True):
        for old in list(left):
            found = next((visit for visit in new.get(old.job, ()) if near(old, visit)), None)
            if found is not None:
                pairs[old] = found
                new[old.job].remove(found)
                left.remove(old)
    moved = [Moved(before=old, after=now, how=how) for old, now in pairs.items() if (how := _how(old, now, tolerance))]
    gone = {move.before for move in moved}
    return Difference(
        kept=tuple(now for old, now in pairs.items() if old not in gone),
        moved=tuple(sorted(moved, key=lambda move: (move.before.day, move.before.start, str(move.job)))),
        added=tuple(sorted((v for visits in new.values() for v in visits), key=lambda v: (v.day, v.start, str(v.job)))),
        dropped=tuple(left),
    )


def _same_crew_and_day(old: Visit, new: Visit) -> bool:
    return (old.crew, old.day) == (new.crew, new.day)


def _same_day(old: Visit, new: Visit) -> bool:
    return old.day == new.day


def _how(old: Visit, new: Visit, tolerance: int) -> str:
    """How the visit moved, "" when it did not."""
    if old.day != new.day:
        return "day"
    if old.crew != new.crew:
        return "crew"
    return "hour" if abs(old.start - new.start) > tolerance else ""
