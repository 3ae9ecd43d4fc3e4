import re
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trimmer import sheets
from trimmer.sheets.reading import Cell, CellFault, Percent
from trimmer.sheets.sentences import SENTENCES
from trimmer.sheets.values import (
    AccessHours,
    CellProblem,
    fold,
    language_of,
    parse_access_hours,
    parse_choice,
    parse_code,
    parse_date,
    parse_decimal,
    parse_email,
    parse_integer,
    parse_latitude,
    parse_longitude,
    parse_minutes,
    parse_moment,
    parse_money,
    parse_percent,
    parse_text,
    parse_time,
    parse_weekdays,
    parse_yes_no,
    sentence,
    write_access_hours,
    write_weekdays,
)

pytestmark = pytest.mark.pure

REPEATABLE = settings(derandomize=True, deadline=None, max_examples=60)


def at(text: str) -> datetime:
    """A moment of the business's own clock."""
    return datetime.fromisoformat(text)


BRITISH = language_of("en-GB")
AMERICAN = language_of("en-US")
AUSTRIAN = language_of("de-AT")
SWEDISH = language_of("sv-SE")
ENGLISH = language_of("en")


def code_of(read: Callable[..., object], *arguments: Any, **options: Any) -> str:
    with pytest.raises(CellProblem) as caught:
        read(*arguments, **options)
    assert sentence(caught.value)  # every problem has its sentence, with all places filled
    return caught.value.code


# numbers


@pytest.mark.parametrize(
    ("tag", "text", "number"),
    [
        ("en-GB", "1,234.50", "1234.50"),
        ("en-GB", "1,234", "1234"),
        ("en-GB", "1.234", "1.234"),
        ("en-US", "12", "12"),
        ("en-US", ".5", "0.5"),
        ("en-IN", "1,00,000.5", "100000.5"),
        ("de-AT", "1.234,50", "1234.50"),
        ("de-AT", "1 234,50", "1234.50"),
        ("de-AT", "1.234", "1234"),
        ("de-AT", "1,234", "1.234"),
        ("de-CH", "1’234.50", "1234.50"),
        ("de-CH", "1'234.50", "1234.50"),
        ("fr-CA", "1\u00a0234,5", "1234.5"),
        ("fr-FR", "1\u202f234\u202f567", "1234567"),
        ("sv-SE", "-12,5", "-12.5"),
        ("sv-SE", "\u22123", "-3"),
        ("sv-SE", "1.234,50", "1234.50"),
        ("en", "12.5", "12.5"),
        ("en", "1,234.50", "1234.50"),
        ("en", "12,5", "12.5"),
        ("de", "0,234", "0.234"),
        ("es", "1.234.567", "1234567"),
    ],
)
def test_a_number_is_read_by_the_rule_of_the_language(tag: str, text: str, number: str) -> None:
    assert parse_decimal(text, language_of(tag)) == Decimal(number)


@pytest.mark.parametrize(
    ("tag", "text", "code"),
    [
        ("en", "1,234", "number_ambiguous"),  # 1234 in most places, 1.234 in South Africa
        ("es", "1.234", "number_ambiguous"),  # 1234 in Spain, 1.234 in Mexico
        ("de", "1.234", "number_ambiguous"),  # 1234 in Austria, 1.234 in Switzerland
        ("sv-SE", "1.234", "number_ambiguous"),  # the point is neither there
        ("de-AT", "12.5", "decimal_mark"),
        ("en-GB", "12,5", "decimal_mark"),
        ("en-GB", "1.234,50", "grouping_not_clear"),
        ("en-GB", "1,23,4", "grouping_not_clear"),
        ("en-GB", "0,123.5", "grouping_not_clear"),
        ("en-GB", "1,234 567", "grouping_not_clear"),
        ("en-GB", "12.", "not_a_number"),
        ("en-GB", "twelve", "not_a_number"),
        ("en-GB", "1/2", "not_a_number"),
        ("en-GB", "-", "not_a_number"),
        ("en-GB", "٣", "not_a_number"),
        ("en-GB", "1e5", "number_in_short_form"),
        ("de-AT", "8,40003E+14", "number_in_short_form"),
        ("en-GB", date(2026, 5, 1), "date_not_number"),
        ("en-GB", True, "not_a_number"),
        ("en-GB", Percent("20"), "percent_not_expected"),
        ("en-GB", CellFault("error_in_cell", "#REF!"), "error_in_cell"),
    ],
)
def test_a_number_that_is_not_clear_is_refused(tag: str, text: Cell, code: str) -> None:
    assert code_of(parse_decimal, text, language_of(tag)) == code


def test_a_number_of_a_spreadsheet_has_the_digits_it_shows() -> None:
    assert parse_decimal(0.1 + 0.2, BRITISH) == Decimal("0.3")
    assert parse_decimal(14.5, AUSTRIAN) == Decimal("14.5")
    assert parse_decimal(3, SWEDISH) == 3


@REPEATABLE
@given(
    st.decimals(min_value=-(10**9), max_value=10**9, places=4), st.sampled_from(["en-GB", "de-AT", "fr-FR", "de-CH"])
)
def test_a_number_written_with_grouping_is_read_back(number: Decimal, tag: str) -> None:
    language = language_of(tag)
    rule = language.number_rules[0]
    plain = f"{number:,f}"

    text = plain.translate(str.maketrans(",.", rule.group + rule.decimal))

    assert parse_decimal(text, language) == number


def test_head_are_counted_in_whole_numbers() -> None:
    assert parse_integer("1,600", BRITISH) == parse_integer("1.600", AUSTRIAN) == parse_integer(1600.0, SWEDISH) == 1600
    assert code_of(parse_integer, "1,600", AUSTRIAN) == "not_whole"
    assert code_of(parse_integer, 2.5, BRITISH) == "not_whole"


@pytest.mark.parametrize(
    ("tag", "currency", "text"),
    [
        ("de-AT", "EUR", "€ 12,50"),
        ("de-AT", "EUR", "12,50 EUR"),
        ("de-AT", "EUR", "12,50 €"),
        ("de-AT", "EUR", "12,50"),
        ("en-GB", "GBP", "£12.50"),
        ("en-US", "USD", "$12.50"),
        ("en-CA", "CAD", "$12.50"),
        ("sv-SE", "SEK", "12,50 kr"),
        ("de-CH", "CHF", "CHF 12.50"),
        ("de-AT", "", "12,50 $"),
    ],
)
def test_an_amount_may_carry_its_currency(tag: str, currency: str, text: str) -> None:
    assert parse_money(text, language_of(tag), currency=currency) == Decimal("12.50")


@pytest.mark.parametrize(
    ("text", "code"),
    [("$ 12,50", "other_currency"), ("12,50 GBP", "other_currency"), ("12,50 abc", "not_a_number")],
)
def test_an_amount_in_another_currency_is_refused(text: str, code: str) -> None:
    assert code_of(parse_money, text, AUSTRIAN, currency="EUR") == code


def test_a_rate_is_the_same_however_it_is_shown() -> None:
    rates: list[Cell] = ["20", "20 %", "20%", 20, 20.0, Percent("20")]

    assert {parse_percent(rate, AUSTRIAN) for rate in rates} == {Decimal(20)}
    assert parse_percent("5,5 %", AUSTRIAN) == Decimal("5.5")


def test_minutes_are_a_number_not_a_clock() -> None:
    assert parse_minutes("8,5 min", AUSTRIAN) == parse_minutes(8.5, BRITISH) == Decimal("8.5")
    assert code_of(parse_minutes, "1:30", BRITISH) == "clock_not_minutes"
    assert code_of(parse_minutes, time(1, 30), BRITISH) == "clock_not_minutes"


# text and codes


def test_a_transponder_that_a_spreadsheet_holds_as_a_number_keeps_its_15_digits() -> None:
    assert parse_code(840003123456789) == parse_code(840003123456789.0) == "840003123456789"
    assert parse_code("840003123456789") == "840003123456789"


@pytest.mark.parametrize(
    ("cell", "code"),
    [
        ("8,40003E+14", "number_in_short_form"),
        ("8.40003E+14", "number_in_short_form"),
        ("8E+14", "number_in_short_form"),
        (8400031234567890.0, "number_lost_digits"),
        (10**16, "number_lost_digits"),
        (date(2026, 12, 3), "date_not_text"),
        (True, "truth_value_not_text"),
        (CellFault("formula_without_value"), "formula_without_value"),
        ("x" * 41, "text_too_long"),
    ],
)
def test_a_code_that_a_spreadsheet_has_spoilt_is_refused_with_the_reason(cell: Cell, code: str) -> None:
    assert code_of(parse_code, cell) == code


def test_a_number_of_an_animal_is_not_turned_into_a_figure() -> None:
    assert [parse_code(cell) for cell in ("0042", 42, 42.0, "12E5", " A  7 ")] == ["0042", "42", "42", "12E5", "A 7"]


def test_text_is_trimmed_and_composed() -> None:
    assert parse_text("  Ho\u0308fer \n Hof ") == "Höfer Hof"
    assert parse_text("a  b \n c ", lines=True) == "a b\nc"
    assert code_of(parse_text, "x" * 300) == "text_too_long"


def test_an_email_address_is_one_address() -> None:
    assert parse_email(" ann@upper-mill.example ") == "ann@upper-mill.example"
    for wrong in ("ann", "ann@mill", "ann@mill.example; bo@mill.example", "ann @mill.example"):
        assert code_of(parse_email, wrong) == "email_not_valid"


# dates


@pytest.mark.parametrize(
    ("tag", "text", "day"),
    [
        ("en-GB", "03/04/2026", date(2026, 4, 3)),
        ("en-US", "03/04/2026", date(2026, 3, 4)),
        ("de-AT", "3.4.2026", date(2026, 4, 3)),
        ("de-AT", "3. 4. 2026", date(2026, 4, 3)),
        ("nl-NL", "03-04-2026", date(2026, 4, 3)),
        ("fr", "03/04/2026", date(2026, 4, 3)),
        ("en", "2026-04-03", date(2026, 4, 3)),
        ("sv-SE", "2026-04-03", date(2026, 4, 3)),
        ("en", "2026/4/3", date(2026, 4, 3)),
        ("en", "20260403", date(2026, 4, 3)),
        ("en", "2026-04-03 00:00:00", date(2026, 4, 3)),
        ("en", "25/04/2026", date(2026, 4, 25)),
        ("en", "04/25/2026", date(2026, 4, 25)),
        ("en", "05/05/2026", date(2026, 5, 5)),
        ("en", "3 April 2026", date(2026, 4, 3)),
        ("en-US", "Apr 3rd, 2026", date(2026, 4, 3)),
        ("en-GB", "Fri 3 Apr 2026", date(2026, 4, 3)),
        ("de-AT", "3. März 2026", date(2026, 3, 3)),
        ("de-AT", "3. Jänner 2026", date(2026, 1, 3)),
        ("fr-CA", "1er août 2026", date(2026, 8, 1)),
        ("es-MX", "3 de abril de 2026", date(2026, 4, 3)),
    ],
)
def test_a_date_is_read_by_the_rule_of_the_language(tag: str, text: str, day: date) -> None:
    assert parse_date(text, language_of(tag)) == day


@pytest.mark.parametrize(
    ("tag", "text", "code"),
    [
        ("en", "03/04/2026", "date_ambiguous"),
        ("en-CA", "03/04/2026", "date_ambiguous"),
        ("sv-SE", "03/04/2026", "date_ambiguous"),
        ("en-US", "3.4.2026", "date_ambiguous"),
        ("en-GB", "04/25/2026", "date_in_other_order"),
        ("en-US", "25/04/2026", "date_in_other_order"),
        ("en-GB", "03/04/26", "year_of_two_digits"),
        ("en-GB", "3 Apr 26", "year_of_two_digits"),
        ("en-GB", "26-04-03", "year_of_two_digits"),
        ("en-GB", "29/02/2026", "no_such_day"),
        ("en-GB", "2026-13-01", "no_such_day"),
        ("en-GB", "3/4/1826", "year_out_of_range"),
        ("en-GB", "3/4/2206", "year_out_of_range"),
        ("en-GB", "soon", "not_a_date"),
        ("en-GB", "April 2026", "not_a_date"),
        ("en-GB", "3 Mai 2026", "not_a_date"),
        ("en-GB", 46115, "number_not_date"),
        ("en-GB", 46115.5, "not_a_date"),
        ("en-GB", time(7, 30), "not_a_date"),
        ("en-GB", at("2026-04-03 07:30"), "time_not_expected"),
        ("en-GB", CellFault("error_in_cell", "#N/A"), "error_in_cell"),
    ],
)
def test_a_date_that_is_not_clear_is_refused(tag: str, text: Cell, code: str) -> None:
    assert code_of(parse_date, text, language_of(tag)) == code


@REPEATABLE
@given(st.dates(date(1900, 1, 1), date(2100, 12, 31)), st.sampled_from(["en-GB", "de-AT", "fr-FR", "en-US"]))
def test_any_day_written_the_usual_way_is_read_back(day: date, tag: str) -> None:
    pattern = {"en-GB": "%d/%m/%Y", "de-AT": "%d.%m.%Y", "fr-FR": "%d/%m/%Y", "en-US": "%m/%d/%Y"}[tag]

    assert parse_date(day.strftime(pattern), language_of(tag)) == day


def test_a_moment_keeps_what_was_written_a_day_or_a_time() -> None:
    assert parse_moment("03/04/2026", BRITISH) == date(2026, 4, 3)
    assert parse_moment("03/04/2026 07:30", BRITISH) == at("2026-04-03 07:30")
    assert parse_moment("3.4.2026 7.30 Uhr", AUSTRIAN) == at("2026-04-03 07:30")
    assert parse_moment("2026-04-03T07:30:00", ENGLISH) == at("2026-04-03 07:30")
    assert parse_moment(at("2026-04-03 07:30"), ENGLISH) == at("2026-04-03 07:30")
    assert code_of(parse_moment, "2026-04-03T07:30:00Z", ENGLISH) == "zone_not_expected"
    assert code_of(parse_moment, "03/04/2026 07:30", ENGLISH) == "date_ambiguous"


@pytest.mark.parametrize(
    ("text", "clock"),
    [
        ("7:30", time(7, 30)),
        ("07.30", time(7, 30)),
        ("7h30", time(7, 30)),
        ("7 h", time(7)),
        ("7:30 am", time(7, 30)),
        ("7:30 p.m.", time(19, 30)),
        ("12:05 am", time(0, 5)),
        ("12 pm", time(12)),
        ("0730", time(7, 30)),
        ("kl. 7.30", time(7, 30)),
        ("7:30 Uhr", time(7, 30)),
        ("07:30:15", time(7, 30, 15)),
        (time(7, 30), time(7, 30)),
        (timedelta(hours=7, minutes=30), time(7, 30)),
    ],
)
def test_a_time_of_day_is_read_in_many_forms(text: Cell, clock: time) -> None:
    assert parse_time(text, BRITISH) == clock


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("7", "not_a_time"),
        ("25:00", "not_a_time"),
        ("7:60", "not_a_time"),
        ("13:00 pm", "not_a_time"),
        ("7.5", "not_a_time"),
        ("early", "not_a_time"),
        (timedelta(hours=30), "not_a_time"),
        (0.3125, "number_not_time"),
        (date(2026, 4, 3), "date_not_time"),
        (at("2026-04-03 07:30"), "date_not_time"),
        (CellFault("error_in_cell", "#N/A"), "error_in_cell"),
    ],
)
def test_a_time_that_is_not_clear_is_refused(text: Cell, code: str) -> None:
    assert code_of(parse_time, text, BRITISH) == code


# places


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("47.0512", "47.0512"),
        ("47,0512", "47.0512"),
        ("-12.5", "-12.5"),
        ("12.5 S", "-12.5"),
        ("N 47.0512°", "47.0512"),
        ("47°03'04.3\"N", "47.0511944"),
        ("47° 3' N", "47.05"),
        (47.0512, "47.0512"),
        (47, "47"),
    ],
)
def test_a_latitude_is_read_in_any_language(text: Cell, degrees: str) -> None:
    assert parse_latitude(text) == Decimal(degrees)


def test_a_place_off_the_globe_or_unclear_is_refused() -> None:
    assert parse_longitude("15.4392 W") == Decimal("-15.4392")
    assert code_of(parse_latitude, 470512) == "latitude_out_of_range"
    assert code_of(parse_longitude, "180.1") == "longitude_out_of_range"
    assert code_of(parse_longitude, "9,5 O") == "not_a_coordinate"  # east in German, west in Spanish
    assert code_of(parse_latitude, "47.05, 15.43") == "not_a_coordinate"
    assert code_of(parse_latitude, "47.05 E") == "not_a_coordinate"
    assert code_of(parse_latitude, "by the church") == "not_a_coordinate"


# words


@pytest.mark.parametrize(
    ("tag", "yes", "no"),
    [
        ("en-GB", "Yes", "n"),
        ("de-AT", "ja", "Nein"),
        ("fr-FR", "Oui", "non"),
        ("es-ES", "sí", "no"),
        ("fi-FI", "k", "ei"),
    ],
)
def test_yes_and_no_are_understood_in_the_language_and_in_english(tag: str, yes: str, no: str) -> None:
    language = language_of(tag)

    assert parse_yes_no(yes, language)
    assert not parse_yes_no(no, language)
    assert all(parse_yes_no(word, language) for word in ("yes", "x", "✓", 1, True, 1.0))
    assert not any(parse_yes_no(word, language) for word in ("no", "0", 0, False))


def test_what_is_neither_yes_nor_no_is_refused() -> None:
    for cell in ("maybe", 2, "ja"):
        assert code_of(parse_yes_no, cell, BRITISH) == "not_yes_or_no"
    assert code_of(parse_yes_no, CellFault("error_in_cell", "#N/A"), BRITISH) == "error_in_cell"


def test_a_choice_is_found_whatever_its_case_accents_and_spaces() -> None:
    words = {"hauteloire": "a", "3": "b"}

    assert [parse_choice(cell, words, "x") for cell in ("Haute-Loire", "HAUTE  LOIRE", 3, 3.0)] == ["a", "a", "b", "b"]
    assert code_of(parse_choice, "Loire", words, "x") == "not_a_choice"
    assert code_of(parse_choice, CellFault("error_in_cell", "#N/A"), words, "x") == "error_in_cell"


def test_folding_leaves_letters_and_digits() -> None:
    assert fold(" É-mail  (Höfe) Nº2 ") == "emailhofeno2"


# hours of access


def hours(*entries: tuple[int, str, str]) -> tuple[AccessHours, ...]:
    return tuple(
        AccessHours(day, time.fromisoformat(opens), time.fromisoformat(closes)) for day, opens, closes in entries
    )


@pytest.mark.parametrize(
    ("tag", "text", "expected"),
    [
        ("en-GB", "mon 06:00-11:00, 13:00-17:00", hours((0, "06:00", "11:00"), (0, "13:00", "17:00"))),
        ("en-GB", "Tue, Thu 9-12", hours((1, "09:00", "12:00"), (3, "09:00", "12:00"))),
        ("en-US", "Fri-Sun 6am to 2:30pm", hours(*((day, "06:00", "14:30") for day in (4, 5, 6)))),
        ("en-GB", "Sat-Mon 8–10", hours(*((day, "08:00", "10:00") for day in (0, 5, 6)))),
        ("en-GB", "daily 18:00-24:00", hours(*((day, "18:00", "23:59") for day in range(7)))),
        ("de-AT", "Mo: 6.00 bis 11.00 Uhr; Di 7-9", hours((0, "06:00", "11:00"), (1, "07:00", "09:00"))),
        ("fr-FR", "lun. 6h-11h30\nmar. 7h-9h", hours((0, "06:00", "11:30"), (1, "07:00", "09:00"))),
        ("de-AT", "Wednesday 06:00-07:00", hours((2, "06:00", "07:00"))),
    ],
)
def test_hours_of_access_are_read_as_people_write_them(tag: str, text: str, expected: tuple[AccessHours, ...]) -> None:
    assert parse_access_hours(text, language_of(tag)) == expected


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("06:00-11:00", "access_hours_without_day"),
        ("mon", "access_hours_unclear"),
        ("mon 06:00", "access_hours_unclear"),
        ("mon 11:00-06:00", "access_hours_unclear"),
        ("mon 06:00-25:00", "access_hours_unclear"),
        ("mon 06:00 11:00", "access_hours_unclear"),
        ("mon--tue 06:00-11:00", "access_hours_unclear"),
        ("mon 06:00-tue", "access_hours_unclear"),
        ("mon -06:00-11:00", "access_hours_unclear"),
        ("mon 06:00-11:00-", "access_hours_unclear"),
        ("mornings", "access_hours_unclear"),
        ("mon 06:00-11:00 (ring first)", "access_hours_unclear"),
        ("mon 06:00-11:00, 10:00-12:00", "access_hours_overlap"),
        ("mon-wed 06:00-11:00; tue 10:00-12:00", "access_hours_overlap"),
    ],
)
def test_hours_of_access_that_are_not_clear_are_refused(text: str, code: str) -> None:
    assert code_of(parse_access_hours, text, BRITISH) == code


def test_days_that_suit_are_listed_or_spanned() -> None:
    assert parse_weekdays("Mon, Wed-Fri", BRITISH) == (0, 2, 3, 4)
    assert parse_weekdays("Sa bis Mo", AUSTRIAN) == (0, 5, 6)
    assert parse_weekdays("daily", BRITISH) == tuple(range(7))
    for wrong in ("mornings", "Mon-", "06:00", ","):
        assert code_of(parse_weekdays, wrong, BRITISH) in ("weekdays_unclear", "access_hours_unclear")


spans = st.lists(st.integers(0, 1439), min_size=2, max_size=6, unique=True).map(sorted)


@REPEATABLE
@given(
    st.dictionaries(st.integers(0, 6), spans, min_size=1),
    st.sampled_from(["en-GB", "de-AT", "fr-FR", "pl-PL", "ja-JP"]),
)
def test_hours_of_access_are_read_back_as_written(days: dict[int, list[int]], tag: str) -> None:
    def clock(minute: int) -> time:
        return time(minute // 60, minute % 60)

    language = language_of(tag)
    some = tuple(
        AccessHours(day, clock(opens), clock(closes))
        for day, minutes in sorted(days.items())
        for opens, closes in zip(minutes[::2], minutes[1::2], strict=False)
    )

    assert parse_access_hours(write_access_hours(some, language), language) == some
    assert parse_weekdays(write_weekdays(tuple(sorted(days)), language), language) == tuple(sorted(days))


# languages and sentences


@pytest.mark.parametrize("tag", ["en", "en-ZZ", "xx-XX", "", "no language"])
def test_where_region_or_language_are_not_known_only_what_is_the_same_everywhere_is_read(tag: str) -> None:
    language = language_of(tag)

    assert code_of(parse_date, "03/04/2026", language) == "date_ambiguous"
    assert code_of(parse_decimal, "1,234", language) == "number_ambiguous"
    assert parse_date("2026-04-03", language) == date(2026, 4, 3)


def test_a_tag_may_name_a_script() -> None:
    assert [language_of(tag).language for tag in ("zh-Hant-TW", "sr-Latn-RS", "de_AT")] == ["zh", "sr", "de"]


def test_every_code_raised_in_the_package_has_a_sentence() -> None:
    source = "".join(path.read_text() for path in Path(sheets.__path__[0]).glob("*.py"))
    raised = set(re.findall(r'(?:CellProblem|UnreadableSheet|CellFault)\(\s*"(\w+)"', source))
    raised |= set(re.findall(r'RowFinding\(\s*[^,]+,\s*"(\w+)"', source))

    assert len(raised) > 80
    assert raised - set(SENTENCES) == set()
