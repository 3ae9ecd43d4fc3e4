"""OR-Tools routing on one axis of time: a vehicle is a crew-day, closed hours are removed from a visit's start.

Costs: arcs carry driving and the lateness of a job's last visit, the span the time away; leaving a job out costs its
skip cost and the time its work would have counted as away. Parts of a job are on different days, in order.
"""

import itertools
import time as clock
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from scheduling.planner import Job, Week
from scheduling.planner.insertion import Draft

from .drafts import DAY, Guess, best_plan, starts, without_lunch


@dataclass(frozen=True)
class _Visit:
    job: Job
    at: int
    work: int
    service: int
    last: bool
    parts: int


def plan(week: Week, seconds: float) -> dict[str, Any]:
    """The best plan of its runs, mended."""
    return best_plan(week, seconds, lambda guess, share, known: _Model(week, guess).run(share, known))


class _Model:
    def __init__(self, week: Week, guess: Guess) -> None:
        self.week, self.guess = week, guess
        self.shifts = week.crew_days()
        self.visits: list[_Visit] = []
        self.of_job: list[list[int]] = []
        for j, job in enumerate(week.jobs):
            works = guess.parts[job.id]
            self.of_job.append(list(range(len(self.visits), len(self.visits) + len(works))))
            for part, work in enumerate(works):
                self.visits.append(_Visit(job, j, work, week.service(job, work), part == len(works) - 1, len(works)))
        count, vehicles = len(self.visits), len(self.shifts)
        ends = [count + 2 * k for k in range(vehicles)], [count + 2 * k + 1 for k in range(vehicles)]
        self.nodes = pywrapcp.RoutingIndexManager(count + 2 * vehicles, vehicles, *ends)
        self.routing = pywrapcp.RoutingModel(self.nodes)
        self._costs()
        self._times()
        self._parts()

    def _matrix(self) -> list[list[int]]:
        size = len(self.visits) + 2 * len(self.shifts)
        return [[0] * size for _ in range(size)]

    def _costs(self) -> None:
        week, count = self.week, len(self.visits)
        for k, (crew_id, day) in enumerate(self.shifts):
            costs, c = week.costs_of(week.crew(crew_id)), week.crew_index[crew_id]
            matrix = self._matrix()
            for b, visit in enumerate(self.visits):
                late = round(visit.job.late_cost * visit.job.late_days(day)) if visit.last else 0
                for a, before in enumerate(self.visits):
                    matrix[a][b] = round(costs.drive * week.between[before.at][visit.at]) + late
                matrix[count + 2 * k][b] = round(costs.drive * week.out[c][visit.at]) + late
                matrix[b][count + 2 * k + 1] = round(costs.drive * week.way_home[c][visit.at])
            self.routing.SetArcCostEvaluatorOfVehicle(self.routing.RegisterTransitMatrix(matrix), k)
            self.routing.SetFixedCostOfVehicle(round(costs.crew_day), k)
        for b, visit in enumerate(self.visits):
            away = week.costs.off_work * visit.service
            self.routing.AddDisjunction([self.nodes.NodeToIndex(b)], round(visit.job.skip_cost / visit.parts + away))

    def _times(self) -> None:
        week, guess, count = self.week, self.guess, len(self.visits)
        matrix = self._matrix()
        for a, before in enumerate(self.visits):
            for b, visit in enumerate(self.visits):
                wash = week.wash_between(before.job, visit.job)
                matrix[a][b] = before.service + wash + week.between[before.at][visit.at]
            for k, (crew_id, _) in enumerate(self.shifts):
                c = week.crew_index[crew_id]
                matrix[count + 2 * k][a] = week.out[c][before.at]
                matrix[a][count + 2 * k + 1] = before.service + week.way_home[c][before.at]
        end = DAY * (week.days + 1)
        self.routing.AddDimension(self.routing.RegisterTransitMatrix(matrix), end, end, False, "time")
        self.time = self.routing.GetDimensionOrDie("time")
        for k, (crew_id, day) in enumerate(self.shifts):
            crew = week.crew(crew_id)
            hours = [DAY * day + without_lunch(week, guess, minute) for minute in crew.hours[day]]
            self.time.CumulVar(self.routing.Start(k)).SetRange(*hours)
            self.time.CumulVar(self.routing.End(k)).SetRange(*hours)
            self.time.SetSpanCostCoefficientForVehicle(round(week.costs_of(crew).off_work), k)
            self.time.SetSpanUpperBoundForVehicle(crew.longest(day) - week.rules.lunch, k)
        for b, visit in enumerate(self.visits):
            self._windows(b, visit)

    def _windows(self, b: int, visit: _Visit) -> None:
        index = self.nodes.NodeToIndex(b)
        spans = [
            (DAY * day + first, DAY * day + last)
            for day in range(self.week.days)
            if visit.job.suits(day)
            for first, last in starts(self.week, self.guess, visit.job, visit.work, day)
        ]
        days = {first // DAY for first, _ in spans}
        may = [
            k
            for k, (crew_id, day) in enumerate(self.shifts)
            if day in days and self.week.may(self.week.crew(crew_id), visit.job)
        ]
        self.routing.VehicleVar(index).SetValues([-1, *may])
        if spans:
            _keep_only(self.time.CumulVar(index), spans)

    def _parts(self) -> None:
        """All parts of a job or none, each on a later day than the one before."""
        solver = self.routing.solver()
        days = [0, *(day for _, day in self.shifts)]
        for nodes in self.of_job:
            indices = [self.nodes.NodeToIndex(node) for node in nodes]
            for a, b in itertools.pairwise(indices):
                solver.Add(self.routing.ActiveVar(a) == self.routing.ActiveVar(b))
                first, second = (solver.Element(days, (self.routing.VehicleVar(at) + 1).Var()) for at in (a, b))
                solver.Add(second >= first + self.routing.ActiveVar(a))

    def run(self, seconds: float, known: Draft) -> Draft:
        """Guided local search for so long; from the known draft when there is one."""
        until = clock.monotonic() + seconds
        params = pywrapcp.DefaultRoutingSearchParameters()
        params.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
        params.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
        params.time_limit.FromMilliseconds(max(20, round(1000 * seconds)))
        self.routing.CloseModelWithParameters(params)
        params.time_limit.FromMilliseconds(max(20, round(1000 * (until - clock.monotonic()))))
        start = self.routing.ReadAssignmentFromRoutes(self._standing(known), True) if known else None
        found = (
            self.routing.SolveFromAssignmentWithParameters(start, params)
            if start is not None
            else self.routing.SolveWithParameters(params)
        )
        return self._draft(found) if found is not None else {}

    def _standing(self, known: Draft) -> list[list[int]]:
        at = {(visit.job.id, visit.work): b for b, visit in enumerate(self.visits) if visit.parts == 1}
        return [
            [self.nodes.NodeToIndex(at[visit]) for visit in known.get(shift, ()) if visit in at]
            for shift in self.shifts
        ]

    def _draft(self, found: Any) -> Draft:
        draft: Draft = {}
        for k, shift in enumerate(self.shifts):
            index = found.Value(self.routing.NextVar(self.routing.Start(k)))
            visits = []
            while not self.routing.IsEnd(index):
                visit = self.visits[self.nodes.IndexToNode(index)]
                visits.append((visit.job.id, visit.work))
                index = found.Value(self.routing.NextVar(index))
            draft[shift] = tuple(visits)
        return draft


def _keep_only(variable: Any, spans: Sequence[tuple[int, int]]) -> None:
    ordered = sorted(spans)
    variable.SetRange(ordered[0][0], max(last for _, last in ordered))
    reached = ordered[0][1]
    for first, last in ordered[1:]:
        if first > reached + 1:
            variable.RemoveInterval(reached + 1, first - 1)
        reached = max(reached, last)
