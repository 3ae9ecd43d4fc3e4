"""A first plan by cheapest insertion, and mending a plan with holes: each job goes where it adds the least cost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from .plan import Infeasible, Plan, Round
from .problem import Job, Key, Number, Week
from .rounds import evaluate
from .totals import plan_of

type CrewDay = tuple[Key, int]
type Visits = tuple[tuple[Key, int], ...]


@dataclass
class Rounds:
    """Evaluated rounds of one week, each worked out once; the good ones are the pool a master may choose from."""

    week: Week
    known: dict[tuple[CrewDay, Visits], Round | None] = field(default_factory=dict)

    def get(self, crew_day: CrewDay, visits: Visits) -> Round | None:
        """The round, or None when it cannot be."""
        key = crew_day, visits
        if key not in self.known:
            made = evaluate(self.week, *crew_day, visits)
            self.known[key] = None if isinstance(made, Infeasible) else made
        return self.known[key]

    def cost(self, crew_day: CrewDay, visits: Visits) -> Number | None:
        """Cost of the round, 0 for none, None when it cannot be."""
        if not visits:
            return 0
        made = self.get(crew_day, visits)
        return None if made is None else made.cost


type Draft = dict[CrewDay, Visits]
"""A plan in the making: the visits of each crew-day that has any."""


def insert_all(pool: Rounds, draft: Draft, jobs: Iterable[Key], *, at_any_price: bool = False) -> list[Key]:
    """Put each job into `draft` (changed in place) where it is cheapest, in order; the jobs that found no place.

    at_any_price: also where that costs more than leaving the job out; two jobs may pay for a day that one does not.
    """
    left = []
    for job_id in jobs:
        job = pool.week.job(job_id)
        best = min(ways_in(pool, draft, job), key=lambda way: way[0], default=None)
        if best is None or (best[0] >= job.skip_cost and not at_any_price):
            left.append(job_id)
        else:
            draft.update(best[1])
    return left


def ways_in(pool: Rounds, draft: Draft, job: Job) -> Iterator[tuple[Number, Draft]]:
    """(added cost, changed rounds) for the job as a whole, and for splits when it may be split."""
    week = pool.week
    sizes = week.part_sizes(job)
    if job.work in sizes:
        for crew_day in week.crew_days():
            found = cheapest_place(pool, draft, crew_day, job, job.work)
            if found is not None:
                added, visits = found
                yield added + job.late_cost * job.late_days(crew_day[1]), {crew_day: visits}
    patterns = week.split_patterns(job)
    if patterns:
        places = {
            (crew_day, size): found
            for crew_day in week.crew_days()
            for size in sizes
            if (found := cheapest_place(pool, draft, crew_day, job, size)) is not None
        }
        for pattern in patterns:
            way = _split_way(job, pattern, places)
            if way is not None:
                yield way


def _split_way(
    job: Job, pattern: tuple[int, ...], places: dict[tuple[CrewDay, int], tuple[Number, Visits]]
) -> tuple[Number, Draft] | None:
    """The parts one after another, each on the day that is cheapest for it."""
    total: Number = 0
    changed: Draft = {}
    days: list[int] = []
    for size in pattern:
        free = [
            (found[0] + job.late_cost * job.late_days(crew_day[1]), index, crew_day, found[1])
            for index, ((crew_day, part), found) in enumerate(places.items())
            if part == size and crew_day not in changed and days.count(crew_day[1]) < job.crews_at_once
        ]
        if not free:
            return None
        added, _, crew_day, visits = min(free)
        total += added - job.late_cost * job.late_days(crew_day[1])
        changed[crew_day] = visits
        days.append(crew_day[1])
    return total + job.late_cost * job.late_days(max(days)), changed


def cheapest_place(pool: Rounds, draft: Draft, crew_day: CrewDay, job: Job, work: int) -> tuple[Number, Visits] | None:
    """(added cost, visits) with the visit put into this crew-day, or None."""
    crew_id, day = crew_day
    if not job.suits(day) or not pool.week.may(pool.week.crew(crew_id), job):
        return None
    visits = draft.get(crew_day, ())
    before = pool.cost(crew_day, visits)
    if before is None or any(there == job.id for there, _ in visits):
        return None
    best: tuple[Number, Visits] | None = None
    for place in range(len(visits) + 1):
        tried = (*visits[:place], (job.id, work), *visits[place:])
        cost = pool.cost(crew_day, tried)
        if cost is not None and (best is None or cost - before < best[0]):
            best = cost - before, tried
    return best


def dear_first(week: Week) -> list[Key]:
    """Jobs in the order to insert them: confirmed first, then by what leaving them out costs."""
    ordered = sorted(week.jobs, key=lambda job: (job.fixed is None, -job.skip_cost, -job.work, week.job_index[job.id]))
    return [job.id for job in ordered]


def mend(pool: Rounds, draft: Draft) -> None:
    """Make a whole plan of a draft with holes (changed in place): drop what cannot be, then insert what is missing."""
    while True:
        broken = [crew_day for crew_day, visits in draft.items() if pool.get(crew_day, visits) is None]
        for crew_day in broken:
            del draft[crew_day]
        halves = _half_done(pool.week, draft)
        if not broken and not halves:
            break
        take_out(draft, halves)
    done = {job for visits in draft.values() for job, _ in visits}
    insert_all(pool, draft, [job for job in dear_first(pool.week) if job not in done])


def _half_done(week: Week, draft: Draft) -> set[Key]:
    """Jobs whose visits do not make an allowed whole."""
    parts: dict[Key, list[tuple[int, int]]] = {}
    for (_, day), visits in draft.items():
        for job, work in visits:
            parts.setdefault(job, []).append((work, day))
    halves = set()
    for job, mine in parts.items():
        whole = tuple(sorted((work for work, _ in mine), reverse=True))
        days = [day for _, day in mine]
        crowded = any(days.count(day) > week.job(job).crews_at_once for day in days)
        if crowded or (whole != (week.job(job).work,) and whole not in week.split_patterns(week.job(job))):
            halves.add(job)
    return halves


def take_out(draft: Draft, jobs: set[Key]) -> None:
    """Remove the visits to these jobs (changed in place)."""
    for crew_day, visits in list(draft.items()):
        left = tuple(visit for visit in visits if visit[0] not in jobs)
        if left:
            draft[crew_day] = left
        else:
            del draft[crew_day]


def plan_of_draft(pool: Rounds, draft: Draft) -> Plan:
    """The plan of a whole draft."""
    made = [pool.get(crew_day, visits) for crew_day, visits in draft.items() if visits]
    return plan_of(pool.week, [r for r in made if r is not None])
