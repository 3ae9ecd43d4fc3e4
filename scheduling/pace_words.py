"""Sentences about the pace: what was set aside and why."""

from __future__ import annotations

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling.pace import SetAside
from scheduling.pace.visitfile import BadFile, Unread

_SET_ASIDE = {
    "no_head": gettext_lazy("no head was counted"),
    "no_minutes": gettext_lazy("it took 0 minutes"),
    "end_before_start": gettext_lazy("it ended before it began (%(minutes)s minutes)"),
    "future": gettext_lazy("its date is still to come"),
    "looks_like_hours": gettext_lazy(
        "%(minutes)s for %(head)s head looks like hours, not minutes (about %(expected)s expected)"
    ),
    "looks_like_seconds": gettext_lazy(
        "%(minutes)s for %(head)s head looks like seconds, not minutes (about %(expected)s expected)"
    ),
    "too_long": gettext_lazy(
        "%(minutes)s minutes for %(head)s head is too long to be true (about %(expected)s expected)"
    ),
    "too_short": gettext_lazy(
        "%(minutes)s minutes for %(head)s head is too short to be true (about %(expected)s expected)"
    ),
}

_UNREAD = {
    "no_farm": gettext_lazy("its farm is missing, or it has another number of cells than the first line"),
    "no_head": gettext_lazy("no head is counted"),
    "bad_date": gettext_lazy("“%(text)s” is not a date like 2026-03-04"),
    "bad_number": gettext_lazy("%(column)s “%(text)s” is not a number"),
    "below_zero": gettext_lazy("%(column)s “%(text)s” is below 0"),
    "not_whole": gettext_lazy("%(column)s “%(text)s” is not a whole number of head"),
}

_BAD_FILE = {
    "not_text": gettext_lazy("%(file)s is not UTF-8 text."),
    "not_csv": gettext_lazy("%(file)s is not comma-separated text: line %(line)s is wrong."),
    "empty": gettext_lazy("%(file)s is empty; its first line must name the columns."),
    "missing_column": gettext_lazy("%(file)s has no column “%(column)s”."),
    "repeated_column": gettext_lazy("%(file)s has the column “%(column)s” twice."),
}


def set_aside_words(aside: SetAside) -> str:
    """Why a record is not used."""
    figures = {"minutes": aside.minutes, "head": aside.head, "expected": aside.expected or 0}
    return str(_SET_ASIDE[aside.code]) % {name: f"{figure:.4g}" for name, figure in figures.items()}


def unread_words(fault: Unread) -> str:
    """What is wrong with a line."""
    what = str(_UNREAD[fault.code]) % {"column": fault.column, "text": fault.text}
    return _("line %(line)s: %(what)s") % {"line": fault.line, "what": what}


def bad_file_words(bad: BadFile, file: object) -> str:
    """Why a file cannot be read."""
    return str(_BAD_FILE[bad.code]) % {"file": file, **bad.params}
