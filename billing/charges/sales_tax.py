"""Sales taxes of the United States and Canada: dated rates of each authority of a place, and who is exempt.

Which work and goods are taxed where, and which certificate holds, is the user's and the accountant's to say: rates,
dates and certificates are typed in, none is known here.

How halves and sums are rounded (both from memory of the texts):

* Streamlined Sales and Use Tax Agreement, section 324: carried to the third decimal and up when that is above four, on
  each line or on the whole invoice as the seller chooses; the rates of state, county and city may be taken together.
* Excise Tax Act (Canada), section 165.2: on the whole invoice, half a cent or more is a cent; a provincial tax stands
  beside it with a sum of its own.

Worked by hand, 1141.79 of work in a place with state 4 %, county 1.25 % and city 0.5 %::

    each by itself   45.6716 -> 45.67   14.272375 -> 14.27   5.70895 -> 5.71    65.65
    taken together   5.75 % of 1141.79 = 65.652925                              65.65
                     shared 45.67 + 14.27 + 5.71

and GST 5 % beside QST 9.975 % on the same: 57.0895 -> 57.09, 113.8935525 -> 113.89, together 170.98.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal, localcontext
from enum import StrEnum

from billing.charges.share import shared_out
from billing.charges.totals import WIDE, ZERO, Key, TaxCategory, exact, part_of, rounded


class Sold(StrEnum):
    """What is sold: places tax work and goods differently."""

    WORK = "work"
    GOODS = "goods"


class Rounding(StrEnum):
    """What is rounded: each authority's tax on the invoice, all of them together, or the tax of each line."""

    EACH = "each"
    TOGETHER = "together"
    LINE = "line"


@dataclass(frozen=True, slots=True)
class SalesRate:
    """What one authority takes (per cent), from a day to a day, both included, of what is sold.

    `authority` is as it stands on the invoice: "GST", "State of Lennet", "City of Corvane".
    """

    authority: str
    rate: Decimal
    valid_from: date
    valid_to: date | None = None
    of: frozenset[Sold] = frozenset(Sold)

    def __post_init__(self) -> None:
        object.__setattr__(self, "rate", exact(self.rate, "rate"))
        if not self.authority.strip():
            raise ValueError("a rate has its authority")
        if not 0 < self.rate <= 100:
            raise ValueError("a rate is above 0 and at most 100 per cent")
        if self.valid_to is not None and self.valid_to < self.valid_from:
            raise ValueError("a rate ends after it begins")
        if not self.of:
            raise ValueError("a rate is of work, of goods, or of both")

    def holds(self, day: date) -> bool:
        """Whether it is in force on a day."""
        return _holds(day, self.valid_from, self.valid_to)


@dataclass(frozen=True, slots=True)
class Certificate:
    """A client's certificate of exemption: from which taxes (all of a place where none is named), of what, and when."""

    number: str
    valid_from: date
    valid_to: date | None = None
    authorities: frozenset[str] = frozenset()
    of: frozenset[Sold] = frozenset(Sold)

    def __post_init__(self) -> None:
        if not self.number.strip():
            raise ValueError("a certificate has its number")
        if self.valid_to is not None and self.valid_to < self.valid_from:
            raise ValueError("a certificate ends after it begins")

    def frees(self, rate: SalesRate, sold: Sold, day: date) -> bool:
        """Whether it frees from a tax on something sold on a day."""
        if sold not in self.of or not _holds(day, self.valid_from, self.valid_to):
            return False
        return not self.authorities or rate.authority in self.authorities


def _holds(day: date, first: date, last: date | None) -> bool:
    return first <= day and (last is None or day <= last)


class RatesOverlap(ValueError):
    """An authority has two rates on one day."""

    def __init__(self, authority: str, day: date) -> None:
        super().__init__(f"{authority} has two rates on {day}")
        self.authority = authority
        self.day = day


@dataclass(frozen=True, slots=True)
class Levy:
    """The taxes on one line: the rates in force, and the certificates that freed it from others."""

    rates: tuple[SalesRate, ...]
    certificates: tuple[str, ...] = ()

    @property
    def rate(self) -> Decimal:
        """All rates together, as they stand on the line (per cent)."""
        with localcontext(WIDE):
            return sum((one.rate for one in self.rates), ZERO)

    @property
    def category(self) -> TaxCategory:
        """The category of EN 16931 that says so: taxed, or exempt. The wording is the accountant's."""
        return TaxCategory.STANDARD if self.rates else TaxCategory.EXEMPT


def levy_on(sold: Sold, day: date, rates: Sequence[SalesRate], certificates: Sequence[Certificate] = ()) -> Levy:
    """The taxes of a place on something sold on a day, less those a certificate frees from.

    Raises RatesOverlap.
    """
    held: dict[str, SalesRate] = {}
    freed: list[str] = []
    for rate in rates:
        if sold not in rate.of or not rate.holds(day):
            continue
        if rate.authority in held:
            raise RatesOverlap(rate.authority, day)
        held[rate.authority] = rate
    for rate in list(held.values()):
        frees = next((one.number for one in certificates if one.frees(rate, sold, day)), None)
        if frees is not None:
            del held[rate.authority]
            freed.append(frees)
    return Levy(tuple(held.values()), tuple(dict.fromkeys(freed)))


@dataclass(frozen=True, slots=True)
class AuthorityTax:
    """What one authority takes of an invoice, at one rate."""

    authority: str
    rate: Decimal
    base: Decimal
    tax: Decimal


@dataclass(frozen=True, slots=True)
class SalesTaxes:
    """The taxes of an invoice: by authority as they are printed, and by category and rate as the totals take them.

    Both say the same sum.
    """

    by_authority: tuple[AuthorityTax, ...]
    by_group: Mapping[Key, Decimal]

    @property
    def total(self) -> Decimal:
        """All taxes."""
        return sum((one.tax for one in self.by_authority), ZERO)

    def __post_init__(self) -> None:
        if self.total != sum(self.by_group.values(), ZERO):
            raise ValueError("the parts of sales taxes do not make their whole")


def sales_taxes(
    nets: Iterable[tuple[Levy, Decimal]], rounding: Rounding = Rounding.EACH, places: int = 2
) -> SalesTaxes:
    """The sales taxes of an invoice out of the net amounts of its lines (BT-131), each with its levy.

    Amounts are of the currency's `places`. What is taken together, or line by line, is shared among the authorities by
    the largest remainder, so that their parts make the whole.
    """
    rows = [(levy, rounded(net, places)) for levy, net in nets]
    bases: dict[Levy, list[Decimal]] = {}
    for levy, net in rows:
        bases.setdefault(Levy(levy.rates), []).append(net)
    found: dict[tuple[str, Decimal], AuthorityTax] = {}
    groups: dict[Key, Decimal] = {}
    for levy, amounts in bases.items():
        parts = _parts(levy, amounts, rounding, places)
        key = levy.category, levy.rate
        with localcontext(WIDE):
            base = sum(amounts, ZERO)
            groups[key] = groups.get(key, ZERO) + sum(parts, ZERO)
            for rate, tax in zip(levy.rates, parts, strict=True):
                known = found.get((rate.authority, rate.rate), AuthorityTax(rate.authority, rate.rate, ZERO, ZERO))
                found[rate.authority, rate.rate] = AuthorityTax(
                    rate.authority, rate.rate, known.base + base, known.tax + tax
                )
    return SalesTaxes(tuple(found.values()), groups)


def _parts(levy: Levy, amounts: Sequence[Decimal], rounding: Rounding, places: int) -> tuple[Decimal, ...]:
    """What each authority of a levy takes of these amounts."""
    if not levy.rates:
        return ()
    with localcontext(WIDE):
        base = sum(amounts, ZERO)
    if rounding is Rounding.EACH:
        return tuple(part_of(base, rate.rate, places) for rate in levy.rates)
    if rounding is Rounding.TOGETHER:
        whole = part_of(base, levy.rate, places)
    else:
        whole = sum((part_of(amount, levy.rate, places) for amount in amounts), ZERO)
    return shared_out(whole, [rate.rate for rate in levy.rates], places)
