"""Planning as long work."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from django.utils.translation import gettext as _

from scheduling import pace_tasks, planner, question_tasks, road_tasks  # noqa: F401  (kinds of jobs of their own)
from scheduling.hearing import Hearing
from scheduling.models import ProposedWeek
from scheduling.services.arranging import held_week, read_held
from scheduling.services.loading import LoadedWeek, load_week
from scheduling.services.saving import save_plan, standing_plan
from trimmer.services.jobs import Save, Work, job_kind


@job_kind("plan_week")
def plan_week(work: Work) -> Save:
    """Plan the week of a job: read, compute outside any transaction, hand back what saves."""
    arguments = work.job.arguments
    proposed = ProposedWeek.objects.select_related("business", "follows").get(pk=arguments["week"])
    work.report(5, _("Reading requests, rechecks and standing arrangements"))
    loaded = load_week(
        business=proposed.business, monday=proposed.monday, today=dt.date.fromisoformat(arguments["today"])
    )
    plan, reasons = _solve(loaded, proposed, work, float(arguments["seconds"]), arguments.get("effort"))

    def save() -> dict[str, Any]:
        return save_plan(proposed=proposed, loaded=loaded, plan=plan, reasons=reasons)

    return save


def _solve(
    loaded: LoadedWeek, proposed: ProposedWeek, work: Work, seconds: float, effort: int | None
) -> tuple[planner.Plan | None, tuple[planner.LeftOut, ...]]:
    """The best plan that keeps what people hold, at its plain cost, and why what is not in it is left out."""
    if loaded.week is None:
        return None, ()
    pins, out = read_held(proposed.held)
    week = held_week(loaded.week, pins, out, solving=True)
    hearing = Hearing(work, seconds)
    found = planner.solve(
        week,
        seconds=seconds,
        effort=effort,
        on_progress=hearing.tell,
        stop=hearing.stop,
        standing=standing_plan(proposed.follows, week) if pins else None,
    )
    work.report(92, _("Finding out why farms were left out"))
    return found, planner.explain(
        replace(week, nights=found.nights),
        found,
        seconds=seconds,
        effort=effort,
        stop=hearing.stop,
        about=[job for job in found.skipped if job not in out],
    )
