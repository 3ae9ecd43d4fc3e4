"""Choosing among rounds: one round per crew and day, every job done in full, split in an allowed way, or left out."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from dataclasses import dataclass

from ortools.math_opt.python import mathopt
from ortools.util.python.solve_interrupter import SolveInterrupter

from .arrays import WeekArrays
from .labelling import Column

_OFF = (
    "mip_detect_symmetry",
    "mip_allow_restart",
    "mip_heuristic_run_feasibility_jump",
    "mip_heuristic_run_rins",
    "mip_heuristic_run_rens",
    "mip_heuristic_run_root_reduced_cost",
    "mip_heuristic_run_zi_round",
    "mip_heuristic_run_shifting",
)
"""Of no use here, and most of its time."""


@dataclass(frozen=True, kw_only=True)
class Choice:
    """What the integer solver found: the rounds (None: no cheaper plan), and a bound on every plan of those offered,
    never above the plan to beat; proven: there is none that is cheaper than these, or than the plan to beat."""

    columns: list[Column] | None
    bound: float
    proven: bool


type _Term = mathopt.LinearTypes


class _Model:
    """The integer master over some rounds."""

    def __init__(self, arrays: WeekArrays, columns: Sequence[Column]) -> None:
        self.arrays, self.columns = arrays, columns
        self.model = mathopt.Model()
        self.takes = [self._choice() for _ in columns]
        self.terms: list[_Term] = [column.cost * take for column, take in zip(columns, self.takes, strict=True)]
        shifts: dict[int, list[_Term]] = defaultdict(list)
        self.wholes: dict[int, list[_Term]] = defaultdict(list)
        self.sizes: dict[tuple[int, int], list[_Term]] = defaultdict(list)
        self.days: dict[tuple[int, int], list[_Term]] = defaultdict(list)
        for column, take in zip(columns, self.takes, strict=True):
            shifts[column.shift].append(take)
            for item in column.visits:
                j, size = arrays.items[item]
                if arrays.item_whole[item]:
                    self.wholes[j].append(take)
                else:
                    self.sizes[j, size].append(take)
                    self.days[j, arrays.shifts[column.shift].day].append(take)
        for takes in shifts.values():
            self.model.add_linear_constraint(mathopt.fast_sum(takes) <= 1)
        for j in range(arrays.jobs):
            self._cover(j)
        self.model.minimize(mathopt.fast_sum(self.terms))

    def _choice(self) -> mathopt.Variable:
        return self.model.add_binary_variable(name="")

    def _cover(self, j: int) -> None:
        week = self.arrays.week
        job = week.jobs[j]
        skip = self._choice()
        self.terms.append(float(job.skip_cost) * skip)
        known = {size for (at, size), takes in self.sizes.items() if at == j and takes}
        patterns = [pattern for pattern in week.split_patterns(job) if known.issuperset(pattern)]
        uses = [self._choice() for _ in patterns]
        self.model.add_linear_constraint(mathopt.fast_sum([*self.wholes[j], skip, *uses]) == 1)
        for size in sorted(known):
            wanted = [p.count(size) * use for p, use in zip(patterns, uses, strict=True) if size in p]
            row = mathopt.fast_sum(self.sizes[j, size]) - mathopt.fast_sum(wanted)
            self.model.add_linear_constraint(row == 0)
        before: mathopt.Variable | None = None
        for day in range(week.days):
            takes = self.days.get((j, day))
            if takes is None:
                continue
            first = before is None
            if job.late_days(day) and job.late_cost:
                late = self._choice()
                paid = job.late_days(day) - (0 if first else self._paid)
                self._paid = job.late_days(day)
                self.terms.append(float(job.late_cost) * paid * late)
                if before is not None:
                    self.model.add_linear_constraint(late <= before)
                before = late
                allowed: _Term = job.crews_at_once * late
            else:
                allowed = job.crews_at_once * mathopt.fast_sum(uses)
            self.model.add_linear_constraint(mathopt.fast_sum(takes) <= allowed)

    _paid = 0


def choose(
    arrays: WeekArrays,
    columns: Sequence[Column],
    *,
    cuts: Iterable[Sequence[int]] = (),
    beat: float,
    step: float,
    seconds: float,
    nodes: int | None,
    seed: int,
    stop: Callable[[], bool] | None = None,
) -> Choice:
    """The cheapest plan made of these rounds.

    cuts: sets of columns of which one at most can be taken. beat: only a plan that costs less counts, by half of
    `step` at least. nodes: limit of the search in nodes; with it and time enough the answer is the same on any machine.
    `stop` is asked from the calling thread.
    """
    built = _Model(arrays, columns)
    for cut in cuts:
        built.model.add_linear_constraint(mathopt.fast_sum(built.takes[at] for at in cut) <= 1)
    params = mathopt.SolveParameters(
        time_limit=dt.timedelta(seconds=max(0.02, seconds)), random_seed=seed, node_limit=nodes
    )
    params.highs.int_options["threads"] = 1
    for name in _OFF:
        params.highs.bool_options[name] = False
    params.highs.double_options["mip_heuristic_effort"] = 0.0
    params.highs.double_options["mip_rel_gap"] = 0.0
    params.highs.double_options["objective_bound"] = beat - step / 2
    result = _solve(built.model, params, stop)
    reason = result.termination.reason
    if reason in (mathopt.TerminationReason.INFEASIBLE, mathopt.TerminationReason.INFEASIBLE_OR_UNBOUNDED):
        return Choice(columns=None, bound=beat, proven=True)
    bound = min(beat, float(result.termination.objective_bounds.dual_bound))
    proven = reason == mathopt.TerminationReason.OPTIMAL
    if not result.has_primal_feasible_solution() or result.objective_value() > beat - step / 2 + 1e-6:
        return Choice(columns=None, bound=beat if proven else bound, proven=proven)
    values = result.variable_values(built.takes)
    chosen = [column for column, value in zip(columns, values, strict=True) if value > 0.5]
    return Choice(columns=chosen, bound=bound, proven=proven)


def _solve(
    model: mathopt.Model,
    params: mathopt.SolveParameters,
    stop: Callable[[], bool] | None,
) -> mathopt.SolveResult:
    """Solve; beside it, when there is a `stop`, ask that one, and interrupt the solver when it says so."""
    if stop is None:
        return mathopt.solve(model, mathopt.SolverType.HIGHS, params=params)
    interrupter = SolveInterrupter()
    with ThreadPoolExecutor(max_workers=1) as beside:
        solving = beside.submit(mathopt.solve, model, mathopt.SolverType.HIGHS, params=params, interrupter=interrupter)
        while not wait([solving], timeout=0.05).done:
            if stop():
                interrupter.interrupt()
        return solving.result()
