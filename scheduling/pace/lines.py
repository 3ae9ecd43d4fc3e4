"""Quantile lines by linear programming.

Koenker & Bassett, Regression Quantiles, Econometrica 46 (1978): the line with a share `level` of the outcomes below it
minimises the sum of residuals, those above weighed by `level`, those below by 1 - `level`. All levels are one linear
programme here, so that constraints can tie them. It is solved in its dual form, where each outcome is a bounded
variable and each coefficient a row: a few rows, many columns.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from ortools.linear_solver.python import model_builder_helper as glop

type Floats = npt.NDArray[np.float64]


_FEWEST_TO_PART: Final = 1000
_DECIDE: Final = 0.25
"""Share of rows left to decide when a line near the answer is known."""


class NoLine(Exception):
    """The programme has no finite answer: a figure is not a number, or a column is nothing but zeros and unbounded."""


def quantile_lines(
    design: Floats,
    outcome: Floats,
    levels: Sequence[float],
    *,
    weights: Floats | None = None,
    bounded: bool = False,
    near: Floats | None = None,
) -> Floats:
    """Coefficients [level, column] for a design [row, column] and outcomes [row].

    weights: a factor on each row's loss; none: all alike. bounded: no coefficient is below 0, and none falls from one
    level to the next, so that lines with a non-negative design never cross; levels must rise then. Unbounded, each
    level is what it would be alone. near: lines close to the answer, for speed; the answer is the same. Raises NoLine.
    """
    loss = np.ones(len(design)) if weights is None else weights
    programme = _Programme(design, outcome, np.asarray(levels), loss, bounded)
    if near is None or len(design) < _FEWEST_TO_PART:
        return programme.solve(
            np.ones((len(levels), len(design)), dtype=np.bool_), np.zeros((len(levels), len(design)))
        )
    # Rows far above or below a line near the answer will be so for the answer too; only the rest are left to decide.
    # (Portnoy & Koenker, The Gaussian Hare and the Laplacian Tortoise, Statist. Sci. 12 (1997), 4.)
    over = outcome - near @ design.T
    far = np.abs(over) * loss
    free = far <= np.quantile(far, _DECIDE, axis=1, keepdims=True)
    while True:
        try:
            lines = programme.solve(free, np.sign(over))
        except NoLine:
            if free.all():
                raise
            free[:] = True  # the line was not near enough for what was settled to be possible
            continue
        wrong = ~free & (np.sign(outcome - lines @ design.T) != np.sign(over))
        if not wrong.any():
            return lines
        free |= wrong | (far <= np.quantile(far, _DECIDE, axis=1, keepdims=True) * 2)


class _Programme:
    """The dual: worth of each row at each level, between level - 1 and level, so that no column is worth anything."""

    def __init__(self, design: Floats, outcome: Floats, levels: Floats, loss: Floats, bounded: bool) -> None:
        self.columns, self.bounded = design.shape[1], bounded
        self.lower: Floats = (levels[:, None] - 1.0) * loss
        self.upper: Floats = levels[:, None] * loss
        self.worth: Floats = np.tile(outcome, len(levels))
        self.count = len(levels)
        sums = sp.csr_matrix(design.T)
        if bounded:
            # Level t is the sum of increments 0..t, none below 0: increment s meets the outcomes of all levels t >= s.
            blocks = [[sums if t >= s else None for t in range(self.count)] for s in range(self.count)]
            self.matrix = sp.csc_matrix(sp.bmat(blocks))
        else:
            self.matrix = sp.csc_matrix(sp.block_diag([sums] * self.count))

    def solve(self, free: npt.NDArray[np.bool_], side: Floats) -> Floats:
        """free: [level, row], rows still to be decided; the others lie above (side 1) or below (-1) their line."""
        settled = np.where(side > 0, self.upper, self.lower)
        settled[free] = 0.0
        most = -(self.matrix @ settled.ravel())
        least = np.full(len(most), -np.inf) if self.bounded else most
        chosen = np.flatnonzero(free.ravel())
        model: Any = glop.ModelBuilderHelper()
        lower, upper = self.lower.ravel()[chosen], self.upper.ravel()[chosen]
        matrix = sp.csr_matrix(self.matrix[:, chosen])
        model.fill_model_from_sparse_data(lower, upper, self.worth[chosen], least, most, matrix)
        model.set_maximize(True)
        solver = glop.ModelSolverHelper("glop")
        solver.solve(model)
        if solver.status() != glop.SolveStatus.OPTIMAL:
            raise NoLine(str(solver.status()))
        found = np.array(solver.dual_values()).reshape(self.count, self.columns)
        return np.cumsum(np.maximum(found, 0.0), axis=0) if self.bounded else found


def pinball(outcome: Floats, line: Floats, level: float) -> Floats:
    """The loss of each row: what `quantile_lines` minimises."""
    over = outcome - line
    return np.maximum(level * over, (level - 1) * over)
