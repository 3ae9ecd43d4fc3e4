"""The work of the weeks to come against what crews can do. This module knows no Django.

A farm's routine work is counted once: visits booked and asked for first; then a standing arrangement, or, where there
is none, the animals that come due by their own dates and as much more as a herd of this size needs in a year
(scheduling/frequency.py), spread evenly. Rechecks come on top of any.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from .frequency import EVALUATIONS_PER_COW

WEEKS: Final = 26
"""Half a year."""
SOURCES: Final = ("booked", "asked", "standing", "animals", "recheck", "formula")
_DAYS_A_YEAR: Final = 365.0


@dataclass(frozen=True)
class DueFigures:
    """What is reckoned with. factor: evaluations a cow and year; dry_off_days: an animal is due so many days before its
    dry-off; calving_days: so many before calving where no dry-off is planned, after_calving_days: after it."""

    factor: float = float(EVALUATIONS_PER_COW)
    by_formula: bool = True
    dry_off_days: int = 7
    calving_days: int = 60
    after_calving_days: int = 80


@dataclass(frozen=True)
class AnimalDates:
    """What the animal table says of one head that is not on a booked visit's list."""

    heifer: bool
    calved_on: dt.date | None = None
    calving_due_on: dt.date | None = None
    dry_off_on: dt.date | None = None
    trimmed_on: dt.date | None = None


@dataclass(frozen=True)
class Coming:
    """A visit booked or asked for: its day (none: as soon as possible) and head by kind. minutes: where known."""

    on: dt.date | None
    head: Mapping[str, int]
    minutes: float | None = None


@dataclass(frozen=True)
class FarmWork:
    """What is known of a farm. `usual`: head by kind of its usual visit; `minutes`: of one head of each kind, and
    `visit`: of coming at all (set-up, pack-up, drive). interval_weeks and last_on: a standing arrangement; `last_on`
    none: it begins now. rechecks: first and last day by animal."""

    farm: int
    herd: int
    minutes: Mapping[str, float]
    visit: float
    usual: Mapping[str, int] = field(default_factory=dict)
    interval_weeks: int | None = None
    last_on: dt.date | None = None
    booked: Sequence[Coming] = ()
    asked: Sequence[Coming] = ()
    rechecks: Sequence[dt.date] = ()
    animals: Sequence[AnimalDates] = ()


@dataclass
class DueWeek:
    """A week: head and minutes by source, visits, and the minutes crews have."""

    monday: dt.date
    capacity: float
    head: dict[str, float] = field(default_factory=lambda: dict.fromkeys(SOURCES, 0.0))
    minutes: dict[str, float] = field(default_factory=lambda: dict.fromkeys(SOURCES, 0.0))
    visits: float = 0.0

    def add(self, source: str, head: float, minutes: float, visits: float) -> None:
        self.head[source] += head
        self.minutes[source] += minutes
        self.visits += visits

    @property
    def total_head(self) -> float:
        return sum(self.head.values())

    @property
    def total_minutes(self) -> float:
        return sum(self.minutes.values())

    @property
    def share(self) -> float | None:
        """Of the minutes crews have; none where nobody goes out."""
        return self.total_minutes / self.capacity if self.capacity else None

    @property
    def over(self) -> float:
        """Minutes more than crews have."""
        return max(0.0, self.total_minutes - self.capacity)


def outlook(
    farms: Iterable[FarmWork],
    *,
    today: dt.date,
    capacity: Sequence[float],
    figures: DueFigures,
) -> list[DueWeek]:
    """The weeks from the one `today` lies in, as many as `capacity` (minutes by week) has."""
    first = today - dt.timedelta(days=today.weekday())
    weeks = [DueWeek(first + dt.timedelta(weeks=n), minutes) for n, minutes in enumerate(capacity)]
    for farm in farms:
        _Laying(farm, weeks, today, figures).lay()
    return weeks


class _Laying:
    """The work of one farm, laid into the weeks."""

    def __init__(self, farm: FarmWork, weeks: list[DueWeek], today: dt.date, figures: DueFigures) -> None:
        self.farm, self.weeks, self.today, self.figures = farm, weeks, today, figures
        self.visited: set[int] = set()

    def lay(self) -> None:
        routine = 0.0
        for source, comings in (("booked", self.farm.booked), ("asked", self.farm.asked)):
            for coming in comings:
                week = self._week(coming.on)
                if week is not None:
                    routine += self._visit(source, week, coming.head, coming.minutes)
        if self.farm.interval_weeks:
            self._lay_arrangement(self.farm.interval_weeks)
        else:
            routine += self._lay_animals(routine)
            if self.figures.by_formula:
                self._lay_formula(routine)
        self._lay_rechecks()

    def _week(self, day: dt.date | None) -> int | None:
        """The week of a day; what is overdue is due now, what lies beyond is in none."""
        number = ((day or self.today) - self.weeks[0].monday).days // 7
        return max(0, number) if number < len(self.weeks) else None

    def _visit(self, source: str, week: int, head: Mapping[str, int], minutes: float | None = None) -> float:
        """Lay a visit; says how many head it has that are no rechecks."""
        work = sum(self.farm.minutes[kind] * count for kind, count in head.items())
        self.weeks[week].add(source, sum(head.values()), self.farm.visit + work if minutes is None else minutes, 1.0)
        self.visited.add(week)
        return float(sum(count for kind, count in head.items() if kind != "recheck"))

    def _lay_arrangement(self, interval: int) -> None:
        head = {kind: count for kind, count in self.farm.usual.items() if kind != "recheck"}
        if not sum(head.values()):
            return
        known = [coming.on for coming in self.farm.booked if coming.on and self._is_routine(coming.head)]
        last = max([*known, *([self.farm.last_on] if self.farm.last_on else [])], default=None)
        due = last + dt.timedelta(weeks=interval) if last else self.today
        due = max(due, self.today)
        asked = any(self._is_routine(coming.head) for coming in self.farm.asked)
        while (week := self._week(due)) is not None:
            if not asked:  # the first is what the farm asked for already
                self._visit("standing", week, head)
            asked = False
            due += dt.timedelta(weeks=interval)

    @staticmethod
    def _is_routine(head: Mapping[str, int]) -> bool:
        return any(count for kind, count in head.items() if kind not in {"recheck", "lame"})

    def _lay_animals(self, covered: float) -> float:
        """Animals due by their own dates, the earliest of which are those already covered by visits to come."""
        due = sorted(
            (day, animal.heifer)
            for animal in self.farm.animals
            for day in self._days(animal)
            if day >= self.today - dt.timedelta(days=28)
        )
        laid = 0.0
        for day, heifer in due[round(covered) :]:
            week = self._week(day)
            if week is not None:
                self._spread("animals", week, "heifer" if heifer else "cow", 1.0)
                laid += 1.0
        return laid

    def _days(self, animal: AnimalDates) -> list[dt.date]:
        """Days on which an animal is due: before dry-off or calving, and after the last calving. Not those before it
        was last trimmed, give or take."""
        figures = self.figures
        days = []
        if animal.dry_off_on:
            days.append(animal.dry_off_on - dt.timedelta(days=figures.dry_off_days))
        elif animal.calving_due_on:
            days.append(animal.calving_due_on - dt.timedelta(days=figures.calving_days))
        if animal.calved_on:
            days.append(animal.calved_on + dt.timedelta(days=figures.after_calving_days))
        seen = animal.trimmed_on
        return [day for day in days if not seen or day > seen + dt.timedelta(days=28)]

    def _lay_formula(self, covered: float) -> None:
        """As many head more as a herd of this size needs in these weeks, spread evenly."""
        days = 7 * len(self.weeks) - self.today.weekday()
        rest = self.farm.herd * self.figures.factor * days / _DAYS_A_YEAR - covered
        if rest <= 0:
            return
        for week in range(len(self.weeks)):
            part = 7 - self.today.weekday() if week == 0 else 7
            self._spread("formula", week, "cow", rest * part / days)

    def _spread(self, source: str, week: int, kind: str, head: float) -> None:
        """Lay head that wait for a visit of the usual size; where a visit comes anyway they cost no coming."""
        usual = max(1.0, float(sum(self.farm.usual.values())) or min(40.0, max(1.0, self.farm.herd / 2)))
        coming = 0.0 if week in self.visited else head / usual
        self.weeks[week].add(source, head, self.farm.minutes[kind] * head + self.farm.visit * coming, coming)

    def _lay_rechecks(self) -> None:
        """A recheck is looked at in its last week; the first of a week without a visit costs the coming."""
        for day in sorted(self.farm.rechecks):
            week = self._week(day)
            if week is None:
                continue
            coming = 0.0 if week in self.visited else 1.0
            self.visited.add(week)
            self.weeks[week].add("recheck", 1.0, self.farm.minutes["recheck"] + self.farm.visit * coming, coming)
