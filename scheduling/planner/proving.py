"""Proving a plan best: list every round whose reduced cost is below a guess of the gap, and settle by the integer
master whether a cheaper plan can be made of them; with a growing guess (Baldacci, Christofides, Mingozzi 2008).

What is settled also bounds every plan: none costs less than the relaxation's value and the guess.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from .arrays import WeekArrays
from .columns import ColumnPool
from .cuts import CutMaster
from .diving import dive
from .labelling import Column
from .master import choose
from .pricing import Pricing
from .search import Search

_FIRST_GUESS = 0.006
_GROWS, _CREEPS = 1.8, 1.3
_FEW_LISTED = 3000
_MOST_LISTED = 120_000
_MOST_DIVED = 3000
_NODES = 400


class Prover:
    """Settles guess after guess at the prices pricing ended with. `listed`: no plan costs less than the relaxation's
    value and this."""

    def __init__(
        self,
        search: Search,
        arrays: WeekArrays,
        pricing: Pricing,
        pool: ColumnPool,
        offer: Callable[[Sequence[Column], str], bool],
        listen: Callable[[], bool],
        seed: int,
    ) -> None:
        """offer: where found rounds go; listen: asked now and then in long steps, whether to end them."""
        self.search, self.arrays, self.pricing, self.pool, self.offer = search, arrays, pricing, pool, offer
        self.listen, self.seed = listen, seed
        self.listed = 0.0
        self.count = 0

    def prove(self, most: int, *, turns: int | None = None) -> bool:
        """Settle growing guesses, `turns` of them at most, until the gap is closed, as long as at most `most` rounds
        are left after cutting. Whether it may go on later."""
        search, pricing = self.search, self.pricing
        if pricing.prices is None or not pricing.converged:
            return False
        value, turn = pricing.prices.value, 0
        while not search.spent() and (turns is None or turn < turns):
            turn += 1
            search.steps += 1
            gap = float(search.best.cost) - pricing.step - value
            grows = _GROWS if self.count < _FEW_LISTED else _CREEPS
            guess = max(self.listed * grows, _FIRST_GUESS * abs(value), pricing.step)
            wanted = gap if guess * 1.2 >= gap else guess
            columns = pricing.enumerate(wanted + 1e-6, _MOST_LISTED, search.spent)
            if columns is None:
                return False
            self.pool.add(columns)
            if not self._settle(columns, value + wanted, most):
                return False
            self.listed, self.count = max(self.listed, wanted), len(columns)
        return True

    def _settle(self, columns: Sequence[Column], below: float, most: int) -> bool:
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
        if len(columns) <= _MOST_DIVED:
            self.offer(dive(master, None, search.spent), "diving")
        left = np.flatnonzero(master.alive)
        if len(left) > most:
            return False
        choice = choose(
            self.arrays,
            master.left(),
            cuts=[np.flatnonzero(master.member.coefficients(cut)[left]).tolist() for cut in master.cuts],
            beat=float(pricing.rounded(below + pricing.step)),
            step=pricing.step,
            seconds=search.left(),
            nodes=None if search.effort is None else _NODES,
            seed=self.seed,
            stop=self.listen,
        )
        if choice.columns is not None:
            self.offer(choice.columns, "chosen")
        if choice.proven:
            search.lift(nothing_below if choice.columns is None else float(search.best.cost), "proven")
        else:
            search.lift(min(pricing.rounded(choice.bound), nothing_below), "proving")
        return choice.proven
