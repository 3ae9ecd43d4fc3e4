"""What must add up is shared out, not rounded part by part."""

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

from billing.charges.totals import exact, rounded


def shared_out(total: Decimal, weights: Sequence[Decimal | int], places: int = 2) -> tuple[Decimal, ...]:
    """Split `total` by `weights` so that the parts add up to it, by the largest remainder.

    Every part is the exact share cut to `places` decimals; the units left over go to the parts that lost most by
    the cut, on a tie to the earlier one, so the same input gives the same split.

    Raises ValueError for no weights, a negative weight, weights that sum to zero, or a total finer than `places`.
    """
    whole = exact(total, "total")
    if whole != rounded(whole, places):
        raise ValueError(f"{total} has more than {places} decimals")
    parts = [Fraction(exact(weight, "weight")) for weight in weights]
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
