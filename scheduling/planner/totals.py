"""From rounds to a plan: what is done, split, late and left out, and the plan's cost."""

from __future__ import annotations

from collections.abc import Iterable

from .plan import Plan, Round
from .problem import Key, Number, Week


def parts_done(rounds: Iterable[Round]) -> dict[Key, list[tuple[int, int]]]:
    """{job: [(day, work), ...]} by day."""
    done: dict[Key, list[tuple[int, int]]] = {}
    for made in sorted(rounds, key=lambda r: r.day):
        for stop in made.stops:
            done.setdefault(stop.job, []).append((made.day, stop.work))
    return done


def plan_of(week: Week, rounds: Iterable[Round], bound: float | None = None) -> Plan:
    """The plan these rounds make; they must be a whole plan (each job done in full or not at all)."""
    kept = tuple(sorted((r for r in rounds if r.stops), key=lambda r: (r.day, week.crew_index[r.crew])))
    done = parts_done(kept)
    late: Number = 0
    for job_id, parts in done.items():
        late += week.job(job_id).late_cost * week.job(job_id).late_days(parts[-1][0])
    skipped = tuple(job.id for job in week.jobs if job.id not in done)
    return Plan(
        rounds=kept,
        skipped=skipped,
        rounds_cost=sum(r.cost for r in kept),
        late_cost=late,
        skip_cost=sum(week.job(job_id).skip_cost for job_id in skipped),
        bound=bound,
    )
