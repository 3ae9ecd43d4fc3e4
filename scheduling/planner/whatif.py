"""What if a visit were on another day: what the week would cost more, or which rule forbids it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from .change import with_job
from .difference import Difference, compare
from .explain import LeftOut, left_out
from .forcing import forced
from .plan import Plan
from .problem import Job, Key, Number, Week
from .search import checked
from .solve import solve
from .totals import plan_of


@dataclass(frozen=True, kw_only=True)
class WhyNot:
    """A job forced onto a day (and a crew, if one is named).

    refused: why it cannot be there (None: it can); then the rest is None. plan: the best plan found with it there;
    extra: what that costs more than the plan at hand, less than nothing when that one was not the best; difference:
    what else changes.
    """

    job: Key
    day: int
    crew: Key | None = None
    refused: LeftOut | None = None
    extra: Number | None = None
    plan: Plan | None = None
    difference: Difference | None = None


def why_not(
    week: Week,
    plan: Plan,
    job: Key,
    day: int,
    *,
    crew: Key | None = None,
    seconds: float,
    effort: int | None = None,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
) -> WhyNot:
    """Force all visits to the job onto that day and solve again from the plan at hand.

    seconds, effort, seed, stop: as in `solve`. A confirmed visit is taken as free to move within the farm's openings.
    """
    asked = forced(week, week.job(job))
    asked = _on_day(asked, asked.job(job), day, crew)
    found = solve(asked, seconds=seconds, effort=effort, seed=seed, stop=stop, standing=plan)
    if job in found.skipped:
        reason = next(reason for reason in left_out(asked, found) if reason.job == job)
        return WhyNot(job=job, day=day, crew=crew, refused=reason)
    free = with_job(week, replace(week.job(job), fixed=None))
    there = checked(free, plan_of(free, found.rounds))
    return WhyNot(
        job=job, day=day, crew=crew, extra=there.cost - plan.cost, plan=there, difference=compare(plan, there)
    )


def _on_day(week: Week, job: Job, day: int, crew: Key | None) -> Week:
    """The week where the job has no other day, nor crew if one is named."""
    only = replace(job, windows={day: tuple(job.windows[day])} if job.windows.get(day) else {})
    if crew is not None:
        allowed = job.crews is None or crew in job.crews
        only = replace(only, crews=frozenset({crew} if allowed else ()))
    return with_job(week, only)
