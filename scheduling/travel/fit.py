"""What the business's own drives teach: how much longer they take than reckoned, and how crooked its roads are.

Medians, because a stop for diesel or a missed turn is in the data too. A factor is applied only where the drives
support it: the distribution-free 95 % interval of the median ratio (order statistics; W. J. Conover, Practical
Nonparametric Statistics, section 3.2, from memory) must not hold 1.
"""

from __future__ import annotations

import math
import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from scheduling.travel.straight import BANDS, Band, Straight

LEAST_TRIPS = 12
BOUNDS = (0.75, 1.6)
"""A factor beyond these says that something else is wrong, such as times noted late; it is cut off there."""


@dataclass(frozen=True, kw_only=True)
class Trip:
    """A drive between two farms as it was. hour: local hour of leaving; reckoned_s: seconds as the tables have it;
    driven_s: as recorded; straight_m and driven_m: metres (driven_m None where nobody noted them)."""

    crew: int
    hour: int
    reckoned_s: float
    driven_s: float
    straight_m: float
    driven_m: float | None = None

    def __post_init__(self) -> None:
        if not (self.reckoned_s > 0 and self.driven_s > 0 and self.straight_m > 0):
            raise ValueError("a trip takes time and leads somewhere")

    @property
    def ratio(self) -> float:
        """Driven against reckoned."""
        return self.driven_s / self.reckoned_s


@dataclass(frozen=True, kw_only=True)
class Learned:
    """Driven against reckoned minutes: the median ratio of so many trips, its 95 % interval, and the factor that is
    applied (1 where the trips do not support another)."""

    trips: int
    ratio: float
    low: float
    high: float
    factor: float


NOTHING = Learned(trips=0, ratio=1.0, low=0.0, high=math.inf, factor=1.0)


def learn(trips: Iterable[Trip]) -> Learned:
    """What these trips say together."""
    ratios = sorted(trip.ratio for trip in trips)
    if not ratios:
        return NOTHING
    low, high = interval(ratios)
    ratio = statistics.median(ratios)
    supported = len(ratios) >= LEAST_TRIPS and not low <= 1 <= high
    factor = min(max(ratio, BOUNDS[0]), BOUNDS[1]) if supported else 1.0
    return Learned(trips=len(ratios), ratio=ratio, low=low, high=high, factor=factor)


def learn_by_hour(trips: Iterable[Trip]) -> dict[int, Learned]:
    """The same for each hour of leaving."""
    by_hour: dict[int, list[Trip]] = defaultdict(list)
    for trip in trips:
        by_hour[trip.hour].append(trip)
    return {hour: learn(by_hour[hour]) for hour in sorted(by_hour)}


def learn_by_crew(trips: Iterable[Trip]) -> Mapping[int, Learned]:
    """The same for each crew and its rig."""
    by_crew: dict[int, list[Trip]] = defaultdict(list)
    for trip in trips:
        by_crew[trip.crew].append(trip)
    return {crew: learn(rows) for crew, rows in by_crew.items()}


def interval(ordered: Sequence[float]) -> tuple[float, float]:
    """The 95 % interval of the median of values in rising order; unbounded where they are too few for one."""
    count = len(ordered)
    tail, rank = 0.0, 0
    while rank <= count:
        tail += math.comb(count, rank) / 2**count
        if tail > 0.025:
            break
        rank += 1
    return (ordered[rank - 1], ordered[count - rank]) if rank else (0.0, math.inf)


def fit_straight(trips: Iterable[Trip], straight: Straight) -> Straight:
    """The straight-line estimate with the detour and speed of the business's own drives, in each band of distance that
    holds enough of them. Coarsely rounded, so that one drive more does not make every figure anew."""
    measured = [trip for trip in trips if trip.driven_m is not None and trip.driven_m >= trip.straight_m]
    bands, used, least = [], 0, 0.0
    for band in BANDS:
        inside = [trip for trip in measured if least < trip.straight_m <= band.up_to]
        least = band.up_to
        if len(inside) < LEAST_TRIPS:
            bands.append(band)
            continue
        used += len(inside)
        detour = statistics.median((trip.driven_m or 0) / trip.straight_m for trip in inside)
        speed = statistics.median((trip.driven_m or 0) / trip.driven_s * 3.6 for trip in inside)
        bands.append(
            Band(up_to=band.up_to, detour=max(1.0, round(detour * 20) / 20), speed=max(5.0, float(round(speed))))
        )
    return replace(straight, bands=tuple(bands), fitted=used // 10 * 10) if used else straight
