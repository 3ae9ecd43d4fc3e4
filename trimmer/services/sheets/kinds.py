"""The kinds of sheets there are. The module of each kind registers its own; billing brings the price list."""

from __future__ import annotations

import datetime as dt
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from http import HTTPStatus
from typing import ClassVar

from django.utils.functional import Promise
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from trimmer.errors import Refusal
from trimmer.models import Business
from trimmer.services.sheets.comparing import Comparison, Sheet
from trimmer.sheets.layout import Layout
from trimmer.sheets.layouts import LAYOUTS
from trimmer.sheets.writing import RowValues


class SheetKindIsUnknown(Refusal):
    code = "sheet_kind_is_unknown"
    message = _("There is no such sheet. Choose one of: %(kinds)s.")
    status = HTTPStatus.BAD_REQUEST


@dataclass(frozen=True, slots=True)
class SheetKind:
    """A kind of sheet: its name as in addresses, what it is called, who may bring it in and take it out, and whether
    it may be taken out for a span of days."""

    name: str
    title: str | Promise
    who: frozenset[str]
    by_day: bool = False


class SheetFacts(ABC):
    """What a kind of sheet has to do with the facts."""

    layout: ClassVar[Layout]

    def told(self) -> Layout:
        """The layout in the language that is active."""
        return self.layout.translated(gettext)

    @abstractmethod
    def compare(self, sheet: Sheet) -> Comparison:
        """Hold a sheet against what is stored."""

    @abstractmethod
    def rows(
        self, business: Business, *, first: dt.date | None = None, last: dt.date | None = None
    ) -> Iterable[RowValues]:
        """What is stored, as rows of the sheet; of a kind that goes by day from `first` to `last`, both included."""


_registered: dict[str, tuple[SheetKind, SheetFacts]] = {}


def sheet_kind[F: SheetFacts](
    name: str, *, title: str | Promise, who: frozenset[str], by_day: bool = False
) -> Callable[[type[F]], type[F]]:
    """Register the class that knows a kind of sheet."""

    def register(facts: type[F]) -> type[F]:
        _registered[name] = (SheetKind(name, title, who, by_day), facts())
        return facts

    return register


def kinds() -> tuple[SheetKind, ...]:
    """Every kind, in the order in which they are best brought in."""
    order = list(LAYOUTS)
    return tuple(sorted((kind for kind, _facts in _registered.values()), key=lambda kind: order.index(kind.name)))


def kind_called(name: str) -> SheetKind:
    """The kind of that name. Raises SheetKindIsUnknown."""
    return _found(name)[0]


def facts_of(name: str) -> SheetFacts:
    """What the kind of that name has to do with the facts. Raises SheetKindIsUnknown."""
    return _found(name)[1]


def _found(name: str) -> tuple[SheetKind, SheetFacts]:
    if name not in _registered:
        raise SheetKindIsUnknown(kinds=", ".join(kind.name for kind in kinds()))
    return _registered[name]
