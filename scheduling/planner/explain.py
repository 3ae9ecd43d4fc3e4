"""Why a job was left out of a plan, found by trying: a code and figures; the sentence is made where people read it."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from .change import with_job
from .insertion import CrewDay, Draft, Rounds, Visits, ways_in
from .letting_in import LettingIn, Suggestion
from .nearest import Nearest, misses, nearest_of
from .nights import nights_to_try
from .plan import Infeasible, Plan
from .problem import Job, Key, Number, Week
from .rounds import evaluate

_NEAR = 120
"""Minutes: what lacks no more than that says more than what would have to go."""

_NOT_MINUTES = ("window-short", "too-many-head", "too-much-driving")
_WHO = ("crew-off", "not-for-crew", "wrong-chute", "day-does-not-suit", "confirmed-elsewhere")


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """Why a job is not in the week. Codes and their params:

    no-day-suits: no opening on a day of this week. no-crew: no crew may do it. wrong-chute (chute_kind): no crew has
    that chute. no-crew-that-day: whoever may do it is off on the days that suit. confirmed-crew-off (crew, day): the
    confirmed crew does not work then. window-short (crew, day, service): longer than any opening.
    too-many-head (crew, day, head, most): more head than a crew treats in a day. too-much-driving (crew, day, drive):
    out of proportion to the work. too-long (crew, day, over): even alone it passes a crew's day by `over` minutes at
    least. confirmed-in-the-way (crew, day, jobs):
    would fit, but for confirmed visits. wash-down (crew, day): would fit but for washing down after a less clean
    herd. chute-busy (crew, day, chute_kind): would fit with a crew that has not the chute. latest-day (crew, day):
    would fit, but after its latest day. day-too-long, back-late, window-missed, no-lunch (crew, day, over, jobs): the
    nearest place lacks `over` minutes, of the crew's day, of its hours, of the opening of the first of `jobs`, for
    lunch. displaces (crew, day, jobs, extra): only in place of `jobs`, and the week would cost `extra` more.
    worth-less (crew, day, added, skip_cost): fits, but costs more than leaving it out. fits (the same): would cost
    less than leaving it out; the plan is not the best. no-room: no single exchange makes room.

    nearest: the place that lacks the fewest minutes. suggestion: the smallest change that lets it in, confirmed by
    solving; `searched` says whether it was looked for to the end.
    """

    job: Key
    code: str
    params: Mapping[str, Any] = field(default_factory=dict)
    nearest: Nearest | None = None
    suggestion: Suggestion | None = None
    searched: bool = False


def hopeless(week: Week) -> tuple[LeftOut, ...]:
    """The jobs no plan of this week can hold, and why; to be named before solving."""
    found = (_never(week, job) for job in week.jobs)
    return tuple(reason for reason in found if reason is not None)


def left_out(week: Week, plan: Plan, pool: Rounds | None = None) -> tuple[LeftOut, ...]:
    """A reason for each job the plan leaves out, in the plan's order, without looking for a change. pool: rounds of
    the week that are known already."""
    pool = pool or Rounds(week)
    return tuple(_reason(week, plan, pool, week.job(job_id)) for job_id in plan.skipped)


def explain(
    week: Week,
    plan: Plan,
    *,
    seconds: float,
    effort: int | None = None,
    seed: int = 0,
    stop: Callable[[], bool] | None = None,
    about: Collection[Key] | None = None,
) -> tuple[LeftOut, ...]:
    """A reason for each job the plan leaves out, in the plan's order, with the smallest single change that lets it in.

    seconds: for all of them; effort: limit of each solving, as in `solve`. about: jobs for which a change is looked
    for (None: all). The dearest to leave out are tried first.
    """
    started = time.monotonic()
    pool = Rounds(week)
    found = {reason.job: reason for reason in left_out(week, plan, pool)}
    order = sorted(
        found if about is None else found.keys() & about,
        key=lambda job: (-week.job(job).skip_cost, week.job_index[job]),
    )
    for place, job in enumerate(order):
        left = seconds - (time.monotonic() - started)
        if found[job].code == "fits":
            found[job] = replace(found[job], searched=True)
        elif left > 0 and not (stop is not None and stop()):
            share = left / (len(order) - place)
            search = LettingIn(week, plan, pool, week.job(job), seconds=share, effort=effort, seed=seed, stop=stop)
            suggestion = search.run(price_first=found[job].code == "worth-less")
            searched = suggestion is not None or not search.out_of_time
            found[job] = replace(found[job], suggestion=suggestion, searched=searched)
    return tuple(found[job] for job in plan.skipped)


def _never(week: Week, job: Job) -> LeftOut | None:
    days = [day for day in range(week.days) if job.suits(day)]
    if not days:
        return LeftOut(job=job.id, code="no-day-suits")
    allowed = [crew for crew in week.crews if job.crews is None or crew.id in job.crews]
    if not allowed:
        return LeftOut(job=job.id, code="no-crew")
    if not any(job.chute_kind in (None, crew.chute_kind) for crew in allowed):
        return LeftOut(job=job.id, code="wrong-chute", params={"chute_kind": job.chute_kind})
    tried = list(_alone(week, job))
    if any(not isinstance(result, Infeasible) for _, result in tried):
        return None
    nearest = [(r.params.get("over", 0), r, at) for at, r in tried if isinstance(r, Infeasible) and r.code not in _WHO]
    if not nearest:
        if job.fixed is not None:
            at = {"crew": job.fixed.crew, "day": job.fixed.day}
            return LeftOut(job=job.id, code="confirmed-crew-off", params=at)
        return LeftOut(job=job.id, code="no-crew-that-day")
    over, failed, (crew, day) = min(nearest, key=lambda entry: (entry[1].code in _NOT_MINUTES, entry[0]))
    if failed.code in _NOT_MINUTES:
        return LeftOut(job=job.id, code=failed.code, params={"crew": crew, "day": day, **failed.params})
    return LeftOut(job=job.id, code="too-long", params={"crew": crew, "day": day, "over": over})


def _alone(week: Week, job: Job) -> Iterator[tuple[CrewDay, object]]:
    """Each way of a round with nothing but a visit to this job, also before or after a night away near it."""
    sizes = week.part_sizes(job)
    near = [night for night in nights_to_try(week) if night.near == job.id]
    for at in (week, *(replace(week, nights=(night,)) for night in near)):
        for crew_day in week.crew_days():
            if at is week or any(n.crew == crew_day[0] and crew_day[1] - n.day in (0, 1) for n in at.nights):
                for size in sizes:
                    yield crew_day, evaluate(at, *crew_day, ((job.id, size),))


def _reason(week: Week, plan: Plan, pool: Rounds, job: Job) -> LeftOut:
    never = _never(week, job)
    if never is not None:
        return never
    draft: Draft = {(made.crew, made.day): made.visits for made in plan.rounds}
    nearest = nearest_of(week, list(misses(week, draft, job)))
    return replace(_kept_out(week, pool, draft, job, nearest), nearest=nearest)


def _kept_out(week: Week, pool: Rounds, draft: Draft, job: Job, nearest: Nearest | None) -> LeftOut:
    """The reason for a job that could be done, were it not for what else there is."""
    way = _cheapest(ways_in(pool, draft, job))
    if way is not None:
        added, changed = way
        crew, day = next(iter(changed))
        price = {"crew": crew, "day": day, "added": added, "skip_cost": job.skip_cost}
        return LeftOut(job=job.id, code="worth-less" if added >= job.skip_cost else "fits", params=price)
    confirmed = _confirmed_in_the_way(week, pool, draft, job)
    if confirmed is not None:
        return confirmed
    for code, other, more in _without_a_rule(week, job):
        found = _cheapest(ways_in(Rounds(other), draft, other.job(job.id)))
        if found is not None and found[0] < job.skip_cost:
            crew, day = next(iter(found[1]))
            return LeftOut(job=job.id, code=code, params={"crew": crew, "day": day} | more)
    swap = _cheapest_exchange(week, pool, draft, job)
    if nearest is not None and nearest.over is not None and (nearest.over <= _NEAR or swap is None):
        jobs = (nearest.job,) if nearest.job is not None else ()
        params: dict[str, Any] = {"crew": nearest.crew, "day": nearest.day, "over": nearest.over, "jobs": jobs}
        return LeftOut(job=job.id, code=nearest.code, params=params)
    return swap if swap is not None else LeftOut(job=job.id, code="no-room")


def _without_a_rule(week: Week, job: Job) -> Iterator[tuple[str, Week, dict[str, Any]]]:
    """The week without one of the rules that may keep the job out, the code of the rule, and its figures."""
    washless = tuple(replace(other, wash_after=None) for other in week.jobs)
    yield "wash-down", replace(week, rules=replace(week.rules, wash=0), jobs=washless), {}
    if job.chute_kind is not None:
        yield "chute-busy", with_job(week, replace(job, chute_kind=None)), {"chute_kind": job.chute_kind}
    if job.latest_day is not None:
        yield "latest-day", with_job(week, replace(job, latest_day=None)), {}


def _cheapest(ways: Iterable[tuple[Number, Draft]]) -> tuple[Number, Draft] | None:
    return min(ways, key=lambda way: way[0], default=None)


def _confirmed_in_the_way(week: Week, pool: Rounds, draft: Draft, job: Job) -> LeftOut | None:
    """The reason, when the job finds no place even with every visit gone that is not confirmed."""
    only: Draft = {}
    for crew_day, visits in draft.items():
        kept = tuple(visit for visit in visits if week.job(visit[0]).fixed is not None)
        if kept:
            only[crew_day] = kept
    if _cheapest(ways_in(pool, only, job)) is not None:
        return None
    places = [
        at for at in only if not isinstance(evaluate(week, *at, ((job.id, week.part_sizes(job)[-1]),)), Infeasible)
    ]
    if not places:
        return None
    crew, day = places[0]
    jobs = tuple(name for name, _ in only[places[0]])
    return LeftOut(job=job.id, code="confirmed-in-the-way", params={"crew": crew, "day": day, "jobs": jobs})


def _cheapest_exchange(week: Week, pool: Rounds, draft: Draft, job: Job) -> LeftOut | None:
    """What the job would push out where that costs least."""
    best: tuple[Number, CrewDay, Key] | None = None
    for other in sorted(
        {name for visits in draft.values() for name, _ in visits}, key=lambda name: week.job_index[name]
    ):
        if week.job(other).fixed is not None:
            continue
        without = _without(draft, other)
        costs = [pool.cost(at, without.get(at, ())) for at in draft]
        if any(cost is None for cost in costs):
            continue
        before = sum(pool.cost(at, visits) or 0 for at, visits in draft.items())
        saved = before - sum(cost or 0 for cost in costs)
        way = _cheapest(ways_in(pool, without, job))
        if way is not None:
            extra = way[0] - saved + week.job(other).skip_cost - job.skip_cost
            if best is None or extra < best[0]:
                best = extra, next(iter(way[1])), other
    if best is None:
        return None
    extra, (crew, day), other = best
    return LeftOut(job=job.id, code="displaces", params={"crew": crew, "day": day, "jobs": (other,), "extra": extra})


def _without(draft: Draft, job: Key) -> Draft:
    left: Draft = {}
    for crew_day, visits in draft.items():
        kept: Visits = tuple(visit for visit in visits if visit[0] != job)
        if kept:
            left[crew_day] = kept
    return left
