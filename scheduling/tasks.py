"""Planning as long work."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils.translation import gettext as _

from scheduling import planner
from scheduling.models import ProposedWeek
from scheduling.services.loading import LoadedWeek, load_week
from scheduling.services.saving import save_plan
from trimmer.services.jobs import Save, Work, job_kind


@job_kind("plan_week")
def plan_week(work: Work) -> Save:
    """Plan the week of a job: read, compute outside any transaction, hand back what saves."""
    arguments = work.job.arguments
    proposed = ProposedWeek.objects.select_related("business").get(pk=arguments["week"])
    work.report(5, _("Reading requests, rechecks and standing arrangements"))
    loaded = load_week(
        business=proposed.business, monday=proposed.monday, today=dt.date.fromisoformat(arguments["today"])
    )
    plan, reasons = _solve(loaded, work, seconds=float(arguments["seconds"]), effort=arguments.get("effort"))

    def save() -> dict[str, Any]:
        return save_plan(proposed=proposed, loaded=loaded, plan=plan, reasons=reasons)

    return save


def _solve(
    loaded: LoadedWeek, work: Work, *, seconds: float, effort: int | None
) -> tuple[planner.Plan | None, tuple[planner.LeftOut, ...]]:
    week = loaded.week
    if week is None:
        return None, ()
    last_told = -1.0

    def tell(progress: planner.Progress) -> None:
        nonlocal last_told
        if progress.seconds - last_told < 0.5:
            return
        last_told = progress.seconds
        stops = sum(len(made.stops) for made in progress.plan.rounds)
        text = _("%(stops)s visits placed, looking for better rounds") % {"stops": stops}
        work.report(10 + round(80 * min(1.0, progress.seconds / seconds)), text)

    plan = planner.solve(week, seconds=seconds, effort=effort, on_progress=tell)
    work.report(92, _("Finding out why farms were left out"))
    return plan, planner.left_out(week, plan)
