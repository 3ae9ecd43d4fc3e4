"""A fit as it stands on a day: figures only, so that it can be kept and read again."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from .fit import Corrections, Estimate, Levels, Pace, estimated
from .rates import KINDS
from .visits import WorkAsked

FORMAT = 1
_UNKNOWN = ""


@dataclass(frozen=True)
class StandingPace:
    """The pace on a day. `effects`: by farm and crew, log of the factor and its variance; "" is one nobody knows."""

    day: dt.date
    levels: Levels
    effects: Mapping[str, Mapping[str, tuple[float, float]]]
    farm_visits: Mapping[str, int]
    crew_visits: Mapping[str, int]

    @classmethod
    def of(cls, pace: Pace, day: dt.date) -> StandingPace:
        """What the fit says of that day; later days are foretold from it."""
        effects = {
            farm: {crew: pace.effect(farm, crew, day) for crew in [_UNKNOWN, *pace.crews]}
            for farm in [_UNKNOWN, *pace.farms]
        }
        return cls(day, pace.levels, effects, pace.farm_visits, pace.crew_visits)

    def estimate(self, ask: WorkAsked) -> Estimate:
        """Minutes of a visit to come. Raises ValueError when there is nothing to work on."""
        farm = self.effects.get(ask.farm, self.effects[_UNKNOWN])
        return estimated(
            ask,
            self.levels,
            self.levels.ahead,
            farm.get(ask.crew, farm[_UNKNOWN]),
            self.farm_visits.get(ask.farm, 0),
            self.crew_visits.get(ask.crew, 0),
        )

    def rate(self, kind: str) -> float:
        """Minutes a head of the middle, of the whole."""
        return float(self.levels.lines[0][1 + KINDS.index(kind)])

    def as_figures(self) -> dict[str, Any]:
        """Plain values for JSON."""
        levels = self.levels
        return {
            "format": FORMAT,
            "day": self.day.isoformat(),
            "kinds": list(KINDS),
            "lines": levels.lines.tolist(),
            "sigma": levels.sigma,
            "rise": levels.rise,
            "variance": levels.variance,
            "unknown": levels.unknown,
            "corrections": [levels.ahead.known.tolist(), levels.ahead.unknown.tolist()],
            "effects": {farm: {crew: list(pair) for crew, pair in row.items()} for farm, row in self.effects.items()},
            "farm_visits": dict(self.farm_visits),
            "crew_visits": dict(self.crew_visits),
        }

    @classmethod
    def from_figures(cls, figures: Mapping[str, Any]) -> StandingPace:
        """Raises ValueError when they are of another format, or of other kinds of work."""
        if figures.get("format") != FORMAT or figures["kinds"] != list(KINDS):
            raise ValueError("figures of another format")
        known, unknown = (np.array(row, dtype=float) for row in figures["corrections"])
        ahead = Corrections(known, unknown)
        levels = Levels(
            lines=np.array(figures["lines"], dtype=float),
            sigma=figures["sigma"],
            rise=figures["rise"],
            variance=figures["variance"],
            unknown=figures["unknown"],
            within=ahead,
            ahead=ahead,
        )
        effects = {
            farm: {crew: (float(middle), float(variance)) for crew, (middle, variance) in row.items()}
            for farm, row in figures["effects"].items()
        }
        return cls(
            dt.date.fromisoformat(figures["day"]), levels, effects, figures["farm_visits"], figures["crew_visits"]
        )
