"""What if a visit were on another day: what the week would cost more, or which rule forbids it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from .change import with_job
from .difference import Difference, compare
from .explain import LeftOut, left_out
from .plan import Plan
from .problem import DAY_END, Job, Key, Number, Week
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
    forced = _forced(week, week.job(job), day, crew)
    found = solve(forced, seconds=seconds, effort=effort, seed=seed, stop=stop, standing=plan)
    if job in found.skipped:
        reason = next(reason for reason in left_out(forced, found) if reason.job == job)
        return WhyNot(job=job, day=day, crew=crew, refused=reason)
    free = with_job(week, replace(week.job(job), fixed=None))
    there = checked(free, plan_of(free, found.rounds))
    return WhyNot(
        job=job, day=day, crew=crew, extra=there.cost - plan.cost, plan=there, difference=compare(plan, there)
    )


def _forced(week: Week, job: Job, day: int, crew: Key | None) -> Week:
    """The week where the job has no other day and is worth more than all that is not confirmed together."""
    openings = {day: tuple(job.windows[day])} if job.windows.get(day) else {}
    dear = 1 + _most_alone(week, job) + sum(other.skip_cost for other in week.jobs if other.fixed is None)
    only = replace(job, windows=openings, fixed=None, skip_cost=dear)
    if crew is not None:
        allowed = job.crews is None or crew in job.crews
        only = replace(only, crews=frozenset({crew} if allowed else ()))
    jobs = (
        other if other.fixed is None or other.id == job.id else replace(other, skip_cost=other.skip_cost + 2 * dear)
        for other in week.jobs
    )
    return with_job(replace(week, jobs=tuple(jobs)), only)


def _most_alone(week: Week, job: Job) -> Number:
    """More than the job costs by itself, on rounds of its own."""
    dearest = [week.costs_of(crew) for crew in week.crews]
    j = week.job_index[job.id]
    metres = max((row[j] for table in (week.metres_out, week.metres_home) for row in table or ()), default=0)
    a_round = max(c.crew_day + (c.drive + c.off_work) * DAY_END + 2 * c.metre * metres for c in dearest)
    moved = week.moves.day * max(1, len(job.told))
    return (a_round + moved) * max(1, week.rules.split_most) + job.late_cost * week.days
