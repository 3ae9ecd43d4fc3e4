"""What general routing libraries need around them to plan a week: patterns for split jobs chosen from outside, a
fixed hour for lunch, and mending of what their coarser world got wrong."""

import itertools
import random
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from scheduling.planner import Infeasible, Job, Week, evaluate
from scheduling.planner.insertion import CrewDay, Draft, Rounds, Visits, mend, plan_of_draft
from scheduling.planner.plan import Plan
from scheduling.planner.problem import Key, Opening

DAY = 2000
"""Minutes from one day's midnight to the next on one axis of time."""

SHARE_OF_FIRST_RUN, MOST_RUNS = 0.4, 30
SECONDS_A_JOB = 0.03
"""What a further run takes at the least: small weeks have time for many guesses."""


@dataclass(frozen=True)
class Guess:
    """What a run takes for given: the parts of each job in the order of their days, when lunch is, and for each split
    job the first day of each part but the first (for a library that cannot keep two parts on different days)."""

    parts: Mapping[Key, tuple[int, ...]]
    lunch_at: int
    cuts: Mapping[Key, tuple[int, ...]] = field(default_factory=dict)


type Run = Callable[[Guess, float, Draft], Draft]
"""(guess, seconds, the best draft so far) to a draft."""


def best_plan(week: Week, seconds: float, run: Run) -> dict[str, Any]:
    """One long run at the likeliest guess, then shorter ones, each at a guess next to the best one's."""
    began = time.monotonic()
    chance = random.Random(1)
    pool = Rounds(week)
    guess = first_guess(week)
    best: Plan | None = None
    best_guess = guess
    best_draft: Draft = {}
    further = (1 - SHARE_OF_FIRST_RUN) * seconds / (SECONDS_A_JOB * max(1, len(week.jobs)))
    runs = 1 + min(MOST_RUNS, max(3, round(further)))
    for turn in range(runs):
        left = seconds - (time.monotonic() - began)
        share = SHARE_OF_FIRST_RUN if turn == 0 else 1 / (runs - turn)
        if left < 0.05 and best is not None:
            break
        draft = mended(pool, run(guess, max(0.05, 0.95 * left * share), best_draft))
        made = plan_of_draft(pool, draft)
        if best is None or made.cost < best.cost:
            best, best_guess, best_draft = made, guess, draft
        guess = next_guess(week, best_guess, chance)
    assert best is not None
    return {"plan": best.as_file(), "bound": None, "first": None}


def first_guess(week: Week) -> Guess:
    """Jobs whole where some crew could do them so, else in the most even parts; lunch in the usual gap at noon."""
    parts = {job.id: (job.work,) if fits_alone(week, job, job.work) else _even(week, job) for job in week.jobs}
    return Guess(parts=parts, lunch_at=720, cuts={job: _cut(week, len(works)) for job, works in parts.items()})


def next_guess(week: Week, guess: Guess, chance: random.Random) -> Guess:
    """Other parts for one or two of the jobs that may be split, perhaps another hour for lunch."""
    parts, cuts = dict(guess.parts), dict(guess.cuts)
    splittable = [job for job in week.jobs if week.split_patterns(job)]
    for job in chance.sample(splittable, k=min(len(splittable), chance.choice([1, 2]))):
        ways = [way for pattern in week.split_patterns(job) for way in sorted(set(itertools.permutations(pattern)))]
        if fits_alone(week, job, job.work):
            ways.append((job.work,))
        works = parts[job.id] = chance.choice(ways)
        cuts[job.id] = tuple(sorted(chance.sample(range(1, week.days), k=len(works) - 1)))
    return Guess(parts=parts, lunch_at=chance.choice([720, 720, 750, 690]), cuts=cuts)


def fits_alone(week: Week, job: Job, work: int) -> bool:
    """Whether some crew-day could hold this visit and nothing else."""
    return any(not isinstance(evaluate(week, *crew_day, [(job.id, work)]), Infeasible) for crew_day in week.crew_days())


def _even(week: Week, job: Job) -> tuple[int, ...]:
    patterns = week.split_patterns(job)
    return min(patterns, key=lambda parts: (len(parts), max(parts))) if patterns else (job.work,)


def _cut(week: Week, parts: int) -> tuple[int, ...]:
    return tuple(max(1, round(week.days * part / parts)) for part in range(1, parts))


def without_lunch(week: Week, guess: Guess, minute: int) -> int:
    """The minute on a clock with lunch cut out."""
    return minute - min(max(0, minute - guess.lunch_at), week.rules.lunch)


def starts(week: Week, guess: Guess, job: Job, work: int, day: int) -> list[Opening]:
    """When a visit may start, on the clock without lunch."""
    service = week.service(job, work)
    if job.fixed is not None:
        start = without_lunch(week, guess, job.fixed.start)
        return [(start, start)]
    spans = [
        (without_lunch(week, guess, opened), without_lunch(week, guess, closed) - service)
        for opened, closed in (job.windows[day] if job.suits(day) else ())
    ]
    return [(first, last) for first, last in spans if first <= last]


def mended(pool: Rounds, draft: Draft) -> Draft:
    """A whole plan's draft: visits that make a round impossible go first, then each job goes where it is cheapest."""
    fixed = {crew_day: _possible(pool, crew_day, visits) for crew_day, visits in draft.items() if visits}
    kept = {crew_day: visits for crew_day, visits in fixed.items() if visits}
    mend(pool, kept)
    return kept


def _possible(pool: Rounds, crew_day: CrewDay, visits: Visits) -> Visits:
    while visits and pool.get(crew_day, visits) is None:
        worth = [float(pool.week.job(job).skip_cost) for job, _ in visits]
        fewer = [(*visits[:place], *visits[place + 1 :]) for place in range(len(visits))]
        helps = [place for place, left in enumerate(fewer) if left and pool.get(crew_day, left) is not None]
        visits = fewer[min(helps or range(len(visits)), key=lambda place: worth[place])]
    return visits
