"""Sentences about the pace: what a visit will take and from what, what was set aside and why."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from scheduling.pace import SetAside
from scheduling.pace.visitfile import BadFile, Unread
from scheduling.services.pace import Part, VisitEstimate
from trimmer.showing import show_minutes, show_number

_LEAST_SAID: Final = 0.5
"""Parts of fewer minutes are left out of a sentence."""

_PARTS: Final = {
    "trim": (gettext_lazy("%(head)s head"), gettext_lazy("%(head)s head")),
    "topical": (gettext_lazy("%(head)s topical product"), gettext_lazy("%(head)s topical products")),
    "wrap": (gettext_lazy("%(head)s wrap"), gettext_lazy("%(head)s wraps")),
    "block": (gettext_lazy("%(head)s block"), gettext_lazy("%(head)s blocks")),
    "recheck": (gettext_lazy("%(head)s recheck"), gettext_lazy("%(head)s rechecks")),
    "heifer": (gettext_lazy("%(head)s heifer"), gettext_lazy("%(head)s heifers")),
    "bull": (gettext_lazy("%(head)s bull"), gettext_lazy("%(head)s bulls")),
}

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


def part_words(part: Part, language: str) -> str:
    """Such as "60 head × 7.1" or "about 5 blocks × 6.8"."""
    count = show_number(Decimal(repr(part.head)), language, 0 if part.head >= 10 or not part.about else 1)
    plural = round(part.head, 1)
    what = str(_PARTS[part.kind][0 if plural == 1 else 1]) % {"head": count}
    if part.about:
        what = _("about %(what)s") % {"what": what}
    return f"{what} × {show_number(Decimal(repr(part.each)), language, 1)}"


def estimate_words(said: VisitEstimate, language: str) -> str:
    """An estimate with its parts, in one sentence or two."""
    parts = [part_words(part, language) for part in said.parts if part.minutes >= _LEAST_SAID]
    setup = _("set-up %(minutes)s") % {"minutes": show_number(Decimal(repr(said.setup)), language, 0)}
    return _("%(parts)s = %(half)s; nine visits in ten take under %(nine)s; %(basis)s") % {
        "parts": " + ".join([*parts, setup]),
        "half": show_minutes(said.minutes[0]),
        "nine": show_minutes(said.minutes[2]),
        "basis": basis_words(said),
    }


def basis_words(said: VisitEstimate) -> str:
    """Where an estimate comes from."""
    if not said.of_business:
        return _("from the default minutes, common practice")
    if not said.learned:
        return ngettext(
            "from the default minutes and %(count)s visit so far",
            "from the default minutes and %(count)s visits so far",
            said.of_business,
        ) % {"count": said.of_business}
    if said.visits:
        return ngettext("from %(count)s visit here", "from %(count)s visits here", said.visits) % {"count": said.visits}
    return ngettext(
        "nobody was here yet: from %(count)s visit to other farms",
        "nobody was here yet: from %(count)s visits to other farms",
        said.of_business,
    ) % {"count": said.of_business}


def said_of_set_aside(row: Mapping[str, Any]) -> str:
    """Why a record was set aside, from how it was stored."""
    aside = SetAside(str(row["visit"]), str(row["farm"]), row["code"], row["minutes"], row["head"], row.get("expected"))
    return set_aside_words(aside)
