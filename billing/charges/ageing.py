"""How old a debt is, and which debts a payment settles.

Days past due and the edges of the classes: common practice (0 is not yet past due; 1, 30 | 31, 60 | 61, 90 | 91).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from types import MappingProxyType

from billing.charges.totals import ZERO, exact


class Age(StrEnum):
    """Classes of age, by days past due."""

    CURRENT = "current"
    DAYS_1_30 = "days_1_30"
    DAYS_31_60 = "days_31_60"
    DAYS_61_90 = "days_61_90"
    OVER_90 = "over_90"


_LAST_DAY = ((Age.CURRENT, 0), (Age.DAYS_1_30, 30), (Age.DAYS_31_60, 60), (Age.DAYS_61_90, 90))


@dataclass(frozen=True, slots=True)
class OpenItem:
    """What is still open of one invoice. Give the issue date as `due` to age by invoice date instead."""

    key: str
    due: date
    amount: Decimal

    def __post_init__(self) -> None:
        if exact(self.amount, "amount") < 0:
            raise ValueError("an open amount must not be negative")


@dataclass(frozen=True, slots=True)
class Ageing:
    """A debt by age on one day, with credit that is not applied to any invoice in a column of its own."""

    on: date
    by_age: Mapping[Age, Decimal]
    """Every age, also those with nothing in them"""
    credit: Decimal

    @property
    def owed(self) -> Decimal:
        """All that is open, whatever its age."""
        return sum(self.by_age.values(), ZERO)

    @property
    def overdue(self) -> Decimal:
        """What is open and past due."""
        return self.owed - self.by_age[Age.CURRENT]

    @property
    def balance(self) -> Decimal:
        """What is owed less the credit; negative if the business owes the client."""
        return self.owed - self.credit


def age_of(due: date, on: date) -> Age:
    """The age on that day of a debt due on `due`."""
    days = (on - due).days
    return next((age for age, last in _LAST_DAY if days <= last), Age.OVER_90)


def aged(items: Iterable[OpenItem], *, on: date, credit: Decimal = ZERO) -> Ageing:
    """Sort what is open by age. `credit` is money on account, zero or more."""
    if exact(credit, "credit") < 0:
        raise ValueError("credit must not be negative")
    by_age = dict.fromkeys(Age, ZERO)
    for item in items:
        by_age[age_of(item.due, on)] += item.amount
    return Ageing(on, MappingProxyType(by_age), credit)


@dataclass(frozen=True, slots=True)
class Allocation:
    """How a payment is spread: amounts above zero by the item's key, and what was left over as credit."""

    parts: tuple[tuple[str, Decimal], ...]
    credit: Decimal

    @property
    def total(self) -> Decimal:
        """The whole payment."""
        return sum((amount for _, amount in self.parts), self.credit)


def allocated(payment: Decimal, items: Iterable[OpenItem], *, named: Sequence[str] = ()) -> Allocation:
    """Spread a payment: first over the items the payer named, in that order, then over the oldest due first.

    Items due on the same day go by their key. Laws on the order differ: what the payer named always comes first here.

    Raises ValueError for a payment that is not above zero, two items of one key, or a named item that is not open.
    """
    if exact(payment, "payment") <= 0:
        raise ValueError("a payment must be above zero")
    by_key: dict[str, OpenItem] = {}
    for item in items:
        if item.key in by_key:
            raise ValueError(f"two open items {item.key}")
        by_key[item.key] = item
    if unknown := [key for key in named if key not in by_key]:
        raise ValueError(f"not open: {', '.join(unknown)}")
    oldest_first = sorted(by_key, key=lambda key: (by_key[key].due, key))
    left = payment
    parts = []
    for key in dict.fromkeys((*named, *oldest_first)):
        if amount := min(left, by_key[key].amount):
            parts.append((key, amount))
            left -= amount
    return Allocation(tuple(parts), left)
