"""The smallest single change to a week that lets a left-out job in, confirmed by solving the week with it.

Candidates come cheaply, from putting the job into the plan's rounds under the changed rule, at most one other visit
making room; each is then held against a solution of the whole changed week, and counts only if the job is in it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

from .change import Change, ChangeKind, apply, burden
from .difference import Visit, visits_of
from .forcing import forced
from .insertion import CrewDay, Draft, Rounds, Visits, cheapest_place, plan_of_draft, ways_in
from .plan import Plan, Round
from .problem import Job, Key, Number, Week
from .solve import solve
from .totals import plan_of

STEP = 5
SMALL, MOST = 60, 240
"""Minutes: changes are whole steps; up to SMALL before other kinds are tried, and never more than MOST."""

_LONGER = (ChangeKind.LONGER_DAY, ChangeKind.BACK_LATER, ChangeKind.LEAVE_EARLIER)
_WIDER = (ChangeKind.OPEN_EARLIER, ChangeKind.OPEN_LATER)


@dataclass(frozen=True, kw_only=True)
class Suggestion:
    """A change with which the best plan found holds the job.

    visits: to the job, in that plan; extra: what that plan costs more than the one at hand, leaving the job out not
    counted; displaced: jobs done before that would be left out instead; brought_in: other left-out jobs that come in
    as well.
    """

    change: Change
    visits: tuple[Visit, ...]
    extra: Number
    displaced: tuple[Key, ...] = ()
    brought_in: tuple[Key, ...] = ()


@dataclass
class Varied(Rounds):
    """Rounds of a changed week; those the change does not touch are taken from the week as it was."""

    base: Rounds | None = None
    touched: Callable[[CrewDay, Visits], bool] = field(default=lambda crew_day, visits: True)

    def get(self, crew_day: CrewDay, visits: Visits) -> Round | None:
        if self.base is not None and not self.touched(crew_day, visits):
            return self.base.get(crew_day, visits)
        return super().get(crew_day, visits)


def varied(base: Rounds, week: Week, change: Change) -> Rounds:
    """The rounds of the changed week."""
    if change.job is None:
        at = change.crew, change.day
        return Varied(week, base=base, touched=lambda crew_day, visits: crew_day == at)
    return Varied(week, base=base, touched=lambda crew_day, visits: any(job == change.job for job, _ in visits))


def worthwhile_way(pool: Rounds, draft: Draft, job: Job) -> Draft | None:
    """The draft with the job put in for less than leaving it out costs: where it is cheapest as the rounds are, or
    else where another visit makes room and goes where that one is cheapest. None: neither."""
    way = min(ways_in(pool, draft, job), key=lambda found: found[0], default=None)
    if way is not None and way[0] < job.skip_cost:
        return draft | way[1]
    return next(_exchanges(pool, draft, job), None)


def _exchanges(pool: Rounds, draft: Draft, job: Job) -> Iterator[Draft]:
    week = pool.week
    counts: dict[Key, int] = {}
    for visits in draft.values():
        for name, _ in visits:
            counts[name] = counts.get(name, 0) + 1
    for crew_day in week.crew_days():
        if not job.suits(crew_day[1]) or not week.may(week.crew(crew_day[0]), job):
            continue
        here = draft.get(crew_day, ())
        before = pool.cost(crew_day, here)
        for out in here:
            other = week.job(out[0])
            rest = tuple(visit for visit in here if visit != out)
            if other.fixed is not None or counts[other.id] > 1 or before is None or pool.cost(crew_day, rest) is None:
                continue
            without = {at: visits for at, visits in draft.items() if at != crew_day} | (
                {crew_day: rest} if rest else {}
            )
            place = cheapest_place(pool, without, crew_day, job, job.work)
            if place is None:
                continue
            spent = place[0] + (pool.cost(crew_day, rest) or 0) - before
            spent += job.late_cost * job.late_days(crew_day[1]) - other.late_cost * other.late_days(crew_day[1])
            back = min(ways_in(pool, without | {crew_day: place[1]}, other), key=lambda found: found[0], default=None)
            if back is not None and spent + back[0] < job.skip_cost:
                yield without | {crew_day: place[1]} | back[1]


class LettingIn:
    """The search for one job. `out_of_time` tells that it ended before every candidate was tried."""

    def __init__(
        self,
        week: Week,
        plan: Plan,
        pool: Rounds,
        job: Job,
        *,
        seconds: float,
        effort: int | None,
        seed: int,
        stop: Callable[[], bool] | None,
    ) -> None:
        self.week, self.plan, self.pool, self.job = week, plan, pool, job
        self.until = time.monotonic() + seconds
        self.seconds, self.effort, self.seed, self.stop = seconds, effort, seed, stop
        self.draft: Draft = {(made.crew, made.day): made.visits for made in plan.rounds}
        self.start = plan
        """Rounds to solve on from where the job is not put into the plan at hand."""
        self.out_of_time = False

    def run(self, *, price_first: bool) -> Suggestion | None:
        """The smallest change; one that displaces another job only when none does not. price_first: where nothing but
        its price keeps the job out, its due day and its price are asked about before anything else."""
        fallback: Suggestion | None = None
        for change in self._candidates(price_first):
            found = self._confirmed(change)
            if found is not None and not found.displaced:
                return self._tightened(found)
            fallback = fallback or found
            if self._late():
                break
        return fallback

    def _late(self) -> bool:
        self.out_of_time |= time.monotonic() >= self.until or (self.stop is not None and self.stop())
        return self.out_of_time

    def _candidates(self, price_first: bool) -> Iterator[Change]:
        """From the smallest to the largest."""
        if price_first:
            yield from filter(self._admits, self._due_later())
            yield from self._price()
        yield from self._minutes(0, SMALL)
        for others in (self._split, self._days):
            yield from sorted(filter(self._admits, others()), key=burden)
        yield from self._minutes(SMALL, MOST)
        for others in (self._days_off, self._confirmed_visits, self._who):
            yield from sorted(filter(self._admits, others()), key=burden)
        if not price_first:
            yield from self._price()

    def _admits(self, change: Change) -> bool:
        return not self._late() and self._way(change) is not None

    def _way(self, change: Change) -> Draft | None:
        """The plan's rounds with the job in them after the change."""
        changed = apply(self.week, change)
        return worthwhile_way(varied(self.pool, changed, change), self.draft, changed.job(self.job.id))

    def _confirmed(self, change: Change) -> Suggestion | None:
        """The change's suggestion, if the whole week solved with it holds the job."""
        if self._late():
            return None
        changed, way = apply(self.week, change), self._way(change)
        start = self.start if way is None else plan_of_draft(Rounds(changed), way)
        left = self.until - time.monotonic()
        found = solve(
            changed,
            seconds=max(0.0, min(left, max(self.seconds / 3, left / 2))),
            effort=self.effort,
            seed=self.seed,
            stop=self.stop,
            standing=start,
        )
        if self.job.id in found.skipped:
            return None
        return Suggestion(
            change=change,
            visits=tuple(visit for visit in visits_of(found.rounds) if visit.job == self.job.id),
            extra=found.cost - (self.plan.cost - self.job.skip_cost),
            displaced=tuple(job for job in found.skipped if job not in self.plan.skipped),
            brought_in=tuple(job for job in self.plan.skipped if job not in found.skipped and job != self.job.id),
        )

    def _tightened(self, found: Suggestion) -> Suggestion:
        """With fewer minutes, if the whole week solved anew still holds the job, as more than one visit makes room."""
        low, high = 0, found.change.minutes // STEP
        while high - low > 1 and not self._late():
            middle = (low + high) // 2
            less = self._confirmed(replace(found.change, minutes=middle * STEP))
            if less is None or less.displaced:
                low = middle
            else:
                high, found = middle, less
        return found

    def _minutes(self, above: int, most: int) -> Iterator[Change]:
        """Crew-days longer and openings wider, each by the fewest minutes that admit the job: more than `above`, at
        most `most`."""
        found: dict[tuple[Key | None, Key | None, int | None, int], Change] = {}
        for change in (*self._longer_days(), *self._wider_openings()):
            where = change.job, change.crew, change.day, change.opening
            minutes = self._fewest(change, above, most)
            if minutes is not None and (where not in found or minutes < found[where].minutes):
                found[where] = replace(change, minutes=minutes)
        yield from sorted(found.values(), key=burden)

    def _fewest(self, change: Change, above: int, most: int) -> int | None:
        """The fewest minutes by halving, as more minutes never do harm; None: not even `most`."""
        if above and self._admits(replace(change, minutes=above)):
            return None  # proposed before
        low, high = above // STEP, most // STEP
        if not self._admits(replace(change, minutes=most)):
            return None
        while high - low > 1:
            middle = (low + high) // 2
            if self._admits(replace(change, minutes=middle * STEP)):
                high = middle
            else:
                low = middle
        return high * STEP

    def _longer_days(self) -> Iterator[Change]:
        for crew, day in self.week.crew_days():
            for kind in _LONGER:
                yield Change(kind=kind, crew=crew, day=day)

    def _wider_openings(self) -> Iterator[Change]:
        for day in range(self.week.days):
            if self.job.suits(day):
                for opening in range(len(self.job.windows[day])):
                    for kind in _WIDER:
                        yield Change(kind=kind, job=self.job.id, day=day, opening=opening)

    def _split(self) -> Iterator[Change]:
        if not self.job.may_split and self.job.fixed is None:
            change = Change(kind=ChangeKind.SPLIT, job=self.job.id)
            changed = apply(self.week, change)
            if changed.split_patterns(changed.job(self.job.id)):
                yield change

    def _days(self) -> Iterator[Change]:
        job = self.job
        for day in range(self.week.days):
            if job.suits(day) or job.fixed is not None:
                continue
            if not job.windows.get(day):
                kind = ChangeKind.DAY_SUITS
            else:
                kind = ChangeKind.EARLIER_DAY if day < job.earliest_day else ChangeKind.LATER_DAY
            yield Change(kind=kind, job=job.id, day=day)
        yield from self._due_later()

    def _due_later(self) -> Iterator[Change]:
        job = self.job
        if job.late_cost and job.due_day is not None:
            for day in range(max(0, job.due_day + 1), self.week.days):
                yield Change(kind=ChangeKind.DUE_LATER, job=job.id, day=day)

    def _days_off(self) -> Iterator[Change]:
        for crew in self.week.crews:
            for day in range(self.week.days):
                if crew.hours and day not in crew.hours:
                    yield Change(kind=ChangeKind.CREW_GOES_OUT, crew=crew.id, day=day)

    def _confirmed_visits(self) -> Iterator[Change]:
        for kind in (ChangeKind.OTHER_HOUR, ChangeKind.OTHER_DAY):
            for job in self.week.jobs:
                if job.fixed is not None and job.id != self.job.id:
                    yield Change(kind=kind, job=job.id)

    def _who(self) -> Iterator[Change]:
        if self.job.chute_kind is not None:
            yield Change(kind=ChangeKind.ANY_CHUTE, job=self.job.id)
        if self.job.crews is not None:
            yield Change(kind=ChangeKind.ANY_CREW, job=self.job.id)

    def _price(self) -> Iterator[Change]:
        """What leaving it out must cost for it to be in: more than the best plan with it costs above the one at
        hand."""
        if self._late():
            return
        left = self.until - time.monotonic()
        must = forced(self.week, self.job)
        self.start = solve(
            must, seconds=left / 2, effort=self.effort, seed=self.seed, stop=self.stop, standing=self.plan
        )
        if self.job.id not in self.start.skipped:
            extra = plan_of(self.week, self.start.rounds).cost - (self.plan.cost - self.job.skip_cost)
            enough = max(int(extra), int(self.job.skip_cost)) + 1
            yield Change(kind=ChangeKind.WORTH_MORE, job=self.job.id, amount=_rounded_up(enough))


def _rounded_up(amount: int) -> int:
    """To two digits: a figure people say, and not one that a plan just beats."""
    unit = int(10 ** max(0, len(str(amount)) - 2))
    return -(-amount // unit) * unit
