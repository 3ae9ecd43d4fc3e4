"""What must add up is shared out, not rounded part by part."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction
from math import factorial

from billing.charges.totals import exact, rounded


def shared_out(total: Decimal, weights: Sequence[Decimal | int | Fraction], places: int = 2) -> tuple[Decimal, ...]:
    """Split `total` by `weights` so that the parts add up to it, by the largest remainder.

    Every part is the exact share cut to `places` decimals; the units left over go to the parts that lost most by
    the cut, on a tie to the earlier one, so the same input gives the same split.

    Raises ValueError for no weights, a negative weight, weights that sum to zero, or a total finer than `places`.
    """
    whole = exact(total, "total")
    if whole != rounded(whole, places):
        raise ValueError(f"{total} has more than {places} decimals")
    parts = [one if isinstance(one, Fraction) else Fraction(exact(one, "weight")) for one in weights]
    if not parts or any(part < 0 for part in parts) or not sum(parts):
        raise ValueError("weights must be zero or more, and one of them more")
    unit = Decimal(1).scaleb(-places)
    units = int(abs(whole).scaleb(places))
    shares = [units * part / sum(parts) for part in parts]
    counts = [int(share) for share in shares]
    by_loss = sorted(range(len(parts)), key=lambda place: (counts[place] - shares[place], place))
    for place in by_loss[: units - sum(counts)]:
        counts[place] += 1
    sign = -1 if whole < 0 else 1
    return tuple(rounded(sign * count * unit, places) for count in counts)


MOST_EXACT = 12
"""Farms of one round for which every group is reckoned: 4,096 groups, a few hundredths of a second."""

WHOLE = 1_000_000_000
"""A share is kept in thousand millionths: the shares of a round add up to this."""


class Way(StrEnum):
    """How the travel of a round is shared among its farms."""

    ALONE = "alone"
    EQUAL = "equal"
    HEAD = "head"
    ZONES = "zones"
    SHAPLEY = "shapley"
    GAP = "gap"


@dataclass(frozen=True, slots=True)
class Trip:
    """A round by its distances, in metres or any one unit: from base to each farm, back from each, and from each farm
    (row) to each other (column). The way there and the way back may differ; without `to_base` they do not."""

    from_base: tuple[int, ...]
    between: tuple[tuple[int, ...], ...]
    to_base: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if not self.to_base:
            object.__setattr__(self, "to_base", self.from_base)
        count = len(self.from_base)
        rows = (self.to_base, *self.between)
        if not count or len(self.between) != count or any(len(row) != count for row in rows):
            raise ValueError("a trip needs a distance from base to each farm and back, and one between each two")
        if any(metres < 0 for row in (self.from_base, *rows) for metres in row):
            raise ValueError("a distance must not be negative")

    def alone(self) -> tuple[int, ...]:
        """There and back for each farm by itself."""
        return tuple(out + back for out, back in zip(self.from_base, self.to_base, strict=True))

    def groups(self) -> tuple[int, ...]:
        """The shortest tour of every group of farms, by the group's bit pattern; 0 for nobody.

        By dynamic programming over groups and the last farm (Held and Karp 1962), which asks for no symmetry. Raises
        ValueError for more farms than `MOST_EXACT`.
        """
        count = len(self.from_base)
        if count > MOST_EXACT:
            raise ValueError(f"every group of more than {MOST_EXACT} farms is too many to reckon")
        ends: list[dict[int, int]] = [{} for _ in range(1 << count)]
        for farm in range(count):
            ends[1 << farm][farm] = self.from_base[farm]
        shortest = [0] * (1 << count)
        for group in range(1, 1 << count):
            for last, so_far in ends[group].items():
                for farm in range(count):
                    if not group & 1 << farm:
                        wider, longer = ends[group | 1 << farm], so_far + self.between[last][farm]
                        wider[farm] = min(wider.get(farm, longer), longer)
            shortest[group] = min(so_far + self.to_base[last] for last, so_far in ends[group].items())
        return tuple(shortest)


def shapley(costs: Sequence[int | Decimal]) -> tuple[Fraction, ...]:
    """The Shapley value (Shapley 1953) of a cost game: what each adds on average over every order of joining.

    costs: the cost of every group by its bit pattern (2^n of them, nothing for nobody). Exact; the parts add up to the
    cost of all.
    """
    count = _players(costs)
    parts = [Fraction(0)] * count
    orders = factorial(count)
    for group in range(len(costs)):
        others = group.bit_count()
        weight = Fraction(factorial(others) * factorial(count - others - 1), orders) if others < count else Fraction(0)
        for player in range(count):
            if not group & 1 << player:
                parts[player] += weight * (Fraction(costs[group | 1 << player]) - Fraction(costs[group]))
    return tuple(parts)


def cost_gap(costs: Sequence[int | Decimal]) -> tuple[Fraction, ...]:
    """Separable costs, remaining benefits (Louderback 1976): each bears what it adds to all the others, and the rest is
    shared by how much less that is than its cost alone."""
    count = _players(costs)
    everybody = len(costs) - 1
    added = [Fraction(costs[everybody]) - Fraction(costs[everybody & ~(1 << player)]) for player in range(count)]
    gaps = [Fraction(costs[1 << player]) - added[player] for player in range(count)]
    rest = Fraction(costs[everybody]) - sum(added)
    if not sum(gaps):
        return tuple(part + rest / count for part in added)
    return tuple(part + rest * gap / sum(gaps) for part, gap in zip(added, gaps, strict=True))


def _players(costs: Sequence[int | Decimal]) -> int:
    count = len(costs).bit_length() - 1
    if count < 1 or len(costs) != 1 << count or costs[0] != 0:
        raise ValueError("a cost for every group is needed, and none for nobody")
    return count


def trip_shares(trip: Trip, way: Way, head: Sequence[int], fees: Sequence[Decimal | int] = ()) -> tuple[Fraction, ...]:
    """What part of a round's travel each farm bears, adding up to 1; `fees` are those of the farms' zones.

    ALONE: by the distance each farm would cost by itself (Moriarity 1975), so that none bears more than driving alone
    when the round is no longer than that. Where nothing tells the farms apart (no head, no distance), all bear the
    same. SHAPLEY and GAP need every group reckoned: ValueError for more farms than `MOST_EXACT`.
    """
    weights: Sequence[Fraction]
    match way:
        case Way.EQUAL:
            weights = [Fraction(1)] * len(trip.from_base)
        case Way.HEAD:
            weights = [Fraction(count) for count in head]
        case Way.ZONES:
            weights = [Fraction(exact(fee, "fee")) for fee in fees]
        case Way.ALONE:
            weights = [Fraction(metres) for metres in trip.alone()]
        case Way.SHAPLEY:
            weights = shapley(trip.groups())
        case Way.GAP:
            weights = cost_gap(trip.groups())
    if len(weights) != len(trip.from_base) or any(weight < 0 for weight in weights) or not sum(weights):
        weights = [Fraction(1)] * len(trip.from_base)
    return tuple(weight / sum(weights) for weight in weights)


def in_parts(shares: Sequence[Fraction]) -> tuple[int, ...]:
    """Shares as whole thousand millionths, which add up to `WHOLE`: what is kept, and split by from then on."""
    return tuple(int(part) for part in shared_out(Decimal(WHOLE), shares, places=0))
