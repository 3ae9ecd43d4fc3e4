"""Values as people read them. Patterns: Unicode CLDR as shipped with Babel; rounding half away from zero."""

from datetime import UTC, date, datetime, time
from decimal import Decimal

import pytest

from trimmer import showing

VIENNA = "Europe/Vienna"
NBSP = "\u00a0"


def plain(text: str) -> str:
    return text.replace(NBSP, " ").replace("\u202f", " ").replace("\u2009", " ")


@pytest.mark.parametrize(
    ("amount", "currency", "language", "shown"),
    [
        ("1234.5", "EUR", "en-GB", "€1,234.50"),
        ("1234.5", "EUR", "de-AT", "€ 1.234,50"),
        ("1234.5", "EUR", "de-DE", "1.234,50 €"),
        ("1234.5", "USD", "en-US", "$1,234.50"),
        ("-3", "USD", "en-US", "-$3.00"),
        ("1234.5", "JPY", "en-US", "¥1,235"),
    ],
)
def test_money_is_written_as_the_language_and_the_currency_ask(
    amount: str, currency: str, language: str, shown: str
) -> None:
    assert plain(showing.show_money(Decimal(amount), currency, language)) == shown


@pytest.mark.parametrize(("amount", "shown"), [("0.125", "€0.13"), ("10.005", "€10.01"), ("-0.125", "-€0.13")])
def test_half_a_cent_goes_away_from_zero(amount: str, shown: str) -> None:
    assert showing.show_money(Decimal(amount), "EUR", "en-GB") == shown


@pytest.mark.parametrize(
    ("language", "tag"), [("en-GB", "en_GB"), ("de_AT", "de_AT"), ("de-XX", "de"), ("zz-ZZ", "en"), ("", "en")]
)
def test_an_unknown_part_of_a_language_tag_is_left_off(language: str, tag: str) -> None:
    assert str(showing.read_locale(language)) == tag


@pytest.mark.parametrize(
    ("metres", "units", "language", "shown"),
    [
        (14_249, "metric", "en-GB", "14.2 km"),
        (14_250, "metric", "de-AT", "14,3 km"),
        (0, "metric", "en-GB", "0.0 km"),
        (99_949, "metric", "en-GB", "99.9 km"),
        (99_950, "metric", "en-GB", "100 km"),
        (1_234_567, "metric", "en-GB", "1,235 km"),
        (1_609, "us", "en-US", "1.0 mi"),
        (16_093, "us", "en-US", "10.0 mi"),
    ],
)
def test_a_length_is_shown_in_the_units_of_the_business(metres: int, units: str, language: str, shown: str) -> None:
    assert plain(showing.show_distance(metres, units, language)) == shown


def test_units_that_do_not_exist_are_refused() -> None:
    with pytest.raises(ValueError, match="metric or us"):
        showing.show_distance(1000, "furlongs", "en")


@pytest.mark.parametrize(
    ("minutes", "shown"),
    [
        (0, "0 min"),
        (45, "45 min"),
        (59.5, "1 h"),
        (60, "1 h"),
        (125, "2 h 05 min"),
        (Decimal("12.4"), "12 min"),
        (-75, "-1 h 15 min"),
    ],
)
def test_minutes_are_shown_as_hours_and_minutes(minutes: Decimal | float, shown: str) -> None:
    assert showing.show_minutes(minutes) == shown


@pytest.mark.parametrize(
    ("language", "shown"),
    [("en-GB", "Wed, 4 Mar 2026"), ("en-US", "Wed, Mar 4, 2026"), ("de-AT", "Mi., 4. März 2026")],
)
def test_a_day_is_written_in_the_order_of_the_language(language: str, shown: str) -> None:
    assert showing.show_day(date(2026, 3, 4), language) == shown


def test_a_day_may_go_without_its_year_or_its_weekday() -> None:
    day = date(2026, 3, 4)
    assert showing.show_day(day, "en-GB", year=False) == "Wed 4 Mar"
    assert showing.show_day(day, "en-GB", weekday=False) == "4 Mar 2026"


def test_a_day_in_numbers_keeps_four_digits_of_year() -> None:
    assert showing.show_day_in_numbers(date(2026, 3, 4), "en-GB") == "04/03/2026"
    assert showing.show_day_in_numbers(date(2026, 3, 4), "en-US") == "3/4/2026"


def test_a_span_of_days_names_the_month_once() -> None:
    assert plain(showing.show_days(date(2026, 3, 2), date(2026, 3, 8), "en-GB")) == "2–8 Mar 2026"
    assert showing.show_days(date(2026, 3, 2), date(2026, 3, 2), "en-GB") == "2 Mar 2026"


@pytest.mark.parametrize(
    ("month", "shown"), [(1, "Thu, 15 Jan 2026, 08:30"), (7, "Wed, 15 Jul 2026, 09:30")], ids=["winter", "summer"]
)
def test_a_moment_is_shown_on_the_clock_of_the_zone(month: int, shown: str) -> None:
    moment = datetime(2026, month, 15, 7, 30, tzinfo=UTC)
    assert showing.show_when(moment, "en-GB", VIENNA) == shown


def test_the_clock_follows_the_language() -> None:
    moment = datetime(2026, 1, 15, 13, 5, tzinfo=UTC)
    assert showing.show_clock(moment, "en-GB", VIENNA) == "14:05"
    assert plain(showing.show_clock(moment, "en-US", "America/Chicago")) == "7:05 AM"
    assert showing.show_clock(time(6, 0), "de-AT") == "06:00"


def test_a_moment_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="carry its time zone"):
        showing.show_clock(datetime(2026, 1, 15, 13, 5), "en", VIENNA)  # noqa: DTZ001 (that is the point)
    with pytest.raises(ValueError, match="needs a time zone"):
        showing.show_clock(datetime(2026, 1, 15, 13, 5, tzinfo=UTC), "en")


def test_hours_of_one_day_are_a_span_and_hours_over_midnight_carry_their_dates() -> None:
    start = datetime(2026, 1, 15, 7, 30, tzinfo=UTC)
    same_day = datetime(2026, 1, 15, 9, 15, tzinfo=UTC)
    next_day = datetime(2026, 1, 15, 23, 30, tzinfo=UTC)
    assert showing.show_hours(start, same_day, "en-GB", VIENNA) == "08:30–10:15"
    assert showing.show_hours(start, next_day, "en-GB", VIENNA) == "Thu 15 Jan, 08:30 – Fri 16 Jan, 00:30"


@pytest.mark.parametrize(
    ("value", "places", "language", "shown"),
    [
        ("1234.5", None, "en-GB", "1,234.5"),
        ("1234.5", 0, "de-AT", "1.235"),
        ("0.125", 2, "en-GB", "0.13"),
        ("1640", None, "en-GB", "1,640"),
        ("3E+2", None, "en-GB", "300"),
    ],
)
def test_a_number_is_written_with_the_signs_of_the_language(
    value: str, places: int | None, language: str, shown: str
) -> None:
    assert plain(showing.show_number(Decimal(value), language, places)) == shown


@pytest.mark.parametrize(("places", "shown"), [(0, "13%"), (1, "12.5%")])
def test_a_share_is_shown_as_per_cent(places: int, shown: str) -> None:
    assert showing.show_percent(Decimal("0.125"), "en-GB", places) == shown


def test_a_weekday_is_named_in_full() -> None:
    assert showing.show_weekday(date(2026, 3, 8), "en-GB") == "Sunday"
    assert showing.show_weekday(date(2026, 3, 8), "de-AT") == "Sonntag"


@pytest.mark.parametrize(
    ("country", "language", "lines"),
    [
        ("IE", "en-GB", ["2 Mill Lane", "Ashcombe", "Co. Quill", "A12 B345", "Ireland"]),
        ("GB", "en-GB", ["2 Mill Lane", "Ashcombe", "Co. Quill", "A12 B345", "United Kingdom"]),
        ("US", "en-US", ["2 Mill Lane", "Ashcombe, Co. Quill A12 B345", "United States"]),
        ("AT", "de-AT", ["2 Mill Lane", "A12 B345 Ashcombe", "Co. Quill", "Österreich"]),
        ("", "en-GB", ["2 Mill Lane", "A12 B345 Ashcombe", "Co. Quill"]),
    ],
)
def test_an_address_is_written_as_its_country_writes_it(country: str, language: str, lines: list[str]) -> None:
    """Orders of the town's line: common practice, from memory."""
    shown = showing.show_address(
        street="2 Mill Lane",
        postcode="A12 B345",
        city="Ashcombe",
        region="Co. Quill",
        country=country,
        language=language,
    )
    assert shown == lines


def test_an_address_leaves_out_what_is_missing() -> None:
    known = {"street": "", "postcode": "", "region": "WI", "language": "en-US"}
    assert showing.show_address(city="Dunmore", country="US", **known) == ["Dunmore, WI", "United States"]
    assert showing.show_address(city="", country="ZZ", **(known | {"region": ""})) == ["Unknown Region"]
