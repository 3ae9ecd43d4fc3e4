"""What work earned an hour: billed against minutes at the chute and on the road.

A round's road is all its legs and the way home, shared among its farms by the distance each would be driven alone (as
its travel is on a bill): the first farm of a round does not pay for the whole way out. Where a distance is not known,
each farm has its own leg and the last the way home.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from billing.charges.share import shared_out
from billing.charges.totals import ZERO, rounded

MINUTES_IN_HOUR = 60


@dataclass(frozen=True, slots=True)
class Stop:
    """A visit of a round, in the order driven. Minutes are whole; metres None where not known.

    `billed` is before tax, credit notes taken off; None when it is not billed yet. `travel` is the part of it that is
    charged for coming. `told` is False where the minutes are as planned, for want of what was recorded.
    """

    key: int
    head: int
    billed: Decimal | None
    travel: Decimal
    chute: int
    leg: int
    leg_metres: int | None = None
    alone_metres: int | None = None
    told: bool = True

    def __post_init__(self) -> None:
        if min(self.head, self.chute, self.leg, self.leg_metres or 0, self.alone_metres or 0) < 0:
            raise ValueError("head, minutes and metres are 0 or more")


def road_minutes(stops: Sequence[Stop]) -> tuple[int, ...]:
    """Each stop's share of its round's minutes on the road, adding up to all of them.

    The way home is half the last farm's distance alone, at the pace of the legs; 0 where that is not known.
    """
    if not stops:
        return ()
    home, last = 0, stops[-1]
    metres = sum(stop.leg_metres or 0 for stop in stops)
    minutes = sum(stop.leg for stop in stops)
    if last.alone_metres and metres and all(stop.leg_metres is not None for stop in stops):
        home = int(rounded(Decimal(last.alone_metres * minutes) / (2 * metres), 0))
    alone = [stop.alone_metres or 0 for stop in stops]
    if all(alone):
        return tuple(int(part) for part in shared_out(Decimal(minutes + home), alone, 0))
    return (*(stop.leg for stop in stops[:-1]), last.leg + home)


@dataclass(frozen=True, slots=True)
class Earned:
    """What one farm, crew or round earned. Minutes are those of visits that are billed; the others wait."""

    key: Hashable
    visits: int
    waiting: int
    estimated: int
    head: int
    billed: Decimal
    travel: Decimal
    chute: int
    road: int

    @property
    def minutes(self) -> int:
        return self.chute + self.road

    @property
    def an_hour(self) -> Decimal | None:
        """Billed for an hour at the chute and on the road; None without a minute."""
        return per_hour(self.billed, self.minutes)

    @property
    def a_chute_hour(self) -> Decimal | None:
        """Billed for an hour at the chute, as if nobody had to drive."""
        return per_hour(self.billed, self.chute)

    @property
    def travel_a_road_hour(self) -> Decimal | None:
        """What is charged for coming, for an hour on the road."""
        return per_hour(self.travel, self.road)


def per_hour(amount: Decimal, minutes: int) -> Decimal | None:
    """An amount for an hour, to the cent; None for no time."""
    return rounded(amount * MINUTES_IN_HOUR / minutes) if minutes else None


def earned(rounds: Iterable[Sequence[Stop]], group: Callable[[Stop], Hashable]) -> list[Earned]:
    """Rows by group, in the order met."""
    rows: dict[Hashable, Earned] = {}
    for stops in rounds:
        for stop, road in zip(stops, road_minutes(stops), strict=True):
            key = group(stop)
            row = rows.get(key) or Earned(key, 0, 0, 0, 0, ZERO, ZERO, 0, 0)
            rows[key] = _with(row, stop, road)
    return list(rows.values())


def _with(row: Earned, stop: Stop, road: int) -> Earned:
    if stop.billed is None:
        counted = (row.visits, row.waiting + 1, row.estimated, row.head, row.billed, row.travel, row.chute, row.road)
        return Earned(row.key, *counted)
    return Earned(
        row.key,
        row.visits + 1,
        row.waiting,
        row.estimated + (not stop.told),
        row.head + stop.head,
        row.billed + stop.billed,
        row.travel + stop.travel,
        row.chute + stop.chute,
        row.road + road,
    )
