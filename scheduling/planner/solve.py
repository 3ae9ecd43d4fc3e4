"""Planning a week: a first plan at once, better ones until the effort is spent or none can be cheaper."""

from __future__ import annotations

import time
from collections.abc import Callable

from .improving import Improver
from .insertion import Draft, Rounds, dear_first, insert_all, mend, plan_of_draft
from .plan import Plan, Progress
from .problem import Week
from .search import Search, UnsoundPlan, checked
from .totals import plan_of
from .warm import warm

__all__ = ["UnsoundPlan", "checked", "solve"]


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
    than keeping it. The plan returned has passed the checker.
    """
    warm()  # where the inner loops must be compiled first, that is no part of the seconds
    started = time.monotonic()
    pool = Rounds(week)
    search = Search(week, started, seconds, effort, on_progress, stop, checked(week, plan_of(week, ())))
    if standing is not None:
        search.offer(_kept(week, pool, standing), "standing")
    draft: Draft = {}
    insert_all(pool, draft, dear_first(week))
    search.offer(plan_of_draft(pool, draft), "first")
    Improver(search, pool, seed).run()
    return search.answer()


def _kept(week: Week, pool: Rounds, standing: Plan) -> Plan:
    """What is still possible of the standing plan, its holes mended."""
    draft: Draft = {}
    for made in standing.rounds:
        visits = tuple((job, work) for job, work in made.visits if job in week.job_index)
        if made.crew in week.crew_index and visits:
            draft[made.crew, made.day] = visits
    mend(pool, draft)
    return plan_of_draft(pool, draft)
