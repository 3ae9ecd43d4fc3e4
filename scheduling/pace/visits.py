"""Visits as the fit reads them, and the ones it sets aside by name."""

from __future__ import annotations

import datetime as dt
import math
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from .rates import KINDS, Rates, Spread

_USUAL_FACTOR: Final = math.log(4)
"""A business is not slower or faster than the defaults by more."""
_UNIT: Final = math.log(25)
"""Off by more, minutes are in another unit; where the middle one is three quarters as far off, all are."""
_WILD: Final = 4.5
_WILD_FACTOR: Final = math.log(2.5)


@dataclass(frozen=True)
class WorkAsked:
    """A visit to be estimated: head by kind; counts may be fractions where they are expected values, and minutes are
    then unsure by a standard deviation of `unsure_minutes` (at the rates of the middle)."""

    date: dt.date
    farm: str
    crew: str
    head: Mapping[str, float]
    unsure_minutes: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        if unknown := set(self.head) - set(KINDS):
            raise ValueError(f"no such kind of work: {sorted(unknown)}")
        if not all(math.isfinite(count) and count >= 0 for count in self.head.values()):
            raise ValueError("head cannot be counted below 0")

    @property
    def total(self) -> float:
        return sum(self.head.values())


@dataclass(frozen=True)
class PastVisit(WorkAsked):
    """A visit as recorded. `minutes`: from arrival to last head out, as written down, be it sensible or not.
    `name`: how a person finds the record, for instance a line of a file."""

    minutes: float
    name: str


@dataclass(frozen=True)
class SetAside:
    """A record the fit does not use. `code` is one of no_head, no_minutes, end_before_start, future, looks_like_hours,
    looks_like_seconds, too_long, too_short; `expected`: the minutes other visits say, where they do.
    """

    name: str
    farm: str
    code: str
    minutes: float
    head: float
    expected: float | None = None

    @classmethod
    def of(cls, visit: PastVisit, code: str, expected: float | None = None) -> SetAside:
        return cls(visit.name, visit.farm, code, visit.minutes, visit.total, expected)


def set_impossible_aside(visits: Iterable[PastVisit], *, today: dt.date) -> tuple[list[PastVisit], list[SetAside]]:
    """Part visits that can have happened from those that cannot, whatever the pace."""
    kept: list[PastVisit] = []
    aside: list[SetAside] = []
    for visit in visits:
        if (code := _impossible(visit, today)) is None:
            kept.append(visit)
        else:
            aside.append(SetAside.of(visit, code))
    return kept, aside


def _impossible(visit: PastVisit, today: dt.date) -> str | None:
    if visit.date > today:
        return "future"
    if not visit.minutes >= 0:
        return "end_before_start"
    if visit.minutes == 0:
        return "no_minutes"
    if visit.total == 0:
        return "no_head"
    return None


def set_wild_aside(visits: Sequence[PastVisit], rates: Rates, spread: Spread) -> tuple[list[PastVisit], list[SetAside]]:
    """Part visits from those no pace explains: minutes typed as hours or seconds, a day typed for three head."""
    if not visits:
        return [], []
    offs = [math.log(visit.minutes / rates.minutes(visit.head)) for visit in visits]
    middle = statistics.median(offs)
    middle = 0.0 if abs(middle) > 0.75 * _UNIT else max(-_USUAL_FACTOR, min(_USUAL_FACTOR, middle))
    near = [off - middle for off in offs if abs(off - middle) < _UNIT]
    wide = statistics.median(abs(off) for off in near) * 1.4826 if near else 0.0
    count, usual = len(near), spread.unknown
    wide = math.sqrt((count * wide**2 + 8 * usual**2) / (count + 8))
    limit = max(_WILD * wide, _WILD_FACTOR)
    kept: list[PastVisit] = []
    aside: list[SetAside] = []
    for visit, off in zip(visits, offs, strict=True):
        miss = off - middle
        if abs(miss) <= limit:
            kept.append(visit)
            continue
        long = miss > 0
        unit = "looks_like_seconds" if long else "looks_like_hours"
        code = unit if abs(miss) > _UNIT else "too_long" if long else "too_short"
        aside.append(SetAside.of(visit, code, rates.minutes(visit.head) * math.exp(middle)))
    return kept, aside
