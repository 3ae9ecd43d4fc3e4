"""Money, lengths, durations, dates and times as the people of one business read them. No Django.

The patterns come from the Unicode CLDR (through Babel), chosen by the business's language tag (BCP 47, such as en-GB).
Amounts are rounded half away from zero before Babel sees them: left alone it rounds half to even.
"""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_interval, format_skeleton, format_time
from babel.numbers import format_currency, format_decimal, format_percent, get_currency_precision
from babel.units import format_unit

METRES_IN_KM: Final = Decimal(1000)
METRES_IN_MILE: Final = Decimal("1609.344")  # the international mile of 1959, exact
STATE_AND_CODE_AFTER_TOWN: Final = frozenset({"US", "CA", "AU"})
POSTCODE_LAST: Final = frozenset({"GB", "IE"})
NEAR: Final = Decimal(100)  # from here on a tenth of a km or mile says nothing


@lru_cache(maxsize=64)
def read_locale(language: str) -> Locale:
    """The CLDR locale of a language tag; what is unknown of it is left off, English if nothing is known."""
    parts = language.replace("_", "-").split("-")
    while parts:
        try:
            return Locale.parse("-".join(parts), sep="-")
        except (UnknownLocaleError, ValueError):
            parts.pop()
    return Locale("en")


def round_half_up(value: Decimal | int, places: int) -> Decimal:
    """`value` with `places` decimals, halves away from zero."""
    return Decimal(value).quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_UP)


def show_money(amount: Decimal | int, currency: str, language: str) -> str:
    """An amount with its currency (ISO 4217), with the decimals that currency has."""
    rounded = round_half_up(amount, get_currency_precision(currency))
    return format_currency(rounded, currency, locale=read_locale(language))


def show_number(value: Decimal | int, language: str, places: int | None = None) -> str:
    """A number with the language's signs; `places` fixes the decimals, without it they stay as they are."""
    given = Decimal(value)
    if places is None:
        exponent = given.as_tuple().exponent
        places = max(0, -exponent) if isinstance(exponent, int) else 0
    pattern = "#,##0" + ("." + "0" * places if places else "")
    return format_decimal(round_half_up(given, places), format=pattern, locale=read_locale(language))


def show_percent(share: Decimal | int, language: str, places: int = 0) -> str:
    """A share of 1 as per cent."""
    rounded = round_half_up(Decimal(share), places + 2)
    return format_percent(rounded, locale=read_locale(language), decimal_quantization=False)


def show_distance(metres: Decimal | int, units: str, language: str) -> str:
    """A length in metres as kilometres ("metric") or miles ("us"), to a tenth below 100.

    Raises ValueError on other units.
    """
    if units not in {"metric", "us"}:
        raise ValueError(f"units must be metric or us, not {units!r}")
    far = Decimal(metres) / (METRES_IN_MILE if units == "us" else METRES_IN_KM)
    shown = round_half_up(far, 1)
    places = 1 if abs(shown) < NEAR else 0
    name = "length-mile" if units == "us" else "length-kilometer"
    pattern = "#,##0.0" if places else "#,##0"
    return format_unit(round_half_up(far, places), name, "short", pattern, locale=read_locale(language))


def show_country(code: str, language: str) -> str:
    """The name of a country (ISO 3166-1 alpha-2); a code without a name stays as it is."""
    return str(read_locale(language).territories.get(code, code))


def show_address(*, street: str, postcode: str, city: str, region: str, country: str, language: str) -> list[str]:
    """A postal address as lines, without the empty ones, the town in the country's own order (from memory)."""
    if country in STATE_AND_CODE_AFTER_TOWN:
        state = " ".join(filter(None, (region, postcode)))
        comma = ", " if country == "US" else " "
        lines = [street, comma.join(filter(None, (city, state)))]
    elif country in POSTCODE_LAST:
        lines = [street, city, region, postcode]
    else:
        lines = [street, " ".join(filter(None, (postcode, city))), region]
    return [line for line in (*lines, show_country(country, language)) if line]


def show_minutes(minutes: Decimal | float) -> str:
    """A duration in minutes as "45 min" or "2 h 05 min" (SI symbols, the same in every language); halves go up."""
    whole = int(round_half_up(Decimal(str(minutes)), 0))
    sign = "-" if whole < 0 else ""
    hours, rest = divmod(abs(whole), 60)
    if not hours:
        return f"{sign}{rest} min"
    return f"{sign}{hours} h" + (f" {rest:02d} min" if rest else "")


def show_day(day: date, language: str, *, year: bool = True, weekday: bool = True) -> str:
    """A date with its weekday, such as "Wed 4 Mar 2026" in the order and words of the language."""
    skeleton = ("y" if year else "") + "MMM" + ("Ed" if weekday else "d")
    return format_skeleton(skeleton, day, locale=read_locale(language))


def show_day_in_numbers(day: date, language: str) -> str:
    """A date in figures, as the language writes it short, with four digits of year."""
    return format_skeleton("yMd", day, locale=read_locale(language))


def show_month(day: date, language: str) -> str:
    """The month of a date with its year, such as "Mar 2026"."""
    return format_skeleton("yMMM", day, locale=read_locale(language))


def show_days(first: date, last: date, language: str) -> str:
    """Two dates as a span, such as "4-10 Mar 2026"; one date when both are the same."""
    if first == last:
        return show_day(first, language, weekday=False)
    return format_interval(first, last, "yMMMd", locale=read_locale(language))


def to_local(moment: datetime, zone: str) -> datetime:
    """`moment` on the clock of an IANA time zone. Raises ValueError when it does not know its own zone."""
    if moment.tzinfo is None:
        raise ValueError("a moment must carry its time zone")
    return moment.astimezone(ZoneInfo(zone))


def show_clock(moment: datetime | time, language: str, zone: str | None = None) -> str:
    """A time of day to the minute. A datetime is first put on the clock of `zone`; a plain time is shown as it is."""
    if isinstance(moment, datetime):
        if zone is None:
            raise ValueError("a moment needs a time zone to be shown in")
        moment = to_local(moment, zone).time()
    return format_time(moment, "short", locale=read_locale(language)).replace("\u202f", "\u00a0")


def show_when(moment: datetime, language: str, zone: str, *, year: bool = True) -> str:
    """A moment as date and time in `zone`."""
    local = to_local(moment, zone)
    return f"{show_day(local.date(), language, year=year)}, {show_clock(local.time(), language)}"


def show_hours(start: datetime, end: datetime, language: str, zone: str) -> str:
    """Two moments as hours of one day, such as "08:30-10:15"; with dates where they fall on two."""
    begin, finish = to_local(start, zone), to_local(end, zone)
    if begin.date() == finish.date():
        return f"{show_clock(begin.time(), language)}\N{EN DASH}{show_clock(finish.time(), language)}"
    return f"{show_when(start, language, zone, year=False)} \N{EN DASH} {show_when(end, language, zone, year=False)}"


def show_weekday(day: date, language: str) -> str:
    """The weekday's whole name."""
    return format_date(day, "EEEE", locale=read_locale(language))
