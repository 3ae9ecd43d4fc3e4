"""What a sheet is to hold, and reading one by it: every bad cell is named, not the first one only."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from decimal import Decimal
from difflib import get_close_matches
from enum import StrEnum
from functools import lru_cache, partial
from types import MappingProxyType
from typing import Any, Final

from babel import Locale

from trimmer.identification import TagCheck, check_official_tag, check_transponder
from trimmer.lesions import FEET, GROUPS, LESIONS, lesion_code
from trimmer.sheets.reading import Cell, CellFault, Params, SheetRow, Table, column_letter
from trimmer.sheets.sentences import sentence_for
from trimmer.sheets.values import (
    AccessHours,
    CellProblem,
    Language,
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
    shown,
)

type Value = (
    str
    | int
    | Decimal
    | bool
    | date
    | datetime
    | time
    | tuple[str, ...]
    | tuple[int, ...]
    | tuple[AccessHours, ...]
    | None
)


class Kind(StrEnum):
    """What a cell holds, and the type of its value."""

    TEXT = "text"  # str, one line
    NOTES = "notes"  # str, may have lines
    CODE = "code"  # str: a number or word that names something
    EMAIL = "email"  # str
    COUNTRY = "country"  # str, ISO 3166 alpha-2
    CHOICE = "choice"  # str, the value of a Choice
    LESION = "lesion"  # str, a code of trimmer.lesions
    TAG = "tag"  # str, as trimmer.identification normalises it; doubts are warnings
    TRANSPONDER = "transponder"  # str, likewise
    INTEGER = "integer"  # int
    DECIMAL = "decimal"  # Decimal
    MONEY = "money"  # Decimal
    PERCENT = "percent"  # Decimal: 20 is 20 %
    MINUTES = "minutes"  # Decimal
    LATITUDE = "latitude"  # Decimal, degrees
    LONGITUDE = "longitude"  # Decimal, degrees
    YES_NO = "yes_no"  # bool
    DATE = "date"  # date
    MOMENT = "moment"  # date, or datetime without a zone
    TIME = "time"  # time
    WEEKDAYS = "weekdays"  # tuple[int, ...], 0 is Monday
    ACCESS_HOURS = "access_hours"  # tuple[AccessHours, ...]
    FEET = "feet"  # tuple[str, ...] of LF, RF, LH, RH


@dataclass(frozen=True, slots=True)
class Choice:
    """One word that may stand in a column: what is kept, what is shown, and what else is understood."""

    value: str
    title: str
    aliases: tuple[str, ...] = ()

    @property
    def words(self) -> tuple[str, ...]:
        """What may be written for it."""
        return (*self.aliases, self.title, self.value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column. ``example`` is a value, not a text. ``past`` refuses days after today."""

    key: str
    title: str
    kind: Kind
    help: str
    example: Value
    required: bool = False
    aliases: tuple[str, ...] = ()
    choices: tuple[Choice, ...] = ()
    max_length: int = 200
    minimum: Decimal | None = None
    maximum: Decimal | None = None
    places: int | None = None
    past: bool = False

    def __post_init__(self) -> None:
        if (self.kind is Kind.CHOICE) != bool(self.choices):
            raise ValueError(f"{self.key}: a choice has choices, nothing else does")
        if self.required and self.example is None:
            raise ValueError(f"{self.key}: a required column needs an example")

    @property
    def names(self) -> tuple[str, ...]:
        """What the column may be called in a header."""
        return (self.key, self.title, *self.aliases)


@dataclass(frozen=True, slots=True)
class RowFinding:
    """What a row check found, and in which column.

    To the person, a parameter that is the key of a column is shown as the column's title, and a parameter named like a
    column with choices as the title of that choice.
    """

    column: str
    code: str
    params: Mapping[str, str | int] = MappingProxyType({})
    warning: bool = False


@dataclass(frozen=True, slots=True)
class RowCheck:
    """A rule across the cells of one row. It is left out where a cell it looks at could not be read."""

    columns: tuple[str, ...]
    check: Callable[[Mapping[str, Any]], Iterable[RowFinding]]


@dataclass(frozen=True, slots=True)
class Agreement:
    """Rows alike in ``by`` are about one ``subject`` and must agree in ``columns``; an empty cell agrees with all."""

    subject: str
    by: tuple[str, ...]
    columns: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A kind of sheet. No two rows may be alike in all ``key_columns``; what stands twice in a column of ``once`` is
    pointed out.
    """

    kind: str
    title: str
    columns: tuple[Column, ...]
    key_columns: tuple[str, ...]
    once: tuple[str, ...] = ()
    checks: tuple[RowCheck, ...] = ()
    agreements: tuple[Agreement, ...] = ()

    def __post_init__(self) -> None:
        keys = [column.key for column in self.columns]
        if len(set(keys)) != len(keys):
            raise ValueError(f"{self.kind}: a key stands twice")
        named = {*self.key_columns, *self.once}
        named.update(*(check.columns for check in self.checks))
        named.update(*((*agreement.by, *agreement.columns) for agreement in self.agreements))
        if unknown := named - set(keys):
            raise ValueError(f"{self.kind}: no such columns: {', '.join(sorted(unknown))}")
        owners: dict[str, str] = {}
        for column in self.columns:
            for name in column.names:
                if owners.setdefault(fold(name), column.key) != column.key:
                    raise ValueError(f"{self.kind}: {name} names both {owners[fold(name)]} and {column.key}")

    def column(self, key: str) -> Column:
        """The column with that key. Raises KeyError."""
        for column in self.columns:
            if column.key == key:
                return column
        raise KeyError(key)

    def translated(self, translate: Callable[[str], str]) -> "Layout":
        """The same layout with titles, choices and help in another language; the words of this one stay understood."""
        columns = []
        taken = {fold(name): column.key for column in self.columns for name in column.names}
        for column in self.columns:
            title = translate(column.title)
            if taken.setdefault(fold(title), column.key) != column.key:
                title = column.title  # a translation that already means another column
            columns.append(
                replace(
                    column,
                    title=title,
                    aliases=(*column.aliases, column.title),
                    help=translate(column.help) if column.help else "",
                    choices=tuple(
                        Choice(choice.value, translate(choice.title), (*choice.aliases, choice.title))
                        for choice in column.choices
                    ),
                )
            )
        agreements = tuple(replace(agreement, subject=translate(agreement.subject)) for agreement in self.agreements)
        return replace(self, title=translate(self.title), columns=tuple(columns), agreements=agreements)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, or in ``Parsed.warnings`` worth a look.

    ``row`` counts from 1 as the spreadsheet program does; ``column`` is the key, or the title of an unknown column, or
    empty where the row as a whole is meant; ``cell`` is such as ``F12``, empty where the column is missing; ``title``
    is the header as the person wrote it; ``value`` is what stands in the cell, shortened.
    """

    row: int
    column: str
    cell: str
    title: str
    code: str
    params: Params
    value: str = ""

    def sentence(self) -> str:
        """What is wrong, in plain English."""
        return sentence_for(self.code, self.params)


@dataclass(frozen=True, slots=True)
class Row:
    """A row that could be read: its number in the file, and a value for each column of the layout, None where empty."""

    number: int
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Parsed:
    """A table as the layout understands it.

    ``rows`` holds the rows without any problem, so all of them when ``ok``. ``at`` tells where a column stands, counted
    from 0, for each the file has: a column that is not there says nothing, an empty cell in one that is says "nothing".
    """

    layout: Layout
    rows: tuple[Row, ...]
    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
    at: Mapping[str, int]
    row_count: int

    @property
    def given(self) -> frozenset[str]:
        """The keys of the columns the file has."""
        return frozenset(self.at)

    @property
    def ok(self) -> bool:
        """Nothing stands against taking it."""
        return not self.problems

    @property
    def bad_rows(self) -> frozenset[int]:
        """The numbers of the rows with a problem."""
        return frozenset(problem.row for problem in self.problems)


def parse(
    table: Table,
    layout: Layout,
    language: Language | str,
    *,
    currency: str = "",
    today: date | None = None,
) -> Parsed:
    """Reads a table by a layout in a language (its tag). ``currency`` (ISO 4217) is the one amounts are in; empty: not
    checked. With ``today``, days that must lie in the past are checked. Never raises for what stands in the table.
    """
    return _Reading(
        table, layout, language_of(language) if isinstance(language, str) else language, currency, today
    ).run()


def rows_about(rows: Iterable[Row], by: tuple[str, ...]) -> dict[tuple[Any, ...], list[Row]]:
    """Rows gathered by what they are alike in, in the order of the file. Words are alike whatever their case."""
    gathered: dict[tuple[Any, ...], list[Row]] = {}
    for row in rows:
        gathered.setdefault(_key(row.values, by), []).append(row)
    return gathered


def settled(rows: Iterable[Row], columns: Iterable[str]) -> dict[str, Any]:
    """What rows about the same subject say together: of each column the first value that is not empty."""
    found = dict.fromkeys(columns, None)
    for row in rows:
        for column, value in found.items():
            if value is None:
                found[column] = row.values[column]
    return found


def _key(values: Mapping[str, Any], columns: tuple[str, ...]) -> tuple[Any, ...]:
    return tuple(value.casefold() if isinstance(value := values[column], str) else value for column in columns)


_NOTHING: Final[Params] = {}


class _Reading:
    """One table on its way through one layout."""

    def __init__(self, table: Table, layout: Layout, language: Language, currency: str, today: date | None) -> None:
        self.table = table
        self.layout = layout
        self.language = language
        self.currency = currency
        self.today = today
        self.at: dict[str, int] = {}
        self.problems: list[tuple[int, int, Problem]] = []
        self.warnings: list[tuple[int, int, Problem]] = []
        self.bad: dict[int, set[str]] = {}
        self.readers: list[_Reader] = []
        self.cells = {row.number: row.cells for row in table.rows}

    def run(self) -> Parsed:
        usable = self._match_header()
        rows: list[Row] = []
        if usable:
            self.readers = self._make_readers()
            rows = [row for sheet_row in self.table.rows if (row := self._read_row(sheet_row)) is not None]
            if not rows:
                self._note(self.table.header_row, "", "no_rows", _NOTHING)
            self._compare_rows(rows)
        bad_rows = {problem.row for _, _, problem in self.problems}
        return Parsed(
            layout=self.layout,
            rows=tuple(row for row in rows if row.number not in bad_rows),
            problems=_in_order(self.problems),
            warnings=_in_order(self.warnings),
            at=MappingProxyType(self.at),
            row_count=len(rows),
        )

    # header

    def _match_header(self) -> bool:
        names = {fold(name): column.key for column in self.layout.columns for name in column.names}
        row = self.table.header_row
        unknown: list[int] = []
        for index, title in enumerate(self.table.header):
            key = names.get(fold(title)) if title else None
            if key is None:
                if title:
                    unknown.append(index)
            elif key in self.at:
                first = column_letter(self.at[key])
                params: Params = {"first": first, "title": self.table.header[self.at[key]]}
                self._note(row, key, "column_given_twice", params, index=index)
            else:
                self.at[key] = index
        if not self.at:
            self._note(row, "", "header_not_found", {"row": row})
            return False
        for index in unknown:
            self._note_unknown(index)
        for column in self.layout.columns:
            if column.required and column.key not in self.at:
                self._note(row, column.key, "column_missing", {"title": column.title})
        return all(column.key in self.at for column in self.layout.columns if column.required)

    def _note_unknown(self, index: int) -> None:
        title = self.table.header[index]
        missing = {fold(column.title): column.title for column in self.layout.columns if column.key not in self.at}
        guesses = get_close_matches(fold(title), missing, n=1, cutoff=0.75)
        params: Params = {"title": title, **({"guess": missing[guesses[0]]} if guesses else {})}
        code = "column_unknown_guess" if guesses else "column_unknown"
        self._note(self.table.header_row, title, code, params, index=index, warning=True)

    # rows

    def _read_row(self, sheet_row: SheetRow) -> Row | None:
        cells, number = sheet_row.cells, sheet_row.number
        values: dict[str, Any] = {}
        found: list[tuple[Column, CellProblem]] = []
        doubts: list[tuple[Column, str]] = []
        for column, index, read, doubt in self.readers:
            cell = cells[index] if 0 <= index < len(cells) else None
            if cell is None:
                values[column.key] = None
                if column.required:
                    found.append((column, _EMPTY))
                continue
            value = read(cell)
            if isinstance(value, CellProblem):
                values[column.key] = None
                found.append((column, value))
            else:
                values[column.key] = value
                if doubt is not None:
                    doubts += [(column, code) for code in doubt(value)]
        if not found and self._is_example(values):
            self._note(number, "", "example_row", _NOTHING, warning=True)
            return None
        for column, problem in found:
            self.bad.setdefault(number, set()).add(column.key)
            self._note(number, column.key, problem.code, problem.params)
        for column, code in doubts:
            self._note(number, column.key, code, _NOTHING, warning=True)
        self._note_untitled(sheet_row)
        row = Row(number, MappingProxyType(values))
        self._check_row(row)
        return row

    def _make_readers(self) -> "list[_Reader]":
        return [
            (
                column,
                self.at.get(column.key, -1),
                _remembering(_reader(column, self.language, self.currency, self.today)),
                _doubts_of(column.kind),
            )
            for column in self.layout.columns
        ]

    def _is_example(self, values: Mapping[str, Any]) -> bool:
        """Only a sheet that still has every column of the template can hold its example."""
        return all(column.key in self.at and values[column.key] == column.example for column in self.layout.columns)

    def _note_untitled(self, sheet_row: SheetRow) -> None:
        header = self.table.header
        for index, cell in enumerate(sheet_row.cells):
            if cell is not None and (index >= len(header) or not header[index]):
                self._note(sheet_row.number, "", "cell_without_title", _NOTHING, index=index)
                return

    def _check_row(self, row: Row) -> None:
        unread = self.bad.get(row.number, set()).copy()
        for check in self.layout.checks:
            if not unread.isdisjoint(check.columns):
                continue
            for finding in check.check(row.values):
                if finding.column in self.bad.get(row.number, ()):
                    continue  # one fault of a cell is enough to mend it
                params = {"value": self._shown(row.number, finding.column)} | self._told(finding.params)
                self._note(row.number, finding.column, finding.code, params, warning=finding.warning)
                if not finding.warning:
                    self.bad.setdefault(row.number, set()).add(finding.column)

    def _compare_rows(self, rows: list[Row]) -> None:
        keys = self.layout.key_columns
        first_with: dict[tuple[Any, ...], Row] = {}
        for row in rows:
            if not self.bad.get(row.number, set()).isdisjoint(keys):
                continue
            first = first_with.setdefault(_key(row.values, keys), row)
            if first is not row:
                titles = ", ".join(self._title(key) for key in keys if key in self.at)
                params: Params = {"first_row": first.number, "row": row.number, "columns": titles}
                self._note(row.number, next(key for key in keys if key in self.at), "row_given_twice", params)
        for column in self.layout.once:
            self._look_for_twins(rows, column)
        for agreement in self.layout.agreements:
            self._compare_agreement(rows, agreement)

    def _look_for_twins(self, rows: list[Row], column: str) -> None:
        first_with: dict[Any, Row] = {}
        for row in rows:
            if row.values[column] is not None:
                first = first_with.setdefault(row.values[column], row)
                if first is not row:
                    self._note(row.number, column, "number_used_twice", {"first_row": first.number}, warning=True)

    def _compare_agreement(self, rows: list[Row], agreement: Agreement) -> None:
        columns = [column for column in agreement.columns if column in self.at]
        first_to_say: dict[tuple[Any, ...], dict[str, Row]] = {}
        for row in rows:
            bad = self.bad.get(row.number, set())
            if not bad.isdisjoint(agreement.by):
                continue
            said = first_to_say.setdefault(_key(row.values, agreement.by), {})
            for column in columns:
                value = row.values[column]
                if value is None or column in bad:
                    continue
                first = said.setdefault(column, row)
                if first is not row and first.values[column] != value:
                    params: Params = {
                        "first_row": first.number,
                        "first": self._shown(first.number, column),
                        "value": self._shown(row.number, column),
                        "subject": agreement.subject,
                    }
                    self._note(row.number, column, "rows_disagree", params)

    # notes

    def _shown_cell(self, row: int, index: int) -> str:
        cells = self.cells.get(row, ())
        return shown(cells[index]) if index < len(cells) else ""

    def _shown(self, row: int, column: str) -> str:
        return self._shown_cell(row, self.at[column]) if column in self.at else ""

    def _told(self, params: Mapping[str, str | int]) -> Params:
        """Parameters of a finding in the person's words: keys of columns and values of choices by their titles."""
        columns = {column.key: column for column in self.layout.columns}
        told: Params = {}
        for name, value in params.items():
            choices = {choice.value: choice.title for choice in columns[name].choices} if name in columns else {}
            told[name] = self._title(str(value)) if value in columns else choices.get(str(value), value)
        return told

    def _title(self, key: str) -> str:
        index = self.at.get(key)
        return self.layout.column(key).title if index is None else self.table.header[index]

    def _note(
        self,
        row: int,
        column: str,
        code: str,
        params: Mapping[str, str | int],
        *,
        index: int | None = None,
        warning: bool = False,
    ) -> None:
        if index is None:
            index = self.at.get(column)
        where = "" if index is None else f"{column_letter(index)}{row}"
        if index is not None and index < len(self.table.header):
            title = self.table.header[index]
        else:
            title = self.layout.column(column).title if column else ""
        value = "" if index is None else self._shown_cell(row, index)
        problem = Problem(row, column, where, title, code, dict(params), value)
        (self.warnings if warning else self.problems).append((row, -1 if index is None else index, problem))


type _Doubts = Callable[[Any], Iterable[str]] | None
type _Reader = tuple[Column, int, Callable[[Cell], Any], _Doubts]

_EMPTY: Final = CellProblem("cell_empty")


def _in_order(found: list[tuple[int, int, Problem]]) -> tuple[Problem, ...]:
    return tuple(problem for _, _, problem in sorted(found, key=lambda entry: entry[:2]))


def _remembering(read: Callable[[Cell], Any]) -> Callable[[Cell], Any]:
    """Columns repeat themselves: each different cell is read once. A problem is kept as a value, not raised."""
    kept: dict[tuple[type, Cell], Any] = {}

    def remembered(cell: Cell) -> Any:
        known = (type(cell), cell)
        if known not in kept:
            try:
                kept[known] = read(cell)
            except CellProblem as problem:
                kept[known] = problem
        return kept[known]

    return remembered


def _doubts_of(kind: Kind) -> _Doubts:
    if kind is Kind.TAG:
        return lambda tag: _tag_doubts(check_official_tag(tag))
    if kind is Kind.TRANSPONDER:
        return lambda number: _tag_doubts(check_transponder(number))
    return None


def _tag_doubts(check: TagCheck) -> Iterator[str]:
    for code in (*check.problems, *check.warns):
        yield f"tag_{code}"


def _reader(column: Column, language: Language, currency: str, today: date | None) -> Callable[[Cell], Any]:
    """How a cell of the column is read: returns its value or raises CellProblem."""
    read = _plain_reader(column, language, currency)
    if column.minimum is not None or column.maximum is not None or column.places is not None:
        return lambda cell: _within(read(cell), column)
    if column.past and today is not None:
        return lambda cell: _not_to_come(read(cell), today)
    return read


def _plain_reader(column: Column, language: Language, currency: str) -> Callable[[Cell], Any]:
    kind = column.kind
    if kind is Kind.CHOICE:
        words = {fold(word): choice.value for choice in reversed(column.choices) for word in choice.words}
        return partial(parse_choice, words=words, allowed=", ".join(choice.title for choice in column.choices))
    if kind is Kind.MONEY:
        return partial(parse_money, language=language, currency=currency)
    if kind in _BY_LANGUAGE:
        return partial(_BY_LANGUAGE[kind], language=language)
    if kind in _BY_LENGTH:
        return partial(_BY_LENGTH[kind], max_length=column.max_length)
    return _ALONE[kind]


def _within(value: int | Decimal, column: Column) -> int | Decimal:
    number = Decimal(value)
    if column.minimum is not None and number < column.minimum:
        raise CellProblem("too_small", value=f"{number:f}", limit=f"{column.minimum:f}")
    if column.maximum is not None and number > column.maximum:
        raise CellProblem("too_large", value=f"{number:f}", limit=f"{column.maximum:f}")
    exponent = number.normalize().as_tuple().exponent
    if column.places is not None and isinstance(exponent, int) and -exponent > column.places:
        raise CellProblem("too_many_decimals", value=f"{number:f}", limit=column.places)
    return value


def _not_to_come(day: date, today: date) -> date:
    if day > today:
        raise CellProblem("date_to_come", value=day.isoformat())
    return day


def _read_lesion(cell: Cell) -> str:
    text = parse_code(cell, max_length=60)
    code = lesion_code(text)
    if code in LESIONS:
        return code
    if code in GROUPS:
        of_group = ", ".join(lesion.code for lesion in LESIONS.values() if lesion.group == code)
        raise CellProblem("lesion_is_a_group", value=code, allowed=of_group)
    name = fold(text)
    for lesion in LESIONS.values():
        if fold(lesion.name) == name:
            return lesion.code
    raise CellProblem("lesion_unknown", value=shown(cell))


def _read_country(cell: Cell, language: Language) -> str:
    text = parse_code(cell)
    code = _countries(language.language).get(fold(text))
    if code is None:
        raise CellProblem("country_unknown", value=shown(cell))
    return code


@lru_cache(maxsize=16)
def _countries(language: str) -> Mapping[str, str]:
    """Folded names and codes to ISO 3166 codes, in English and the language; EL and UK as on tags and number plates."""
    names: dict[str, str] = {}
    for locale in (Locale("en"), Locale(language)):
        for code, name in locale.territories.items():
            if len(code) == 2 and code not in ("EU", "EZ", "UN", "XA", "XB", "ZZ", "QO"):
                names[fold(name)] = code
    return MappingProxyType({**names, **{fold(code): code for code in names.values()}, "uk": "GB", "el": "GR"})


_FEET_WORDS: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "all": FEET,
        "none": (),
        "front": FEET[:2],
        "fore": FEET[:2],
        "hind": FEET[2:],
        "rear": FEET[2:],
        "left": (FEET[0], FEET[2]),
        "right": (FEET[1], FEET[3]),
        **{fold(foot): (foot,) for foot in FEET},
    }
)


def _read_feet(cell: Cell, language: Language) -> tuple[str, ...]:
    if isinstance(cell, CellFault):
        raise CellProblem(cell.code, value=cell.shown)
    try:
        return FEET if parse_yes_no(cell, language) else ()
    except CellProblem:
        pass
    words = [fold(word) for word in shown(cell).replace(",", " ").replace(";", " ").replace("+", " ").split()]
    if not words or any(word not in _FEET_WORDS for word in words):
        raise CellProblem("feet_unclear", value=shown(cell))
    named = {foot for word in words for foot in _FEET_WORDS[word]}
    return tuple(foot for foot in FEET if foot in named)


def _read_tag(cell: Cell, *, max_length: int) -> str:
    return check_official_tag(parse_code(cell, max_length=max_length)).normalised


def _read_transponder(cell: Cell, *, max_length: int) -> str:
    return check_transponder(parse_code(cell, max_length=max_length)).normalised


_BY_LANGUAGE: Final[Mapping[Kind, Callable[..., Any]]] = MappingProxyType(
    {
        Kind.INTEGER: parse_integer,
        Kind.DECIMAL: parse_decimal,
        Kind.PERCENT: parse_percent,
        Kind.MINUTES: parse_minutes,
        Kind.YES_NO: parse_yes_no,
        Kind.DATE: parse_date,
        Kind.MOMENT: parse_moment,
        Kind.TIME: parse_time,
        Kind.WEEKDAYS: parse_weekdays,
        Kind.ACCESS_HOURS: parse_access_hours,
        Kind.COUNTRY: _read_country,
        Kind.FEET: _read_feet,
    }
)
_BY_LENGTH: Final[Mapping[Kind, Callable[..., Any]]] = MappingProxyType(
    {
        Kind.TEXT: parse_text,
        Kind.NOTES: partial(parse_text, lines=True),
        Kind.CODE: parse_code,
        Kind.EMAIL: parse_email,
        Kind.TAG: _read_tag,
        Kind.TRANSPONDER: _read_transponder,
    }
)
_ALONE: Final[Mapping[Kind, Callable[[Cell], Any]]] = MappingProxyType(
    {Kind.LESION: _read_lesion, Kind.LATITUDE: parse_latitude, Kind.LONGITUDE: parse_longitude}
)
