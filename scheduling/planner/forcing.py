"""Making a plan hold a job, whatever it costs."""

from __future__ import annotations

from dataclasses import replace

from .change import with_job
from .problem import DAY_END, Job, Number, Week


def forced(week: Week, job: Job) -> Week:
    """The week where the job, no longer confirmed, is worth more than all that is not confirmed together."""
    dear = 1 + _most_alone(week, job) + sum(other.skip_cost for other in week.jobs if other.fixed is None)
    jobs = (
        other if other.fixed is None else replace(other, skip_cost=other.skip_cost + 2 * dear) for other in week.jobs
    )
    return with_job(replace(week, jobs=tuple(jobs)), replace(job, fixed=None, skip_cost=dear))


def _most_alone(week: Week, job: Job) -> Number:
    """More than the job costs by itself, on rounds of its own."""
    dearest = [week.costs_of(crew) for crew in week.crews]
    j = week.job_index[job.id]
    metres = max((row[j] for table in (week.metres_out, week.metres_home) for row in table or ()), default=0)
    a_round = max(c.crew_day + (c.drive + c.off_work) * DAY_END + 2 * c.metre * metres for c in dearest)
    moved = week.moves.day * max(1, len(job.told))
    return (a_round + moved) * max(1, week.rules.split_most) + job.late_cost * week.days
