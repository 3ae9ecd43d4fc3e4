"""Discounts as allowances on the whole document (EN 16931, BG-20): worked out per tax category and rate, and given back
in proportion by credit notes."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext

from billing.charges.share import shared_out
from billing.charges.totals import WIDE, ZERO, Line, TaxCategory, exact, part_of, rounded


@dataclass(frozen=True, slots=True)
class Discount:
    """A percentage or an amount before tax off some of a document's lines, by their places; `lines` None: off all."""

    percent: Decimal | None = None
    amount: Decimal | None = None
    lines: frozenset[int] | None = None

    def __post_init__(self) -> None:
        if (self.percent is None) is (self.amount is None):
            raise ValueError("a discount is a percentage or an amount")
        if self.percent is not None and not 0 < exact(self.percent, "percent") <= 100:
            raise ValueError("a percentage is above 0 and at most 100")
        if self.amount is not None and exact(self.amount, "amount") <= 0:
            raise ValueError("a discount is above zero")


@dataclass(frozen=True, slots=True)
class Allowance:
    """The part of a discount in one tax category and rate: BT-92 of BT-93, BT-94 per cent."""

    discount: int
    category: str
    rate: Decimal
    base: Decimal
    amount: Decimal
    percent: Decimal | None


class DiscountTooLarge(ValueError):
    """More would be taken off than there is; `discount` is the place of the one that is too much."""

    def __init__(self, discount: int, most: Decimal) -> None:
        super().__init__(f"at most {most} can be taken off")
        self.discount = discount
        self.most = most


def allowances_of(lines: Sequence[Line], discounts: Sequence[Discount], places: int = 2) -> tuple[Allowance, ...]:
    """What discounts come to in each tax category and rate, by discount.

    Every one is taken off the lines themselves, none off what another has left. An amount is shared out by what the
    lines come to in each tax, to the cent. A tax in which the lines come to nothing or less has no part in it.

    Raises DiscountTooLarge if more would be taken off in some tax than its lines come to.
    """
    left: dict[tuple[TaxCategory, Decimal], Decimal] = _bases(lines, range(len(lines)), places)
    found = []
    for number, discount in enumerate(discounts):
        covered = range(len(lines)) if discount.lines is None else sorted(discount.lines)
        bases = {key: base for key, base in _bases(lines, covered, places).items() if base > 0}
        amounts: dict[tuple[TaxCategory, Decimal], Decimal] = {}
        if discount.percent is not None:
            amounts = {key: part_of(base, discount.percent, places) for key, base in bases.items()}
        elif discount.amount is not None:
            if discount.amount > sum(bases.values(), ZERO):
                raise DiscountTooLarge(number, sum(bases.values(), ZERO))
            amounts = dict(zip(bases, shared_out(discount.amount, list(bases.values()), places), strict=True))
        for key, amount in amounts.items():
            left[key] -= amount
            if left[key] < 0:
                raise DiscountTooLarge(number, max(ZERO, left[key] + amount))
            if amount:
                found.append(Allowance(number, *key, bases[key], amount, discount.percent))
    return tuple(found)


def given_back(
    amount: Decimal, base: Decimal, *, credited: Decimal, now: Decimal, earlier: Decimal, places: int = 2
) -> Decimal:
    """What of an allowance goes back when lines of its base are credited: in proportion to all that is credited so far,
    less what went back `earlier`, so that together with the last line the last cent goes back.

    `credited` is what earlier credit notes took of the base, `now` what this one takes.
    """
    with localcontext(WIDE):
        return rounded(amount * (credited + now) / base, places) - earlier


def _bases(lines: Sequence[Line], covered: Collection[int], places: int) -> dict[tuple[TaxCategory, Decimal], Decimal]:
    bases: dict[tuple[TaxCategory, Decimal], Decimal] = {}
    for place in covered:
        line = lines[place]
        key = TaxCategory(line.category), line.rate
        bases[key] = bases.get(key, ZERO) + line.net(places)
    return bases
