"""Planning a week anew after something happened, moving as little as may be of what farms were told.

A told visit that moves has a price, by how far it moves; one that is not made at all costs far more (Spliet, Gabor,
Dekker 2014 charge a deviation from the published plan in the same way). The plan in force, mended, is the first
candidate, so that the answer is never worse.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from .difference import Difference, Moved, Visit, compare
from .insertion import Draft, Rounds, insert_all, mend, plan_of_draft, take_out
from .part import part_of
from .plan import Plan, Progress, Round
from .problem import Costs, Job, Key, Matrix, Moves, Number, Told, Week
from .relocating import relocate
from .rounds import evaluate
from .search import checked
from .solve import solve
from .totals import plan_of


@dataclass(frozen=True, kw_only=True)
class Cancelled:
    """The farm called off its job."""

    job: Key


@dataclass(frozen=True, kw_only=True)
class CrewDown:
    """The crew cannot go out that day."""

    crew: Key
    day: int


@dataclass(frozen=True, kw_only=True)
class Overran:
    """The job takes this much work in all, in minutes: it overran, or more head are penned than were named."""

    job: Key
    work: int


@dataclass(frozen=True, kw_only=True)
class NewJob:
    """A job more. out: minutes from each crew's base; to, back: minutes to and from each other job, in the week's
    order; home and metres as in Week, None where the week has none."""

    job: Job
    out: tuple[int, ...]
    to: tuple[int, ...]
    back: tuple[int, ...]
    home: tuple[int, ...] | None = None
    metres_out: tuple[int, ...] | None = None
    metres_home: tuple[int, ...] | None = None
    metres_to: tuple[int, ...] | None = None
    metres_back: tuple[int, ...] | None = None


_FEW = 12
_MOST_ORDERS = 120
_SHARE_OF_STEPS = 0.25

type Event = Cancelled | CrewDown | Overran | NewJob


@dataclass(frozen=True, kw_only=True)
class Replanned:
    """A week planned anew.

    week: as it is after what happened; plan: the new plan, its cost without any price of moving; difference: for the
    farms whose job still stands, from the hours told to the new ones. price: what the moves and cancellations of told
    visits were charged; leaving, leaving_price: cost and price of the plan in force, merely mended.
    """

    week: Week
    plan: Plan
    difference: Difference
    price: Number
    leaving: Number
    leaving_price: Number

    @property
    def moved(self) -> tuple[Moved, ...]:
        return self.difference.moved

    @property
    def added(self) -> tuple[Visit, ...]:
        return self.difference.added

    @property
    def dropped(self) -> tuple[Visit, ...]:
        return self.difference.dropped


def usual_moves(costs: Costs) -> Moves:
    """Prices of moving a told visit in proportion to a crew's going out: measured on the benchmark weeks, they keep
    nine of ten told visits for less than a hundredth more cost. Not coming at all costs as much as going out thirty
    times."""
    out = costs.crew_day or 60
    return Moves(hour=0.15 * out, crew=0.4 * out, day=0.6 * out, cancel=30 * out)


def happen(week: Week, event: Event) -> Week:
    """The week after one event."""
    if isinstance(event, Cancelled):
        left = [j for j, job in enumerate(week.jobs) if job.id != event.job]
        return part_of(week, range(len(week.crews)), left)
    if isinstance(event, CrewDown):
        crews = tuple(
            replace(crew, hours={day: span for day, span in crew.hours.items() if day != event.day})
            if crew.id == event.crew
            else crew
            for crew in week.crews
        )
        return replace(week, crews=crews)
    if isinstance(event, Overran):
        jobs = tuple(replace(job, work=event.work) if job.id == event.job else job for job in week.jobs)
        return replace(week, jobs=jobs)
    return _with(week, event)


def _with(week: Week, event: NewJob) -> Week:
    def by_crew(table: Matrix, column: tuple[int, ...]) -> Matrix:
        return tuple((*row, value) for row, value in zip(table, column, strict=True))

    def by_job(table: Matrix, to: tuple[int, ...], back: tuple[int, ...]) -> Matrix:
        return (*((*row, value) for row, value in zip(table, to, strict=True)), (*back, 0))

    def metres(table: Matrix | None, column: tuple[int, ...] | None) -> Matrix | None:
        return None if table is None or column is None else by_crew(table, column)

    known = week.metres_between is not None and event.metres_to is not None and event.metres_back is not None
    own_way_home = week.home is not None or event.home is not None
    return replace(
        week,
        jobs=(*week.jobs, event.job),
        out=by_crew(week.out, event.out),
        home=by_crew(week.way_home, event.home or event.out) if own_way_home else None,
        between=by_job(week.between, event.to, event.back),
        metres_out=metres(week.metres_out, event.metres_out),
        metres_home=metres(week.metres_home, event.metres_home),
        metres_between=by_job(week.metres_between or (), event.metres_to or (), event.metres_back or ())
        if known
        else None,
    )


def replan(
    week: Week,
    standing: Plan,
    events: Sequence[Event] = (),
    *,
    moves: Moves | None = None,
    seconds: float,
    effort: int | None = None,
    seed: int = 0,
    on_progress: Callable[[Progress], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> Replanned:
    """A plan after these events that moves little of `standing`, whose visits the farms were told.

    week: before the events; where it holds them already, none are given. A confirmed visit (`fixed`) never moves.
    moves: prices of moving (None: `usual_moves`). seconds, effort, seed, on_progress, stop: as in `solve`; the costs
    it hears of hold the prices. Counted in full, with the price of every move, the answer costs no more than the
    standing plan mended.
    """
    started = time.monotonic()
    for event in events:
        week = happen(week, event)
    told = tell(week, standing, moves or usual_moves(week.costs))
    mended = _mended(told, standing)

    def spent(share: float = 1.0) -> bool:
        return time.monotonic() - started > share * seconds or (stop is not None and stop())

    pool = Rounds(told)
    draft: Draft = {(made.crew, made.day): made.visits for made in mended.rounds}
    relocate(pool, draft, lambda: spent(_SHARE_OF_STEPS))
    start = plan_of_draft(pool, draft)
    found = solve(
        told,
        seconds=max(0.0, seconds - (time.monotonic() - started)),
        effort=effort,
        seed=seed,
        on_progress=on_progress,
        stop=stop,
        standing=start,
    )
    left, best = keep_hours(told, mended), keep_hours(told, found)
    if _in_full(told, left) <= _in_full(told, best):
        best = left
    plan, leaving = _plainly(week, told, best), _plainly(week, told, left)
    changed = compare(_still_standing(week, standing), plan, tolerance=told.moves.tolerance)
    return Replanned(
        week=week,
        plan=checked(week, plan),
        difference=changed,
        price=_in_full(told, best) - plan.cost,
        leaving=leaving.cost,
        leaving_price=_in_full(told, left) - leaving.cost,
    )


def tell(week: Week, standing: Plan, moves: Moves) -> Week:
    """The week with the visits of `standing` told to its farms, at these prices of moving; leaving a told job out
    costs `moves.cancel` more."""
    told: dict[Key, tuple[Told, ...]] = {}
    for made in standing.rounds:
        for stop in made.stops:
            told[stop.job] = (*told.get(stop.job, ()), Told(crew=made.crew, day=made.day, start=stop.start))
    jobs = tuple(
        replace(job, told=told[job.id], skip_cost=job.skip_cost + moves.cancel)
        if job.id in told and job.fixed is None
        else job
        for job in week.jobs
    )
    return replace(week, jobs=jobs, moves=moves)


def _in_full(told: Week, plan: Plan) -> Number:
    """The plan's cost with the price of every move, hours too."""
    return plan.cost + told.moves.hour * sum(_off_hours(told, made) for made in plan.rounds)


def _off_hours(told: Week, made: Round) -> int:
    """How many told visits keep their crew and day, but not their hour."""
    off = 0
    for stop in made.stops:
        starts = [t.start for t in told.job(stop.job).told if (t.crew, t.day) == (made.crew, made.day)]
        off += bool(starts) and min(abs(start - stop.start) for start in starts) > told.moves.tolerance
    return off


def _plainly(week: Week, told: Week, plan: Plan) -> Plan:
    """The plan at the cost people pay: without the prices of moving that are in the cost of its rounds."""
    rounds = []
    for made in plan.rounds:
        price: Number = 0
        for stop in made.stops:
            where = stop.work, made.crew, made.day
            price += told.visit_price(told.job(stop.job), *where) - week.visit_price(week.job(stop.job), *where)
        rounds.append(replace(made, cost=made.cost - price))
    return plan_of(week, rounds)


def _still_standing(week: Week, standing: Plan) -> Plan:
    """The told plan without the jobs that are no more."""
    rounds = (
        replace(made, stops=tuple(stop for stop in made.stops if stop.job in week.job_index))
        for made in standing.rounds
    )
    return replace(standing, rounds=tuple(made for made in rounds if made.stops))


def _mended(week: Week, standing: Plan) -> Plan:
    """What is still possible of the plan in force, with as few visits taken out as may be, and what is missing put
    where it is cheapest."""
    pool = Rounds(week)
    draft: Draft = {}
    times = Counter(stop.job for made in standing.rounds for stop in made.stops)
    for made in standing.rounds:
        stops = [stop for stop in made.stops if stop.job in week.job_index]
        # a job of one visit takes its work of now
        visits = tuple((s.job, week.job(s.job).work if times[s.job] == 1 else s.work) for s in stops)
        if visits and made.crew in week.crew_index:
            draft[made.crew, made.day] = visits
    for crew_day, visits in list(draft.items()):
        if pool.get(crew_day, visits) is None:
            kept = _most_kept(pool, crew_day, visits)
            if kept:
                draft[crew_day] = kept
            else:
                del draft[crew_day]
    mend(pool, draft)
    _make_room(pool, draft)
    return plan_of_draft(pool, draft)


def _most_kept(
    pool: Rounds, crew_day: tuple[Key, int], visits: tuple[tuple[Key, int], ...]
) -> tuple[tuple[Key, int], ...]:
    """The largest, and then the dearest to leave out, of the rounds that are left when visits are taken out."""
    week = pool.week
    for size in range(len(visits) - 1, 0, -1):
        rounds = [kept for kept in combinations(visits, size) if pool.get(crew_day, kept) is not None]
        if rounds:
            return max(rounds, key=lambda kept: sum(week.job(job).skip_cost for job, _ in kept))
        if len(visits) > _FEW:
            break
    return tuple(visit for visit in visits if week.job(visit[0]).fixed is not None)


def _make_room(pool: Rounds, draft: Draft) -> None:
    """Where a told visit fell out, let it push out what was not told, if that is cheaper (changed in place)."""
    week = pool.week
    done = {job for visits in draft.values() for job, _ in visits}
    for out in [job.id for job in week.jobs if job.told and job.id not in done]:
        best, cost = None, plan_of_draft(pool, draft).cost
        for other in sorted(done, key=week.job_index.__getitem__):
            if week.job(other).told or week.job(other).fixed is not None:
                continue
            tried = dict(draft)
            take_out(tried, {other})
            if any(pool.get(crew_day, visits) is None for crew_day, visits in tried.items()):
                continue
            insert_all(pool, tried, [out, other])
            if (now := plan_of_draft(pool, tried).cost) < cost:
                best, cost = tried, now
        if best is not None:
            draft.clear()
            draft.update(best)
            done = {job for visits in draft.values() for job, _ in visits}


def keep_hours(week: Week, plan: Plan) -> Plan:
    """The plan with the told hours kept where that costs less than moving them: each round with other hours, and its
    visits in another order. week: with told visits and their prices."""
    return plan_of(week, [_with_told_hours(week, made) for made in plan.rounds])


def _with_told_hours(week: Week, made: Round) -> Round:
    if not week.moves.hour or not _off_hours(week, made):
        return made
    at = [week.job_index[stop.job] for stop in made.stops]
    jobs = [replace(week.jobs[j], crews=None) for j in at]  # who else may does not matter here
    small = part_of(week, [week.crew_index[made.crew]], at, as_jobs=jobs)
    best, cost = made, made.cost + week.moves.hour * _off_hours(week, made)
    for order in _orders(small, made):
        kept = frozenset(
            job.id for job in small.jobs if any(t.day == made.day and t.crew == made.crew for t in job.told)
        )
        while kept:
            tried = evaluate(_narrowed(small, made, kept), made.crew, made.day, order)
            if isinstance(tried, Round):
                now = tried.cost + week.moves.hour * _off_hours(week, tried)
                if now < cost:
                    best, cost = tried, now
                break
            late = tried.job if tried.job in kept else next(iter(sorted(kept, key=str)))
            kept = kept - {late}
    return best


def _told_starts(small: Week, made: Round) -> dict[Key, int]:
    """The hours told for visits of this round that keep their crew and day."""
    return {
        job.id: min(t.start for t in here)
        for job in small.jobs
        if (here := [t for t in job.told if (t.crew, t.day) == (made.crew, made.day)])
    }


def _narrowed(small: Week, made: Round, kept: frozenset[Key]) -> Week:
    """These jobs may start no other minute than they were told, or near it."""
    work, starts = dict(made.visits), _told_starts(small, made)
    jobs = []
    for job in small.jobs:
        if job.id in kept:
            service = small.service(job, work[job.id])
            start = starts[job.id]
            first, last = start - small.moves.tolerance, start + small.moves.tolerance + service
            openings = tuple(
                (max(opened, first), min(closed, last))
                for opened, closed in job.windows.get(made.day, ())
                if max(opened, first) <= min(closed, last)
            )
            job = replace(job, windows={made.day: openings})
        jobs.append(job)
    return replace(small, jobs=tuple(jobs))


def _orders(small: Week, made: Round) -> list[tuple[tuple[Key, int], ...]]:
    """The round's own order, and the order told with what was not told in each place among it."""
    starts = _told_starts(small, made)
    orders = [tuple(sorted((v for v in made.visits if v[0] in starts), key=lambda v: starts[v[0]]))]
    for visit in made.visits:
        if visit[0] not in starts:
            orders = [(*order[:at], visit, *order[at:]) for order in orders for at in range(len(order) + 1)]
            if len(orders) > _MOST_ORDERS:
                break
    whole = [order for order in orders if len(order) == len(made.visits)][:_MOST_ORDERS]
    return [made.visits, *(order for order in whole if order != made.visits)]
