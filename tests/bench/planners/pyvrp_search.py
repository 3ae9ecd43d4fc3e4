"""PyVRP on one axis of time: a vehicle type is a crew-day; a visit has a copy for each day and opening, one of which
may be made.

Prizes carry what leaving a job out costs, less the lateness of that day, and the time its work counts as away. Which
days each part of a split job may have is part of the guess, as parts cannot be kept on different days otherwise.
"""

import itertools
import time
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyvrp
from pyvrp.search import NeighbourhoodParams
from pyvrp.stop import MaxRuntime

from scheduling.planner import Job, Week
from scheduling.planner.insertion import Draft
from scheduling.planner.problem import Key

from .drafts import DAY, Guess, best_plan, starts, without_lunch

_FAR = 1_000_000


@dataclass(frozen=True)
class _Copy:
    job: Job
    at: int
    work: int
    service: int
    group: int
    first: int
    last: int
    prize: int


def plan(week: Week, seconds: float) -> dict[str, Any]:
    """The best plan of its runs, mended."""
    return best_plan(week, seconds, lambda guess, share, known: _run(week, guess, share))


def _run(week: Week, guess: Guess, seconds: float) -> Draft:
    until = time.monotonic() + seconds
    copies = _copies(week, guess)
    if not copies:
        return {}
    params = pyvrp.SolveParams(neighbourhood=NeighbourhoodParams(num_neighbours=150))
    data = _problem(week, guess, copies)
    result = pyvrp.solve(data, stop=MaxRuntime(max(0.02, until - time.monotonic())), seed=1, params=params)
    shifts = week.crew_days()
    draft: Draft = {}
    for route in result.best.routes():
        made = [copies[stop.idx] for stop in route.schedule() if stop.is_client()]
        once: dict[Key, int] = {}
        for copy in made:
            once.setdefault(copy.job.id, copy.work)
        draft[shifts[route.vehicle_type()]] = tuple(once.items())
    return draft


def _copies(week: Week, guess: Guess) -> list[_Copy]:
    copies: list[_Copy] = []
    group = itertools.count()
    for j, job in enumerate(week.jobs):
        works = guess.parts[job.id]
        cuts = (0, *guess.cuts.get(job.id, ()), week.days) if len(works) > 1 else (0, week.days)
        for part, work in enumerate(works):
            g, service = next(group), week.service(job, work)
            for day in range(cuts[part], cuts[part + 1]):
                late = job.late_cost * job.late_days(day) if part == len(works) - 1 else 0
                prize = round(job.skip_cost / len(works) + week.costs.off_work * service - late)
                spans = starts(week, guess, job, work, day) if job.suits(day) and prize > 0 else []
                copies += [
                    _Copy(job, j, work, service, g, DAY * day + first, DAY * day + last, prize) for first, last in spans
                ]
    groups = {g: place for place, g in enumerate(sorted({copy.group for copy in copies}))}
    return [_Copy(**(vars(copy) | {"group": groups[copy.group]})) for copy in copies]


def _problem(week: Week, guess: Guess, copies: list[_Copy]) -> pyvrp.ProblemData:
    bases = len(week.crews)
    at = np.array([copy.at for copy in copies])
    size = bases + len(copies)
    drive: Any = np.zeros((size, size), dtype=np.int64)
    drive[bases:, bases:] = np.array(week.between, dtype=np.int64)[np.ix_(at, at)]
    drive[:bases, bases:] = np.array(week.out, dtype=np.int64)[:, at]
    drive[bases:, :bases] = np.array(week.way_home, dtype=np.int64)[:, at].T
    wash = np.array([[week.wash_between(a, b) for b in week.jobs] for a in week.jobs], dtype=np.int64)
    minutes = drive.copy()
    minutes[bases:, bases:] += wash[np.ix_(at, at)]
    np.fill_diagonal(minutes, 0)
    np.fill_diagonal(drive, 0)
    drives = []
    for crew in week.crews:
        mine = drive.copy()
        barred = [bases + place for place, copy in enumerate(copies) if not week.may(crew, copy.job)]
        mine[:, barred] = _FAR
        np.fill_diagonal(mine, 0)
        drives.append(mine)
    members: dict[int, list[int]] = {}
    for place, copy in enumerate(copies):
        members.setdefault(copy.group, []).append(place)
    return pyvrp.ProblemData(
        locations=[pyvrp.Location(0, 0) for _ in range(size)],
        clients=[
            pyvrp.Client(
                bases + place,
                service_duration=copy.service,
                tw_early=copy.first,
                tw_late=copy.last,
                prize=copy.prize,
                required=False,
                group=copy.group,
            )
            for place, copy in enumerate(copies)
        ],
        depots=[pyvrp.Depot(c) for c in range(bases)],
        vehicle_types=[_vehicle(week, guess, crew, day) for crew, day in week.crew_days()],
        distance_matrices=drives,
        duration_matrices=[minutes] * bases,
        groups=[pyvrp.ClientGroup(members[g], required=False) for g in sorted(members)],
    )


def _vehicle(week: Week, guess: Guess, crew_id: Key, day: int) -> pyvrp.VehicleType:
    crew, c = week.crew(crew_id), week.crew_index[crew_id]
    costs = week.costs_of(crew)
    earliest, latest = (DAY * day + without_lunch(week, guess, minute) for minute in crew.hours[day])
    return pyvrp.VehicleType(
        num_available=1,
        start_depot=c,
        end_depot=c,
        fixed_cost=round(costs.crew_day),
        tw_early=earliest,
        tw_late=latest,
        shift_duration=crew.longest(day) - week.rules.lunch,
        unit_distance_cost=round(costs.drive),
        unit_duration_cost=round(costs.off_work),
        profile=c,
    )
