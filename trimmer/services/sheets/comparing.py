"""A sheet held against what is stored: what is wrong with it, and what it would add, change and leave as it is."""

from __future__ import annotations

import datetime as dt
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypedDict

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from trimmer.errors import Refusal
from trimmer.models import Business, User
from trimmer.sheets.layout import Layout, Parsed, Problem, Row
from trimmer.sheets.reading import CONTROL_CHARACTER, Table, column_letter
from trimmer.sheets.sentences import SENTENCES
from trimmer.sheets.values import Language, language_of, parse_text, shown
from trimmer.sheets.writing import write_value
from trimmer.showing import to_local

EXAMPLES: Final = 4
"""How many of the rows that would be added or changed are told of in a sentence."""

CELLS_TOLD: Final = 6
"""How many cells of a changed row such a sentence tells of."""

AT_ONCE: Final = 400
"""How many keys are looked for in one query; a database takes only so many parameters."""

_NO_LIMIT: Final = 10**9

type Cells = list[tuple[str, Any, Any]]
"""Keys of columns with what is stored and what the sheet says."""


class Fault(TypedDict):
    """Something to put right, or to look at, in one cell of the file. The row is 0 where the file as a whole is meant;
    `cell` is such as F12, empty where there is none; `title` is the header as the person wrote it."""

    row: int
    column: str
    cell: str
    title: str
    code: str
    value: str
    message: str


def fault_of(problem: Problem) -> Fault:
    """What reading found, in the language that is active."""
    return Fault(
        row=problem.row,
        column=problem.column,
        cell=problem.cell,
        title=problem.title,
        code=problem.code,
        value=problem.value,
        message=sentence_of(problem.code, problem.params),
    )


def sentence_of(code: str, params: Mapping[str, str | int]) -> str:
    """The sentence of a code of `trimmer.sheets`, in the language that is active."""
    return _(SENTENCES[code]) % params


class Sheet:
    """A table read by its layout, and on whose behalf. `storing`: rows that count are locked as they are read."""

    def __init__(
        self, *, business: Business, table: Table, parsed: Parsed, by: User | None, now: dt.datetime, storing: bool
    ) -> None:
        self.business = business
        self.layout: Layout = parsed.layout
        self.parsed = parsed
        self.rows = parsed.rows
        self.given = parsed.given
        self.language: Language = language_of(business.language)
        self.by = by
        self.now = now
        self.storing = storing
        self._header = table.header
        self._cells = {row.number: row.cells for row in table.rows}

    @property
    def today(self) -> dt.date:
        """The business's day."""
        return to_local(self.now, self.business.time_zone).date()

    def title(self, column: str) -> str:
        """What the column is called in the file, or would be."""
        at = self.parsed.at.get(column)
        return self.layout.column(column).title if at is None else self._header[at]

    def fault(self, row: int, column: str, code: str, sentence: str, params: Mapping[str, Any] | None = None) -> Fault:
        """A fault of one cell. With `params`, they and the cell's own `value` fill the places of the sentence."""
        at = self.parsed.at.get(column)
        cells = self._cells.get(row, ())
        value = shown(cells[at]) if at is not None and at < len(cells) else ""
        return Fault(
            row=row,
            column=column,
            cell="" if at is None else f"{column_letter(at)}{row}",
            title=self.title(column),
            code=code,
            value=value,
            message=sentence if params is None else sentence % {"value": value, **params},
        )

    def text(self, column: str, value: Any) -> str:
        """A value as it would stand in the sheet."""
        return write_value(self.layout.column(column), value, self.language)


@dataclass(slots=True)
class FactTable:
    """What would become of one table of facts, with sentences on a few rows."""

    sheet: Sheet
    name: str
    added: int = 0
    changed: int = 0
    same: int = 0
    additions: list[str] = field(default_factory=list)
    changes: list[str] = field(default_factory=list)

    def note_added(self, row: Row, name: str, columns: Iterable[str] = ()) -> None:
        """A row that is new. What stands in `columns` is told as it was read, so that a misreading is seen."""
        self.added += 1
        if len(self.additions) == EXAMPLES:
            return
        filled = [key for key in columns if row.values[key] is not None]
        cells = "; ".join(
            _("%(title)s “%(value)s”")
            % {"title": self.sheet.title(key), "value": shown(self.sheet.text(key, row.values[key]))}
            for key in filled[:CELLS_TOLD]
        )
        text = _("Row %(row)s: %(name)s is added: %(cells)s.") if cells else _("Row %(row)s: %(name)s is added.")
        self.additions.append(text % {"row": row.number, "name": name, "cells": cells})

    def note_changed(self, row: Row, name: str, cells: Cells) -> None:
        """A row that is there and says something else."""
        self.changed += 1
        if len(self.changes) < EXAMPLES:
            told = [
                _("%(title)s from “%(before)s” to “%(after)s”")
                % {
                    "title": self.sheet.title(key),
                    "before": self.sheet.text(key, before),
                    "after": self.sheet.text(key, after),
                }
                for key, before, after in cells[:CELLS_TOLD]
            ]
            text = _("Row %(row)s: %(name)s changes: %(cells)s.")
            self.changes.append(text % {"row": row.number, "name": name, "cells": "; ".join(told)})

    def as_json(self) -> dict[str, Any]:
        """As it is kept with the sheet."""
        return {
            "name": self.name,
            "added": self.added,
            "changed": self.changed,
            "same": self.same,
            "examples": [*self.changes, *self.additions][:EXAMPLES],
        }


class Comparison(ABC):
    """What holding a sheet against the facts shows. Making one reads and changes nothing; `store` stores it."""

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.faults: list[Fault] = []
        self.warnings: list[Fault] = []
        self.tables: list[FactTable] = []
        self.notes: list[str] = []
        self.passed_over: frozenset[str] = frozenset()
        """Codes of what reading found worth a look, and this knows better."""

    @abstractmethod
    def store(self) -> None:
        """Store what is new or changed. Only when there are no faults, in the transaction it was made in."""

    def table(self, name: str) -> FactTable:
        """A table of facts to count in."""
        made = FactTable(self.sheet, name)
        self.tables.append(made)
        return made

    def summary(self) -> dict[str, Any]:
        """What is added, changed and left as it is in each table, with a few of the rows in sentences, changes first;
        and what else to know before it is stored."""
        return {"tables": [table.as_json() for table in self.tables], "notes": self.notes}

    def refuse(self, row: Row, column: str, code: str, sentence: str, **params: Any) -> None:
        """Note a fault in a cell; `%(value)s` in the sentence is what stands there."""
        self.faults.append(self.sheet.fault(row.number, column, code, sentence, params))

    def doubt(self, row: Row, column: str, code: str, sentence: str, **params: Any) -> None:
        """Note something to look at in a cell, as `refuse` does."""
        self.warnings.append(self.sheet.fault(row.number, column, code, sentence, params))

    def refuse_text(self, row: Row, column: str, code: str, sentence: str) -> None:
        """Note a fault in a cell; the sentence is said as it is."""
        self.faults.append(self.sheet.fault(row.number, column, code, sentence))

    def doubt_text(self, row: Row, column: str, code: str, sentence: str) -> None:
        """Note something to look at in a cell; the sentence is said as it is."""
        self.warnings.append(self.sheet.fault(row.number, column, code, sentence))

    def refuse_as(self, rows: Sequence[Row], refusal: Refusal, columns: Mapping[str, str], otherwise: str) -> None:
        """Note what a service's rule said, in the column of each field it names."""
        for name, sentence in (refusal.fields or {"": str(refusal)}).items():
            column = columns.get(name, otherwise)
            self.refuse_text(row_saying(rows, column), column, refusal.code, sentence)


def row_saying(rows: Sequence[Row], column: str) -> Row:
    """Of rows about one thing the first that fills the column; else the first of all."""
    return next((row for row in rows if row.values[column] is not None), rows[0])


# --- columns and fields -----------------------------------------------------------------------------------------------

STAYS: Final = object()
"""What an empty cell makes of a fact that cannot be empty: it stays as it is."""


@dataclass(frozen=True, slots=True)
class Fact:
    """A column and the field it becomes. `read` gives the sheet's value of a stored row, None where it is empty;
    `empty` is what the field holds where the cell is empty."""

    column: str
    field: str
    read: Callable[[Any], Any]
    empty: Any
    write: Callable[[Any], Any] = lambda value: value


def words(column: str, name: str, *, lines: bool = False) -> Fact:
    """A text that may be empty."""
    return Fact(column, name, lambda row: plain(getattr(row, name), lines=lines) or None, "")


def value(column: str, name: str) -> Fact:
    """A value that may be absent."""
    return Fact(column, name, lambda row: getattr(row, name), None)


def fixed(
    column: str,
    name: str,
    read: Callable[[Any], Any] = lambda value: value,
    write: Callable[[Any], Any] = lambda value: value,
) -> Fact:
    """A fact that is never empty: an empty cell leaves it as it is."""
    return Fact(column, name, lambda row: read(getattr(row, name)), STAYS, write)


def told_by(facts: Iterable[Fact], row: Any) -> dict[str, Any]:
    """What a stored row says, by column."""
    return {fact.column: fact.read(row) for fact in facts}


def take(facts: Iterable[Fact], row: Any, said: Mapping[str, Any], given: frozenset[str]) -> Cells:
    """Make a row say what the sheet says, and tell what differed. Columns the file does not have say nothing; an empty
    cell empties what can be empty."""
    changes: Cells = []
    for fact in facts:
        if fact.column not in given:
            continue
        after = said[fact.column]
        if after is None and fact.empty is STAYS:
            continue
        before = fact.read(row)
        if before != after:
            setattr(row, fact.field, fact.empty if after is None else fact.write(after))
            changes.append((fact.column, before, after))
    return changes


def fields_of(facts: Iterable[Fact], changes: Cells) -> list[str]:
    """The fields that changes are about."""
    changed = {column for column, _before, _after in changes}
    return [fact.field for fact in facts if fact.column in changed]


def plain(text: str, *, lines: bool = False) -> str:
    """A stored text as it comes back from a sheet."""
    return parse_text(CONTROL_CHARACTER.sub("", text), max_length=_NO_LIMIT, lines=lines)


class ByWord[T]:
    """Things by the word they are known by: as it is spelt, else whatever its case."""

    def __init__(self, things: Iterable[tuple[str, T]]) -> None:
        self._spelt: dict[str, T] = {}
        self._folded: dict[str, T] = {}
        for word, thing in things:
            self.add(word, thing)

    def add(self, word: str, thing: T) -> None:
        """One more."""
        self._spelt.setdefault(plain(word), thing)
        self._folded.setdefault(plain(word).casefold(), thing)

    def find(self, word: str) -> T | None:
        """The thing of that word, if any."""
        return self._spelt.get(word) or self._folded.get(word.casefold())


def found_among[M: Any](rows: QuerySet[M], lookup: str, keys: Iterable[Any]) -> Iterator[M]:
    """The rows whose `lookup` is among many keys, some keys at a time."""
    wanted = list(keys)
    for start in range(0, len(wanted), AT_ONCE):
        yield from rows.filter(**{f"{lookup}__in": wanted[start : start + AT_ONCE]})
