"""Days with many stops: local search by OR-Tools routing, whose rounds join the pool.

Its world is coarser than a week is: lunch is a fixed hour cut out of the clock, a split job keeps its parts where they
are. Every round it proposes is worked out anew by `evaluate` before it counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from .arrays import Shift, WeekArrays
from .columns import column_of
from .insertion import CrewDay, Visits
from .plan import Plan

_DAY = 3000
"""Minutes from one day's midnight to the next in the search's clock; a day's work may end after midnight."""
_SCALE = 10


@dataclass(frozen=True)
class _Node:
    """A visit: the item, and the crew-days that may make it (index of shift to start windows)."""

    item: int
    windows: dict[int, list[tuple[int, int]]]
    mandatory: bool


class RoutingSearch:
    """Local search from a plan; `run` yields the rounds of each better plan it meets."""

    def __init__(self, arrays: WeekArrays, plan: Plan, *, from_plan: bool) -> None:
        """plan: where split jobs have their parts; from_plan: begin with it, and not with a plan of routing's own."""
        self.arrays, self.from_plan = arrays, from_plan
        rules = arrays.rules
        self.lunch_at = min(max((rules.lunch_from + rules.lunch_to) // 2, rules.lunch_from), rules.lunch_to)
        self.nodes = list(self._nodes(plan))
        self.node_of = {node.item: at for at, node in enumerate(self.nodes)}
        self.plan = plan

    def _nodes(self, plan: Plan) -> Iterator[_Node]:
        arrays = self.arrays
        parts = [column_of(arrays, made) for made in plan.rounds]
        at = {item: column.shift for column in parts for item in column.visits if not arrays.item_whole[item]}
        split = {arrays.items[item][0] for item in at}
        for item, (j, _) in enumerate(arrays.items):
            if item in at:
                yield _Node(item, self._windows(item, [arrays.shifts[at[item]]]), mandatory=True)
            elif arrays.item_whole[item] and j not in split:
                windows = self._windows(item, arrays.shifts)
                if windows:
                    yield _Node(item, windows, mandatory=False)

    def _windows(self, item: int, shifts: Sequence[Shift]) -> dict[int, list[tuple[int, int]]]:
        found: dict[int, list[tuple[int, int]]] = {}
        for shift in shifts:
            for slot in range(len(shift.item)):
                if shift.item[slot] == item:
                    window = self._clock(int(shift.first[slot])), self._clock(int(shift.last[slot]))
                    found.setdefault(shift.index, []).append(window)
        return found

    def _clock(self, minute: int) -> int:
        """The minute with lunch cut out."""
        lunch = self.arrays.rules.lunch
        return minute - min(max(0, minute - self.lunch_at), lunch)

    def run(self, seconds: float, solutions: int | None, stop: Callable[[], bool]) -> list[dict[CrewDay, Visits]]:
        """Search for so long, or until so many plans were met; all the plans met, the last the best."""
        shifts, count = self.arrays.shifts, len(self.nodes)
        manager = pywrapcp.RoutingIndexManager(
            count + 2 * len(shifts),
            len(shifts),
            [count + 2 * k for k in range(len(shifts))],
            [count + 2 * k + 1 for k in range(len(shifts))],
        )
        routing = pywrapcp.RoutingModel(manager)
        self._costs(routing)
        self._time(routing, manager)
        met: list[dict[CrewDay, Visits]] = []

        def remember() -> None:
            if stop():
                routing.solver().FinishCurrentSearch()
            met.append(self._routes(routing, manager))

        routing.AddAtSolutionCallback(remember)
        params = pywrapcp.DefaultRoutingSearchParameters()
        params.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
        params.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
        params.time_limit.FromMilliseconds(max(20, int(seconds * 1000)))
        if solutions is not None:
            params.solution_limit = solutions
        routing.CloseModelWithParameters(params)
        start = routing.ReadAssignmentFromRoutes(self._standing(manager), True) if self.from_plan else None
        if start is not None:
            routing.SolveFromAssignmentWithParameters(start, params)
        else:
            routing.SolveWithParameters(params)
        return met

    def _legs(self, shift: Shift | None) -> tuple[list[list[int]], list[list[float]]]:
        """(minutes, cost) between all nodes; with a shift, its own base, ways and lateness."""
        arrays = self.arrays
        count, size = len(self.nodes), len(self.nodes) + 2 * len(arrays.shifts)
        minutes = [[0] * size for _ in range(size)]
        cost = [[0.0] * size for _ in range(size)]
        job = [arrays.items[node.item][0] for node in self.nodes]
        service = [int(arrays.item_service[node.item]) for node in self.nodes]
        for a in range(count):
            for b in range(count):
                minutes[a][b] = service[a] + int(arrays.leg[job[a], job[b]])
            for s in arrays.shifts:
                minutes[count + 2 * s.index][a] = int(s.out[job[a]])
                minutes[a][count + 2 * s.index + 1] = service[a] + int(s.home[job[a]])
        if shift is not None:
            late = {int(i): float(cost) for i, cost in zip(shift.item, shift.late, strict=True)}
            for a in range(count):
                arrive = late.get(self.nodes[a].item, 0.0) - shift.idle * service[a]
                for b in range(count):
                    cost[b][a] = float(shift.way_cost[job[b], job[a]]) + arrive
                cost[count + 2 * shift.index][a] = float(shift.out_cost[job[a]]) + arrive
                cost[a][count + 2 * shift.index + 1] = float(shift.home_cost[job[a]])
        return minutes, cost

    def _costs(self, routing: pywrapcp.RoutingModel) -> None:
        arrays = self.arrays
        for shift in arrays.shifts:
            _, cost = self._legs(shift)
            paid = [self._lift(column) for column in range(len(cost))]
            lifted = [[round(_SCALE * value) + lift for value, lift in zip(row, paid, strict=True)] for row in cost]
            routing.SetArcCostEvaluatorOfVehicle(routing.RegisterTransitMatrix(lifted), shift.index)
            routing.SetFixedCostOfVehicle(round(_SCALE * shift.going), shift.index)
        for at, node in enumerate(self.nodes):
            job = arrays.week.jobs[arrays.items[node.item][0]]
            if not node.mandatory:
                routing.AddDisjunction([at], round(_SCALE * float(job.skip_cost)) + self._paid(at))

    def _paid(self, at: int) -> int:
        """What keeps the cost of an arc to the node from being negative: its work, paid for by the time away."""
        most = max(shift.idle for shift in self.arrays.shifts)
        return round(_SCALE * most * int(self.arrays.item_service[self.nodes[at].item]))

    def _lift(self, column: int) -> int:
        return self._paid(column) if column < len(self.nodes) else 0

    def _time(self, routing: pywrapcp.RoutingModel, manager: pywrapcp.RoutingIndexManager) -> None:
        arrays = self.arrays
        minutes, _ = self._legs(None)
        horizon = _DAY * (arrays.week.days + 1)
        routing.AddDimension(routing.RegisterTransitMatrix(minutes), horizon, horizon, False, "time")
        time = routing.GetDimensionOrDie("time")
        for shift in arrays.shifts:
            k, base = shift.index, _DAY * shift.day
            begin, end = base + self._clock(shift.earliest), base + self._clock(shift.latest)
            time.CumulVar(routing.Start(k)).SetRange(begin, end)
            time.CumulVar(routing.End(k)).SetRange(begin, end)
            time.SetSpanCostCoefficientForVehicle(round(_SCALE * shift.idle), k)
            time.SetSpanUpperBoundForVehicle(max(0, shift.longest - arrays.rules.lunch), k)
        for at, node in enumerate(self.nodes):
            index = manager.NodeToIndex(at)
            routing.VehicleVar(index).SetValues(([] if node.mandatory else [-1]) + sorted(node.windows))
            spans = sorted(
                (_DAY * arrays.shifts[k].day + first, _DAY * arrays.shifts[k].day + last)
                for k, windows in node.windows.items()
                for first, last in windows
            )
            _keep_only(time.CumulVar(index), spans)

    def _standing(self, manager: pywrapcp.RoutingIndexManager) -> list[list[int]]:
        routes: list[list[int]] = [[] for _ in self.arrays.shifts]
        for made in self.plan.rounds:
            column = column_of(self.arrays, made)
            routes[column.shift] = [manager.NodeToIndex(self.node_of[i]) for i in column.visits if i in self.node_of]
        return routes

    def _routes(self, routing: pywrapcp.RoutingModel, manager: pywrapcp.RoutingIndexManager) -> dict[CrewDay, Visits]:
        arrays = self.arrays
        routes: dict[CrewDay, Visits] = {}
        for shift in arrays.shifts:
            index, visits = routing.Start(shift.index), []
            while not routing.IsEnd(index):
                node = manager.IndexToNode(index)
                if node < len(self.nodes):
                    j, size = arrays.items[self.nodes[node].item]
                    visits.append((arrays.week.jobs[j].id, size))
                index = routing.NextVar(index).Value()
            if visits:
                routes[shift.crew, shift.day] = tuple(visits)
        return routes


def _keep_only(variable: pywrapcp.IntVar, spans: Sequence[tuple[int, int]]) -> None:
    variable.SetRange(spans[0][0], max(end for _, end in spans))
    reached = spans[0][1]
    for begin, end in spans[1:]:
        if begin > reached + 1:
            variable.RemoveInterval(reached + 1, begin - 1)
        reached = max(reached, end)
