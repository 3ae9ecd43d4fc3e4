"""Bytes and a file name to a table: CSV as spreadsheet programs save it, and XLSX.

Rules, the same for every sheet:

* the header is the first row that holds anything; empty rows are passed over; row numbers and column letters are those
  the spreadsheet program shows;
* CSV: UTF-8 (with or without a mark), UTF-16 with a mark, else Windows-1252; cells parted by semicolon, comma or tab;
* XLSX: stored values, never recomputed; hidden sheets are passed over, and so is a sheet that begins with ``?`` (it
  explains the table); hidden rows and columns are read like any other; merged cells are refused;
* a cell that holds an error or a formula without a stored result is kept as a ``CellFault``, so that it can be named.
"""

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, Final, Literal
from xml.etree import ElementTree as ET

from openpyxl import load_workbook
from openpyxl.utils import coordinate_to_tuple, get_column_letter

from trimmer.sheets.formulas import as_meant

type Params = dict[str, str | int]
type Cell = str | int | float | Decimal | bool | date | datetime | time | timedelta | CellFault | None


class UnreadableSheet(Exception):
    """The file as a whole cannot be read. ``code`` and ``params`` are those of ``trimmer.sheets.sentences``."""

    def __init__(self, code: str, **params: str | int) -> None:
        self.code = code
        self.params: Params = params
        super().__init__(code)


@dataclass(frozen=True, slots=True)
class CellFault:
    """What stands in a cell that has no usable value: ``code`` as in ``trimmer.sheets.sentences``."""

    code: str
    shown: str = ""


class Percent(Decimal):
    """A number that its cell shows as a percentage: ``Percent("20")`` is shown as 20 %."""


@dataclass(frozen=True, slots=True)
class SheetRow:
    """One row that holds something: its number in the file (from 1), and its cells from column A on."""

    number: int
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A sheet as it was read. ``header`` holds the titles from column A on, an empty one where there is none."""

    form: Literal["csv", "xlsx"]
    header: tuple[str, ...]
    header_row: int
    rows: tuple[SheetRow, ...]
    encoding: str = ""
    delimiter: str = ""
    sheet: str = ""


@dataclass(frozen=True, slots=True)
class Limits:
    """How large a file may be: bytes as sent, bytes when unpacked, rows below the header, columns, parts and cells."""

    size: int = 20_000_000
    unpacked: int = 250_000_000
    rows: int = 50_000
    columns: int = 200
    parts: int = 2_000
    cells: int = 20_000_000
    cell_length: int = 32_767


LIMITS: Final = Limits()
ENCODINGS: Final = {"utf-8": "UTF-8", "utf-16": "UTF-16", "cp1252": "Windows-1252"}
_DELIMITERS: Final = (";", ",", "\t")
_LAST_ROW: Final = 1_048_576
_PERCENT_FORMAT = re.compile(r"""[^;"\\]*%""")
_ZEROS_FORMAT = re.compile(r"^0{2,}$")
CONTROL_CHARACTER = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\x85\ufffe\uffff]")
_UTF8_READ_AS_1252 = re.compile(rb"\xc3[\x80-\xbf]")
_BEGINNINGS: Final = (
    (b"%PDF", "PDF"),
    (b"\x89PNG", "PNG"),
    (b"\xff\xd8\xff", "JPEG"),
    (b"GIF8", "GIF"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"{\\rtf", "RTF"),
    (b"7z\xbc\xaf", "7z"),
    (b"Rar!", "RAR"),
    (b"\x1f\x8b", "gzip"),
)


def read_table(content: bytes, name: str = "", *, sheet: str | None = None, limits: Limits = LIMITS) -> Table:
    """The table in a file. What counts is the content; ``name`` is used where a refusal names the file.

    ``sheet`` picks a visible sheet of an XLSX file that has several. Raises ``UnreadableSheet``.
    """
    check_file(content, name, limits=limits)
    if is_packed(content):
        return _read_xlsx(content, name, sheet, limits)
    return _read_csv(content, name, limits)


def check_file(content: bytes, name: str = "", *, limits: Limits = LIMITS) -> None:
    """What of ``read_table`` can be told at once, however long the table: size and kind. Raises ``UnreadableSheet``."""
    if len(content) > limits.size:
        raise UnreadableSheet("file_too_large", size=len(content), limit=limits.size)
    if not content.strip():
        raise UnreadableSheet("file_empty")
    if is_packed(content):
        _check_package(content, name, limits)
    else:
        _refuse_other_kinds(content, name)


def is_packed(content: bytes) -> bool:
    """Whether the file is a package of parts, as XLSX is: reading one takes its time."""
    return content.startswith((b"PK\x03\x04", b"PK\x05\x06"))


def column_letter(index: int) -> str:
    """The letter of a column counted from 0: 0 is A, 26 is AA."""
    return get_column_letter(index + 1)


def _refuse_other_kinds(content: bytes, name: str) -> None:
    if content.startswith(b"\xd0\xcf\x11\xe0"):
        locked = "EncryptedPackage".encode("utf-16-le") in content
        raise UnreadableSheet("password_protected" if locked else "old_spreadsheet", name=name)
    for beginning, kind in _BEGINNINGS:
        if content.startswith(beginning):
            raise UnreadableSheet("not_a_sheet", name=name, looks_like=kind)
    if content.startswith(b"RIFF") and content[8:12] == b"WEBP":
        raise UnreadableSheet("not_a_sheet", name=name, looks_like="WebP")
    start = content[:200].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if start.startswith((b"<html", b"<!doctype", b"<table")):
        raise UnreadableSheet("not_a_sheet", name=name, looks_like="HTML")
    if start.startswith(b"<?xml"):
        raise UnreadableSheet("not_a_sheet", name=name, looks_like="XML")


# --- CSV --------------------------------------------------------------------------------------------------------------


def _read_csv(content: bytes, name: str, limits: Limits) -> Table:
    text, encoding = _decode(content, name)
    text = text.removeprefix("\ufeff")
    if told := re.match(r'"?sep=([;,\t])"?(?:\r\n|\r|\n)', text, re.IGNORECASE):
        text, delimiter = text[told.end() :], told[1]
    else:
        delimiter = _delimiter(text)
    rows = (
        (number, tuple(_cell_of_text(cell, limits) for cell in cells)) for number, cells in _records(text, delimiter)
    )
    header, header_row, body = _table_parts(rows, limits)
    return Table("csv", header, header_row, body, encoding=ENCODINGS[encoding], delimiter=delimiter)


def _decode(content: bytes, name: str) -> tuple[str, str]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return content.decode("utf-16"), "utf-16"
        except UnicodeDecodeError:
            raise UnreadableSheet("text_unreadable", name=name) from None
    if b"\x00" in content:
        raise UnreadableSheet("not_a_sheet", name=name, looks_like="")
    try:
        return content.decode("utf-8"), "utf-8"
    except UnicodeDecodeError as error:
        if _UTF8_READ_AS_1252.search(content):
            row = content.count(b"\n", 0, error.start) + 1
            raise UnreadableSheet("text_of_two_encodings", name=name, row=row) from None
    try:
        return content.decode("cp1252"), "cp1252"
    except UnicodeDecodeError:
        raise UnreadableSheet("text_unreadable", name=name) from None


def _records(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True, skipinitialspace=True)
    number = 0
    while True:
        number += 1
        line = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            if "limit" in str(error):
                raise UnreadableSheet("cell_too_long", row=number) from None
            raise UnreadableSheet("quotes_do_not_match", row=number, line=line) from None
        yield number, cells


def _delimiter(text: str) -> str:
    """The mark that parts most titles of the first row, and of those the one the next rows agree on."""

    def score(delimiter: str) -> tuple[int, int, int]:
        widths: list[int] = []
        try:
            for _, cells in _records(text, delimiter):
                if any(cell.strip(" ;,\t") for cell in cells):
                    widths.append(len(cells))
                if len(widths) == 20:
                    break
        except UnreadableSheet:
            pass
        first = widths[0] if widths else 0
        return first, widths.count(first), text.count(delimiter)

    return max(_DELIMITERS, key=score)


def _cell_of_text(text: str, limits: Limits) -> Cell:
    if not text or text.isspace():
        return None
    if len(text) > limits.cell_length:
        return CellFault("cell_too_long", f"{text[:40]}…")
    if CONTROL_CHARACTER.search(text):
        return CellFault("control_character", CONTROL_CHARACTER.sub("�", text)[:40])
    return as_meant(text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text)


# --- XLSX -------------------------------------------------------------------------------------------------------------


def _read_xlsx(content: bytes, name: str, sheet: str | None, limits: Limits) -> Table:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            workbook = load_workbook(io.BytesIO(content), read_only=True, data_only=True, keep_links=False)
            try:
                chosen = _chosen_sheet(workbook, sheet, limits)
                merged, unvalued = _special_cells(content, chosen._worksheet_path)
                if merged:
                    raise UnreadableSheet("merged_cells", sheet=chosen.title, ranges=", ".join(merged[:5]))
                header, header_row, body = _table_parts(_xlsx_rows(chosen, unvalued, limits), limits)
            finally:
                workbook.close()
    except UnreadableSheet:
        raise
    except Exception as error:  # the package is somebody else's: whatever breaks the reader, the file is what is wrong
        raise UnreadableSheet("workbook_damaged", name=name) from error
    return Table("xlsx", header, header_row, body, sheet=chosen.title)


_BROKEN_PACKAGE: Final = (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, RuntimeError)
"""What reading a damaged package raises; a way of packing it does not know is a RuntimeError too."""


def _check_package(content: bytes, name: str, limits: Limits) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as package:
            parts = package.infolist()
            if len(parts) > limits.parts or sum(part.file_size for part in parts) > limits.unpacked:
                raise UnreadableSheet("unpacks_too_large", limit=limits.unpacked)
            if any(part.flag_bits & 1 for part in parts):
                raise UnreadableSheet("password_protected", name=name)
            names = {part.filename for part in parts}
            if "xl/workbook.xml" not in names:
                raise _other_package(package, names, name)
            for part in parts:
                if part.filename.endswith((".xml", ".rels")) and _declares_entities(package, part.filename):
                    raise UnreadableSheet("workbook_damaged", name=name)
    except _BROKEN_PACKAGE:
        raise UnreadableSheet("workbook_damaged", name=name) from None


def _other_package(package: zipfile.ZipFile, names: set[str], name: str) -> UnreadableSheet:
    if "xl/workbook.bin" in names:
        return UnreadableSheet("binary_workbook", name=name)
    if "mimetype" in names and b"opendocument.spreadsheet" in package.read("mimetype"):
        return UnreadableSheet("opendocument_sheet", name=name)
    return UnreadableSheet("not_a_sheet", name=name, looks_like="Word" if "word/document.xml" in names else "ZIP")


def _declares_entities(package: zipfile.ZipFile, part: str) -> bool:
    """Whether a part has a document type: no spreadsheet program writes one, and entities may blow up."""
    with package.open(part) as stream:
        return b"<!DOCTYPE" in stream.read(4096)


def _chosen_sheet(workbook: Any, wanted: str | None, limits: Limits) -> Any:
    visible = [sheet for sheet in workbook.worksheets if sheet.sheet_state == "visible"]
    for sheet in workbook.worksheets:
        sheet.reset_dimensions()  # some programs write a wrong one
    if wanted is not None:
        for sheet in visible:
            if sheet.title == wanted:
                return sheet
        raise UnreadableSheet("sheet_not_found", sheet=wanted, sheets=_titles(visible))
    filled = [sheet for sheet in visible if (first := _first_cell(sheet, limits)) is not None and first != "?"]
    if len(filled) == 1:
        return filled[0]
    if filled:
        raise UnreadableSheet("several_sheets", sheets=_titles(filled))
    if any(_first_cell(sheet, limits) is not None for sheet in workbook.worksheets if sheet not in visible):
        raise UnreadableSheet("only_hidden_sheets")
    raise UnreadableSheet("file_empty")


def _titles(sheets: Iterable[Any]) -> str:
    return ", ".join(sheet.title for sheet in sheets)


def _first_cell(sheet: Any, limits: Limits) -> Cell:
    for _, cells in _xlsx_rows(sheet, {}, limits):
        for cell in cells:
            if cell is not None:
                return cell
    return None


def _xlsx_rows(sheet: Any, unvalued: Mapping[int, list[int]], limits: Limits) -> Iterator[tuple[int, tuple[Cell, ...]]]:
    seen = 0
    for number, row in enumerate(sheet.iter_rows(), start=1):
        seen += len(row)
        if number > _LAST_ROW or seen > limits.cells:
            raise UnreadableSheet("too_many_cells", limit=limits.cells)
        cells = [_cell_of_xlsx(cell, limits) for cell in row]
        for column in unvalued.get(number, ()):
            cells[column - 1] = CellFault("formula_without_value")
        yield number, tuple(cells)


def _cell_of_xlsx(cell: Any, limits: Limits) -> Cell:
    value = cell.value
    if value is None:
        return None
    if isinstance(value, str):
        if cell.data_type == "e":
            return CellFault("error_in_cell", value)
        return _cell_of_text(value, limits)
    if isinstance(value, bool):
        return value
    if isinstance(value, int | float):
        return _number_as_shown(value, cell.number_format)
    if isinstance(value, datetime):
        value = _to_the_second(value)
        return value.date() if value.time() == time() else value
    if isinstance(value, time):
        return _to_the_second(datetime.combine(date(2000, 1, 1), value)).time()
    if isinstance(value, date | timedelta):
        return value
    return CellFault("error_in_cell", str(value)[:40])


def _to_the_second(moment: datetime) -> datetime:
    """Times of day are stored as fractions of a day and come back a little off."""
    return (moment + timedelta(microseconds=500_000)).replace(microsecond=0)


def _number_as_shown(value: float, number_format: str | None) -> Cell:
    if number_format and number_format != "General":
        if _PERCENT_FORMAT.match(number_format):
            return Percent(Decimal(f"{value * 100:.15g}"))
        if _ZEROS_FORMAT.match(number_format) and value >= 0 and float(value).is_integer():
            return str(int(value)).zfill(len(number_format))
    return value


def _special_cells(content: bytes, part: str) -> tuple[list[str], dict[int, list[int]]]:
    """Merged ranges, and row -> columns of formulas without a stored result; openpyxl tells neither when it streams."""
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        with package.open(part) as stream:
            if not _mentions(stream, re.compile(rb"mergeCell\b|[<:]f[\s/>]")):
                return [], {}
        with package.open(part) as stream:
            return _merged_and_unvalued(stream)


def _mentions(stream: Any, pattern: re.Pattern[bytes]) -> bool:
    tail = b""
    while block := stream.read(1 << 20):
        if pattern.search(tail + block):
            return True
        tail = block[-16:]
    return False


def _merged_and_unvalued(stream: Any) -> tuple[list[str], dict[int, list[int]]]:
    merged: list[str] = []
    unvalued: dict[int, list[int]] = {}
    row_number = 0
    for _, element in ET.iterparse(stream):  # noqa: S314 (document types are refused before, expat caps the rest)
        tag = element.tag.rpartition("}")[2]
        if tag == "mergeCell":
            merged.append(element.get("ref", ""))
        elif tag == "row":
            row_number = int(element.get("r", row_number + 1))
            column = 0
            for cell in element:
                column = coordinate_to_tuple(cell.get("r", ""))[1] if cell.get("r") else column + 1
                parts = {part.tag.rpartition("}")[2]: part for part in cell}
                has_value = "v" in parts and bool(parts["v"].text)
                if "f" in parts and not has_value and cell.get("t") != "str":
                    unvalued.setdefault(row_number, []).append(column)
            element.clear()
    return merged, unvalued


# --- both -------------------------------------------------------------------------------------------------------------


def _table_parts(
    rows: Iterable[tuple[int, tuple[Cell, ...]]], limits: Limits
) -> tuple[tuple[str, ...], int, tuple[SheetRow, ...]]:
    header: tuple[str, ...] = ()
    header_row = 0
    body: list[SheetRow] = []
    for number, cells in rows:
        width = len(cells)
        while width and cells[width - 1] is None:
            width -= 1
        if not width:
            continue
        if width > limits.columns:
            raise UnreadableSheet("too_many_columns", limit=limits.columns, row=number)
        if not header_row:
            header, header_row = tuple(_title(cell) for cell in cells[:width]), number
            _refuse_twins(header)
            continue
        if len(body) == limits.rows:
            raise UnreadableSheet("too_many_rows", limit=limits.rows)
        body.append(SheetRow(number, cells[:width]))
    if not header_row:
        raise UnreadableSheet("file_empty")
    return header, header_row, tuple(body)


def _title(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, CellFault):
        return cell.shown
    return " ".join(str(cell).split())


def _refuse_twins(header: tuple[str, ...]) -> None:
    seen: dict[str, int] = {}
    for index, title in enumerate(header):
        if not title:
            continue
        first = seen.setdefault(title.casefold(), index)
        if first != index:
            raise UnreadableSheet(
                "title_used_twice", title=title, first=column_letter(first), second=column_letter(index)
            )
