"""Minutes a head takes by kind of work: the figures that stand in until a business's own are known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

KINDS: Final = ("trim", "topical", "block", "wrap", "recheck", "heifer", "bull")
"""Kinds of work. Each head counts once, under its heaviest work; heifers and bulls under their own kind."""

_COMMON: Final[Mapping[str, float]] = {
    "trim": 8.0,
    "topical": 9.0,
    "block": 15.5,
    "wrap": 10.5,
    "recheck": 4.0,
    "heifer": 7.0,
    "bull": 15.0,
}


@dataclass(frozen=True)
class Rates:
    """Minutes of set-up at a farm and minutes a head by kind.

    The defaults are common practice, not published (no mean or spread of minutes a head could be found): trim only
    6-10, topical and wrap 2-3 more, a block 5-10 more with its glue, a recheck alone 3-5, set-up 20-30.
    """

    setup: float = 25.0
    per_head: Mapping[str, float] = field(default_factory=lambda: dict(_COMMON))

    def __post_init__(self) -> None:
        if set(self.per_head) != set(KINDS):
            raise ValueError(f"rates for {sorted(self.per_head)}, not for {sorted(KINDS)}")
        if not self.setup >= 0 or not all(minutes > 0 for minutes in self.per_head.values()):
            raise ValueError("set-up takes 0 minutes or more, and each kind of work more than 0")

    def minutes(self, head: Mapping[str, float]) -> float:
        """Set-up and work for so many head by kind."""
        return self.setup + sum(self.per_head[kind] * count for kind, count in head.items())


@dataclass(frozen=True)
class Spread:
    """How far visits stray from the middle, as standard deviations of the logarithm of their minutes: of a visit around
    its farm's and crew's own pace, of farms and of crews around the whole. Common practice until fitted."""

    visit: float = 0.20
    farm: float = 0.20
    crew: float = 0.08

    @property
    def unknown(self) -> float:
        """Of a visit to a farm nobody was at, by a crew nobody knows."""
        return float((self.visit**2 + self.farm**2 + self.crew**2) ** 0.5)
