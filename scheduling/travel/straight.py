"""Driving estimated from straight lines: great circle, times a detour, at a speed that depends on the distance.

A labelled stand-in where no road map is at hand: on real roads it is off by a sixth in the middle and by half in
hilly country.

Detour and speed by band of great-circle distance follow 5,434 random road routes in Great Britain (DanOlner,
randomNetworkDistancer, 2015; medians and mean car speeds worked out from its table): short ways are more crooked and
slower. Country-wide long-haul factors are lower (Ballou, Rahardja and Sakai 2002, Transportation Research A 36:843,
1.2 to 1.5, from memory), so they are no guide for farm-to-farm ways of 5 to 50 km. A rig with a chute drives slower
than a car: speeds are capped; 60 km/h is common practice on rural roads, and the local towing limit is for the user
to look up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from trimmer.distance import haversine_metres

type Point = tuple[float, float]
"""Latitude and longitude in degrees."""


@dataclass(frozen=True)
class Leg:
    """A way driven: road metres and minutes, both whole; one minute at least unless the places are the same."""

    metres: int
    minutes: int


@dataclass(frozen=True, kw_only=True)
class Band:
    """Ways up to `up_to` great-circle metres: road metres per straight metre, and speed in km/h."""

    up_to: float
    detour: float
    speed: float


BANDS = (
    Band(up_to=20_000, detour=1.546, speed=49.5),
    Band(up_to=50_000, detour=1.458, speed=57.7),
    Band(up_to=100_000, detour=1.407, speed=68.1),
    Band(up_to=200_000, detour=1.369, speed=77.2),
    Band(up_to=400_000, detour=1.322, speed=87.3),
    Band(up_to=math.inf, detour=1.326, speed=92.7),
)
TOWING_CAP_KMH = 60.0


@dataclass(frozen=True, kw_only=True)
class Straight:
    """An estimate of driving. towing_cap: most km/h with the chute behind. detour: one factor found locally in place
    of the bands' own (None: by band). bands: rising; `fitted` says on about how
    many of the business's own trips they rest."""

    towing_cap: float = TOWING_CAP_KMH
    detour: float | None = None
    bands: tuple[Band, ...] = BANDS
    fitted: int = 0

    def __post_init__(self) -> None:
        if not self.towing_cap > 0 or (self.detour is not None and not self.detour >= 1):
            raise ValueError("The towing speed must be positive and the detour at least 1.")

    @property
    def source(self) -> str:
        """Names how the figures were made, to be kept with them."""
        factor = "by-distance" if self.detour is None else f"{self.detour:g}"
        if self.bands != BANDS:
            own = (f"{band.detour:g}x{band.speed:g}" for band in self.bands if band not in BANDS)
            factor = f"own:{','.join(own)}"
        return f"straight-line;detour={factor};cap={self.towing_cap:g}kmh"

    def travel(self, a: Point, b: Point) -> Leg:
        """The way from a to b."""
        metres, seconds = self.drive(a, b)
        return Leg(round(metres), max(1, round(seconds / 60)) if metres else 0)

    def drive(self, a: Point, b: Point) -> tuple[float, float]:
        """Metres and seconds from a to b, not rounded."""
        straight = haversine_metres(*a, *b)
        if straight == 0:
            return 0.0, 0.0
        band = next(band for band in self.bands if straight <= band.up_to)
        metres = straight * (band.detour if self.detour is None else self.detour)
        return metres, metres / (min(band.speed, self.towing_cap) / 3.6)

    def matrix(self, points: Sequence[Point]) -> tuple[tuple[Leg, ...], ...]:
        """Row a, column b: the way from points[a] to points[b]."""
        return tuple(tuple(self.travel(a, b) for b in points) for a in points)


STRAIGHT = Straight()


def travel(a: Point, b: Point) -> Leg:
    """The way from a to b by the default estimate."""
    return STRAIGHT.travel(a, b)


def matrix(points: Sequence[Point]) -> tuple[tuple[Leg, ...], ...]:
    """All ways between points by the default estimate; row a, column b is from a to b."""
    return STRAIGHT.matrix(points)


source = STRAIGHT.source
