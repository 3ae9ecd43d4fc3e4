"""From a first plan towards the best: rounds priced by the relaxation, chosen by the integer master, proven by
listing every round that a cheaper plan could be made of."""

from __future__ import annotations

import random
from collections.abc import Sequence

import numpy as np

from .arrays import WeekArrays
from .columns import ColumnPool, column_of, draft_of
from .cuts import CutMaster
from .diving import dive
from .insertion import Rounds, mend, plan_of_draft
from .labelling import Column
from .master import choose
from .neighbours import Neighbourhoods
from .pricing import Pricing
from .search import Search

_SEEDS = 1500
_SHARE_OF_PRICING = 0.6
_NODES = 400
_FIRST_GUESS = 0.006
_GUESS_GROWS = 1.6
_DIVES = 6
_PATIENCE = 8
_MOST_LISTED = 60_000
_MOST_PROVEN = 4_000
_FREE = 700


class Improver:
    """Works on one search with the rounds that are known so far."""

    def __init__(self, search: Search, rounds: Rounds, seed: int) -> None:
        self.search, self.rounds, self.seed = search, rounds, seed
        self.arrays = WeekArrays(search.week)
        self.pricing = Pricing(self.arrays)
        self.chance = random.Random(seed)  # noqa: S311 -- a repeatable choice, no secret
        self.pool = ColumnPool(self.arrays)
        self.neighbourhoods = Neighbourhoods(self.arrays, self.pool, self.chance)
        self.listed = 0.0
        """Every round with a reduced cost below this is in the pool."""

    def run(self) -> None:
        """Until the search is spent or its gap closed."""
        search = self.search
        if not self.arrays.shifts or not self.arrays.items or search.spent():
            return
        self._seed()
        self._price()
        self._dive()
        self._prove(_MOST_PROVEN // 4, search.left() / 10)
        self._exchange(_PATIENCE)
        while not search.spent():
            before = search.best.cost, search.bound, len(self.pool)
            self._prove(_MOST_PROVEN, search.left())
            self._exchange(10 * _PATIENCE)
            if before == (search.best.cost, search.bound, len(self.pool)) and search.effort is None:
                return

    def _offer(self, columns: Sequence[Column], stage: str) -> bool:
        """Offer the plan of these rounds, mended where they leave something half done."""
        draft = draft_of(self.arrays, columns)
        mend(self.rounds, draft)
        return self.search.offer(plan_of_draft(self.rounds, draft), stage)

    def _mine(self) -> list[Column]:
        return [column_of(self.arrays, made) for made in self.search.best.rounds]

    def _seed(self) -> None:
        """Start the relaxation with the best plan and the rounds tried for it."""
        made = [r for r in self.rounds.known.values() if r is not None]
        made.sort(
            key=lambda r: (float(r.cost) - 3 * sum(stop.work for stop in r.stops), str(r.visits), str(r.crew), r.day)
        )
        offered = (*self.search.best.rounds, *made[:_SEEDS])
        self.pricing.relaxation.add(column_of(self.arrays, r) for r in offered)

    def _price(self) -> None:
        search, pricing = self.search, self.pricing
        until = search.left() * (1 - _SHARE_OF_PRICING)

        def late() -> bool:
            return search.left() < until or search.spent()

        while pricing.iterate(late):
            search.lift(pricing.bound, "pricing")
        search.lift(pricing.bound, "pricing")
        if pricing.relaxation.solve() is not None:
            self.pool.add(pricing.relaxation.columns, pricing.relaxation.reduced_costs())

    def _dive(self) -> None:
        search = self.search
        for turn in range(_DIVES):
            if search.spent():
                return
            search.steps += 1
            self._offer(dive(self.pricing.relaxation, self.chance if turn else None, search.spent), "diving")

    def _prove(self, most: int, seconds: float) -> None:
        """List all rounds with a reduced cost below a guess of the gap and settle whether they hold a better plan,
        with a growing guess; as long as at most `most` rounds are left after cutting."""
        search, pricing = self.search, self.pricing
        if pricing.prices is None or not pricing.converged:
            return
        value = pricing.prices.value
        while not search.spent():
            search.steps += 1
            gap = float(search.best.cost) - pricing.step - value
            guess = max(self.listed * _GUESS_GROWS, _FIRST_GUESS * abs(value), pricing.step)
            wanted = gap if guess * _GUESS_GROWS >= gap else guess
            columns = pricing.enumerate(wanted + 1e-6, _MOST_LISTED, search.spent)
            if columns is None:
                return
            self.pool.add(columns)
            if not self._settle(columns, value + wanted, most, seconds):
                return
            self.listed = max(self.listed, wanted)

    def _settle(self, columns: Sequence[Column], below: float, most: int, seconds: float) -> bool:
        """Find the best plan that costs at most `below`, made of the rounds it can be made of, or prove that there is
        none. Whether it was settled."""
        search, pricing = self.search, self.pricing
        master = CutMaster(self.arrays, columns, below + pricing.step, pricing.step)
        master.tighten(search.spent)
        nothing_below = pricing.rounded(below + min(pricing.step, 1e-3))
        search.lift(min(pricing.rounded(master.value), nothing_below), "proving")
        if master.done:
            search.lift(nothing_below, "proving")
            return True
        left = np.flatnonzero(master.alive)
        if len(left) > most:
            return False
        choice = choose(
            self.arrays,
            master.left(),
            cuts=[np.flatnonzero(master.member.coefficients(cut)[left]).tolist() for cut in master.cuts],
            below=below + 1e-6,
            seconds=min(seconds, search.left()),
            nodes=None if search.effort is None else _NODES,
            seed=self.seed,
            stop=search.stop,
        )
        if choice.columns is not None:
            self._offer(choice.columns, "chosen")
        if choice.proven:
            search.lift(nothing_below if choice.columns is None else float(search.best.cost), "proven")
        else:
            search.lift(min(pricing.rounded(choice.bound), nothing_below), "proving")
        return choice.proven

    def _exchange(self, patience: int) -> None:
        """Free a few crew-days of the best plan and choose their rounds anew, again and again; wider when it fails."""
        search = self.search
        failures = 0
        while not search.spent() and failures < patience:
            search.steps += 1
            columns = self.neighbourhoods.draw(self._mine(), _FREE * (1 + failures // 6))
            choice = choose(
                self.arrays,
                columns,
                below=float(search.best.cost) - self.pricing.step + 1e-6,
                seconds=min(search.left(), 1.5),
                nodes=_NODES,
                seed=self.seed,
                stop=search.stop,
            )
            better = choice.columns is not None and self._offer(choice.columns, "exchanging")
            failures = 0 if better else failures + 1
