import io
import subprocess
import sys
import zipfile
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, time
from decimal import Decimal
from random import Random
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from billing.charges import prices
from tests.trimmer.big_sheets import BigSheet, Form, animal_sheet, client_sheet, record_sheet
from trimmer.identification import TagProblem, TagWarning
from trimmer.sheets.layout import (
    Agreement,
    Choice,
    Column,
    Kind,
    Layout,
    Parsed,
    Problem,
    parse,
    rows_about,
    settled,
)
from trimmer.sheets.layouts import ANIMALS, CLIENTS_AND_FARMS, LAYOUTS, PRICES, UNIT_OF_ARTICLE, VISITS_AND_RECORDS
from trimmer.sheets.reading import Cell, CellFault, Percent, SheetRow, Table, UnreadableSheet, read_table
from trimmer.sheets.sentences import SENTENCES, sentence_for
from trimmer.sheets.values import AccessHours

pytestmark = pytest.mark.pure

REPEATABLE = settings(derandomize=True, deadline=None, max_examples=60)

TODAY = date(2026, 3, 1)
FORMS: tuple[Form, ...] = ("csv", "xlsx")

CLIENT: dict[str, Cell] = {"Client number": "1001", "Client": "Marsh & Daughters", "Farm": "Upper Mill"}
ANIMAL: dict[str, Cell] = {"Client number": "1001", "Farm": "Upper Mill", "Number": "217"}
PRICE: dict[str, Cell] = {
    "List": "Prices 2026",
    "Valid from": date(2026, 1, 1),
    "Article": "cow trimmed",
    "Price": 14.5,
    "Tax category": "Standard",
}
RECORD: dict[str, Cell] = {
    "Visit date": date(2026, 2, 17),
    "Client number": "1001",
    "Farm": "Upper Mill",
    "Number": "217",
}


def table(*rows: Mapping[str, Cell]) -> Table:
    """A sheet of these rows: title -> cell; the header stands in row 1."""
    titles = tuple(dict.fromkeys(title for row in rows for title in row))
    body = (SheetRow(number, tuple(row.get(title) for title in titles)) for number, row in enumerate(rows, start=2))
    return Table("xlsx", titles, 1, tuple(body))


def understood(layout: Layout, *rows: Mapping[str, Cell], language: str = "en-GB", **options: Any) -> Parsed:
    return parse(table(*rows), layout, language, today=TODAY, **options)


def only_row(layout: Layout, row: Mapping[str, Cell], **options: Any) -> Mapping[str, Any]:
    parsed = understood(layout, row, **options)
    assert [problem.sentence() for problem in parsed.problems] == []
    return parsed.rows[0].values


def found(problems: tuple[Problem, ...]) -> list[tuple[int, str, str]]:
    assert all(problem.sentence() for problem in problems)  # each has its sentence, with all places filled
    return [(problem.row, problem.column, problem.code) for problem in problems]


# header


def test_titles_are_known_whatever_their_case_accents_and_spaces() -> None:
    header = ("CLIENT  NUMBER", "client-name", "Straße", "lock-up hours", "farm_name")
    parsed = parse(Table("csv", header, 1, (SheetRow(2, ("7", "A", "B", "3", "C")),)), CLIENTS_AND_FARMS, "de-AT")

    assert parsed.ok
    assert parsed.given == {"client_number", "client_name", "client_street", "lock_up_hours", "farm_name"}


def test_an_unknown_column_is_a_warning_with_a_guess() -> None:
    parsed = understood(CLIENTS_AND_FARMS, {**CLIENT, "Latitute": 47, "Shoe size": 42})

    assert parsed.ok
    assert found(parsed.warnings) == [
        (1, "Latitute", "column_unknown_guess"),
        (1, "Shoe size", "column_unknown"),
    ]
    assert parsed.warnings[0].cell == "D1"
    assert parsed.warnings[0].params["guess"] == "Latitude"


def test_a_missing_column_that_must_be_there_is_named_and_no_row_is_read() -> None:
    parsed = understood(ANIMALS, {"Farm": "Upper Mill", "Class": "cow"})

    assert found(parsed.problems) == [(1, "client_number", "column_missing"), (1, "number", "column_missing")]
    assert parsed.rows == ()


def test_two_columns_that_mean_the_same_are_refused() -> None:
    parsed = understood(ANIMALS, {**ANIMAL, "Cow": "218"})

    assert found(parsed.problems) == [(1, "number", "column_given_twice")]
    assert parsed.problems[0].cell == "D1"


def test_a_sheet_without_a_header_says_so() -> None:
    parsed = parse(Table("csv", ("1001", "Marsh"), 1, (SheetRow(2, ("1002", "Hill")),)), CLIENTS_AND_FARMS, "en-GB")

    assert found(parsed.problems) == [(1, "", "header_not_found")]


def test_a_header_without_rows_says_so() -> None:
    parsed = parse(Table("csv", ("Client number", "Client"), 1, ()), CLIENTS_AND_FARMS, "en-GB")

    assert found(parsed.problems) == [(1, "", "no_rows")]


# cells


def test_every_bad_cell_is_named_not_only_the_first() -> None:
    parsed = understood(
        ANIMALS,
        {**ANIMAL, "Born": "03/04/26", "Class": "goat"},
        {**ANIMAL, "Number": None, "Born": date(2022, 1, 1), "Class": "cow"},
        {**ANIMAL, "Number": "219", "Born": date(2022, 1, 1), "Class": CellFault("error_in_cell", "#N/A")},
        {**ANIMAL, "Number": "220", "Born": date(2022, 1, 1), "Class": "heifer"},
    )

    assert found(parsed.problems) == [
        (2, "born_on", "year_of_two_digits"),
        (2, "animal_class", "not_a_choice"),
        (3, "number", "cell_empty"),
        (4, "animal_class", "error_in_cell"),
    ]
    assert [(problem.cell, problem.title, problem.value) for problem in parsed.problems][:2] == [
        ("D2", "Born", "03/04/26"),
        ("E2", "Class", "goat"),
    ]
    assert parsed.bad_rows == {2, 3, 4}
    assert [row.number for row in parsed.rows] == [5]
    assert parsed.row_count == 4


def test_a_cell_in_a_column_without_a_title_is_named() -> None:
    rows = (SheetRow(2, ("1001", "Marsh", "50")), SheetRow(3, ("1002", "Hill")))
    parsed = parse(Table("csv", ("Client number", "Client"), 1, rows), CLIENTS_AND_FARMS, "en-GB")

    assert [(problem.cell, problem.code, problem.value) for problem in parsed.problems] == [
        ("C2", "cell_without_title", "50")
    ]
    assert [row.number for row in parsed.rows] == [3]


def test_a_column_that_is_not_there_says_nothing() -> None:
    parsed = understood(ANIMALS, ANIMAL)

    assert "born_on" not in parsed.given
    assert parsed.rows[0].values["born_on"] is None


def test_the_example_row_of_the_template_is_passed_over() -> None:
    example: dict[str, Any] = {column.title: column.example for column in ANIMALS.columns}

    parsed = parse(table(example, {**ANIMAL, "Number": "218"}), ANIMALS, "en-GB")

    assert found(parsed.warnings) == [(2, "", "example_row")]
    assert [row.number for row in parsed.rows] == [3]


def test_days_to_come_are_refused_where_only_past_ones_make_sense() -> None:
    sheet = table({**ANIMAL, "Born": date(2026, 3, 2), "Expected calving": date(2026, 9, 1)})

    assert found(parse(sheet, ANIMALS, "en-GB", today=TODAY).problems) == [(2, "born_on", "date_to_come")]
    assert parse(sheet, ANIMALS, "en-GB").ok


def test_amounts_out_of_range_are_refused() -> None:
    parsed = understood(
        CLIENTS_AND_FARMS,
        {**CLIENT, "Milking cows": -1, "Lock-up limit": 30, "Weeks between visits": 0},
        {**CLIENT, "Client number": "1002", "Milking cows": 10, "Lock-up limit": 2.125, "Weeks between visits": 8},
    )

    assert found(parsed.problems) == [
        (2, "milking", "too_small"),
        (2, "lock_up_hours", "too_large"),
        (2, "visit_interval_weeks", "too_small"),
        (3, "lock_up_hours", "too_many_decimals"),
    ]


# rows against rows


def test_rows_alike_in_their_key_are_reported_with_both_rows() -> None:
    parsed = understood(ANIMALS, ANIMAL, {**ANIMAL, "Number": "218"}, {**ANIMAL, "Farm": "UPPER MILL"})

    assert found(parsed.problems) == [(4, "client_number", "row_given_twice")]
    assert parsed.problems[0].params["first_row"] == 2
    assert [row.number for row in parsed.rows] == [2, 3]


def test_a_row_whose_key_cannot_be_read_is_not_called_a_twin() -> None:
    parsed = understood(ANIMALS, {**ANIMAL, "Number": date(2026, 1, 2)}, {**ANIMAL, "Number": date(2026, 1, 3)})

    assert found(parsed.problems) == [(2, "number", "date_not_text"), (3, "number", "date_not_text")]


def test_rows_about_the_same_client_must_agree_and_empty_cells_agree_with_all() -> None:
    parsed = understood(
        CLIENTS_AND_FARMS,
        {**CLIENT, "Client town": "Dale", "Client phone": "1"},
        {**CLIENT, "Farm": "Lower Mill", "Client town": None, "Client phone": "2"},
        {**CLIENT, "Farm": "Far Mill", "Client town": "Dale", "Client phone": "1"},
    )

    assert found(parsed.problems) == [(3, "client_phone", "rows_disagree")]
    assert parsed.problems[0].params == {"first_row": 2, "first": "1", "value": "2", "subject": "client"}


def test_what_rows_say_together_is_gathered() -> None:
    parsed = understood(
        CLIENTS_AND_FARMS,
        {**CLIENT, "Client town": None, "Milking cows": 40},
        {**CLIENT, "Farm": "Lower Mill", "Client town": "Dale", "Milking cows": 60},
        {**CLIENT, "Client number": "1002", "Client town": "Ford", "Milking cows": 80},
    )

    gathered = rows_about(parsed.rows, ("client_number",))

    assert [[row.number for row in rows] for rows in gathered.values()] == [[2, 3], [4]]
    assert settled(gathered[("1001",)], ["client_city", "client_phone"]) == {
        "client_city": "Dale",
        "client_phone": None,
    }


def test_a_tag_that_stands_twice_is_pointed_out() -> None:
    parsed = understood(
        ANIMALS,
        {**ANIMAL, "Official tag": "UK230011200123"},
        {**ANIMAL, "Number": "218", "Official tag": "UK 230011 200123"},
    )

    assert parsed.ok
    assert found(parsed.warnings) == [(3, "official_tag", "number_used_twice")]


# clients and farms


def test_a_row_of_clients_and_farms_becomes_values() -> None:
    values = only_row(
        CLIENTS_AND_FARMS,
        {
            **CLIENT,
            "Client country": "Österreich",
            "On hold": "nein",
            "Latitude": "47,0512",
            "Longitude": "15.4392",
            "Barn": "tie stall",
            "Milking cows": "1.600",
            "Health tier": 2,
            "Days that suit": "Mo-Mi",
            "Access hours": "Mo 6-11",
            "Lock-up limit": "2,5",
            "Contact": "Ann",
        },
        language="de-AT",
    )

    told = {key: value for key, value in values.items() if value is not None}
    assert told == {
        "client_number": "1001",
        "client_name": "Marsh & Daughters",
        "farm_name": "Upper Mill",
        "client_country": "AT",
        "on_hold": False,
        "latitude": Decimal("47.0512"),
        "longitude": Decimal("15.4392"),
        "barn": "tie_stall",
        "milking": 1600,
        "health_tier": "2",
        "days_that_suit": (0, 1, 2),
        "access_hours": (AccessHours(0, time(6), time(11)),),
        "lock_up_hours": Decimal("2.5"),
        "contact_name": "Ann",
    }


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ({"Latitude": 47.0}, ("longitude", "half_a_place")),
        ({"Longitude": 15.0}, ("latitude", "half_a_place")),
        ({"Farm": None, "Milking cows": 40}, ("farm_name", "farm_name_missing")),
        ({"Contact's phone": "123"}, ("contact_name", "contact_name_missing")),
        ({"Client country": "Narnia"}, ("client_country", "country_unknown")),
        ({"Health tier": 4}, ("health_tier", "not_a_choice")),
        ({"Client e-mail": "ann"}, ("client_email", "email_not_valid")),
        ({"Client phone": "4,36641E+11"}, ("client_phone", "number_in_short_form")),
    ],
)
def test_a_client_or_farm_that_cannot_be_is_refused(cells: dict[str, Cell], expected: tuple[str, str]) -> None:
    parsed = understood(CLIENTS_AND_FARMS, {**CLIENT, **cells})

    assert found(parsed.problems) == [(2, *expected)]


def test_a_farm_in_the_sea_off_africa_is_pointed_out() -> None:
    parsed = understood(CLIENTS_AND_FARMS, {**CLIENT, "Latitude": 0, "Longitude": 0})

    assert found(parsed.warnings) == [(2, "latitude", "place_is_null_island")]


def test_a_client_without_a_farm_is_taken() -> None:
    assert understood(CLIENTS_AND_FARMS, {**CLIENT, "Farm": None}).ok


# animals


def test_tags_are_kept_and_doubts_are_warnings() -> None:
    parsed = understood(
        ANIMALS,
        {**ANIMAL, "Official tag": "UK 123456 600001", "Transponder": 840003123456789.0},
        {**ANIMAL, "Number": "218", "Official tag": "#17", "Transponder": "12345"},
    )

    assert parsed.ok
    assert [(row.values["official_tag"], row.values["transponder"]) for row in parsed.rows] == [
        ("UK123456600001", "840003123456789"),
        ("#17", "12345"),
    ]
    assert found(parsed.warnings) == [
        (2, "official_tag", "tag_uk_check_digit"),
        (3, "official_tag", "tag_characters"),
        (3, "transponder", "tag_not_15_digits"),
    ]


@pytest.mark.parametrize(
    ("cells", "problems", "warnings"),
    [
        ({"Born": date(2022, 1, 1), "Last calved": date(2021, 1, 1)}, [("calved_on", "born_after_calving")], []),
        (
            {"Last calved": date(2026, 1, 1), "Expected calving": date(2025, 12, 1)},
            [("calving_due_on", "due_before_last_calving")],
            [],
        ),
        (
            {"Expected calving": date(2026, 9, 1), "Planned dry-off": date(2026, 9, 1)},
            [],
            [("dry_off_on", "dry_off_after_due")],
        ),
        ({"Class": "bull", "Last calved": date(2026, 1, 1)}, [], [("calved_on", "bull_calves")]),
        ({"Transponder": "8,40003E+14"}, [("transponder", "number_in_short_form")], []),
    ],
)
def test_dates_of_an_animal_must_fit_together(
    cells: dict[str, Cell], problems: list[tuple[str, str]], warnings: list[tuple[str, str]]
) -> None:
    parsed = understood(ANIMALS, {**ANIMAL, **cells})

    assert found(parsed.problems) == [(2, *entry) for entry in problems]
    assert found(parsed.warnings) == [(2, *entry) for entry in warnings]


# prices


def test_articles_and_units_are_those_of_billing() -> None:
    assert dict(UNIT_OF_ARTICLE) == dict(prices.USUAL_UNITS)
    assert list(UNIT_OF_ARTICLE) == list(prices.ARTICLES)


def test_a_price_is_read_with_its_currency() -> None:
    values = only_row(
        PRICES,
        {**PRICE, "Price": "€ 14,50", "Unit": "Stück", "Tax code": "S", "Tax rate": Percent("20")},
        language="de-AT",
        currency="EUR",
    )

    assert (values["article"], values["amount"], values["unit"]) == ("head_cow", Decimal("14.50"), "HEA")
    assert (values["tax_code"], values["tax_rate"]) == ("S", 20)


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ({"Price": "$14.50"}, ("amount", "other_currency")),
        ({"Price": -1}, ("amount", "too_small")),
        ({"Price": "1.23456"}, ("amount", "too_many_decimals")),
        ({"Valid to": date(2025, 12, 31)}, ("valid_to", "ends_before_it_begins")),
        ({"Unit": "km"}, ("unit", "unit_not_of_article")),
        ({"Tax code": "S"}, ("tax_rate", "tax_rate_missing")),
        ({"Tax code": "E", "Tax rate": 5}, ("tax_rate", "tax_rate_not_zero")),
        ({"Article": "pedicure"}, ("article", "not_a_choice")),
    ],
)
def test_a_price_that_cannot_be_is_refused(cells: dict[str, Cell], expected: tuple[str, str]) -> None:
    parsed = understood(PRICES, {**PRICE, "Tax rate": None, "Valid to": None, **cells}, currency="GBP")

    assert found(parsed.problems) == [(2, *expected)]


def test_a_finding_is_told_in_the_words_of_the_sheet() -> None:
    parsed = understood(PRICES, {**PRICE, "Unit": "km"})

    assert parsed.problems[0].sentence() == "cow trimmed is priced by another unit: head."


def test_a_list_has_one_span_of_days_and_one_client() -> None:
    parsed = understood(
        PRICES, {**PRICE, "Valid from": "2026-01-01"}, {**PRICE, "Article": "block", "Valid from": "2026-02-01"}
    )

    assert found(parsed.problems) == [(3, "valid_from", "rows_disagree")]


# visits and records


def test_a_row_of_records_becomes_values() -> None:
    values = only_row(
        VISITS_AND_RECORDS,
        {
            **RECORD,
            "Crew": "North",
            "Arrived": "7.30",
            "Left": time(12, 15),
            "Kind of work": "lame cow",
            "Score": 3,
            "Scale": "AHDB",
            "Trimmed": "hind",
            "Foot": "left hind",
            "Claw": "lateral",
            "Zone": 4,
            "Lesion": "Sole ulcer",
            "Treatment": "topical",
            "Product": "Blue spray",
            "Batch": "0042",
            "Milk withheld until": "18/02/2026 07:00",
            "Meat withheld until": date(2026, 3, 1),
            "Minutes": "12.5",
        },
    )

    told = {key: value for key, value in values.items() if value is not None}
    assert told == {
        "visit_date": date(2026, 2, 17),
        "crew": "North",
        "client_number": "1001",
        "farm_name": "Upper Mill",
        "arrived": time(7, 30),
        "left": time(12, 15),
        "number": "217",
        "work": "lame",
        "score": 3,
        "scale": "ahdb_0_3",
        "feet_trimmed": ("LH", "RH"),
        "foot": "LH",
        "claw": "outer",
        "zone": "4",
        "lesion": "SU",
        "treatment": "topical",
        "product": "Blue spray",
        "batch": "0042",
        "milk_withhold_until": datetime.fromisoformat("2026-02-18 07:00"),
        "meat_withhold_until": date(2026, 3, 1),
        "minutes": Decimal("12.5"),
    }


@pytest.mark.parametrize(
    ("written", "feet"),
    [
        ("yes", ("LF", "RF", "LH", "RH")),
        (False, ()),
        ("RH, lh", ("LH", "RH")),
        ("front", ("LF", "RF")),
        ("none", ()),
        ("all", ("LF", "RF", "LH", "RH")),
    ],
)
def test_feet_trimmed_are_told_in_short(written: Cell, feet: tuple[str, ...]) -> None:
    assert only_row(VISITS_AND_RECORDS, {**RECORD, "Trimmed": written})["feet_trimmed"] == feet


@pytest.mark.parametrize("written", ["AF", "hfa", " H FA "])
def test_lesion_codes_are_taken_with_their_aliases(written: str) -> None:
    row: dict[str, Cell] = {**RECORD, "Foot": "LH", "Claw": "outer", "Lesion": written}

    assert only_row(VISITS_AND_RECORDS, row)["lesion"] == "HFA"


SOUND: dict[str, Cell] = {"Foot": "LH", "Claw": "outer", "Lesion": "SU"}


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        ({**SOUND, "Lesion": "XX"}, ("lesion", "lesion_unknown")),
        ({**SOUND, "Lesion": "WL"}, ("lesion", "lesion_is_a_group")),
        ({**SOUND, "Foot": None}, ("foot", "foot_missing")),
        ({**SOUND, "Claw": None}, ("claw", "claw_missing")),
        ({**SOUND, "Lesion": "IH", "Zone": 0}, ("claw", "claw_not_in_this_zone")),
        ({**SOUND, "M-stage": "M2"}, ("m_stage", "m_stage_only_for_dd")),
        ({**SOUND, "Lesion": "DD", "M-stage": "M5"}, ("m_stage", "not_a_choice")),
        ({**SOUND, "Zone": 13}, ("zone", "not_a_choice")),
        ({"Zone": 4}, ("lesion", "lesion_missing")),
        ({"M-stage": "M2"}, ("lesion", "lesion_missing")),
        ({"Foot": "middle"}, ("foot", "not_a_choice")),
        ({"Score": 3}, ("scale", "scale_missing")),
        ({"Scale": "AHDB"}, ("score", "score_missing")),
        ({"Score": 4, "Scale": "AHDB"}, ("score", "score_not_on_scale")),
        ({"Score": 0, "Scale": "Sprecher"}, ("score", "score_not_on_scale")),
        ({"Trimmed": "both"}, ("feet_trimmed", "feet_unclear")),
        ({"Trimmed": CellFault("error_in_cell", "#N/A")}, ("feet_trimmed", "error_in_cell")),
        ({"Product": "Blue spray"}, ("treatment", "treatment_missing")),
        ({"Treatment": "wrap", "Foot": "LH", "Block kind": "wood"}, ("block_kind", "block_kind_without_block")),
        ({"Treatment": "wrap"}, ("foot", "treated_foot_missing")),
        ({"Treatment": "block", "Foot": "LH"}, ("claw", "block_claw_missing")),
        ({**SOUND, "Claw": None, "Treatment": "block"}, ("claw", "claw_missing")),
        (
            {"Treatment": "topical", "Meat withheld until": "1/2/2026"},
            ("meat_withhold_until", "withheld_until_before_visit"),
        ),
        ({"Arrived": "8:00", "Left": "7:30"}, ("left", "times_out_of_order")),
        ({"Visit date": date(2026, 3, 2)}, ("visit_date", "date_to_come")),
        ({"Minutes": 0}, ("minutes", "too_small")),
        (
            {"Milk withheld until": "2026-02-18T07:00Z", "Treatment": "topical"},
            ("milk_withhold_until", "zone_not_expected"),
        ),
    ],
)
def test_a_record_that_cannot_be_is_refused(cells: dict[str, Cell], expected: tuple[str, str]) -> None:
    blank = dict.fromkeys(("Claw", "Lesion", "Treatment", "Scale", "Score"))

    parsed = understood(VISITS_AND_RECORDS, {**RECORD, **blank, **cells})

    assert found(parsed.problems) == [(2, *expected)]


def test_a_zone_that_is_unusual_for_a_lesion_is_pointed_out_and_taken() -> None:
    parsed = understood(VISITS_AND_RECORDS, {**RECORD, **SOUND, "Zone": 6})

    assert parsed.ok
    assert found(parsed.warnings) == [(2, "zone", "zone_unusual")]
    assert parsed.warnings[0].sentence() == "SU is not usual in zone 6. Is it right?"


def test_rules_across_cells_keep_silent_about_a_cell_that_could_not_be_read() -> None:
    parsed = understood(
        VISITS_AND_RECORDS, {**RECORD, "Zone": 4, "Lesion": "XX", "Foot": "LH", "Score": "high", "Scale": "AHDB"}
    )

    assert found(parsed.problems) == [(2, "lesion", "lesion_unknown"), (2, "score", "not_a_number")]


def test_an_animal_may_take_several_rows_that_agree_about_it() -> None:
    parsed = understood(
        VISITS_AND_RECORDS,
        {**RECORD, **SOUND, "Minutes": 12, "Treatment": "block"},
        {**RECORD, **SOUND, "Minutes": None, "Treatment": "wrap"},
        {**RECORD, **SOUND, "Minutes": 9, "Treatment": "wrap"},
    )

    assert found(parsed.problems) == [(4, "visit_date", "row_given_twice"), (4, "minutes", "rows_disagree")]


# layouts themselves


def test_every_column_is_explained_by_words_and_every_layout_by_its_kind() -> None:
    assert list(LAYOUTS) == ["clients_and_farms", "animals", "prices", "visits_and_records"]
    assert all(layout.kind == kind and layout.title for kind, layout in LAYOUTS.items())
    assert all(column.title for layout in LAYOUTS.values() for column in layout.columns)


def test_a_layout_in_another_language_still_knows_its_own_words() -> None:
    words = {"Number": "Nummer", "heifer": "Kalbin", "Class": "Art", "Born": "Class"}
    german = ANIMALS.translated(lambda text: words.get(text, text))

    assert german.column("number").title == "Nummer"
    assert german.column("born_on").title == "Born"  # its translation already means another column
    for row in ({**ANIMAL, "Art": "Kalbin"}, {**ANIMAL, "Class": "heifer"}):
        assert only_row(german, row)["animal_class"] == "heifer"


COLUMN = Column(key="a", title="A", kind=Kind.TEXT, help="", example="x")
SMALL = Layout(kind="small", title="Small", columns=(COLUMN,), key_columns=("a",))


@pytest.mark.parametrize(
    "change",
    [
        {"columns": (COLUMN, COLUMN)},
        {"columns": (COLUMN, replace(COLUMN, key="b"))},
        {"key_columns": ("b",)},
        {"once": ("b",)},
        {"agreements": (Agreement("x", ("a",), ("b",)),)},
    ],
)
def test_a_layout_that_contradicts_itself_cannot_be_made(change: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"small: .+"):
        replace(SMALL, **change)


def test_a_column_that_contradicts_itself_cannot_be_made() -> None:
    with pytest.raises(ValueError, match="choice"):
        replace(COLUMN, kind=Kind.CHOICE)
    with pytest.raises(ValueError, match="choice"):
        replace(COLUMN, choices=(Choice("x", "X"),))
    with pytest.raises(ValueError, match="example"):
        replace(COLUMN, required=True, example=None)
    with pytest.raises(KeyError):
        SMALL.column("b")


def test_every_code_of_a_tag_has_its_sentence() -> None:
    codes = {f"tag_{code}" for code in (*get_args(TagProblem), *get_args(TagWarning))}

    assert codes - set(SENTENCES) == set()


def test_the_package_needs_no_django() -> None:
    program = "import sys, trimmer.sheets.layouts, trimmer.sheets.writing; sys.exit('django' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


# whatever is sent


@REPEATABLE
@given(st.lists(st.lists(st.text("0159.,;:/-+=@'\"%€ \t\nabMmXx°é\x07", max_size=8), max_size=6), max_size=5))
def test_a_sheet_of_nonsense_is_answered_not_failed(cells: list[list[str]]) -> None:
    lines = ["Client number;Client;Latitude;Access hours;Milking cows;On hold", *(";".join(row) for row in cells)]

    try:
        parsed = parse(read_table("\n".join(lines).encode()), CLIENTS_AND_FARMS, "de-AT")
        said = [problem.sentence() for problem in (*parsed.problems, *parsed.warnings)]
    except UnreadableSheet as refusal:
        said = [sentence_for(refusal.code, refusal.params)]
    assert all(said)


def test_a_damaged_workbook_is_answered_not_failed() -> None:
    chance, answers = Random(7), set()
    for _ in range(150):
        try:
            parse(read_table(damaged(client_sheet(form="xlsx", rows=5).content, chance)), CLIENTS_AND_FARMS, "en-GB")
            answers.add("read")
        except UnreadableSheet as refusal:
            answers.add(refusal.code)
    assert {"read", "workbook_damaged"} <= answers


def damaged(content: bytes, chance: Random) -> bytes:
    """The workbook with a few wrong bytes, in the package or in one of its parts."""
    if chance.random() < 0.3:
        return spoilt(content, chance)
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        victim = chance.choice(source.namelist())
        for part in source.namelist():
            target.writestr(part, spoilt(source.read(part), chance) if part == victim else source.read(part))
    return out.getvalue()


def spoilt(content: bytes, chance: Random) -> bytes:
    spoiling = bytearray(content)
    for _ in range(chance.randrange(1, 4)):
        spoiling[chance.randrange(len(spoiling))] = chance.choice(b'<>"09azAZ/=&- \x00')
    return bytes(spoiling)


# big sheets


@pytest.mark.parametrize("form", FORMS)
def test_500_clients_are_read_and_each_planted_fault_is_named(form: Form) -> None:
    sound, faulty = client_sheet(form=form), client_sheet(form=form, faults=True)

    assert len(read(sound, CLIENTS_AND_FARMS).rows) == 500
    assert places(read(faulty, CLIENTS_AND_FARMS)) == set(faulty.faults)
    assert len(faulty.faults) == 12


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
def test_20000_records_are_read_and_each_planted_fault_is_named(form: Form) -> None:
    faulty = record_sheet(form=form, faults=True)

    parsed = read(faulty, VISITS_AND_RECORDS)

    assert places(parsed) == set(faulty.faults)
    assert len(faulty.faults) == 12
    assert len(parsed.rows) == 20_000 - 12


def test_20000_records_without_faults_are_all_read() -> None:
    assert len(read(record_sheet(), VISITS_AND_RECORDS).rows) == 20_000


def test_animals_of_the_records_are_read_without_a_doubt() -> None:
    parsed = read(animal_sheet(), ANIMALS)

    assert (len(parsed.rows), parsed.problems, parsed.warnings) == (4800, (), ())


def read(sheet: BigSheet, layout: Layout) -> Parsed:
    return parse(read_table(sheet.content, sheet.name), layout, sheet.language, today=sheet.today)


def places(parsed: Parsed) -> set[tuple[int, str]]:
    return {(problem.row, problem.column) for problem in parsed.problems}
