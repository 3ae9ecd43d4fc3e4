"""Simple interest for late payment, by the business's own dated rates. No rate is known here: ask locally."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from itertools import pairwise

from billing.charges.totals import WIDE, ZERO, exact, rounded


class Count(StrEnum):
    """How time is counted: days of a year of 365 or of 360, or full months at a rate for each."""

    DAYS_365 = "days_365"
    DAYS_360 = "days_360"
    FULL_MONTHS = "full_months"


@dataclass(frozen=True, slots=True, order=True)
class Rate:
    """What holds from a day on: percent a year, or percent a month when full months are counted."""

    valid_from: date
    percent: Decimal

    def __post_init__(self) -> None:
        if exact(self.percent, "percent") < 0:
            raise ValueError("a rate must not be negative")


def late_interest(
    amount: Decimal, *, due: date, until: date, rates: Sequence[Rate], count: Count, places: int = 2
) -> Decimal:
    """Simple interest on what is open, from the day after it was due to `until`, rounded once at the end.

    Each stretch of days counts at the rate that held then; a stretch before the first rate counts nothing. A full month
    counts at the rate that held on its first day.
    """
    if until <= due or exact(amount, "amount") <= 0:
        return ZERO
    steps = sorted(rates)
    if count is Count.FULL_MONTHS:
        shares = [_rate_on(steps, _months_after(due, month)) for month in range(_full_months(due, until))]
        return rounded(_percent_of(amount, sum(shares, ZERO)), places)
    edges = [due, *(step.valid_from for step in steps if due < step.valid_from < until), until]
    year = 365 if count is Count.DAYS_365 else 360
    weighed = sum(((last - first).days * _rate_on(steps, first) for first, last in pairwise(edges)), ZERO)
    return rounded(WIDE.divide(_percent_of(amount, weighed), Decimal(year)), places)


def _percent_of(amount: Decimal, percent: Decimal) -> Decimal:
    return WIDE.divide(WIDE.multiply(amount, percent), Decimal(100))


def _rate_on(steps: Sequence[Rate], day: date) -> Decimal:
    return next((step.percent for step in reversed(steps) if step.valid_from <= day), ZERO)


def _full_months(first: date, last: date) -> int:
    months = (last.year - first.year) * 12 + last.month - first.month
    return months if _months_after(first, months) <= last else months - 1


def _months_after(day: date, months: int) -> date:
    """The same day of a later month, or that month's last."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    for number in (day.day, 30, 29, 28):
        try:
            return date(year, month + 1, number)
        except ValueError:
            continue
    raise AssertionError
