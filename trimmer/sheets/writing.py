"""Tables of a layout to CSV and XLSX, and empty ones to fill in. What is written is read back as it was.

CSV is UTF-8 with a mark, so that spreadsheet programs know it, with the decimal mark of the language and the delimiter
that goes with it; dates are year-month-day. Text that a program might run as a formula is made harmless, and control
characters, which no sheet can hold, are left out.
"""

import csv
import io
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, Final

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from trimmer.sheets.formulas import harmless
from trimmer.sheets.layout import Column, Kind, Layout
from trimmer.sheets.reading import CONTROL_CHARACTER
from trimmer.sheets.sentences import gettext_noop
from trimmer.sheets.values import Language, language_of, write_access_hours, write_weekdays

type RowValues = Mapping[str, Any]
type Translate = Callable[[str], str]

CSV_TYPE: Final = "text/csv; charset=utf-8"
XLSX_TYPE: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

HELP_SHEET: Final = gettext_noop("Columns")
HELP_TITLES: Final = (
    gettext_noop("Column"),
    gettext_noop("Must be filled"),
    gettext_noop("What it holds"),
    gettext_noop("One of"),
    gettext_noop("Example"),
)
_YES: Final = gettext_noop("yes")
_NO: Final = gettext_noop("no")
_NO_FEET: Final = "none"
_TEXT_FORMAT: Final = "@"
_DATE_FORMAT: Final = "yyyy-mm-dd"
_MOMENT_FORMAT: Final = "yyyy-mm-dd hh:mm"
_TIME_FORMAT: Final = "hh:mm"
_ROWS_OF_A_TEMPLATE: Final = 1000
_CELL_LENGTH: Final = 32_767


def write_csv(layout: Layout, rows: Iterable[RowValues], language: Language | str) -> bytes:
    """The rows as CSV. A row maps the keys of columns to values of their kind; a key left out is an empty cell.

    Raises ValueError for a value that the column cannot hold.
    """
    told = _told(language)
    delimiter = ";" if told.number_rules[0].decimal == "," else ","
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
    writer.writerow([harmless(column.title) for column in layout.columns])
    for row in rows:
        writer.writerow([_csv_cell(column, row.get(column.key), told) for column in layout.columns])
    return out.getvalue().encode("utf-8-sig")


def write_xlsx(layout: Layout, rows: Iterable[RowValues], language: Language | str) -> bytes:
    """The rows as XLSX: numbers, dates and times typed, all else as text. As ``write_csv`` otherwise."""
    told = _told(language)
    # All first: a workbook that is left half written leaves a file behind.
    ready = [[_xlsx_value(column, row.get(column.key), told) for column in layout.columns] for row in rows]
    book = Workbook(write_only=True)
    sheet = book.create_sheet(_sheet_title(layout.title))
    sheet.freeze_panes = "A2"
    for index, column in enumerate(layout.columns, start=1):
        sheet.column_dimensions[get_column_letter(index)].width = _width(column)
    sheet.append([_heading(sheet, column) for column in layout.columns])
    for values in ready:
        sheet.append([_cell(sheet, *value) for value in values])
    return _saved(book)


def write_csv_template(layout: Layout, language: Language | str) -> bytes:
    """Header and one example row, as CSV."""
    return write_csv(layout, [_example(layout)], language)


def write_xlsx_template(layout: Layout, language: Language | str, *, translate: Translate = str) -> bytes:
    """Header and one example row, choices to pick from, and a second sheet that explains every column.

    The second sheet begins with ``?``, by which reading knows it. ``translate`` gives its own words in the person's
    language; for titles and help hand in ``layout.translated(translate)``.
    """
    told = _told(language)
    book = Workbook()
    sheet = book.worksheets[0]
    sheet.title = _sheet_title(layout.title)
    sheet.freeze_panes = "A2"
    sheet.append([_heading(sheet, column) for column in layout.columns])
    sheet.append([_cell(sheet, *_xlsx_value(column, column.example, told)) for column in layout.columns])
    for index, column in enumerate(layout.columns, start=1):
        letter = get_column_letter(index)
        sheet.column_dimensions[letter].width = _width(column)
        if (number_format := _TYPED_KINDS.get(column.kind, _TEXT_FORMAT)) is not None:
            sheet.column_dimensions[letter].number_format = number_format
        _offer_choices(sheet, column, letter)
    _add_help(book, layout, told, translate)
    return _saved(book)


def write_value(column: Column, value: Any, language: Language) -> str:
    """A value as text, as it is read back in that language. Raises ValueError where the column cannot hold it."""
    if value is None:
        return ""
    kind = column.kind
    if not _holds(kind, value):
        raise ValueError(f"{column.key} cannot hold {value!r}")
    if kind is Kind.CHOICE:
        return _title_of_choice(column, value)
    if kind is Kind.WEEKDAYS:
        return write_weekdays(value, language)
    if kind is Kind.ACCESS_HOURS:
        return write_access_hours(value, language)
    if kind in _AS_TEXT:
        return _AS_TEXT[kind](value)
    if isinstance(value, Decimal):
        return _decimal(value, language)
    return CONTROL_CHARACTER.sub("", str(value))


def _holds(kind: Kind, value: Any) -> bool:
    return isinstance(value, _TYPES.get(kind, str)) and (kind is Kind.YES_NO or not isinstance(value, bool))


_TYPES: Final[Mapping[Kind, type]] = {
    Kind.WEEKDAYS: tuple,
    Kind.ACCESS_HOURS: tuple,
    Kind.FEET: tuple,
    Kind.YES_NO: bool,
    Kind.INTEGER: int,
    Kind.DECIMAL: Decimal,
    Kind.MONEY: Decimal,
    Kind.PERCENT: Decimal,
    Kind.MINUTES: Decimal,
    Kind.LATITUDE: Decimal,
    Kind.LONGITUDE: Decimal,
    Kind.DATE: date,
    Kind.MOMENT: date,
    Kind.TIME: time,
}
"""What a kind's values are; the others are text."""


def _day(value: date) -> str:
    if isinstance(value, datetime):
        raise ValueError(f"a day has no time: {value}")
    return value.isoformat()


def _moment(value: date) -> str:
    if not isinstance(value, datetime):
        return value.isoformat()
    if value.tzinfo is not None:
        raise ValueError(f"put on the business's own clock first: {value}")
    return f"{value:%Y-%m-%d %H:%M:%S}" if value.second else f"{value:%Y-%m-%d %H:%M}"


_AS_TEXT: Final[Mapping[Kind, Callable[[Any], str]]] = {
    Kind.FEET: lambda feet: " ".join(feet) or _NO_FEET,
    Kind.YES_NO: lambda yes: _YES if yes else _NO,
    Kind.LATITUDE: lambda degrees: f"{degrees.normalize():f}",
    Kind.LONGITUDE: lambda degrees: f"{degrees.normalize():f}",
    Kind.DATE: _day,
    Kind.MOMENT: _moment,
    Kind.TIME: lambda clock: f"{clock:%H:%M:%S}" if clock.second else f"{clock:%H:%M}",
}
_TYPED_KINDS: Final[Mapping[Kind, str | None]] = {
    Kind.INTEGER: None,
    Kind.DECIMAL: None,
    Kind.MONEY: None,
    Kind.PERCENT: None,
    Kind.MINUTES: None,
    Kind.LATITUDE: None,
    Kind.LONGITUDE: None,
    Kind.DATE: _DATE_FORMAT,
    Kind.MOMENT: _MOMENT_FORMAT,
    Kind.TIME: _TIME_FORMAT,
}
"""Kinds that a spreadsheet has a type of its own for, and the format they are shown in."""


def _told(language: Language | str) -> Language:
    return language_of(language) if isinstance(language, str) else language


def _example(layout: Layout) -> dict[str, Any]:
    return {column.key: column.example for column in layout.columns}


def _title_of_choice(column: Column, value: str) -> str:
    for choice in column.choices:
        if choice.value == value:
            return choice.title
    raise ValueError(f"{column.key} has no choice {value!r}")


def _decimal(value: Decimal, language: Language) -> str:
    text = f"{value:f}"
    whole, point, fraction = text.partition(".")
    if len(fraction) == 3 and len(language.number_rules) > 1:
        fraction += "0"  # three decimals would look like thousands where the region is not known
    return f"{whole}{language.number_rules[0].decimal}{fraction}" if point else whole


def _csv_cell(column: Column, value: Any, language: Language) -> str:
    text = write_value(column, value, language)
    _check_length(column, text)
    return text if column.kind in _TYPED_KINDS else harmless(text)


def _xlsx_value(column: Column, value: Any, language: Language) -> tuple[Any, str | None]:
    """What stands in a cell, and its number format."""
    if value is None:
        return None, None
    text = write_value(column, value, language)
    if column.kind in _TYPED_KINDS:
        whole_day = column.kind is Kind.MOMENT and not isinstance(value, datetime)
        return value, _DATE_FORMAT if whole_day else _TYPED_KINDS[column.kind]
    _check_length(column, text)
    return harmless(text), _TEXT_FORMAT


def _cell(sheet: Any, value: Any, number_format: str | None, font: Font | None = None) -> Any:
    if value is None:
        return None
    cell = WriteOnlyCell(sheet, value)
    if number_format is not None:
        cell.number_format = number_format
    if number_format == _TEXT_FORMAT:
        cell.data_type = "s"
    if font is not None:
        cell.font = font
    return cell


def _text_cell(sheet: Any, text: str, font: Font | None = None) -> Any:
    return _cell(sheet, harmless(text), _TEXT_FORMAT, font)


def _check_length(column: Column, text: str) -> None:
    if len(text) >= _CELL_LENGTH:
        raise ValueError(f"{column.key}: a cell cannot hold {len(text)} characters")


def _heading(sheet: Any, column: Column) -> Any:
    return _text_cell(sheet, column.title, Font(bold=True, underline="single" if column.required else None))


def _sheet_title(title: str) -> str:
    """At most 31 characters and none of those a spreadsheet program forbids."""
    return "".join(letter for letter in title if letter not in r"\/*?:[]")[:31]


def _width(column: Column) -> float:
    return float(min(max(len(column.title) + 2, 12), 40))


def _offer_choices(sheet: Any, column: Column, letter: str) -> None:
    """A list to pick from; the file format allows 255 characters for it, and no commas in a choice."""
    titles = [choice.title for choice in column.choices]
    listed = ",".join(titles)
    if titles and len(listed) <= 250 and not any("," in title or '"' in title for title in titles):
        offer = DataValidation(type="list", formula1=f'"{listed}"', allow_blank=True, showErrorMessage=False)
        offer.add(f"{letter}2:{letter}{_ROWS_OF_A_TEMPLATE}")
        sheet.add_data_validation(offer)


def _add_help(book: Workbook, layout: Layout, language: Language, translate: Translate) -> None:
    sheet = book.create_sheet(_sheet_title(translate(HELP_SHEET)))
    bold = Font(bold=True)
    sheet.append([_text_cell(sheet, text, bold) for text in ("?", *(translate(title) for title in HELP_TITLES))])
    for index, column in enumerate(layout.columns, start=1):
        texts = (
            get_column_letter(index),
            column.title,
            translate(_YES) if column.required else "",
            column.help,
            ", ".join(choice.title for choice in column.choices),
            write_value(column, column.example, language),
        )
        sheet.append([_text_cell(sheet, text) for text in texts])
    for letter, width in zip("ABCDEF", (5, 24, 14, 70, 40, 30), strict=True):
        sheet.column_dimensions[letter].width = width
    for row in sheet.iter_rows():
        for cell in row:
            cell.alignment = Alignment(wrap_text=True, vertical="top")


def _saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
