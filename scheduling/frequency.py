"""How often a herd needs the trimmer. This module knows no Django."""

from __future__ import annotations

from decimal import Decimal
from typing import Final

EVALUATIONS_PER_COW: Final = Decimal("2.6")
"""Two looks a cow and year, plus 30 % heifers, plus 30 % lame cows (G. Cramer, Calculate hoof-trimming frequency)."""

_DAYS_PER_YEAR: Final = Decimal(365)


def visits_per_year(herd: int, cows_per_day: int, factor: Decimal = EVALUATIONS_PER_COW) -> Decimal:
    """Days of trimming a year: herd x factor / cows the trimmer does well in a day. Not rounded.

    Raises ValueError for a herd below 0, a factor below 0 or less than one cow a day.
    """
    if herd < 0 or cows_per_day < 1 or factor < 0:
        raise ValueError(f"herd {herd}, {cows_per_day} cows a day, factor {factor}")
    return herd * factor / cows_per_day


def days_between_visits(visits: Decimal) -> Decimal | None:
    """Days from one visit to the next when ``visits`` are spread over the year; none when there are no visits."""
    if visits < 0:
        raise ValueError(f"{visits} visits a year")
    return _DAYS_PER_YEAR / visits if visits else None
