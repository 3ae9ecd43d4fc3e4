"""Plan a week that is a file, and say what the plan costs and how far it can be from the best."""

from __future__ import annotations

import json
import time
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management import BaseCommand, CommandError
from django.utils.translation import gettext as _

from scheduling import planner


class Command(BaseCommand):
    help = "Plan the week in a file (format: scheduling/planner/weekfile.py). Needs no database."
    requires_system_checks = ()
    requires_migrations_checks = False

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("problem", type=Path, help="the week, as JSON")
        parser.add_argument("--seconds", type=float, default=10, help="most time to spend; default: 10")
        parser.add_argument("--seed", type=int, default=0)
        parser.add_argument("--effort", type=int, help="limit in steps of search, for a repeatable plan")
        parser.add_argument("--plan", type=Path, help="file to write the plan to, as JSON")
        parser.add_argument("--bound", action="store_true", help="say also what no plan can be cheaper than")

    def handle(
        self,
        *args: Any,
        problem: Path,
        seconds: float,
        seed: int,
        effort: int | None,
        plan: Path | None,
        bound: bool,
        **options: Any,
    ) -> None:
        week = _read(problem)
        for reason in planner.hopeless(week):
            self.stdout.write(_cannot_be_done(reason))
        started = time.monotonic()
        found = planner.solve(week, seconds=seconds, seed=seed, effort=effort)
        spent = time.monotonic() - started
        self.stdout.write(f"cost {_amount(found.cost)}")
        if bound and found.bound is not None and found.gap is not None:
            self.stdout.write(f"bound {_amount(found.bound)}\ngap {100 * found.gap:.2f} %")
        elif bound:
            self.stdout.write("bound unknown\ngap unknown")
        self.stdout.write(f"left out {len(found.skipped)}\nseconds {spent:.2f}")
        if plan is not None:
            try:
                plan.write_text(json.dumps(found.as_file()) + "\n", encoding="utf-8")
            except OSError as failure:
                raise CommandError(_("The plan cannot be written: %(why)s") % {"why": failure.strerror}) from failure


def _cannot_be_done(reason: planner.LeftOut) -> str:
    """One sentence for a job no plan can hold."""
    why = {
        "no-day-suits": _("no day of the week suits"),
        "no-crew": _("no crew may do it"),
        "wrong-chute": _("no crew has the chute it needs"),
        "no-crew-that-day": _("nobody who could do it works on the days that suit"),
        "confirmed-crew-off": _("its crew does not work on the day it is fixed to"),
        "window-short": _("a visit takes %(service)s minutes, longer than the farm is open at a stretch"),
        "too-many-head": _("it has %(head)s head, and no crew treats more than %(most)s in a day"),
        "too-much-driving": _("the way there takes %(drive)s minutes, out of proportion to the work"),
        "too-long": _("even alone it passes the longest day or the hours of a crew by %(over)s minutes"),
    }[reason.code]
    return _("job %(job)s cannot be done: %(why)s.") % {"job": reason.job, "why": why % dict(reason.params)}


def _read(path: Path) -> planner.Week:
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError as wrong:
        raise CommandError(_("%(file)s does not hold JSON text.") % {"file": path}) from wrong
    except OSError as failure:
        raise CommandError(_("%(file)s cannot be read: %(why)s") % {"file": path, "why": failure.strerror}) from failure
    try:
        return planner.read_week(json.loads(text))
    except json.JSONDecodeError as wrong:
        raise CommandError(
            _("%(file)s does not hold JSON text: line %(line)s is wrong.") % {"file": path, "line": wrong.lineno}
        ) from wrong
    except planner.BadWeek as bad:
        raise CommandError(str(bad)) from bad


def _amount(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")
