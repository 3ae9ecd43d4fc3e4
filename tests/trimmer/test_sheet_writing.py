import csv
import io
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from trimmer.lesions import FEET, LESIONS
from trimmer.sheets.formulas import as_meant, harmless
from trimmer.sheets.layout import Choice, Column, Kind, Layout, parse
from trimmer.sheets.layouts import CLIENTS_AND_FARMS, LAYOUTS
from trimmer.sheets.reading import read_table
from trimmer.sheets.values import AccessHours, CellProblem, language_of, parse_code, parse_text
from trimmer.sheets.writing import write_csv, write_csv_template, write_value, write_xlsx, write_xlsx_template

pytestmark = pytest.mark.pure

REPEATABLE = settings(derandomize=True, deadline=None, max_examples=60)

CHOICES = (Choice("tie_stall", "tie stall"), Choice("other", "=other, +more"))
ONE_OF_EACH = Layout(
    kind="each",
    title="One of each",
    columns=tuple(
        Column(
            key=kind.value,
            title=f"A {kind.value} =",
            kind=kind,
            help="",
            example=None,
            choices=CHOICES if kind is Kind.CHOICE else (),
        )
        for kind in Kind
    ),
    key_columns=tuple(kind.value for kind in Kind),
)
LANGUAGES = ("en-GB", "en-US", "de-AT", "de-CH", "fr-CA", "sv-SE", "en", "de", "es", "ja-JP")


def readable(read: Callable[[str], str]) -> Callable[[str], str | None]:
    """The text as it is after reading, or None where it is none that anybody would write in such a cell."""

    def kept(text: str) -> str | None:
        try:
            return read(text) or None
        except CellProblem:
            return None

    return kept


def clock(minutes: int) -> time:
    return time(minutes // 60, minutes % 60)


letters = st.characters(exclude_categories=["Cs", "Cc", "Cn"]) | st.sampled_from("=+-@'\"\t\n;,<&_x0041_ ")
texts = st.text(letters, min_size=1, max_size=20) | st.sampled_from(
    ["=1+1", "'=x", "''-", "_x0041_", "-5", "@a", "TRUE"]
)
days = st.dates(date(1900, 3, 1), date(2100, 12, 31))
numbers = st.decimals(min_value=-999_999, max_value=999_999, places=3) | st.integers(-9999, 9999).map(Decimal)
access = st.lists(st.tuples(st.integers(0, 6), st.integers(0, 700), st.integers(701, 1439)), min_size=1).map(
    lambda spans: tuple(sorted({day: AccessHours(day, clock(a), clock(b)) for day, a, b in spans}.values()))
)
VALUES: dict[Kind, st.SearchStrategy[Any]] = {
    Kind.TEXT: texts.map(readable(parse_text)),
    Kind.NOTES: texts.map(readable(lambda text: parse_text(text, lines=True))),
    Kind.CODE: texts.map(readable(parse_code))
    | st.sampled_from(["0042", "840003123456789", "+43 660 1", "2026-01-02"]),
    Kind.EMAIL: st.sampled_from(["ann@mill.example", "-o'k@mill.example"]),
    Kind.COUNTRY: st.sampled_from(["AT", "GB", "CA"]),
    Kind.CHOICE: st.sampled_from([choice.value for choice in CHOICES]),
    Kind.LESION: st.sampled_from(list(LESIONS)),
    Kind.TAG: st.sampled_from(["UK230011200123", "#17", "=1"]),
    Kind.TRANSPONDER: st.just("840003123456789"),
    Kind.INTEGER: st.integers(-(10**9), 10**9),
    Kind.DECIMAL: numbers,
    Kind.MONEY: numbers,
    Kind.PERCENT: numbers,
    Kind.MINUTES: numbers,
    Kind.LATITUDE: st.decimals(min_value=-90, max_value=90, places=7),
    Kind.LONGITUDE: st.decimals(min_value=-180, max_value=180, places=7),
    Kind.YES_NO: st.booleans(),
    Kind.DATE: days,
    Kind.MOMENT: days
    | st.builds(datetime.combine, days, st.integers(1, 86_399).map(lambda s: time(s // 3600, s // 60 % 60, s % 60))),
    Kind.TIME: st.integers(0, 1439).map(clock),
    Kind.WEEKDAYS: st.sets(st.integers(0, 6), min_size=1).map(lambda some: tuple(sorted(some))),
    Kind.ACCESS_HOURS: access,
    Kind.FEET: st.sets(st.sampled_from(FEET)).map(lambda some: tuple(foot for foot in FEET if foot in some)),
}
rows = st.lists(
    st.fixed_dictionaries({kind.value: st.none() | VALUES[kind] for kind in Kind}).filter(
        lambda row: any(value is not None for value in row.values())
    ),
    min_size=1,
    max_size=3,
    unique_by=lambda row: tuple(v.casefold() if isinstance(v, str) else v for v in row.values()),
)


@pytest.mark.parametrize("write", [write_csv, write_xlsx])
@REPEATABLE
@given(rows=rows, tag=st.sampled_from(LANGUAGES))
def test_what_is_written_is_read_back_as_it_was(
    write: Callable[..., bytes], rows: list[dict[str, Any]], tag: str
) -> None:
    parsed = parse(read_table(write(ONE_OF_EACH, rows, tag)), ONE_OF_EACH, tag)

    assert [problem.sentence() for problem in parsed.problems] == []
    assert [dict(row.values) for row in parsed.rows] == rows


# harm


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx", "\rx", "'=1", "''+1"])
def test_a_text_that_could_run_gets_one_apostrophe(text: str) -> None:
    assert harmless(text) == f"'{text}"
    assert as_meant(harmless(text)) == text


@REPEATABLE
@given(st.text())
def test_making_a_text_harmless_can_always_be_undone(text: str) -> None:
    assert as_meant(harmless(text)) == text
    assert not harmless(text).startswith(("=", "+", "-", "@", "\t", "\r"))


def test_no_cell_of_a_written_sheet_begins_as_a_formula() -> None:
    row = {
        "client_number": "=1+1",
        "client_name": '=HYPERLINK("x")',
        "client_phone": "+44 1632 960100",
        "latitude": Decimal(-2),
    }

    text = write_csv(CLIENTS_AND_FARMS, [row], "en-GB").decode("utf-8-sig")
    cells = list(csv.reader(io.StringIO(text)))[1]
    sheet = load_workbook(io.BytesIO(write_xlsx(CLIENTS_AND_FARMS, [row], "en-GB"))).worksheets[0]

    assert cells[:2] == ["'=1+1", '\'=HYPERLINK("x")']
    assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))] == ["-2"]  # a number cannot run
    assert {cell.data_type for cell in sheet[2]} == {"s", "n"}
    assert sheet["A2"].value == "'=1+1"


# form


def test_a_csv_has_the_marks_its_readers_expect() -> None:
    rows = [{"client_number": "7", "client_name": "Höfer", "lock_up_hours": Decimal("2.5")}]

    austrian, british = (write_csv(CLIENTS_AND_FARMS, rows, tag) for tag in ("de-AT", "en-GB"))

    assert austrian.startswith(b"\xef\xbb\xbfClient number;Client;")
    assert b";2,5;" in austrian
    assert b",2.5," in british
    assert austrian.endswith(b"\r\n")


def test_a_workbook_holds_numbers_and_dates_as_such_and_codes_as_text() -> None:
    layout = LAYOUTS["animals"]
    row = {"client_number": "0042", "number": "217", "transponder": "840003123456789", "born_on": date(2022, 3, 14)}

    sheet = load_workbook(io.BytesIO(write_xlsx(layout, [row], "en-GB"))).worksheets[0]
    cells = {str(title.value): cell for title, cell in zip(sheet[1], sheet[2], strict=True)}

    assert (cells["Transponder"].value, cells["Transponder"].number_format) == ("840003123456789", "@")
    assert cells["Client number"].value == "0042"
    assert cells["Born"].is_date
    assert sheet.freeze_panes == "A2"


def test_control_characters_are_left_out() -> None:
    rows = [{"client_number": "7", "client_name": "A\x00\x07B"}]

    for write in (write_csv, write_xlsx):
        assert read_table(write(CLIENTS_AND_FARMS, rows, "en-GB")).rows[0].cells[1] == "AB"


NAME = Column(key="a", title="A", kind=Kind.NOTES, help="", example="x")


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (Kind.TEXT, 3),
        (Kind.INTEGER, "3"),
        (Kind.INTEGER, True),
        (Kind.DECIMAL, 2.5),
        (Kind.DATE, datetime(2026, 4, 3, tzinfo=UTC)),
        (Kind.MOMENT, datetime(2026, 4, 3, tzinfo=UTC)),
        (Kind.TIME, "07:30"),
        (Kind.YES_NO, 1),
        (Kind.WEEKDAYS, [0]),
    ],
)
def test_a_value_the_column_cannot_hold_is_a_mistake(kind: Kind, value: Any) -> None:
    with pytest.raises(ValueError, match=r"."):
        write_value(replace(NAME, kind=kind), value, language_of("en-GB"))


def test_a_choice_there_is_not_and_a_text_too_long_for_a_cell_are_mistakes() -> None:
    layout = Layout(kind="x", title="X", columns=(NAME,), key_columns=("a",))

    with pytest.raises(ValueError, match="no choice"):
        write_value(replace(NAME, kind=Kind.CHOICE, choices=CHOICES), "barn", language_of("en-GB"))
    for write in (write_csv, write_xlsx):
        with pytest.raises(ValueError, match="32767"):
            write(layout, [{"a": "x" * 32_767}], "en-GB")


# templates


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=list(LAYOUTS))
@pytest.mark.parametrize("tag", ["en-GB", "de-AT", "en"])
def test_a_template_is_read_as_the_sheet_it_stands_for(layout: Layout, tag: str) -> None:
    for content in (write_csv_template(layout, tag), write_xlsx_template(layout, tag)):
        parsed = parse(read_table(content), layout, tag)
        assert parsed.given == {column.key for column in layout.columns}
        assert [problem.code for problem in parsed.warnings] == ["example_row"]
        assert [problem.code for problem in parsed.problems] == ["no_rows"]


@pytest.mark.parametrize("layout", LAYOUTS.values(), ids=list(LAYOUTS))
def test_the_example_of_every_layout_is_a_sound_row(layout: Layout) -> None:
    row = {column.key: column.example for column in layout.columns} | {"client_number": "2002"}

    parsed = parse(read_table(write_csv(layout, [row], "en-GB")), layout, "en-GB")

    assert [problem.sentence() for problem in (*parsed.problems, *parsed.warnings)] == []
    assert [dict(row.values) for row in parsed.rows] == [row]


def test_the_second_sheet_of_a_template_explains_every_column() -> None:
    layout = LAYOUTS["animals"]

    book = load_workbook(io.BytesIO(write_xlsx_template(layout, "en-GB")))
    table, explained = book.worksheets

    assert [row[1].value for row in explained.iter_rows(min_row=2)] == [column.title for column in layout.columns]
    assert explained["A1"].value == "?"
    assert explained["C4"].value == "yes"  # the animal's number
    assert explained["E8"].value == "milking cow, dry cow, heifer, bull"
    assert [offer.formula1 for offer in table.data_validations.dataValidation] == ['"milking cow,dry cow,heifer,bull"']


def test_a_template_speaks_the_language_it_is_asked_for() -> None:
    words = {"Number": "Nummer", "Column": "Spalte", "yes": "ja", "Columns": "Spalten", "Animals": "Tiere"}

    def translate(text: str) -> str:
        return words.get(text, text)

    layout = LAYOUTS["animals"].translated(translate)
    content = write_xlsx_template(layout, "de-AT", translate=translate)
    book = load_workbook(io.BytesIO(content))

    assert book.sheetnames == ["Tiere", "Spalten"]
    assert book.worksheets[0]["C1"].value == "Nummer"
    assert (book.worksheets[1]["B1"].value, book.worksheets[1]["C4"].value) == ("Spalte", "ja")
    assert read_table(content).header[2] == "Nummer"
