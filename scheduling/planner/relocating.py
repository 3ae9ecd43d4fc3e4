"""A plan made better by small steps: one visit to another place, or two visits in each other's place, the best such
step again and again. Quick where only little is wrong, as after a change to a plan in force."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator

from .insertion import CrewDay, Draft, Rounds, Visits, cheapest_place
from .problem import Job, Key, Number

_LEAST = 1e-6

type _Step = tuple[Number, Draft]
"""What a step adds to the cost, and the rounds it changes."""
type _Placed = tuple[CrewDay, tuple[Key, int], Job]


def relocate(pool: Rounds, draft: Draft, spent: Callable[[], bool]) -> None:
    """Take the best step while there is one (the draft is changed in place). Confirmed visits and the visits of split
    jobs stay."""
    while not spent():
        steps = (*_moves(pool, draft, spent), *_swaps(pool, draft, spent))
        best = min(steps, key=lambda step: step[0], default=None)
        if best is None or best[0] > -_LEAST:
            return
        draft.update(best[1])
        for crew_day in [at for at, visits in draft.items() if not visits]:
            del draft[crew_day]


def _movable(pool: Rounds, draft: Draft) -> list[_Placed]:
    times = Counter(job for visits in draft.values() for job, _ in visits)
    return [
        (at, visit, job)
        for at, visits in draft.items()
        for visit in visits
        if times[visit[0]] == 1 and (job := pool.week.job(visit[0])).fixed is None
    ]


def _without(draft: Draft, at: CrewDay, visit: tuple[Key, int]) -> Visits:
    return tuple(other for other in draft[at] if other != visit)


def _late(job: Job, crew_day: CrewDay) -> Number:
    return job.late_cost * job.late_days(crew_day[1])


def _moves(pool: Rounds, draft: Draft, spent: Callable[[], bool]) -> Iterator[_Step]:
    for at, visit, job in _movable(pool, draft):
        if spent():
            return
        rest = _without(draft, at, visit)
        saved, left = pool.cost(at, draft[at]), pool.cost(at, rest)
        if saved is None or left is None:
            continue
        without = {**draft, at: rest}
        for to in pool.week.crew_days():
            place = cheapest_place(pool, without, to, job, visit[1])
            if place is not None:
                added = left - saved + place[0] + _late(job, to) - _late(job, at)
                yield added, {at: rest, to: place[1]}


def _swaps(pool: Rounds, draft: Draft, spent: Callable[[], bool]) -> Iterator[_Step]:
    movable = _movable(pool, draft)
    for first, (at, visit, job) in enumerate(movable):
        if spent():
            return
        for to, other_visit, other in movable[first + 1 :]:
            if to != at and job.suits(to[1]) and other.suits(at[1]):
                here = _exchanged(pool, draft, at, visit, other, other_visit[1])
                there = here and _exchanged(pool, draft, to, other_visit, job, visit[1])
                if here and there:
                    late = _late(job, to) - _late(job, at) + _late(other, at) - _late(other, to)
                    yield here[0] + there[0] + late, {at: here[1], to: there[1]}


def _exchanged(
    pool: Rounds, draft: Draft, at: CrewDay, out: tuple[Key, int], new: Job, work: int
) -> tuple[Number, Visits] | None:
    """(added cost, visits) with another job's visit in place of `out`, where it is cheapest."""
    rest = _without(draft, at, out)
    before, left = pool.cost(at, draft[at]), pool.cost(at, rest)
    place = None if left is None else cheapest_place(pool, {at: rest}, at, new, work)
    if before is None or left is None or place is None:
        return None
    return left + place[0] - before, place[1]
