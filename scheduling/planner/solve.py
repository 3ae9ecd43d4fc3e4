"""Planning a week: a first plan at once, better ones until the effort is spent or none can be cheaper."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from .check import check_plan
from .improving import Improver
from .insertion import Draft, Rounds, dear_first, insert_all, mend, plan_of_draft
from .nights import nights_to_try, stay_away
from .plan import Plan, Progress
from .problem import BadWeek, Week
from .search import Search, UnsoundPlan, checked
from .totals import plan_of
from .warm import warm

__all__ = ["UnsoundPlan", "checked", "solve"]

_SHARE_WITHOUT_NIGHTS = 0.6


def solve(
    week: Week,
    *,
    seconds: float,
    seed: int = 0,
    effort: int | None = None,
    on_progress: Callable[[Progress], None] | None = None,
    stop: Callable[[], bool] | None = None,
    standing: Plan | None = None,
) -> Plan:
    """The best plan found for the week.

    seconds: the most wall-clock time. effort: a limit in steps of search as well; when it is reached before the
    clock, the same week, seed and effort give the same plan on any machine. on_progress hears of each stage, stop
    ends early with the best so far. standing: a plan in force, whose rounds stay on offer; the answer is never worse
    than keeping it. The plan returned has passed the checker. Where crews may stay a night away, part of the time goes
    to trying that, and the plan tells no bound.
    """
    warm()  # where the inner loops must be compiled first, that is no part of the seconds
    started = time.monotonic()
    pool = Rounds(week)
    tries = nights_to_try(week)
    share = _SHARE_WITHOUT_NIGHTS if tries else 1.0
    search = Search(week, started, share * seconds, effort, on_progress, stop, checked(week, plan_of(week, ())))
    search.telling = not tries
    if standing is not None:
        search.offer(_kept(week, pool, standing), "standing")
    draft: Draft = {}
    insert_all(pool, draft, dear_first(week))
    search.offer(plan_of_draft(pool, draft), "first")
    Improver(search, pool, seed).run()
    if not tries:
        return search.answer()

    def left() -> float:
        return 0.0 if stop is not None and stop() else seconds - (time.monotonic() - started)

    def plan_with(tried: Week, before: Plan, most: float) -> Plan:
        return solve(tried, seconds=most, seed=seed, effort=effort, stop=stop, standing=before)

    search.best = _kept_away(week, search.best, standing)
    search.offer(stay_away(week, search.best, tries, plan_with, left), "night away")
    return search.answer()


def _kept_away(week: Week, plan: Plan, standing: Plan | None) -> Plan:
    """The standing plan with its nights away, when that is still possible and cheaper than `plan`."""
    if standing is None or not standing.nights:
        return plan
    try:
        with_nights = replace(week, nights=standing.nights)
    except BadWeek:  # a crew or a farm of a night is not there any more
        return plan
    kept = replace(_kept(with_nights, Rounds(with_nights), standing), nights=standing.nights)
    return kept if kept.cost < plan.cost and not check_plan(week, kept) else plan


def _kept(week: Week, pool: Rounds, standing: Plan) -> Plan:
    """What is still possible of the standing plan, its holes mended."""
    draft: Draft = {}
    for made in standing.rounds:
        visits = tuple((job, work) for job, work in made.visits if job in week.job_index)
        if made.crew in week.crew_index and visits:
            draft[made.crew, made.day] = visits
    mend(pool, draft)
    return plan_of_draft(pool, draft)
