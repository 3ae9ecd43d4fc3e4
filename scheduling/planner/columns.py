"""Rounds as columns of the master and back, and the pool of those known so far."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from .arrays import Bits, Flags, Floats, Ints, WeekArrays
from .insertion import CrewDay, Draft, Visits
from .labelling import Column
from .plan import Round


def column_of(arrays: WeekArrays, made: Round) -> Column:
    """A plan's round as a column."""
    week = arrays.week
    items = tuple(arrays.item_index[week.job_index[job], work] for job, work in made.visits)
    late = sum(
        week.job(job).late_cost * week.job(job).late_days(made.day)
        for job, work in made.visits
        if work == week.job(job).work
    )
    key = sum(int(arrays.item_hash[item]) for item in items) % 2**64
    shift = arrays.shift_index[made.crew, made.day]
    return Column(shift=shift, visits=items, cost=float(made.cost + late), reduced=0.0, items=key)


def visits_of(arrays: WeekArrays, column: Column) -> tuple[CrewDay, Visits]:
    """The column's crew-day and visits."""
    shift = arrays.shifts[column.shift]
    visits = ((arrays.week.jobs[j].id, size) for j, size in (arrays.items[item] for item in column.visits))
    return (shift.crew, shift.day), tuple(visits)


def draft_of(arrays: WeekArrays, columns: Iterable[Column]) -> Draft:
    """The draft these columns make."""
    return dict(visits_of(arrays, column) for column in columns)


class ColumnPool:
    """One column for each crew-day and set of visits, the most promising first."""

    def __init__(self, arrays: WeekArrays) -> None:
        self.arrays = arrays
        self._known: dict[tuple[int, int], tuple[float, Column]] = {}
        self._sorted: list[Column] | None = None
        self.shift: Ints = np.zeros(0, dtype=np.int32)
        self.jobs: Bits = np.zeros((0, arrays.words), dtype=np.uint64)

    def __len__(self) -> int:
        return len(self._known)

    def add(self, columns: Sequence[Column], scores: Iterable[float] | Floats | None = None) -> None:
        """scores: lower is more promising; None: the reduced costs."""
        each = [column.reduced for column in columns] if scores is None else scores
        for column, score in zip(columns, each, strict=True):
            key = column.shift, column.items
            have = self._known.get(key)
            if have is None:
                self._known[key] = float(score), column
            elif column.cost < have[1].cost - 1e-9:
                self._known[key] = min(float(score), have[0]), column
            else:
                continue
            self._sorted = None

    def columns(self) -> list[Column]:
        """All of them in order."""
        if self._sorted is None:
            entries = sorted(self._known.items(), key=lambda entry: (entry[1][0], entry[0]))
            self._sorted = [column for _, (_, column) in entries]
            self.shift = np.array([column.shift for column in self._sorted], dtype=np.int32)
            self.jobs = self.masks(self._sorted)
        return self._sorted

    def masks(self, columns: Sequence[Column]) -> Bits:
        """Visited jobs, 64 to a word."""
        masks = np.zeros((len(columns), self.arrays.words), dtype=np.uint64)
        item_job = self.arrays.item_job
        wide = max((len(column.visits) for column in columns), default=0)
        visits = np.full((len(columns), wide), -1, dtype=np.int32)
        for at, column in enumerate(columns):
            visits[at, : len(column.visits)] = column.visits
        for place in range(wide):
            here = np.flatnonzero(visits[:, place] >= 0)
            job = item_job[visits[here, place]]
            masks[here, job // 64] |= np.uint64(1) << (job % 64).astype(np.uint64)
        return masks

    def free_of(self, taken: Bits) -> Flags:
        """Which columns touch none of these jobs."""
        return np.asarray(((self.jobs & taken) == 0).all(axis=1))

    def jobs_by_shift(self) -> Floats:
        """How many columns each crew-day (column) has for each job (row)."""
        counts = np.zeros((self.arrays.jobs, len(self.arrays.shifts)))
        for j in range(self.arrays.jobs):
            has = (self.jobs[:, j // 64] & np.uint64(1 << (j % 64))) != 0
            counts[j] = np.bincount(self.shift[has], minlength=len(self.arrays.shifts))
        return counts
