"""How past estimates did: of each recorded visit, what the others say of it against what it took."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from scipy.stats import binom

from scheduling import pace
from scheduling.pace_models import LearnedPace
from trimmer.models import Business, Crew, Farm

_UNLIKELY: Final = 0.05
"""A share as low as this comes about so seldom where the figures hold."""


@dataclass(frozen=True)
class Tried:
    """A past visit: minutes it took, and minutes the other visits say at 50, 80 and 90 %."""

    visit: int
    date: dt.date
    farm: int
    crew: int
    head: int
    took: float
    said: tuple[float, float, float]

    @property
    def inside(self) -> bool:
        """It took no longer than nine in ten should."""
        return self.took <= self.said[2]

    @property
    def of_said(self) -> float:
        """Minutes taken as a share of those nine in ten stay under."""
        return self.took / self.said[2]


@dataclass(frozen=True)
class Share:
    """Of so many visits, how many took no longer than the figures at 50, 80 and 90 %."""

    name: str
    pk: int | None
    visits: int
    inside: tuple[int, int, int]

    @property
    def shares(self) -> tuple[float, float, float]:
        return self.p50, self.p80, self.p90

    @property
    def p50(self) -> float:
        return self.inside[0] / self.visits

    @property
    def p80(self) -> float:
        return self.inside[1] / self.visits

    @property
    def p90(self) -> float:
        return self.inside[2] / self.visits

    @property
    def below(self) -> bool:
        """Fewer visits stay under nine in ten's figure than chance explains: estimates are too short here."""
        return float(binom.cdf(self.inside[2], self.visits, pace.LEVELS[2])) < _UNLIKELY


@dataclass(frozen=True)
class Accuracy:
    """How past estimates did: of all visits, by farm, by crew; the visits themselves, the latest first."""

    whole: Share
    farms: tuple[Share, ...]
    crews: tuple[Share, ...]
    tried: tuple[Tried, ...]


def accuracy_of(*, business: Business, learned: LearnedPace | None) -> Accuracy | None:
    """How past estimates did; none where no visit could be learned from."""
    if learned is None or not learned.tried:
        return None
    tried = [_tried(row) for row in learned.tried]
    farms = dict(Farm.objects.of(business).values_list("pk", "name"))
    crews = dict(Crew.objects.of(business).values_list("pk", "name"))
    return Accuracy(
        whole=_share("", None, tried),
        farms=_by(farms, {pk: [each for each in tried if each.farm == pk] for pk in {each.farm for each in tried}}),
        crews=_by(crews, {pk: [each for each in tried if each.crew == pk] for pk in {each.crew for each in tried}}),
        tried=tuple(sorted(tried, key=lambda each: (each.date, each.visit), reverse=True)),
    )


def _tried(row: dict[str, Any]) -> Tried:
    low, mid, high = row["said"]
    date = dt.date.fromisoformat(row["date"])
    return Tried(row["visit"], date, row["farm"], row["crew"], row["head"], row["took"], (low, mid, high))


def _by(names: dict[int, str], groups: dict[int, list[Tried]]) -> tuple[Share, ...]:
    known = [_share(names[pk], pk, group) for pk, group in groups.items() if pk in names]
    return tuple(sorted(known, key=lambda share: (share.name, share.pk)))


def _share(name: str, pk: int | None, tried: Iterable[Tried]) -> Share:
    rows = list(tried)
    low, mid, high = (sum(each.took <= each.said[level] for each in rows) for level in range(3))
    return Share(name, pk, len(rows), (low, mid, high))
