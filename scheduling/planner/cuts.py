"""Subset-row cuts on a fixed set of rounds: of three rows that each take one round at most, rounds that lie in two of
them can be taken once in all (Jepsen, Petersen, Spoorendonk, Pisinger 2008).

Rows are the crew-days, the jobs, and for a job that may be split each of its days; the cuts lift the value of the
relaxation, and rounds that can no longer be in a better plan are dropped.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .arrays import Floats, WeekArrays
from .labelling import Column
from .relaxation import FractionalMaster

_VIOLATED = 0.02
_AT_ONCE = 60
_MOST_ROWS = 220


@dataclass(frozen=True)
class Cut:
    """Three packing rows."""

    rows: tuple[int, int, int]


class Membership:
    """Which packing rows each column lies in."""

    def __init__(self, arrays: WeekArrays, columns: Sequence[Column]) -> None:
        self.shifts = len(arrays.shifts)
        self.days = arrays.week.days
        self.count = self.shifts + arrays.jobs * (self.days + 1)
        rows = [self._rows(arrays, column) for column in columns]
        wide = max((len(row) for row in rows), default=1)
        self.rows = np.full((len(rows), wide), -1, dtype=np.int32)
        for at, row in enumerate(rows):
            self.rows[at, : len(row)] = row

    def _rows(self, arrays: WeekArrays, column: Column) -> list[int]:
        day = arrays.shifts[column.shift].day
        rows = [column.shift]
        for item in column.visits:
            j, _ = arrays.items[item]
            job = arrays.week.jobs[j]
            start = self.shifts + j * (self.days + 1)
            if arrays.item_whole[item]:
                rows += range(start + 1, start + 1 + self.days) if job.may_split else [start]
            elif job.crews_at_once == 1:
                rows.append(start + 1 + day)
        return rows

    def coefficients(self, cut: Cut, which: slice = slice(None)) -> npt.NDArray[np.bool_]:
        """For the columns, whether they lie in two of the cut's rows at least."""
        rows = self.rows[which]
        return np.asarray(sum((rows == row).any(axis=1).astype(np.int8) for row in cut.rows) >= 2)

    def violated(self, values: Floats, known: set[tuple[int, int, int]]) -> list[Cut]:
        """The most violated cuts at a fractional solution, each two apart in their rows."""
        support = np.flatnonzero((values > 1e-6) & (values < 1 - 1e-6))
        if not len(support):
            return []
        share = values[support]
        dense = np.zeros((self.count, len(support)))
        rows = self.rows[support]
        at = np.broadcast_to(np.arange(len(support))[:, None], rows.shape)
        dense[rows[rows >= 0], at[rows >= 0]] = 1.0
        _, keep = np.unique(dense, axis=0, return_index=True)  # equal rows give equal cuts
        used = np.sort(keep[dense[keep].any(axis=1)])
        if len(used) > _MOST_ROWS:
            used = np.sort(used[np.argsort(-(dense[used] * share).sum(axis=1), kind="stable")[:_MOST_ROWS]])
        dense = dense[used]
        pair = (dense * share) @ dense.T
        found: list[tuple[float, tuple[int, int, int]]] = []
        for a in range(len(used) - 2):
            triple = (dense[a + 1 :] * (dense[a] * share)) @ dense[a + 1 :].T
            level = pair[a, a + 1 :][:, None] + pair[a, a + 1 :][None, :] + pair[a + 1 :, a + 1 :] - 2 * triple
            left, right = np.nonzero(np.triu(level, 1) > 1 + _VIOLATED)
            for b, c in zip(left.tolist(), right.tolist(), strict=True):
                three = int(used[a]), int(used[a + 1 + b]), int(used[a + 1 + c])
                if three not in known:
                    found.append((-float(level[b, c]), three))
        found.sort()
        return [Cut(three) for _, three in found[:_AT_ONCE]]


class CutMaster(FractionalMaster):
    """The relaxation over a fixed set of rounds, tightened by cuts."""

    means = "use_preprocessing:false"

    def __init__(self, arrays: WeekArrays, columns: Sequence[Column], best: float, step: float) -> None:
        """best: cost of the best plan known; step: no better plan is less than this cheaper."""
        super().__init__(arrays)
        self.columns = list(columns)
        self.variables = [self.add_column(column) for column in columns]
        self.member = Membership(arrays, columns)
        self.alive = np.ones(len(columns), dtype=bool)
        self.best, self.step = best, step
        self.cuts: list[Cut] = []
        self.value = float("-inf")

    def tighten(self, spent: Callable[[], bool], rounds: int = 40) -> None:
        """Cut, drop rounds, and again, until it no longer helps."""
        known: set[tuple[int, int, int]] = set()
        slow = 0
        for _ in range(rounds):
            if not self.optimal():
                return
            before, self.value = self.value, max(self.value, self.objective.Value())
            slow = slow + 1 if self.value < before + 0.01 * max(self.step, self.best - before) else 0
            values = np.array([variable.solution_value() for variable in self.variables])
            self._drop()
            if self.done or slow >= 3 or spent():
                return
            new = self.member.violated(values, known)
            if not new:
                return
            for cut in new:
                known.add(cut.rows)
                self.cuts.append(cut)
                self._add(cut)

    @property
    def done(self) -> bool:
        """Whether nothing better than the best known can be made of these rounds."""
        return self.value > self.best - self.step + 1e-6

    def _drop(self) -> None:
        reduced = np.array([variable.reduced_cost() for variable in self.variables])
        gone = self.alive & (self.value + reduced > self.best - self.step + 1e-6)
        for at in np.flatnonzero(gone).tolist():
            self.variables[at].SetUb(0)
        self.alive &= ~gone

    def _add(self, cut: Cut) -> None:
        row = self.solver.Constraint(-self.solver.infinity(), 1)
        for at in np.flatnonzero(self.member.coefficients(cut) & self.alive).tolist():
            row.SetCoefficient(self.variables[at], 1)

    def alive_at(self, at: int) -> bool:
        return bool(self.alive[at])

    def left(self) -> list[Column]:
        """The rounds a better plan may still be made of."""
        return [self.columns[at] for at in np.flatnonzero(self.alive).tolist()]
