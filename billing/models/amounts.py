"""Amounts of money as they are stored."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from django.db import models
from django.db.models.expressions import Combinable

NEARLY_NOTHING = Decimal("0.0005")
"""Half of the smallest step of an amount. SQLite adds and compares decimals as floating-point numbers, so a sum is held
against another with this much room; PostgreSQL is exact, and no two amounts lie so near without being equal."""


if TYPE_CHECKING:
    _Decimal = models.DecimalField[Decimal | int | str | Combinable, Decimal]
else:
    _Decimal = models.DecimalField


class AmountField(_Decimal):
    """An amount of money in the business's currency, up to three decimals (ISO 4217 has 0, 2 and 3)."""

    def __init__(self, *args: object, **options: object) -> None:
        options.setdefault("max_digits", 14)
        options.setdefault("decimal_places", 3)
        super().__init__(*args, **options)  # type: ignore[arg-type]
