"""Learn the pace from visits in a file, and say how long others will take."""

from __future__ import annotations

import csv
import datetime as dt
from argparse import ArgumentParser, ArgumentTypeError
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from django.core.management import BaseCommand, CommandError
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from scheduling import pace
from scheduling.pace.visitfile import AskedRow, BadFile, read_asked, read_history
from scheduling.pace_words import bad_file_words, set_aside_words, unread_words


class Command(BaseCommand):
    help = "Fit the pace to past visits in a file and estimate others (columns: scheduling/pace/visitfile.py)."
    requires_system_checks = ()
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("history", type=Path, help="past visits, as CSV with their minutes")
        parser.add_argument("--ask", type=Path, required=True, help="visits to estimate, as CSV without minutes")
        parser.add_argument("--out", type=Path, required=True, help="file to write: these visits with p50, p80, p90")
        parser.add_argument("--today", type=_date, help="later visits are not past; default: the date of today")

    def handle(self, *args: Any, history: Path, ask: Path, out: Path, today: dt.date | None, **options: Any) -> None:
        visits, unread = _read(history, read_history)
        asked, faults = _read(ask, read_asked)
        fit = pace.fit_pace(visits, today=today or dt.datetime.now(dt.UTC).astimezone().date())
        for line in unread:
            self.stdout.write(_("set aside: %(what)s") % {"what": unread_words(line)})
        for aside in fit.set_aside:
            where = {"line": aside.name, "farm": aside.farm, "why": set_aside_words(aside)}
            self.stdout.write(_("set aside: line %(line)s, %(farm)s: %(why)s") % where)
        for farm in _unused_farms(visits, fit):
            self.stdout.write(_("no visit to %(farm)s can be used") % {"farm": farm})
        if fit.in_another_unit:
            raise CommandError(
                _("%(file)s: most records have figures that do not fit minutes. Are they hours or seconds?")
                % {"file": history}
            )
        if not fit.visits:
            self.stdout.write(_("no past visit to learn from: the estimates are defaults, common practice"))
        for line in faults:
            self.stdout.write(_("not estimated: %(what)s") % {"what": unread_words(line)})
        answered = [row for row in asked if row.ask is not None]
        if not answered:
            raise CommandError(_("%(file)s holds no visit that can be estimated.") % {"file": ask})
        _write(out, asked, fit)
        self.stdout.write(
            ngettext("learned from %(count)s visit", "learned from %(count)s visits", fit.visits)
            % {"count": fit.visits}
        )
        self.stdout.write(
            ngettext("estimated %(count)s visit", "estimated %(count)s visits", len(answered))
            % {"count": len(answered)}
        )


def _date(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError as wrong:
        raise ArgumentTypeError(_("“%(text)s” is not a date like 2026-03-04") % {"text": text}) from wrong


def _read[T](path: Path, reader: Callable[[bytes], T]) -> T:
    try:
        return reader(path.read_bytes())
    except OSError as failure:
        raise CommandError(_("%(file)s cannot be read: %(why)s") % {"file": path, "why": failure.strerror}) from failure
    except BadFile as bad:
        raise CommandError(bad_file_words(bad, path)) from bad


def _unused_farms(visits: list[pace.PastVisit], fit: pace.Pace) -> list[str]:
    """Farms of which every record was set aside."""
    return sorted(farm for farm in Counter(visit.farm for visit in visits) if farm not in fit.farm_visits)


def _write(path: Path, rows: list[AskedRow], fit: pace.Pace) -> None:
    levels = [f"p{round(100 * level)}" for level in pace.LEVELS]
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow([*rows[0].cells, *levels])
            for row in rows:
                minutes = fit.estimate(row.ask).minutes if row.ask else ()
                writer.writerow([*row.cells.values(), *([f"{figure:.1f}" for figure in minutes] or [""] * len(levels))])
    except OSError as failure:
        raise CommandError(
            _("%(file)s cannot be written: %(why)s") % {"file": path, "why": failure.strerror}
        ) from failure
