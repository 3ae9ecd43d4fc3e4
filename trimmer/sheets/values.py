"""Numbers, dates and words as people write them, told by the language tag of the business.

A language tag (BCP 47, ``de-AT``) gives decimal mark, grouping, order of day and month, names of months and weekdays,
all from the CLDR by way of babel. A tag without a region (``en``) is read by the habits of every country where the
language is official; where these differ on what was written, it is refused as ambiguous.

Each parser takes a cell as ``trimmer.sheets.reading`` hands it over and returns a value, or raises ``CellProblem``.
An empty cell is the caller's business: no parser is called with ``None``.
"""

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal, InvalidOperation
from functools import lru_cache
from itertools import pairwise
from types import MappingProxyType
from typing import Any, Final, Literal

from babel import Locale, UnknownLocaleError
from babel.languages import get_official_languages
from babel.localedata import locale_identifiers
from babel.numbers import get_currency_symbol, list_currencies

from trimmer.sheets.reading import Cell, CellFault, Params, Percent
from trimmer.sheets.sentences import sentence_for

type DateOrder = Literal["dmy", "mdy"]

FIRST_YEAR: Final = 1900
LAST_YEAR: Final = 2100


class CellProblem(Exception):
    """A cell that cannot be read. ``code`` and ``params`` are those of ``trimmer.sheets.sentences``."""

    def __init__(self, code: str, **params: str | int) -> None:
        self.code = code
        self.params: Params = params
        super().__init__(code)


def sentence(problem: CellProblem) -> str:
    """The problem in plain English."""
    return sentence_for(problem.code, problem.params)


def fold(text: str) -> str:
    """What is left of a word when case, accents, spaces and punctuation do not count."""
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    return "".join(letter for letter in decomposed if letter.isalnum())


# --- languages --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NumberRule:
    """How numbers are written in one place: decimal mark, mark between groups, digits in the last and other groups."""

    decimal: str
    group: str
    last_group: int = 3
    other_groups: int = 3


@dataclass(frozen=True, slots=True)
class Language:
    """What a language tag says about numbers, dates and words; ``language_of`` makes one.

    ``months`` and ``weekdays`` map folded names, in the language and in English, to 1-12 and 0 (Monday) to 6;
    ``weekday_names`` are seven short names to write. More than one rule or order means: it depends on the region.
    """

    tag: str
    language: str
    number_rules: tuple[NumberRule, ...]
    date_orders: frozenset[DateOrder]
    months: Mapping[str, int]
    weekdays: Mapping[str, int]
    weekday_names: tuple[str, ...]


@lru_cache(maxsize=64)
def language_of(tag: str) -> Language:
    """The habits of a language tag such as ``en-GB``.

    A tag whose language is not known is read like ``en``, which refuses whatever is not the same in all regions.
    """
    locale = _locale(tag)
    places = [locale] if locale.territory else _official_places(locale) or [locale]
    english = Locale("en")
    return Language(
        tag=tag,
        language=locale.language,
        number_rules=tuple(dict.fromkeys(_number_rule(place) for place in [locale, *places])),
        date_orders=frozenset(order for place in places if (order := _date_order(place)) is not None),
        months=MappingProxyType({**_month_names(english), **_month_names(locale)}),
        weekdays=MappingProxyType({**_weekday_names(english), **_weekday_names(locale)}),
        weekday_names=_short_weekdays(locale),
    )


def _locale(tag: str) -> Locale:
    parts = tag.replace("_", "-").split("-")
    for known in (parts, parts[:3], parts[:2], parts[:1]):
        try:
            locale = Locale.parse("-".join(known), sep="-")
        except (UnknownLocaleError, ValueError):
            continue
        region = next((part.upper() for part in known[1:] if re.fullmatch(r"[A-Za-z]{2}|\d{3}", part)), None)
        if locale.territory == region:  # babel puts the likeliest region in the place of one it does not know
            return locale
    return Locale("en")


def _official_places(locale: Locale) -> list[Locale]:
    places = []
    for identifier in sorted(locale_identifiers()):
        if not identifier.startswith(f"{locale.language}_"):
            continue
        place = Locale.parse(identifier)
        if (
            place.territory
            and len(place.territory) == 2
            and place.variant is None
            and (locale.script is None or place.script in (None, locale.script))
            and locale.language in get_official_languages(place.territory, regional=False, de_facto=True)
        ):
            places.append(place)
    return places


def _number_rule(locale: Locale) -> NumberRule:
    symbols = locale.number_symbols.get("latn") or locale.number_symbols["arab"]
    last, others = locale.decimal_formats[None].grouping
    return NumberRule(symbols["decimal"], symbols["group"], last, others)


def _date_order(locale: Locale) -> DateOrder | None:
    """Whether the day or the month comes first; None where the year does: that says nothing of dates that end in it."""
    pattern = re.sub(r"'[^']*'", "", locale.date_formats["short"].pattern).lower()
    found = [letter for letter in pattern if letter in "dmy"]
    if found[0] == "y":
        return None
    return "dmy" if found[0] == "d" else "mdy"


def _month_names(locale: Locale) -> dict[str, int]:
    return _clear_names(locale.months, ("abbreviated", "wide"))


def _weekday_names(locale: Locale) -> dict[str, int]:
    return _clear_names(locale.days, ("short", "abbreviated", "wide"))


def _clear_names(forms: Mapping[str, Any], widths: tuple[str, ...]) -> dict[str, int]:
    """Folded names to numbers, without those that more than one number shares."""
    found: dict[str, set[int]] = {}
    for context in ("format", "stand-alone"):
        for width in widths:
            for number, name in forms[context].get(width, {}).items():
                found.setdefault(fold(name), set()).add(int(number))
    return {name: numbers.pop() for name, numbers in found.items() if name and len(numbers) == 1}


def _short_weekdays(locale: Locale) -> tuple[str, ...]:
    names = tuple(locale.days["format"]["abbreviated"][number].rstrip(".") for number in range(7))
    usable = all(re.fullmatch(r"[^\W\d_]+", name) for name in names) and len(set(map(fold, names))) == 7
    return names if usable else ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


# --- text and codes ---------------------------------------------------------------------------------------------------

_SCIENTIFIC = re.compile(r"[-+]?\d([.,]\d+)?[eE]\+?\d+")
_DIGITS_KEPT: Final = 10**15
"""A spreadsheet program keeps 15 digits of a number and turns the rest into zeros."""


def parse_text(cell: Cell, *, max_length: int = 200, lines: bool = False) -> str:
    """Plain words, trimmed and composed (NFC), line breaks kept only with ``lines``. A number stands for its digits."""
    text = _plain(cell)
    if lines:
        text = "\n".join(" ".join(line.split()) for line in text.split("\n")).strip()
    else:
        text = " ".join(text.split())
    return _not_too_long(unicodedata.normalize("NFC", text), max_length)


def parse_code(cell: Cell, *, max_length: int = 40) -> str:
    """A number that names something (client, animal, tag, batch): its characters count, not its value."""
    text = " ".join(_plain(cell).split())
    if _SCIENTIFIC.fullmatch(text) and ("+" in text or "," in text or "." in text):
        raise CellProblem("number_in_short_form", value=text)
    return _not_too_long(unicodedata.normalize("NFC", text), max_length)


def parse_email(cell: Cell, *, max_length: int = 254) -> str:
    """One e-mail address, kept as written."""
    text = _plain(cell).strip().removeprefix("mailto:")
    if not re.fullmatch(r"[^@\s,;<>\"]+@[^@\s,;<>\"]+\.[^@\s,;<>\".]{2,}", text):
        raise CellProblem("email_not_valid", value=text)
    return _not_too_long(text, max_length)


def _plain(cell: Cell) -> str:
    if isinstance(cell, str):
        return cell
    if isinstance(cell, bool):
        raise CellProblem("truth_value_not_text", value=_shown(cell))
    if isinstance(cell, Percent):
        return f"{cell.normalize():f}%"
    if isinstance(cell, int | float):
        if abs(cell) >= _DIGITS_KEPT:
            raise CellProblem("number_lost_digits", value=_shown(cell))
        return f"{Decimal(f'{cell:.15g}'):f}"
    if isinstance(cell, date | time | timedelta):
        raise CellProblem("date_not_text", value=_shown(cell))
    raise _fault(cell)


def _not_too_long(text: str, max_length: int) -> str:
    if len(text) > max_length:
        raise CellProblem("text_too_long", length=len(text), limit=max_length)
    return text


def _shown(cell: Cell) -> str:
    if isinstance(cell, CellFault):
        return cell.shown
    if isinstance(cell, bool):
        return "TRUE" if cell else "FALSE"
    if isinstance(cell, float):
        return f"{cell:.15g}"
    if isinstance(cell, Percent):
        return f"{cell.normalize():f} %"
    return str(cell)


def shown(cell: Cell) -> str:
    """A cell in short, to be shown to the person who wrote it."""
    text = "" if cell is None else " ".join(_shown(cell).split())
    return text if len(text) <= 60 else f"{text[:59]}…"


def _fault(cell: Cell) -> CellProblem:
    if isinstance(cell, CellFault):
        return CellProblem(cell.code, value=cell.shown)
    raise TypeError(f"no cell: {cell!r}")


# --- numbers ----------------------------------------------------------------------------------------------------------

_SPACES: Final = " \u00a0\u2009\u202f\u2007"
_APOSTROPHES: Final = "'\u2019"
_MINUS = str.maketrans({"\u2212": "-", "\u2013": "-"})


def parse_decimal(cell: Cell, language: Language) -> Decimal:
    """A number, exact as written; of a spreadsheet's number the 15 digits that it keeps."""
    if isinstance(cell, str):
        return _number_of_text(cell, language)
    if isinstance(cell, bool):
        raise CellProblem("not_a_number", value=_shown(cell))
    if isinstance(cell, Percent):
        raise CellProblem("percent_not_expected", value=_shown(cell))
    if isinstance(cell, float):
        return Decimal(f"{cell:.15g}")
    if isinstance(cell, int | Decimal):
        return Decimal(cell)
    if isinstance(cell, date | time | timedelta):
        raise CellProblem("date_not_number", value=_shown(cell))
    raise _fault(cell)


def parse_integer(cell: Cell, language: Language) -> int:
    """A whole number, such as a head count."""
    number = parse_decimal(cell, language)
    if number != number.to_integral_value():
        raise CellProblem("not_whole", value=shown(cell))
    return int(number)


def parse_money(cell: Cell, language: Language, *, currency: str = "") -> Decimal:
    """An amount, with or without the sign or code of ``currency`` (ISO 4217; empty: any currency's)."""
    if not isinstance(cell, str):
        return parse_decimal(cell, language)
    text = cell.strip()
    found = _MONEY.fullmatch(text)
    if found is None:
        return _number_of_text(text, language)
    mark = (found["before"] or found["after"] or "").strip()
    if found["before"] and found["after"]:
        raise CellProblem("not_a_number", value=shown(cell))
    if mark and not _names_currency(mark, currency, language):
        known = mark.upper() in list_currencies() or any(unicodedata.category(letter) == "Sc" for letter in mark)
        raise CellProblem("other_currency" if known else "not_a_number", value=shown(cell), currency=currency)
    return _number_of_text(f"{found['sign'] or ''}{found['number']}", language)


_MONEY = re.compile(
    r"(?P<before>[^\d\s.,'\u2019+\-\u2212]{1,3}\.?\s*)?(?P<sign>[-\u2212])?(?P<number>[\d.,][\d.,'\u2019\s]*?)"
    r"(?P<after>\s*[^\d\s.,'\u2019]{1,4}\.?)?"
)


def _names_currency(mark: str, currency: str, language: Language) -> bool:
    if not currency:
        return mark.upper() in list_currencies() or any(unicodedata.category(letter) == "Sc" for letter in mark)
    return mark.casefold().rstrip(".") in _currency_marks(currency, language.tag)


@lru_cache(maxsize=64)
def _currency_marks(currency: str, tag: str) -> frozenset[str]:
    locale = _locale(tag)
    marks = {currency, get_currency_symbol(currency, locale), get_currency_symbol(currency, Locale("en"))}
    for place in [locale, *_official_places(Locale(locale.language))]:
        marks.add(get_currency_symbol(currency, place))
    return frozenset(mark.casefold().rstrip(".") for mark in marks)


def parse_percent(cell: Cell, language: Language) -> Decimal:
    """A rate in percent, with or without the sign: ``20``, ``20 %``, and a cell shown as 20 % all give 20."""
    if isinstance(cell, Percent):
        return Decimal(cell)
    if isinstance(cell, str):
        return _number_of_text(cell.strip().removesuffix("%"), language)
    return parse_decimal(cell, language)


def parse_minutes(cell: Cell, language: Language) -> Decimal:
    """A length of time in minutes: ``8``, ``8,5``, ``8 min``. Whether ``1:05`` means hours or minutes nobody knows."""
    if isinstance(cell, time | timedelta) or (isinstance(cell, str) and ":" in cell):
        raise CellProblem("clock_not_minutes", value=shown(cell))
    if isinstance(cell, str):
        return _number_of_text(re.sub(r"\s*(min\.?|minutes?)$", "", cell.strip(), flags=re.IGNORECASE), language)
    return parse_decimal(cell, language)


def _number_of_text(text: str, language: Language) -> Decimal:
    body = text.strip().translate(_MINUS)
    sign, body = ("-", body[1:].lstrip()) if body.startswith("-") else ("", body.removeprefix("+").lstrip())
    if not re.fullmatch(rf"[0-9.,{_APOSTROPHES}{_SPACES}]*[0-9]", body) or body[0] in _SPACES + _APOSTROPHES:
        if _SCIENTIFIC.fullmatch(body):
            raise CellProblem("number_in_short_form", value=text.strip())
        raise CellProblem("not_a_number", value=shown(text))
    readings = {reading for rule in language.number_rules for reading in _read_number(body, rule)}
    if len(readings) > 1:
        raise CellProblem("number_ambiguous", value=text.strip())
    if not readings:
        if re.fullmatch(r"\d+[.,]\d+", body):
            mark = language.number_rules[0].decimal
            raise CellProblem("decimal_mark", value=text.strip(), mark=mark)
        raise CellProblem("grouping_not_clear", value=text.strip())
    try:
        return Decimal(sign + readings.pop())
    except InvalidOperation:
        raise CellProblem("not_a_number", value=shown(text)) from None


def _read_number(body: str, rule: NumberRule) -> tuple[str, ...]:
    """What the number may be by the rule, as plain digits with a point; two readings where a mark may be either."""
    whole, mark, fraction = body.rpartition(rule.decimal)
    if not mark:
        whole, fraction = body, ""
    if (mark and not fraction) or not re.fullmatch(r"\d*", fraction) or rule.decimal in whole:
        return ()
    separators = {letter for letter in whole if not letter.isdigit()}
    if not separators:
        return (f"{whole or '0'}.{fraction}" if fraction else whole,)
    if len(separators) > 1:
        return ()
    separator = separators.pop()
    groups = whole.split(separator)
    if not _well_grouped(groups, rule):
        return ()
    digits = "".join(groups)
    usual = separator in _SPACES + _APOSTROPHES or separator == rule.group
    if not usual and not mark and len(groups) == 2:
        return digits, ".".join(groups)  # a point or comma that this place uses for neither
    return (f"{digits}.{fraction}" if fraction else digits,)


def _well_grouped(groups: list[str], rule: NumberRule) -> bool:
    first, *middle, last = groups
    sizes = {3, rule.other_groups}
    return (
        len(last) == rule.last_group
        and any(all(len(group) == size for group in middle) and 1 <= len(first) <= size for size in sizes)
        and not first.startswith("0")
    )


# --- dates and times --------------------------------------------------------------------------------------------------

_YEAR_FIRST = re.compile(r"(\d{4})([-/. ])\s?(\d{1,2})\2\s?(\d{1,2})\.?")
_YEAR_LAST = re.compile(r"(\d{1,2})\s?([-/.])\s?(\d{1,2})\s?[-/. ]\s?(\d{4})\.?")
_SHORT_YEAR = re.compile(r"\d{1,2}\s?[-/. ]\s?\d{1,2}\s?[-/. ]\s?\d{2}")
_DATE_WORD = re.compile(r"\d+|[^\W\d_]+")
_FILLERS: Final = frozenset({"st", "nd", "rd", "th", "er", "de", "del", "den", "of", "the", "a", "o"})


def parse_date(cell: Cell, language: Language) -> date:
    """A day. ``2026-04-03`` is read anywhere; ``03/04/2026`` by the language; a year of two digits never."""
    if isinstance(cell, datetime):
        raise CellProblem("time_not_expected", value=_shown(cell))
    if isinstance(cell, date):
        return _within_years(cell, _shown(cell))
    if isinstance(cell, bool | float | time | timedelta | Decimal):
        raise CellProblem("not_a_date", value=shown(cell))
    if isinstance(cell, int):
        if len(str(cell)) != 8:
            raise CellProblem("number_not_date", value=_shown(cell))
        return _date_of_text(str(cell), language)
    if isinstance(cell, str):
        text = " ".join(cell.split())
        return _date_of_text(re.sub(r"[T ]00:00(:00(\.0+)?)?$", "", text), language)
    raise _fault(cell)


def parse_moment(cell: Cell, language: Language) -> date | datetime:
    """A day, or a day with a time of the business's own clock (no zone). What was written decides which."""
    if isinstance(cell, datetime):
        _within_years(cell.date(), _shown(cell))
        return cell
    if not isinstance(cell, str):
        return parse_date(cell, language)
    text = " ".join(cell.split())
    if re.search(r"\d(Z|[+-]\d{2}:?\d{2})$", text) and ":" in text:
        raise CellProblem("zone_not_expected", value=text)
    if found := re.fullmatch(r"(.*\d{2}\.?),?[T ](?:at |um |kl\.? ?)?(\d{1,2}[:.h]\d{2}(?::\d{2})?.*)", text):
        return datetime.combine(_date_of_text(found[1].rstrip(","), language), parse_time(found[2], language))
    return _date_of_text(text, language)


def _date_of_text(text: str, language: Language) -> date:
    if re.fullmatch(r"(19|20|21)\d{6}", text):
        return _date(text, int(text[:4]), int(text[4:6]), int(text[6:]))
    if found := _YEAR_FIRST.fullmatch(text):
        return _date(text, int(found[1]), int(found[3]), int(found[4]))
    if found := _YEAR_LAST.fullmatch(text):
        # Where the month goes first, dates are not written with points: who does so may mean the day first.
        orders = (
            language.date_orders if found[2] != "." or "mdy" not in language.date_orders else frozenset[DateOrder]()
        )
        return _date_with_year_last(text, int(found[1]), int(found[3]), int(found[4]), orders)
    if _SHORT_YEAR.fullmatch(text):
        raise CellProblem("year_of_two_digits", value=text)
    return _date_with_a_name(text, language)


def _date_with_year_last(text: str, first: int, second: int, year: int, orders: frozenset[DateOrder]) -> date:
    if len(orders) == 1:
        day_first = "dmy" in orders
        day, month = (first, second) if day_first else (second, first)
        if month > 12 >= day:
            raise CellProblem("date_in_other_order", value=text, order="dmy" if day_first else "mdy")
        return _date(text, year, month, day)
    if first == second or first > 12 or second > 12:
        day, month = (second, first) if second > 12 else (first, second)
        return _date(text, year, month, day)
    raise CellProblem("date_ambiguous", value=text)


def _date_with_a_name(text: str, language: Language) -> date:
    numbers: list[str] = []
    month = 0
    for word in _DATE_WORD.findall(text):
        name = fold(word)
        if word.isdigit():
            numbers.append(word)
        elif name in language.months and not month:
            month = language.months[name]
        elif name not in _FILLERS and name not in language.weekdays:
            raise CellProblem("not_a_date", value=shown(text))
    if not month or len(numbers) != 2:
        raise CellProblem("not_a_date", value=shown(text))
    years = [number for number in numbers if len(number) == 4]
    if not years and all(len(number) <= 2 for number in numbers):
        raise CellProblem("year_of_two_digits", value=text)
    days = [number for number in numbers if len(number) <= 2]
    if len(years) != 1 or len(days) != 1:
        raise CellProblem("not_a_date", value=shown(text))
    return _date(text, int(years[0]), month, int(days[0]))


def _date(text: str, year: int, month: int, day: int) -> date:
    try:
        found = date(year, month, day)
    except ValueError:
        raise CellProblem("no_such_day", value=text) from None
    return _within_years(found, text)


def _within_years(day: date, text: str) -> date:
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise CellProblem("year_out_of_range", value=text, first=FIRST_YEAR, last=LAST_YEAR)
    return day


_TIME = re.compile(
    r"(?:kl\.?\s?)?(?P<hour>\d{1,2})(?:\s?(?P<mark>[:.h])\s?(?P<minute>\d{2})(?::(?P<second>\d{2}))?)?"
    r"\s?(?P<word>[ap]\.?m\.?|h|uhr)?",
    re.IGNORECASE,
)


def parse_time(cell: Cell, language: Language) -> time:
    """A time of day: ``7:30``, ``07.30``, ``7h30``, ``7:30 am``, ``0730``."""
    if isinstance(cell, datetime):
        raise CellProblem("date_not_time", value=_shown(cell))
    if isinstance(cell, time):
        return cell
    if isinstance(cell, timedelta):
        if timedelta(0) <= cell < timedelta(days=1):
            return (datetime.combine(date(2000, 1, 1), time()) + cell).time()
        raise CellProblem("not_a_time", value=_shown(cell))
    if isinstance(cell, date):
        raise CellProblem("date_not_time", value=_shown(cell))
    if isinstance(cell, bool | int | float | Decimal):
        raise CellProblem("number_not_time", value=shown(cell))
    if isinstance(cell, str):
        return _time_of_text(" ".join(cell.split()))
    raise _fault(cell)


def _time_of_text(text: str) -> time:
    if re.fullmatch(r"\d{4}", text):
        text = f"{text[:2]}:{text[2:]}"
    found = _TIME.fullmatch(text)
    word = (found["word"] or "").replace(".", "").lower() if found else ""
    if found is None or not (found["minute"] or word):
        raise CellProblem("not_a_time", value=shown(text))
    hour, minute, second = int(found["hour"]), int(found["minute"] or 0), int(found["second"] or 0)
    if word in ("am", "pm"):
        if not 1 <= hour <= 12:
            raise CellProblem("not_a_time", value=shown(text))
        hour = hour % 12 + (12 if word == "pm" else 0)
    try:
        return time(hour, minute, second)
    except ValueError:
        raise CellProblem("not_a_time", value=shown(text)) from None


# --- places -----------------------------------------------------------------------------------------------------------

_DEGREES = re.compile(
    r"(?P<side>[NSEWO])?\s?(?P<sign>-)?(?P<degrees>\d{1,3})(?:[.,](?P<fraction>\d+))?\s?°?\s?"
    r"(?:(?P<minutes>[0-5]?\d(?:[.,]\d+)?)\s?['\u2019\u2032]\s?(?:(?P<seconds>[0-5]?\d(?:[.,]\d+)?)\s?(?:\"|\u201d|\u2033|'')\s?)?)?"
    r"(?P<side_after>[NSEWO])?",
    re.IGNORECASE,
)


def parse_latitude(cell: Cell) -> Decimal:
    """Degrees north, seven decimals: ``47.0512``, ``47,0512``, ``47.0512° N``, ``47°03'04.3"N``."""
    return _coordinate(cell, 90, "latitude_out_of_range", "NS")


def parse_longitude(cell: Cell) -> Decimal:
    """Degrees east, as ``parse_latitude``. A point or a comma is a decimal mark here in every language."""
    return _coordinate(cell, 180, "longitude_out_of_range", "EWO")


def _coordinate(cell: Cell, limit: int, out_of_range: str, sides: str) -> Decimal:
    degrees = _degrees_of_text(cell, sides) if isinstance(cell, str) else parse_decimal(cell, language_of("en-US"))
    if abs(degrees) > limit:
        raise CellProblem(out_of_range, value=shown(cell))
    return degrees.quantize(Decimal("0.0000001"))


def _degrees_of_text(text: str, sides: str) -> Decimal:
    found = _DEGREES.fullmatch(" ".join(text.translate(_MINUS).split()))
    side = ((found["side"] or found["side_after"] or "") if found else "").upper()
    if (
        found is None
        or (found["side"] and found["side_after"])
        or (side and (side not in sides or side == "O" or found["sign"]))
        or (found["fraction"] and found["minutes"])
    ):
        raise CellProblem("not_a_coordinate", value=shown(text))
    degrees = Decimal(f"{found['degrees']}.{found['fraction'] or 0}")
    for part, share in (("minutes", 60), ("seconds", 3600)):
        if found[part]:
            degrees += Decimal(found[part].replace(",", ".")) / share
    return -degrees if found["sign"] or side in ("S", "W") else degrees


# --- words ------------------------------------------------------------------------------------------------------------

_YES: Final[Mapping[str, frozenset[str]]] = MappingProxyType(
    {
        "en": frozenset({"yes", "y", "true", "t", "1", "x"}),
        "de": frozenset({"ja", "j", "wahr"}),
        "fr": frozenset({"oui", "o", "vrai"}),
        "it": frozenset({"si", "s", "vero"}),
        "es": frozenset({"si", "s", "verdadero"}),
        "pt": frozenset({"sim", "s", "verdadeiro"}),
        "nl": frozenset({"ja", "j", "waar"}),
        "da": frozenset({"ja", "j", "sand"}),
        "sv": frozenset({"ja", "j", "sant"}),
        "nb": frozenset({"ja", "j", "sann"}),
        "nn": frozenset({"ja", "j", "sann"}),
        "fi": frozenset({"kylla", "k", "tosi"}),
        "pl": frozenset({"tak", "t", "prawda"}),
        "cs": frozenset({"ano", "a", "pravda"}),
    }
)
_NO: Final[Mapping[str, frozenset[str]]] = MappingProxyType(
    {
        "en": frozenset({"no", "n", "false", "f", "0"}),
        "de": frozenset({"nein", "falsch"}),
        "fr": frozenset({"non", "faux"}),
        "it": frozenset({"falso"}),
        "es": frozenset({"falso"}),
        "pt": frozenset({"nao", "falso"}),
        "nl": frozenset({"nee", "onwaar"}),
        "da": frozenset({"nej", "falsk"}),
        "sv": frozenset({"nej", "falskt"}),
        "nb": frozenset({"nei", "usann"}),
        "nn": frozenset({"nei", "usann"}),
        "fi": frozenset({"ei", "e", "epatosi"}),
        "pl": frozenset({"nie", "falsz"}),
        "cs": frozenset({"ne", "nepravda"}),
    }
)
"""From memory: the words of everyday use and those spreadsheet programs show for truth values."""


def parse_yes_no(cell: Cell, language: Language) -> bool:
    """Yes or no, in English or the language; also ``x`` and a tick for yes, ``1`` and ``0``."""
    if isinstance(cell, bool):
        return cell
    if isinstance(cell, int | float) and cell in (0, 1):
        return cell == 1
    if isinstance(cell, CellFault):
        raise _fault(cell)
    word = fold(shown(cell))
    if word in _YES["en"] or word in _YES.get(language.language, ()) or shown(cell) in ("✓", "✔", "☑"):
        return True
    if word in _NO["en"] or word in _NO.get(language.language, ()):
        return False
    raise CellProblem("not_yes_or_no", value=shown(cell))


def parse_choice(cell: Cell, words: Mapping[str, str], allowed: str) -> str:
    """One of several words. ``words`` maps folded words to values; ``allowed`` names the choices to the person."""
    if isinstance(cell, CellFault):
        raise _fault(cell)
    text = f"{Decimal(f'{cell:.15g}'):f}" if isinstance(cell, float) else _shown(cell)
    value = words.get(fold(text))
    if value is None:
        raise CellProblem("not_a_choice", value=shown(cell), allowed=allowed)
    return value


# --- hours of access --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, order=True)
class AccessHours:
    """Hours of one weekday (0 is Monday) in which a crew may work at a farm, by the local clock."""

    weekday: int
    opens: time
    closes: time


_ACCESS_TOKEN = re.compile(
    r"(?P<clock>\d{1,2}(?:[:.h]\d{2})?(?:\s?(?:[ap]\.?m\.?(?![^\W\d_])|h(?![^\W\d_])|uhr))?)"
    r"|(?P<word>[^\W\d_]+\.?)|(?P<dash>[-\u2013\u2014])|(?P<part>[,;\n/&+:])|(?P<space>\s+)|(?P<other>.)",
    re.IGNORECASE,
)
_TO_WORDS: Final = frozenset({"to", "till", "until", "bis", "a", "à", "al", "tot", "til", "do"})
_AND_WORDS: Final = frozenset({"and", "und", "et", "e", "y", "en", "og", "och", "i"})
_LAST_MINUTE: Final = time(23, 59)


def parse_access_hours(cell: Cell, language: Language) -> tuple[AccessHours, ...]:
    """Hours by weekday: ``Mon-Fri 06:00-11:00, 13:00-17:00; Sat 8-12``, in English or the language.

    A day not named has no hours. ``daily`` stands for Monday to Sunday; 24:00 is kept as 23:59. Sorted by day and hour.
    """
    text = _plain(cell)
    reading = _HoursReading(text)
    for kind, token in _access_tokens(text, language):
        reading.take(kind, token)
    return _without_overlap(reading.finish(), text)


class _HoursReading:
    """Days, then spans of hours for them, then perhaps other days."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.hours: list[AccessHours] = []
        self.days: list[int] = []
        self.timed = False  # the days at hand have hours already: the next day begins anew
        self.start: time | None = None
        self.dash = False

    def take(self, kind: str, token: str) -> None:
        if kind == "dash":
            if self.dash or not self.days or (self.timed and self.start is None):
                raise self._unclear()
            self.dash = True
        elif kind == "clock":
            self._take_clock(_clock(token, self.text))
        else:
            self._take_days(list(range(7)) if kind == "daily" else [int(token)])

    def _take_days(self, days: list[int]) -> None:
        if self.start is not None:
            raise self._unclear()
        if self.timed:
            self.days, self.timed = [], False
        self.days += _days_after(self.days[-1], days[0]) if self.dash else days
        self.dash = False

    def _take_clock(self, clock: time) -> None:
        if not self.days:
            raise CellProblem("access_hours_without_day", value=shown(self.text))
        if self.start is None:
            if self.dash:
                raise self._unclear()
            self.start, self.timed = clock, True
            return
        if not self.dash or clock <= self.start:
            raise self._unclear()
        self.hours += [AccessHours(day, self.start, clock) for day in self.days]
        self.start, self.dash = None, False

    def finish(self) -> list[AccessHours]:
        if self.start is not None or self.dash or (self.days and not self.timed) or not self.hours:
            raise self._unclear()
        return self.hours

    def _unclear(self) -> CellProblem:
        return CellProblem("access_hours_unclear", value=shown(self.text))


def _access_tokens(text: str, language: Language) -> Iterator[tuple[str, str]]:
    for found in _ACCESS_TOKEN.finditer(text.translate(_MINUS)):
        token = found[0]
        if found["clock"]:
            yield "clock", token
        elif found["dash"]:
            yield "dash", token
        elif found["word"]:
            name = fold(token)
            if name in language.weekdays:
                yield "day", str(language.weekdays[name])
            elif name == "daily":
                yield "daily", token
            elif token in _TO_WORDS:
                yield "dash", token
            elif name not in _AND_WORDS:
                raise CellProblem("access_hours_unclear", value=shown(text))
        elif found["other"]:
            raise CellProblem("access_hours_unclear", value=shown(text))


def _days_after(first: int, last: int) -> list[int]:
    """The days after ``first`` up to ``last``, over the end of the week if need be."""
    return [(first + step) % 7 for step in range(1, (last - first) % 7 + 1)]


def _clock(token: str, text: str) -> time:
    if re.fullmatch(r"24([:.h]00)?(\s?(h|uhr))?", token, re.IGNORECASE):
        return _LAST_MINUTE
    try:
        return _time_of_text(f"{token}:00" if token.isdigit() else token)
    except CellProblem:
        raise CellProblem("access_hours_unclear", value=shown(text)) from None


def _without_overlap(hours: list[AccessHours], text: str) -> tuple[AccessHours, ...]:
    ordered = sorted(hours)
    for earlier, later in pairwise(ordered):
        if earlier.weekday == later.weekday and later.opens < earlier.closes:
            raise CellProblem("access_hours_overlap", value=shown(text))
    return tuple(ordered)


def parse_weekdays(cell: Cell, language: Language) -> tuple[int, ...]:
    """Days of the week: ``Mon, Wed-Fri``, 0 is Monday, in order."""
    text = _plain(cell)
    days: list[int] = []
    dash = False
    for kind, token in _access_tokens(text, language):
        if kind == "daily":
            days = list(range(7))
        elif kind == "dash" and days:
            dash = True
        elif kind == "day":
            days += _days_after(days[-1], int(token)) if dash else [int(token)]
            dash = False
        else:
            raise CellProblem("weekdays_unclear", value=shown(text))
    if dash or not days:
        raise CellProblem("weekdays_unclear", value=shown(text))
    return tuple(sorted(set(days)))


def write_weekdays(days: tuple[int, ...], language: Language) -> str:
    """``parse_weekdays`` backwards."""
    return _runs(sorted(days), language)


def write_access_hours(hours: tuple[AccessHours, ...], language: Language) -> str:
    """``parse_access_hours`` backwards."""
    by_hours: dict[tuple[tuple[time, time], ...], list[int]] = {}
    for day in range(7):
        of_day = tuple((entry.opens, entry.closes) for entry in sorted(hours) if entry.weekday == day)
        if of_day:
            by_hours.setdefault(of_day, []).append(day)
    return "; ".join(
        f"{_runs(days, language)} {', '.join(f'{opens:%H:%M}-{closes:%H:%M}' for opens, closes in of_day)}"
        for of_day, days in by_hours.items()
    )


def _runs(days: list[int], language: Language) -> str:
    names = language.weekday_names
    runs: list[list[int]] = []
    for day in days:
        if runs and runs[-1][-1] == day - 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    return ", ".join(
        f"{names[run[0]]}-{names[run[-1]]}" if len(run) > 2 else ", ".join(names[day] for day in run) for run in runs
    )
