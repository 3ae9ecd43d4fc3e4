"""Planning a week: a first plan at once, better ones until the effort is spent."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from .check import check_plan
from .insertion import Draft, Rounds, dear_first, insert_all
from .master import choose
from .plan import Plan, Progress, Round
from .problem import Key, Week
from .totals import plan_of

_ROUNDS_OF_SEARCH = 60
_POOL_MOST = 4000


class UnsoundPlan(AssertionError):
    """A plan broke a rule of the checker: an error of the planner, never shown to a person."""


@dataclass
class _Search:
    """One run: what it may spend, and the best so far."""

    week: Week
    started: float
    seconds: float
    effort: int | None
    on_progress: Callable[[Progress], None] | None
    stop: Callable[[], bool] | None
    best: Plan
    steps: int = 0

    def spent(self) -> bool:
        if self.stop is not None and self.stop():
            return True
        if self.effort is not None and self.steps >= self.effort:
            return True
        return self.left() <= 0

    def left(self) -> float:
        return self.seconds - (time.monotonic() - self.started)

    def offer(self, plan: Plan, stage: str) -> bool:
        """Keep the plan if it is cheaper; it is checked first."""
        better = plan.cost < self.best.cost - 1e-9
        if better:
            self.best = checked(self.week, plan)
        if self.on_progress is not None:
            elapsed = time.monotonic() - self.started
            self.on_progress(Progress(seconds=elapsed, stage=stage, plan=self.best))
        return better


def checked(week: Week, plan: Plan) -> Plan:
    """The plan, after the checker found nothing wrong with it."""
    breaches = check_plan(week, plan)
    if breaches:
        raise UnsoundPlan(
            "; ".join(f"{b.code} crew {b.crew} day {b.day} job {b.job} {dict(b.params)}" for b in breaches)
        )
    return plan


def solve(
    week: Week,
    *,
    seconds: float,
    seed: int = 0,
    effort: int | None = None,
    on_progress: Callable[[Progress], None] | None = None,
    stop: Callable[[], bool] | None = None,
    standing: Plan | None = None,
) -> Plan:
    """The best plan found for the week.

    seconds: the most wall-clock time. effort: a limit in steps of search as well; when it is reached before the
    clock, the same week, seed and effort give the same plan on any machine. on_progress hears of each stage, stop
    ends early with the best so far. standing: a plan in force, whose rounds stay on offer; the answer is never worse
    than keeping it. The plan returned has passed the checker.
    """
    started = time.monotonic()
    pool = Rounds(week)
    search = _Search(week, started, seconds, effort, on_progress, stop, checked(week, plan_of(week, ())))
    if standing is not None:
        search.offer(_kept(week, pool, standing), "standing")
    draft: Draft = {}
    insert_all(pool, draft, dear_first(week))
    search.offer(_plan(week, pool, draft), "first")
    _shake(search, pool, random.Random(seed))  # noqa: S311 -- a repeatable shuffle, no secret
    if not search.spent() or effort is not None:
        rounds = choose(
            week,
            _offers(pool, search.best),
            start=search.best.rounds,
            seconds=search.left(),
            effort=None if effort is None else effort / 20,
            seed=seed,
        )
        search.offer(plan_of(week, rounds), "chosen")
    return search.best


def _kept(week: Week, pool: Rounds, standing: Plan) -> Plan:
    """What is still possible of the standing plan, its holes mended."""
    draft: Draft = {}
    for made in standing.rounds:
        visits = tuple((job, work) for job, work in made.visits if job in week.job_index)
        if made.crew in week.crew_index and visits and pool.get((made.crew, made.day), visits) is not None:
            draft[made.crew, made.day] = visits
    _drop_broken(week, draft)
    done = {job for visits in draft.values() for job, _ in visits}
    insert_all(pool, draft, [job for job in dear_first(week) if job not in done])
    return _plan(week, pool, draft)


def _drop_broken(week: Week, draft: Draft) -> None:
    """Take out jobs whose visits no longer make an allowed whole."""
    works: dict[Key, list[int]] = {}
    for visits in draft.values():
        for job, work in visits:
            works.setdefault(job, []).append(work)
    for job, parts in works.items():
        whole = tuple(sorted(parts, reverse=True))
        if whole != (week.job(job).work,) and whole not in week.split_patterns(week.job(job)):
            _take_out(draft, {job})


def _take_out(draft: Draft, jobs: set[Key]) -> None:
    for crew_day, visits in list(draft.items()):
        left = tuple(visit for visit in visits if visit[0] not in jobs)
        if left:
            draft[crew_day] = left
        else:
            del draft[crew_day]


def _plan(week: Week, pool: Rounds, draft: Draft) -> Plan:
    made = [pool.get(crew_day, visits) for crew_day, visits in draft.items() if visits]
    return plan_of(week, [r for r in made if r is not None])


def _shake(search: _Search, pool: Rounds, chance: random.Random) -> None:
    """Take a few jobs or days out of the best plan and put everything back in another order; keep what is cheaper."""
    week = search.week
    while not search.spent() and search.left() > 0.3 * search.seconds:
        search.steps += 1
        draft: Draft = {(made.crew, made.day): made.visits for made in search.best.rounds}
        jobs = [job.id for job in week.jobs]
        out = set(search.best.skipped)
        if chance.random() < 0.5 and draft:
            for crew_day in chance.sample(sorted(draft, key=str), min(2, len(draft))):
                out |= {job for job, _ in draft[crew_day]}
        else:
            out |= set(chance.sample(jobs, min(len(jobs), chance.randint(2, 6))))
        _take_out(draft, out)
        if any(pool.get(crew_day, visits) is None for crew_day, visits in draft.items()):
            continue  # leaving a farm out made the way from its neighbours longer than the day allows
        order = [job for job in dear_first(week) if job in out]
        if chance.random() < 0.7:
            chance.shuffle(order)
        insert_all(pool, draft, order, at_any_price=chance.random() < 0.5)
        search.offer(_plan(week, pool, draft), "searching")
        if search.effort is None and search.steps >= _ROUNDS_OF_SEARCH * len(jobs):
            return


def _offers(pool: Rounds, best: Plan) -> Sequence[Round]:
    """The rounds worth choosing among: those of the best plan, then the cheapest per minute of work."""
    made = [r for r in pool.known.values() if r is not None]
    made.sort(key=lambda r: (r.cost - 3 * sum(stop.work for stop in r.stops), str(r.visits), str(r.crew), r.day))
    kept = {id(r) for r in best.rounds}
    return [*best.rounds, *(r for r in made if id(r) not in kept)][:_POOL_MOST]
