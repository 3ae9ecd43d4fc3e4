"""When can you come: the best openings for one job among rounds that stand, in one week or several.

Confirmed visits (`Job.fixed`) keep crew, day and hour. The other visits of a standing plan keep crew and day while the
new one finds a place beside them; where it does not, some make room, and the opening says which, and reckons what it
costs to put them elsewhere in their week or to leave them out.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from .difference import Visit, visits_of
from .insertion import CrewDay, Draft, Rounds, Visits, cheapest_place, insert_all, ways_in
from .plan import Plan, Round
from .problem import Job, Key, Number, Week
from .relocating import relocate

MOST_DISPLACED = 2
_REORDERED = 5
"""Rounds of at most so many visits are tried in every order."""
_LOOKED_AT = 3
"""So many more openings than asked for are looked at: others may do better once the rest of the week gives way."""
_EASING = 1500
"""Rounds worked out at most for one opening while the rest of the week gives way to it."""


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A place for the job.

    week: its place among the weeks asked. visits: one, or several where the job is split over days, each with its crew,
    day and minutes. extra: what the week costs more with it, in the money of its costs, with lateness and what becomes
    of those displaced. drive, metres: what the crews drive more. displaced: jobs of the standing plan that go to
    another crew or day, or out of the week, to make room. rounds: the rounds that change, with their hours.
    """

    week: int
    visits: tuple[Visit, ...]
    extra: Number
    drive: int
    metres: int
    displaced: tuple[Key, ...]
    rounds: tuple[Round, ...]

    @property
    def crew_days(self) -> tuple[CrewDay, ...]:
        return tuple((visit.crew, visit.day) for visit in self.visits)


def quote(
    weeks: Sequence[Week], job: Key, *, standing: Sequence[Plan | None] = (), most: int = 5
) -> tuple[Opening, ...]:
    """The best openings for a job, the cheapest first, at most one for each crew and day.

    Each week holds the job (with its own windows, dates and minutes) and all visits of its standing plan; without one,
    its confirmed jobs are all that stands. An opening splits the job only where no week has room for it in one visit.
    Raises ValueError for `most` below 1, and where a standing plan does not fit its week.
    """
    if most < 1:
        raise ValueError("ask for one opening at least")
    plans = [*standing, *(None for _ in range(len(weeks) - len(standing)))]
    pairs = enumerate(zip(weeks, plans, strict=True))
    asked = [_Asked(place, week, week.job(job), plan) for place, (week, plan) in pairs]
    found = [way for one in asked for way in one.whole()]
    found = found or [way for one in asked for way in one.split()]
    first = sorted(found, key=lambda way: _dearness(way.opening))[: most + _LOOKED_AT]
    best: dict[tuple[int, tuple[CrewDay, ...]], Opening] = {}
    for way in (*first, *(asked[way.opening.week].eased(way) for way in first)):
        key = way.opening.week, way.opening.crew_days
        if key not in best or _dearness(way.opening) < _dearness(best[key]):
            best[key] = way.opening
    return tuple(sorted(best.values(), key=_dearness)[:most])


def _dearness(opening: Opening) -> tuple[object, ...]:
    when = [(visit.day, str(visit.crew)) for visit in opening.visits]
    return opening.extra, len(opening.displaced), opening.week, when


@dataclass(frozen=True)
class _Way:
    """An opening, and the week's rounds with it."""

    opening: Opening
    draft: Draft


@dataclass
class _Asked:
    """One week with what stands in it."""

    place: int
    week: Week
    job: Job
    plan: Plan | None

    def __post_init__(self) -> None:
        self.pool = Rounds(self.week)
        self.draft: Draft = _confirmed(self.week) if self.plan is None else _stands(self.plan)
        for crew_day, visits in self.draft.items():
            if self.pool.get(crew_day, visits) is None:
                raise ValueError(f"the round of {crew_day} that stands cannot be driven in this week")

    def whole(self) -> Iterator[_Way]:
        """One visit: beside all that stands, or else where the fewest make room at the least cost."""
        if self.job.work not in self.week.part_sizes(self.job):
            return
        for crew_day in self.week.crew_days():
            found = cheapest_place(self.pool, self.draft, crew_day, self.job, self.job.work)
            if found is not None:
                yield self._way(self.draft | {crew_day: found[1]})
            elif (made := self._with_room(crew_day)) is not None:
                yield made

    def split(self) -> Iterator[_Way]:
        """Several visits, where the job is too long for one."""
        for _added, changed in ways_in(self.pool, self.draft, self.job):
            yield self._way(self.draft | changed)

    def eased(self, way: _Way) -> _Way:
        """The same once visits that are not confirmed give way to it, as long as the week gets cheaper by that."""
        draft, limit = dict(way.draft), len(self.pool.known) + _EASING
        relocate(self.pool, draft, lambda: len(self.pool.known) > limit)
        for crew_day, visits in draft.items():
            draft[crew_day] = self._in_the_best_order(crew_day, visits)
        return self._way(draft)

    def _in_the_best_order(self, crew_day: CrewDay, visits: Visits) -> Visits:
        if len(visits) > _REORDERED or visits == self.draft.get(crew_day):
            return visits
        costs = {order: self.pool.cost(crew_day, order) for order in itertools.permutations(visits)}
        return min((order for order, cost in costs.items() if cost is not None), key=lambda order: costs[order] or 0)

    def _with_room(self, crew_day: CrewDay) -> _Way | None:
        """The cheapest of the ways in which as few as possible of this crew-day make room."""
        here = self.draft.get(crew_day, ())
        soft = [visit for visit in here if self.week.job(visit[0]).fixed is None]
        for count in range(1, MOST_DISPLACED + 1):
            ways = [way for gone in itertools.combinations(soft, count) if (way := self._without(crew_day, here, gone))]
            if ways:
                return min(ways, key=lambda way: _dearness(way.opening))
        return None

    def _without(self, crew_day: CrewDay, here: Visits, gone: Iterable[tuple[Key, int]]) -> _Way | None:
        """With these visits of the crew-day put elsewhere, or left out where that is cheaper."""
        out = {name for name, _work in gone}
        if any(sum(visit[0] == name for visits in self.draft.values() for visit in visits) > 1 for name in out):
            return None  # one of several visits: the others would not be the whole job
        rest = tuple(visit for visit in here if visit[0] not in out)
        draft = {at: visits for at, visits in self.draft.items() if at != crew_day} | ({crew_day: rest} if rest else {})
        if rest and self.pool.get(crew_day, rest) is None:
            return None
        found = cheapest_place(self.pool, draft, crew_day, self.job, self.job.work)
        if found is None:
            return None
        draft[crew_day] = found[1]
        insert_all(self.pool, draft, sorted(out, key=str))
        return self._way(draft)

    def _way(self, draft: Draft) -> _Way:
        before, after = self._price(self.draft), self._price(draft)
        changed = {at for at in {*self.draft, *draft} if self.draft.get(at) != draft.get(at)}
        was = [made for at in changed if (made := self.pool.get(at, self.draft.get(at, ()))) is not None]
        new = [self.pool.get(at, visits) for at, visits in draft.items() if at in changed]
        now = sorted((one for one in new if one is not None), key=lambda one: (one.day, str(one.crew)))
        goes = {visit: crew_day for crew_day, visits in draft.items() for visit in visits}
        stood = [(name, work, at) for at, visits in self.draft.items() for name, work in visits]
        moved = {name for name, work, at in stood if goes.get((name, work)) != at}
        opening = Opening(
            week=self.place,
            visits=tuple(visit for visit in visits_of(now) if visit.job == self.job.id),
            extra=after - before,
            drive=sum(one.drive for one in now) - sum(one.drive for one in was),
            metres=sum(one.metres for one in now) - sum(one.metres for one in was),
            displaced=tuple(sorted(moved, key=str)),
            rounds=tuple(now),
        )
        return _Way(opening, draft)

    def _price(self, draft: Draft) -> Number:
        """What the week costs: rounds, lateness, and what is left out of the standing plan. The job is not priced where
        it is not done yet."""
        total: Number = 0
        last: dict[Key, int] = {}
        for crew_day, visits in draft.items():
            total += self.pool.cost(crew_day, visits) or 0
            for name, _work in visits:
                last[name] = max(crew_day[1], last.get(name, 0))
        jobs = [self.week.job(name) for name in last]
        total += sum(job.late_cost * job.late_days(last[job.id]) for job in jobs)
        out = {name for visits in self.draft.values() for name, _work in visits} - last.keys()
        return total + sum(self.week.job(name).skip_cost for name in out)


def _confirmed(week: Week) -> Draft:
    """The confirmed visits of each crew-day, by their hours."""
    days: dict[CrewDay, list[Job]] = {}
    for job in week.jobs:
        if job.fixed is not None:
            days.setdefault((job.fixed.crew, job.fixed.day), []).append(job)
    return {
        at: tuple((job.id, job.work) for job in sorted(jobs, key=lambda job: job.fixed.start if job.fixed else 0))
        for at, jobs in days.items()
    }


def _stands(plan: Plan) -> Draft:
    return {(made.crew, made.day): made.visits for made in plan.rounds}
