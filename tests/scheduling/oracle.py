"""The best plan of a tiny week by trying everything; and the cheapest hours of a round by trying every minute."""

import itertools
from collections.abc import Iterator, Sequence

from scheduling.planner import Infeasible, Job, Week, evaluate
from scheduling.planner.problem import Key, Number

type Placing = tuple[tuple[tuple[Key, int], int], ...]
"""((crew, day), work) of each visit to one job."""


def cheapest_cost(week: Week) -> Number:
    """Cost of the best plan, by trying every way to place, split or leave out each job, and every order of each
    round."""
    best = sum(job.skip_cost for job in week.jobs)
    rounds: dict[tuple[tuple[Key, int], frozenset[tuple[Key, int]]], Number | None] = {}
    for placings in itertools.product(*(list(_placings(week, job)) for job in week.jobs)):
        visits: dict[tuple[Key, int], list[tuple[Key, int]]] = {}
        cost: Number = 0
        for job, placing in zip(week.jobs, placings, strict=True):
            if not placing:
                cost += job.skip_cost
                continue
            cost += job.late_cost * job.late_days(max(day for (_, day), _ in placing))
            for crew_day, work in placing:
                visits.setdefault(crew_day, []).append((job.id, work))
        for crew_day, there in visits.items():
            key = crew_day, frozenset(there)
            if key not in rounds:
                rounds[key] = _cheapest_order(week, crew_day, there)
            found = rounds[key]
            if found is None:
                break
            cost += found
        else:
            best = min(best, cost)
    return best


def _placings(week: Week, job: Job) -> Iterator[Placing]:
    """Left out, whole on some crew-day, or each allowed split over different crew-days."""
    yield ()
    crew_days = week.crew_days()
    patterns = [(job.work,)] if job.longest_visit is None or job.longest_visit >= job.work else []
    for pattern in [*patterns, *week.split_patterns(job)]:
        for where in itertools.permutations(crew_days, len(pattern)):
            days = [day for _, day in where]
            if all(days.count(day) <= job.crews_at_once for day in days):
                yield tuple(zip(where, pattern, strict=True))


def _cheapest_order(week: Week, crew_day: tuple[Key, int], there: Sequence[tuple[Key, int]]) -> Number | None:
    made = (evaluate(week, *crew_day, order) for order in itertools.permutations(there))
    return min((r.cost for r in made if not isinstance(r, Infeasible)), default=None)


def cheapest_hours(week: Week, crew: Key, day: int, visits: Sequence[tuple[Key, int]]) -> Number | None:
    """Cost of the cheapest hours of a round, by trying every minute to leave and every place for lunch; None:
    impossible.

    Lunch may lie before leaving, after returning, or in the leg before or after any stop, where it starts as early
    as it may.
    """
    who, c = week.crew(crew), week.crew_index[crew]
    earliest, latest = who.hours[day]
    rules, costs = week.rules, week.costs
    at = [week.job_index[job] for job, _ in visits]
    jobs = [week.jobs[index] for index in at]
    service = [week.service(job, work) for job, (_, work) in zip(jobs, visits, strict=True)]
    drive = [week.out[c][at[0]], *(week.between[a][b] for a, b in itertools.pairwise(at)), week.way_home[c][at[-1]]]
    wash = [0, *(week.wash_between(a, b) for a, b in itertools.pairwise(jobs)), 0]
    best: Number | None = None
    for leave, lunch_leg in itertools.product(range(earliest, latest + 1), ["before", "after", *range(len(drive))]):
        if lunch_leg == "before" and leave < rules.lunch_from + rules.lunch:
            continue
        for openings in itertools.product(*(job.openings(day, long) for job, long in zip(jobs, service, strict=True))):
            back = _follow(
                leave, lunch_leg, openings, [0, *service], drive, wash, rules.lunch_from, rules.lunch_to, rules.lunch
            )
            if back is None or back > latest or back - leave > who.longest_day:
                continue
            if lunch_leg == "after" and back > rules.lunch_to:
                continue
            off_work = back - leave - sum(service) - (rules.lunch if isinstance(lunch_leg, int) else 0)
            cost = costs.crew_day + costs.drive * sum(drive) + costs.off_work * off_work
            best = cost if best is None else min(best, cost)
    return best


def _follow(
    leave: int,
    lunch_leg: object,
    openings: Sequence[tuple[int, int]],
    service: Sequence[int],
    drive: Sequence[int],
    wash: Sequence[int],
    lunch_from: int,
    lunch_to: int,
    lunch: int,
) -> int | None:
    """When the crew is back, or None when an opening or lunch is missed."""
    clock = leave
    for leg in range(len(drive)):
        arrive = clock + service[leg] + wash[leg] + drive[leg]
        if leg == lunch_leg:
            if clock > lunch_to:
                return None
            arrive = max(arrive, lunch_from) + lunch
        if leg < len(openings):
            first, last = openings[leg]
            if arrive > last:
                return None
            clock = max(arrive, first)
        else:
            clock = arrive
    return clock
