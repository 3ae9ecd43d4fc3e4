"""Codes of open standards a business is described by: countries, currencies, time zones, languages."""

from __future__ import annotations

import zoneinfo
from functools import lru_cache
from typing import Final

from babel import Locale, UnknownLocaleError
from iso4217 import Currency

from trimmer.showing import read_locale

NO_COUNTRY: Final = frozenset({"AC", "CP", "CQ", "DG", "EA", "EU", "EZ", "IC", "QO", "TA", "UN", "XA", "XB", "ZZ"})
"""Two-letter codes CLDR names that are not countries of ISO 3166-1: reserved, grouped or for testing."""

PARTS_OF_THE_WORLD: Final = frozenset(
    {
        "Africa",
        "America",
        "Antarctica",
        "Arctic",
        "Asia",
        "Atlantic",
        "Australia",
        "Europe",
        "Indian",
        "Pacific",
    }
)
"""What today's zone names begin with; the others (US/Central, GB, EST) are kept for old programs."""


@lru_cache(maxsize=16)
def countries(language: str) -> dict[str, str]:
    """ISO 3166-1 alpha-2 code -> name in a language, by name. Names are those of the Unicode CLDR."""
    names = {
        code: str(name)
        for code, name in read_locale(language).territories.items()
        if len(code) == 2 and code.isalpha() and code not in NO_COUNTRY
    }
    return dict(sorted(names.items(), key=lambda item: item[1].casefold()))


@lru_cache(maxsize=16)
def currencies(language: str) -> dict[str, str]:
    """ISO 4217 code -> "EUR: Euro" in a language, by code. What one can pay with: no metals, no units of account."""
    names = read_locale(language).currencies
    codes = sorted(currency.code for currency in Currency if currency.exponent is not None)
    return {code: f"{code}: {names.get(code, Currency(code).currency_name)}" for code in codes}


@lru_cache(maxsize=1)
def time_zones() -> tuple[str, ...]:
    """Names of the IANA time zone database a person would choose: a part of the world and a place, and UTC."""
    named = {zone for zone in zoneinfo.available_timezones() if zone.split("/")[0] in PARTS_OF_THE_WORLD}
    return ("UTC", *sorted(named))


def is_country(code: str) -> bool:
    """Whether `code` is a country of ISO 3166-1 alpha-2."""
    return code in countries("en")


def is_currency(code: str) -> bool:
    """Whether `code` is a currency of ISO 4217 one can pay with."""
    return code in currencies("en")


def is_time_zone(name: str) -> bool:
    """Whether `name` is a zone of the IANA database that means the same on every machine."""
    return name in time_zones()


def is_language(tag: str) -> bool:
    """Whether `tag` is a BCP 47 tag whose conventions (numbers, dates) the Unicode CLDR knows."""
    try:
        Locale.parse(tag, sep="-")
    except (UnknownLocaleError, ValueError):
        return False
    return True
