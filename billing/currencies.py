"""How finely a currency is counted."""

from __future__ import annotations

from decimal import Decimal

import iso4217

from billing.charges.totals import rounded

USUAL = 2

MOST = Decimal(10**10)
"""No single amount reaches this: a larger one is a slip, and would not fit its column."""


def places_of(currency: str) -> int:
    """Decimals of an ISO 4217 currency; two where the code is unknown or has none of its own."""
    try:
        exponent = iso4217.Currency(currency).exponent
    except ValueError:
        return USUAL
    return USUAL if exponent is None else exponent


def in_currency(amount: Decimal, currency: str) -> Decimal:
    """An amount as the currency is counted: takes off what SQLite's sums add to the last digits."""
    return rounded(amount, places_of(currency))
