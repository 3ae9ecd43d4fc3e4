"""The master with fractions of rounds allowed: its prices tell which rounds are worth making, its value bounds every
plan from below.

Rows: each crew-day at most one round; each job whole once, or split by one pattern, or left out; for each part size
as many parts as the chosen pattern has; on each day at most as many parts as crews may share the job, and none on a
late day unless that lateness is paid.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from ortools.linear_solver import pywraplp  # type: ignore[attr-defined]

from .arrays import Floats, Shift, WeekArrays
from .labelling import Column


@dataclass(frozen=True, kw_only=True)
class Prices:
    """Duals: `crew_day` by shift; `slots`: the worth of each slot, for each shift, lateness of whole jobs taken off."""

    value: float
    crew_day: Floats
    slots: list[Floats]


class MasterRows:
    """The rows and the variables that are not rounds, in a solver of OR-Tools; rounds are added as columns."""

    def __init__(self, arrays: WeekArrays, solver: str, *, integer: bool) -> None:
        self.arrays, self.integer = arrays, integer
        self.solver = pywraplp.Solver.CreateSolver(solver)
        self.objective = self.solver.Objective()
        self.objective.SetMinimization()
        endless = self.solver.infinity()
        self.shift_rows = [self.solver.Constraint(-endless, 1) for _ in arrays.shifts]
        self.job_rows = [self.solver.Constraint(1, 1) for _ in range(arrays.jobs)]
        self.size_rows: dict[tuple[int, int], pywraplp.Constraint] = {}
        self.day_rows: dict[tuple[int, int], pywraplp.Constraint] = {}
        self.skips: list[pywraplp.Variable] = []
        self.patterns: dict[tuple[int, tuple[int, ...]], pywraplp.Variable] = {}
        self.late: dict[tuple[int, int], pywraplp.Variable] = {}
        for j, job in enumerate(arrays.week.jobs):
            skip = self._variable(float(job.skip_cost))
            self.job_rows[j].SetCoefficient(skip, 1)
            self.skips.append(skip)
            self._split_rows(j)

    def _variable(self, cost: float) -> pywraplp.Variable:
        make = self.solver.BoolVar if self.integer else lambda name: self.solver.NumVar(0, self.solver.infinity(), name)
        variable = make("")
        self.objective.SetCoefficient(variable, cost)
        return variable

    def _split_rows(self, j: int) -> None:
        week = self.arrays.week
        job, endless = week.jobs[j], self.solver.infinity()
        patterns = week.split_patterns(job)
        if not patterns:
            return
        for size in sorted({size for pattern in patterns for size in pattern}):
            self.size_rows[j, size] = self.solver.Constraint(0, 0)
        before = None
        for day in range(week.days):
            row = self.day_rows[j, day] = self.solver.Constraint(-endless, 0)
            if not (job.late_days(day) and job.late_cost):
                continue
            first = day == 0 or job.late_days(day - 1) == 0
            late = self._variable(float(job.late_cost) * (job.late_days(day) if first else 1))
            self.late[j, day] = late
            row.SetCoefficient(late, -job.crews_at_once)
            if before is not None:  # later than that only if that late already
                order = self.solver.Constraint(0, endless)
                order.SetCoefficient(before, 1)
                order.SetCoefficient(late, -1)
            before = late
        for pattern in patterns:
            used = self.patterns[j, pattern] = self._variable(0.0)
            self.job_rows[j].SetCoefficient(used, 1)
            for size, count in Counter(pattern).items():
                self.size_rows[j, size].SetCoefficient(used, -count)
            for day in range(week.days):
                if (j, day) not in self.late:
                    self.day_rows[j, day].SetCoefficient(used, -job.crews_at_once)

    def add_column(self, column: Column) -> pywraplp.Variable:
        """The variable of one round."""
        arrays = self.arrays
        taken = self._variable(column.cost)
        self.shift_rows[column.shift].SetCoefficient(taken, 1)
        day = arrays.shifts[column.shift].day
        for item in column.visits:
            j, size = arrays.items[item]
            if arrays.item_whole[item]:
                self.job_rows[j].SetCoefficient(taken, 1)
            else:
                self.size_rows[j, size].SetCoefficient(taken, 1)
                self.day_rows[j, day].SetCoefficient(taken, 1)
        return taken


class FractionalMaster(MasterRows):
    """The linear master over some columns."""

    means = "use_preprocessing:false use_dual_simplex:false"

    def __init__(self, arrays: WeekArrays) -> None:
        super().__init__(arrays, "GLOP", integer=False)
        self.solver.SetSolverSpecificParametersAsString(self.means)
        self.columns: list[Column] = []
        self.variables: list[pywraplp.Variable] = []

    def optimal(self) -> bool:
        """Solve; from scratch, by other means, when going on from the last solution fails. Whether it was solved."""
        if self.solver.Solve() == pywraplp.Solver.OPTIMAL:
            return True
        for means in ("use_preprocessing:true use_dual_simplex:true", "use_preprocessing:true use_dual_simplex:false"):
            self.solver.SetSolverSpecificParametersAsString(means)
            solved = self.solver.Solve() == pywraplp.Solver.OPTIMAL
            self.solver.SetSolverSpecificParametersAsString(self.means)
            if solved:
                return True
        return False

    def alive_at(self, at: int) -> bool:
        """Whether the column may be used."""
        return 0 <= at < len(self.columns)


class Relaxation(FractionalMaster):
    """The linear master; `add` columns, `solve` for prices. Keeps one column for each crew-day and set of visits."""

    def __init__(self, arrays: WeekArrays) -> None:
        super().__init__(arrays)
        self.place: dict[tuple[int, int], int] = {}

    def add(self, columns: Iterable[Column], most: int | None = None) -> int:
        """Add those that are new, or cheaper than the one with the same visits; how many, at most `most`."""
        added = 0
        for column in columns:
            if most is not None and added >= most:
                break
            at = self.place.get((column.shift, column.items))
            if at is None:
                self.place[column.shift, column.items] = len(self.columns)
                self.columns.append(column)
                self.variables.append(self.add_column(column))
                added += 1
            elif column.cost < self.columns[at].cost - 1e-9:
                self.columns[at] = column
                self.objective.SetCoefficient(self.variables[at], column.cost)
                added += 1
        return added

    def solve(self) -> Prices | None:
        """Value and duals; None when the solver fails."""
        if not self.optimal():
            return None
        crew_day = np.minimum(0.0, np.array([row.dual_value() for row in self.shift_rows]))
        whole = [row.dual_value() for row in self.job_rows]
        size = {at: row.dual_value() for at, row in self.size_rows.items()}
        day = {at: row.dual_value() for at, row in self.day_rows.items()}
        slots = [self._worth(shift, whole, size, day) for shift in self.arrays.shifts]
        return Prices(value=self.objective.Value(), crew_day=crew_day, slots=slots)

    def _worth(
        self,
        shift: Shift,
        whole: list[float],
        size: dict[tuple[int, int], float],
        day: dict[tuple[int, int], float],
    ) -> Floats:
        arrays = self.arrays
        worth = np.array(
            [
                whole[j] if arrays.item_whole[i] else size[arrays.items[i]] + day[j, shift.day]
                for i, j in zip(shift.item.tolist(), shift.job.tolist(), strict=True)
            ],
            dtype=float,
        )
        return worth - shift.late

    def reduced_costs(self) -> Floats:
        """Of the columns, at the last solution."""
        return np.array([variable.reduced_cost() for variable in self.variables])
