"""Plans from fractions of rounds: take the round the relaxation likes best, solve again, and so on down."""

from __future__ import annotations

import random
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
from ortools.linear_solver import pywraplp  # type: ignore[attr-defined]

from .arrays import Floats
from .labelling import Column
from .relaxation import FractionalMaster

_WHOLE = 1 - 1e-5


def dive(relaxation: FractionalMaster, chance: random.Random | None, spent: Callable[[], bool]) -> list[Column]:
    """Rounds that were taken, one after another; the relaxation is left as it was found.

    chance: picks among the likeliest rounds, None takes the likeliest of all. The rounds may leave a split job
    unfinished; the caller mends that.
    """
    variables = relaxation.variables
    taken: list[int] = []
    refused: list[int] = []
    while not spent():
        if relaxation.solver.Solve() != pywraplp.Solver.OPTIMAL:
            if not taken or len(refused) > 20:
                break
            refused.append(taken.pop())
            variables[refused[-1]].SetBounds(0, 0)
            continue
        values = np.array([variable.solution_value() for variable in variables])
        values[taken] = 0
        sure = np.flatnonzero(values >= _WHOLE).tolist()
        open_ = np.flatnonzero(values > 1e-5)
        if not len(open_):
            break
        new = sure or [_pick(values, open_, chance)]
        for at in new:
            variables[at].SetLb(1)
        taken += new
        if len(sure) == len(open_):
            break
    for at in (*taken, *refused):
        variables[at].SetBounds(0, relaxation.solver.infinity() if relaxation.alive_at(at) else 0)
    return [relaxation.columns[at] for at in taken]


def _pick(values: Floats, open_: npt.NDArray[np.intp], chance: random.Random | None) -> int:
    order = open_[np.argsort(-values[open_], kind="stable")]
    if chance is None:
        return int(order[0])
    few = order[:3]
    return int(chance.choices(few.tolist(), weights=values[few].tolist())[0])
