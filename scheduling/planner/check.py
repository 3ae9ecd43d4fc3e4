"""Every rule of a week once more, held against a finished plan by following its clock. Shares no code with what
makes plans.

A plan is shown to a person only when `check_plan` finds nothing.
"""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from .plan import Plan, Round, Stop
from .problem import Crew, Job, Key, Number, Week


@dataclass(frozen=True, kw_only=True)
class Breach:
    """A broken rule: its code, where, and the figures."""

    code: str
    crew: Key | None = None
    day: int | None = None
    job: Key | None = None
    params: Mapping[str, Any] = field(default_factory=dict)


def check_plan(week: Week, plan: Plan) -> tuple[Breach, ...]:
    """All rules the plan breaks, in a stable order; empty when it may be shown."""
    return (
        *(breach for made in plan.rounds for breach in _round_breaches(week, made)),
        *_crew_day_breaches(plan),
        *_night_breaches(week, plan),
        *_job_breaches(week, plan),
        *_cost_breaches(week, plan),
    )


def _same(a: Number, b: Number) -> bool:
    return abs(a - b) <= 1e-6 * max(1.0, abs(a), abs(b))


def _crew_day_breaches(plan: Plan) -> Iterator[Breach]:
    seen = set()
    for made in plan.rounds:
        if (made.crew, made.day) in seen:
            yield Breach(code="two-rounds", crew=made.crew, day=made.day)
        seen.add((made.crew, made.day))


def _night_breaches(week: Week, plan: Plan) -> Iterator[Breach]:
    """A night away is one the business pays for, between two days of work, and both rounds know of it."""
    crews = {crew.id: crew for crew in week.crews}
    evenings = {(made.crew, made.day): made.sleeps_near for made in plan.rounds}
    mornings = {(made.crew, made.day): made.slept_near for made in plan.rounds}
    for night in plan.nights:
        crew, after = crews.get(night.crew), (night.crew, night.day + 1)
        if crew is None or (crew.costs or week.costs).bed is None:
            yield Breach(code="no-bed", crew=night.crew, day=night.day)
        if evenings.get((night.crew, night.day)) is None or mornings.get(after) is None:
            yield Breach(code="night-without-a-round", crew=night.crew, day=night.day)
        if sum(other.crew == night.crew and abs(other.day - night.day) < 2 for other in plan.nights) != 1:
            yield Breach(code="nights-in-a-row", crew=night.crew, day=night.day)
    away = {(night.crew, night.day): night.near for night in (*week.nights, *plan.nights)}
    for made in plan.rounds:
        slept, sleeps = away.get((made.crew, made.day - 1)), away.get((made.crew, made.day))
        if (made.slept_near, made.sleeps_near) != (slept, sleeps):
            yield Breach(code="night-elsewhere", crew=made.crew, day=made.day)


def _round_breaches(week: Week, made: Round) -> Iterator[Breach]:
    crew = next((c for c in week.crews if c.id == made.crew), None)
    if crew is None or made.day not in crew.hours:
        yield Breach(code="crew-off", crew=made.crew, day=made.day)
        return
    known = {job.id: job for job in week.jobs}
    visited = [stop.job for stop in made.stops]
    unknown = [job for job in (*visited, made.slept_near, made.sleeps_near) if job is not None and job not in known]
    if unknown or not made.stops:
        yield Breach(code="unknown-job" if unknown else "empty-round", crew=made.crew, day=made.day)
        return
    jobs = [known[stop.job] for stop in made.stops]
    found = [*_who_and_when(week, crew, made, jobs), *_clock(week, made, jobs), *_day_limits(week, crew, made, jobs)]
    for code, job, params in found:
        yield Breach(code=code, crew=made.crew, day=made.day, job=job, params=params)


type _Found = tuple[str, Key | None, dict[str, Any]]


def _who_and_when(week: Week, crew: Crew, made: Round, jobs: list[Job]) -> Iterator[_Found]:
    if len({job.id for job in jobs}) < len(jobs):
        yield "visited-twice", None, {}
    for stop, job in zip(made.stops, jobs, strict=True):
        if job.crews is not None and crew.id not in job.crews:
            yield "not-for-crew", job.id, {}
        if job.chute_kind not in (None, crew.chute_kind):
            yield "wrong-chute", job.id, {}
        if made.day < job.earliest_day or (job.latest_day is not None and made.day > job.latest_day):
            yield "outside-dates", job.id, {}
        if job.fixed and (job.fixed.crew, job.fixed.day, job.fixed.start) != (crew.id, made.day, stop.start):
            yield "confirmed-visit-moved", job.id, {}
        # a lunch taken inside the work may carry its end past the opening
        done = stop.start + _at_farm(week, job, stop)
        if not any(opened <= stop.start and done <= closed for opened, closed in job.windows.get(made.day, ())):
            yield "outside-opening", job.id, {"start": stop.start, "end": stop.end}
        if job.longest_visit is not None and stop.work > job.longest_visit:
            yield "visit-too-long", job.id, {"work": stop.work}
        if job.last_of_day and stop is not made.stops[-1]:
            yield "not-last", job.id, {}


def _at_farm(week: Week, job: Job, stop: Stop) -> int:
    """Minutes a stop takes without lunch: setup, work, and each further pen of cows."""
    pens = 1 if not job.lock_up else (stop.work + job.lock_up - 1) // job.lock_up
    return job.setup + stop.work + week.rules.regroup * (pens - 1)


def _legs(week: Week, made: Round, jobs: list[Job]) -> list[tuple[int, int, int]]:
    """(washing, driving, metres) before each stop, and before base or bed."""
    c = [crew.id for crew in week.crews].index(made.crew)
    place = {job.id: index for index, job in enumerate(week.jobs)}
    at = [place[job.id] for job in jobs]
    between, metres_between = week.between, week.metres_between
    if made.slept_near is None:
        legs = [(0, week.out[c][at[0]], week.metres_out[c][at[0]] if week.metres_out else 0)]
    else:
        bed = place[made.slept_near]
        legs = [(0, between[bed][at[0]], metres_between[bed][at[0]] if metres_between else 0)]
    for worse, (i, j) in zip(jobs, itertools.pairwise(at), strict=False):
        wash = _washed_off(week, worse) if week.jobs[j].tier < worse.tier else 0
        legs.append((wash, between[i][j], metres_between[i][j] if metres_between else 0))
    if made.sleeps_near is None:
        home = week.out if week.home is None else week.home
        metres_home = week.metres_out if week.metres_home is None else week.metres_home
        legs.append((0, home[c][at[-1]], metres_home[c][at[-1]] if metres_home else 0))
    else:
        bed = place[made.sleeps_near]
        wash = _washed_off(week, jobs[-1]) if jobs[-1].tier > 0 else 0
        legs.append((wash, between[at[-1]][bed], metres_between[at[-1]][bed] if metres_between else 0))
    return legs


def _washed_off(week: Week, job: Job) -> int:
    return week.rules.wash if job.wash_after is None else job.wash_after


def _clock(week: Week, made: Round, jobs: list[Job]) -> Iterator[_Found]:
    """Follow the day minute by minute: leaving, each drive, each stop, lunch, the way back."""
    legs = _legs(week, made, jobs)
    free_from = made.leave  # when the crew can set off on the next leg, lunch not counted
    for place, (stop, job) in enumerate(zip(made.stops, jobs, strict=True)):
        wash, drive, _ = legs[place]
        lunch = _lunch_within(week, made, free_from, stop.arrive)
        if stop.arrive < free_from + wash + drive + lunch:
            yield "too-fast", job.id, {"arrive": stop.arrive}
        waits = _lunch_within(week, made, stop.arrive, stop.start)
        if stop.start < stop.arrive + waits:
            yield "starts-before-ready", job.id, {"start": stop.start}
        at_farm = _at_farm(week, job, stop)
        if stop.end != stop.start + at_farm + _lunch_within(week, made, stop.start, stop.end):
            yield "wrong-length", job.id, {"end": stop.end}
        free_from = stop.end
    wash, drive, _ = legs[-1]
    if made.back < free_from + wash + drive + _lunch_within(week, made, free_from, made.back):
        yield "too-fast", None, {"back": made.back}


def _lunch_within(week: Week, made: Round, begin: int, end: int) -> int:
    """Minutes of lunch taken in [begin, end); lunch counts where it starts."""
    eats = bool(week.rules.lunch) and made.lunch is not None and begin <= made.lunch < end
    return week.rules.lunch if eats else 0


def _day_limits(week: Week, crew: Crew, made: Round, jobs: list[Job]) -> Iterator[_Found]:
    rules = week.rules
    earliest, latest = crew.hours[made.day]
    if made.leave < earliest:
        yield "leaves-early", None, {"leave": made.leave}
    if made.back > latest:
        yield "back-late", None, {"back": made.back}
    longest = crew.longest_on.get(made.day, crew.longest_day)
    if made.back - made.leave > longest:
        yield "day-too-long", None, {"over": made.back - made.leave - longest}
    if rules.lunch and not _lunch_is_right(week, made):
        yield "no-lunch", None, {}
    if crew.most_head is not None:
        head = sum(
            (job.head * stop.work + job.work - 1) // job.work for job, stop in zip(jobs, made.stops, strict=True)
        )
        if head > crew.most_head:
            yield "too-many-head", None, {"head": head, "most": crew.most_head}
    share = rules.most_drive_share
    driven = sum(drive for _, drive, _ in _legs(week, made, jobs))
    due = any(job.fixed or (job.due_day is not None and job.due_day <= made.day) for job in jobs)
    if share is not None and not due and driven > share * sum(stop.work for stop in made.stops):
        yield "too-much-driving", None, {"drive": driven}


def _lunch_is_right(week: Week, made: Round) -> bool:
    """Lunch starts in its hours and does not straddle the leaving."""
    rules = week.rules
    if made.lunch is None or not rules.lunch_from <= made.lunch <= rules.lunch_to:
        return False
    return made.lunch >= made.leave or made.lunch + rules.lunch <= made.leave


def _job_breaches(week: Week, plan: Plan) -> Iterator[Breach]:
    visits: dict[Key, list[tuple[int, Key, int]]] = defaultdict(list)
    for made in plan.rounds:
        for stop in made.stops:
            visits[stop.job].append((made.day, made.crew, stop.work))
    for job in week.jobs:
        mine = visits.get(job.id, [])
        if bool(mine) == (job.id in plan.skipped):
            yield Breach(code="not-accounted-for", job=job.id)
        if mine:
            for code, params in _split_breaches(week, job, mine):
                yield Breach(code=code, job=job.id, params=params)


def _split_breaches(week: Week, job: Job, mine: list[tuple[int, Key, int]]) -> Iterator[tuple[str, dict[str, Any]]]:
    works = [work for _, _, work in mine]
    if sum(works) != job.work:
        yield "work-does-not-add-up", {"done": sum(works), "asked": job.work}
    days = [day for day, _, _ in mine]
    if any(days.count(day) > job.crews_at_once for day in days):
        yield "two-visits-in-a-day", {}
    if len(mine) > 1:
        rules = week.rules
        wrong = any(work < rules.split_least or work % rules.split_step for work in works)
        if not job.may_split or job.fixed or len(mine) > rules.split_most or wrong:
            yield "split-against-rules", {"parts": works}


def _cost_breaches(week: Week, plan: Plan) -> Iterator[Breach]:
    total: Number = 0
    for made in plan.rounds:
        if not _can_be_priced(week, made):
            return  # named already as an unknown crew, day or job
        cost = _round_cost(week, made)
        total += cost
        if not _same(cost, made.cost):
            yield Breach(code="wrong-cost", crew=made.crew, day=made.day, params={"cost": cost})
    for job in week.jobs:
        days = [made.day for made in plan.rounds for stop in made.stops if stop.job == job.id]
        if not days:
            total += job.skip_cost
        elif job.due_day is not None and max(days) > job.due_day:
            total += job.late_cost * (max(days) - job.due_day)
    if not _same(total, plan.cost):
        yield Breach(code="wrong-cost", params={"cost": total})


def _can_be_priced(week: Week, made: Round) -> bool:
    jobs = {job.id for job in week.jobs}
    named = {*(stop.job for stop in made.stops), *({made.slept_near, made.sleeps_near} - {None})}
    return bool(made.stops) and made.crew in {crew.id for crew in week.crews} and named <= jobs


def _round_cost(week: Week, made: Round) -> Number:
    """The price of a round from its own hours."""
    crew = next(c for c in week.crews if c.id == made.crew)
    prices = crew.costs or week.costs
    known = {job.id: job for job in week.jobs}
    jobs = [known[stop.job] for stop in made.stops]
    legs = _legs(week, made, jobs)
    worked = sum(_at_farm(week, job, stop) for job, stop in zip(jobs, made.stops, strict=True))
    out_for_lunch = week.rules.lunch if made.lunch is not None and made.leave <= made.lunch < made.back else 0
    off_work = made.back - made.leave - worked - out_for_lunch
    driven, metres = sum(drive for _, drive, _ in legs), sum(m for _, _, m in legs)
    moved = sum(_price_of_moving(week, job, stop.work, made) for job, stop in zip(jobs, made.stops, strict=True))
    bed = 0 if made.sleeps_near is None else prices.bed or 0
    on_the_way = prices.drive * driven + prices.off_work * off_work + prices.metre * metres
    return prices.crew_day + bed + on_the_way + moved


def _price_of_moving(week: Week, job: Job, work: int, made: Round) -> Number:
    """For a visit where the farm was told another: by how far it moves, and each told visit that one visit for all
    takes away."""
    if not job.told:
        return 0
    days = {told.day for told in job.told}
    here = {told.crew for told in job.told if told.day == made.day}
    price = 0 if made.crew in here else week.moves.crew if made.day in days else week.moves.day
    return price + (week.moves.day * (len(job.told) - 1) if work == job.work else 0)
