"""Large neighbourhoods: free a few related crew-days of a plan, keep the others, choose the freed rounds anew."""

from __future__ import annotations

import random

import numpy as np

from .arrays import WeekArrays
from .columns import ColumnPool
from .labelling import Column


class Neighbourhoods:
    """Draws sets of columns that hold a plan's rounds and what could take their place on a few crew-days."""

    def __init__(self, arrays: WeekArrays, pool: ColumnPool, chance: random.Random) -> None:
        self.arrays, self.pool, self.chance = arrays, pool, chance
        self._size = -1

    def draw(self, mine: list[Column], most: int) -> list[Column]:
        """At most about `most` columns: those of the plan (`mine`), and those of the pool on freed crew-days that
        touch no job done on the others."""
        columns = self.pool.columns()
        if self._size != len(columns):
            self._related, self._size = np.log1p(self.pool.jobs_by_shift()), len(columns)
        count = len(self.arrays.shifts)
        masks = self.pool.masks(mine)
        done = np.bitwise_or.reduce(masks, axis=0) if mine else np.zeros(self.arrays.words, dtype=np.uint64)
        open_jobs = {j for j in range(self.arrays.jobs) if not int(done[j // 64]) >> (j % 64) & 1}
        free: list[int] = []
        best = np.zeros(0, dtype=np.intp)
        while len(free) < count:
            free.append(self._next(free, mine, open_jobs))
            kept = [at for at, column in enumerate(mine) if column.shift not in free]
            taken = np.bitwise_or.reduce(masks[kept], axis=0) if kept else np.zeros_like(done)
            here = np.flatnonzero(np.isin(self.pool.shift, free) & self.pool.free_of(taken))
            if len(here) > most and len(free) > 2:
                break
            best = here
        have = {(column.shift, column.items) for column in mine}
        fresh = [columns[at] for at in best[:most].tolist()]
        return [*mine, *(column for column in fresh if (column.shift, column.items) not in have)]

    def _next(self, free: list[int], mine: list[Column], open_jobs: set[int]) -> int:
        """The crew-day to free next: the first by chance, then one whose rounds could take the freed jobs."""
        rest = [at for at in range(len(self.arrays.shifts)) if at not in free]
        if not free:
            if open_jobs and self.chance.random() < 0.4:
                job = self.chance.choice(sorted(open_jobs))
                weights = self._related[job] + 1e-9
                return int(self.chance.choices(range(len(weights)), weights=weights.tolist())[0])
            return self.chance.choice(rest)
        jobs = set(open_jobs)
        for column in mine:
            if column.shift in free:
                jobs |= {self.arrays.items[item][0] for item in column.visits}
        weight = self._related[sorted(jobs)].sum(axis=0) if jobs else np.zeros(len(self.arrays.shifts))
        top = float(weight.max(initial=0.0)) or 1.0
        return max(rest, key=lambda at: weight[at] / top + self.chance.random())
