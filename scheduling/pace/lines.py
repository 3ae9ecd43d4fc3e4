"""Quantile lines by linear programming.

Koenker & Bassett, Regression Quantiles, Econometrica 46 (1978): the line with a share `level` of the outcomes below it
minimises the sum of residuals, those above weighed by `level`, those below by 1 - `level`. All levels are one linear
programme here, so that constraints can tie them. It is solved in its dual form, where each outcome is a bounded
variable and each coefficient a row: a few rows, many columns.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from ortools.linear_solver.python import model_builder_helper as glop

type Floats = npt.NDArray[np.float64]


class NoLine(Exception):
    """The programme has no finite answer: a figure is not a number, or a column is nothing but zeros and unbounded."""


def quantile_lines(
    design: Floats,
    outcome: Floats,
    levels: Sequence[float],
    *,
    weights: Floats | None = None,
    bounded: bool = False,
) -> Floats:
    """Coefficients [level, column] for a design [row, column] and outcomes [row].

    weights: a factor on each row's loss; none: all alike. bounded: no coefficient is below 0, and none falls from one
    level to the next, so that lines with a non-negative design never cross; levels must rise then. Unbounded, each
    level is what it would be alone. Raises NoLine.
    """
    rows, columns = design.shape
    count = len(levels)
    loss = np.ones(rows) if weights is None else weights
    sums = sp.csr_matrix(design.T)
    if bounded:
        # Level t is the sum of increments 0..t, none below 0: increment s meets the outcomes of all levels t >= s.
        blocks = [[sums if t >= s else None for t in range(count)] for s in range(count)]
        matrix = sp.csr_matrix(sp.bmat(blocks))
        least = np.full(count * columns, -np.inf)
    else:
        matrix = sp.csr_matrix(sp.block_diag([sums] * count))
        least = np.zeros(count * columns)
    lower: Floats = np.concatenate([(level - 1) * loss for level in levels])
    upper: Floats = np.concatenate([level * loss for level in levels])
    worth: Floats = np.tile(outcome, count)
    model = glop.ModelBuilderHelper()
    model.fill_model_from_sparse_data(lower, upper, worth, least, np.zeros(count * columns), matrix)
    model.set_maximize(True)
    solver = glop.ModelSolverHelper("glop")
    solver.solve(model)
    if solver.status() != glop.SolveStatus.OPTIMAL:
        raise NoLine(str(solver.status()))
    found = np.array(solver.dual_values()).reshape(count, columns)
    if not bounded:
        return found
    return np.cumsum(np.maximum(found, 0.0), axis=0)


def pinball(outcome: Floats, line: Floats, level: float) -> Floats:
    """The loss of each row: what `quantile_lines` minimises."""
    over = outcome - line
    return np.maximum(level * over, (level - 1) * over)
