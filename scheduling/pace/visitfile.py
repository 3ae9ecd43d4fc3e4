"""Visits as a file: UTF-8 text, comma-separated, a first line of column names.

Past visits: date (ISO 8601), farm, crew, minutes (from arrival to last head out), then head by kind of work: trim,
topical, block, wrap, recheck; heifer and bull may be left out. Visits asked about have the same columns without
minutes. Further columns are carried along, unread.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from .rates import KINDS
from .visits import PastVisit, WorkAsked

_WHERE: Final = ("date", "farm", "crew")
_NEEDED_KINDS: Final = ("trim", "topical", "block", "wrap", "recheck")


class BadFile(Exception):
    """The file cannot be read as visits. `code`: not_text, not_csv, empty, missing_column (params: column),
    repeated_column (params: column)."""

    def __init__(self, code: str, **params: str) -> None:
        self.code, self.params = code, params
        super().__init__(code)


@dataclass(frozen=True)
class Unread:
    """A line that is not a visit. `code`: cells, no_farm, no_head, bad_date, bad_number, below_zero, not_whole."""

    line: int
    code: str
    column: str = ""
    text: str = ""


@dataclass(frozen=True)
class AskedRow:
    """A line of a file of asked visits, as it stands, and its visit; none where it is not one."""

    cells: Mapping[str, str]
    ask: WorkAsked | None


class _Fault(Exception):
    def __init__(self, code: str, column: str = "", text: str = "") -> None:
        self.fault = code, column, text[:40]
        super().__init__(code)


def read_history(content: bytes) -> tuple[list[PastVisit], list[Unread]]:
    """Past visits, and the lines that are none. Minutes may be 0 or below: the fit sets them aside. Raises BadFile."""
    visits: list[PastVisit] = []
    unread: list[Unread] = []
    for line, cells in _lines(content, (*_WHERE, "minutes", *_NEEDED_KINDS)):
        try:
            work = _work(cells, whole=True)
            minutes = _number(cells, "minutes")
        except _Fault as wrong:
            unread.append(Unread(line, *wrong.fault))
        else:
            visits.append(PastVisit(work.date, work.farm, work.crew, work.head, minutes, str(line)))
    return visits, unread


def read_asked(content: bytes) -> tuple[list[AskedRow], list[Unread]]:
    """The lines of a file of asked visits, in order, and what is wrong with some. Raises BadFile."""
    rows: list[AskedRow] = []
    unread: list[Unread] = []
    for line, cells in _lines(content, (*_WHERE, *_NEEDED_KINDS)):
        try:
            work = _work(cells, whole=False)
            if work.total == 0:
                raise _Fault("no_head")
        except _Fault as wrong:
            unread.append(Unread(line, *wrong.fault))
            rows.append(AskedRow(cells, None))
        else:
            rows.append(AskedRow(cells, work))
    return rows, unread


def _lines(content: bytes, needed: tuple[str, ...]) -> Iterator[tuple[int, dict[str, str]]]:
    """Lines by number, cells by column; a line with too many or too few cells misses its farm."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as wrong:
        raise BadFile("not_text") from wrong
    if "\0" in text:
        raise BadFile("not_text")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        header = [name.strip().lower() for name in next(reader, [])]
        if not any(header):
            raise BadFile("empty")
        for column in needed:
            if column not in header:
                raise BadFile("missing_column", column=column)
        for column in header:
            if header.count(column) > 1:
                raise BadFile("repeated_column", column=column)
        for cells in reader:
            if any(cell.strip() for cell in cells):
                filled = [*(cell.strip() for cell in cells), *[""] * (len(header) - len(cells))]
                row = dict(zip(header, filled, strict=False))
                yield reader.line_num, row if len(cells) == len(header) else row | {"farm": ""}
    except csv.Error as wrong:
        raise BadFile("not_csv", line=str(reader.line_num)) from wrong


def _work(cells: Mapping[str, str], *, whole: bool) -> WorkAsked:
    if not cells["farm"]:
        raise _Fault("no_farm")
    try:
        date = dt.date.fromisoformat(cells["date"])
    except ValueError as wrong:
        raise _Fault("bad_date", "date", cells["date"]) from wrong
    head: dict[str, float] = {}
    for kind in KINDS:
        count = _number(cells, kind) if cells.get(kind) else 0.0
        if count < 0:
            raise _Fault("below_zero", kind, cells[kind])
        if whole and count != int(count):
            raise _Fault("not_whole", kind, cells[kind])
        head[kind] = count
    return WorkAsked(date, cells["farm"], cells["crew"], head)


def _number(cells: Mapping[str, str], column: str) -> float:
    try:
        number = float(cells[column])
    except ValueError as wrong:
        raise _Fault("bad_number", column, cells[column]) from wrong
    if not math.isfinite(number):
        raise _Fault("bad_number", column, cells[column])
    return number
