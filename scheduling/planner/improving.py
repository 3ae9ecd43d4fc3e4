"""From a first plan towards the best: rounds priced by the relaxation, chosen by the integer master, proven by
listing every round that a cheaper plan could be made of."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from .arrays import WeekArrays
from .columns import ColumnPool, column_of, draft_of
from .cuts import CutMaster
from .diving import dive
from .insertion import Rounds, mend, plan_of_draft
from .labelling import Column
from .local_search import LocalSearch
from .master import choose
from .neighbours import Neighbourhoods
from .pricing import Pricing
from .proving import Prover
from .search import Search

_SEEDS = 1500
_SHARE_OF_PRICING, _SHARE_OF_FURTHER_PRICING = 0.5, 0.1
_NODES = 400
_DIVES = 3
_DIVE_EVERY = 6
_PATIENCE = 8
_SMALL = 30
_WIDE, _WIDE_GUESS = 6_000, 0.02
_CHEAP, _MOST_PROVEN = 1_500, 12_000
_FREE = 700
_MOST_PATIENCE = 512
_SLICE = 400
_GATHERED = 3000
_TINY = 1e-9


class Improver:
    """Works on one search with the rounds that are known so far."""

    def __init__(self, search: Search, rounds: Rounds, seed: int) -> None:
        self.search, self.rounds, self.seed = search, rounds, seed
        self.arrays = WeekArrays(search.week)
        self.pricing = Pricing(self.arrays)
        self.chance = random.Random(seed)  # noqa: S311 -- a repeatable choice, no secret
        self.pool = ColumnPool(self.arrays)
        self.neighbourhoods = Neighbourhoods(self.arrays, self.pool, self.chance)
        self.prover = Prover(search, self.arrays, self.pricing, self.pool, self._offer, self._listen, seed)
        self.wide: CutMaster | None = None
        self.local: LocalSearch | None = None
        self._told = math.inf

    def run(self) -> None:
        """Until the search is spent or its gap closed."""
        search = self.search
        if not any(len(shift.item) for shift in self.arrays.shifts):
            search.lift(float(search.best.cost), "proven")  # nothing can be done at all
        if search.spent():
            return
        self.local = LocalSearch(self.arrays, self.seed, plan=self._mine())
        if search.effort is None:
            self.local.start()
        try:
            self._work()
        finally:
            self.local.stop()
        self._hear()

    def _work(self) -> None:
        search = self.search
        self._seed()
        self._price(_SHARE_OF_PRICING)
        self._dive()
        small = self.arrays.jobs <= _SMALL
        patience = _PATIENCE if small else 4 * _PATIENCE
        self.prover.prove(_MOST_PROVEN if small else _CHEAP)
        while not search.spent():
            before = search.best.cost, search.bound
            if not small or not self.pricing.converged:
                self._widen()
            self._gather()
            self._exchange(patience)
            self.prover.prove(_MOST_PROVEN, turns=1)
            if before == (search.best.cost, search.bound):
                small = False
                patience = min(2 * patience, _MOST_PATIENCE)

    def _hear(self) -> None:
        """Offer what local search has found, and let it go on from the best plan. It runs beside in a thread; with a
        limited effort, it takes some steps of its own here, so that the answer does not depend on the clock."""
        search, local = self.search, self.local
        if local is None:
            return
        if search.effort is not None:
            local.run(_SLICE)
        met = local.poll(0)
        if met is not None and met.cost < search.best.cost - _TINY:
            self.pricing.relaxation.add(met.plan)
            self._offer(met.plan, "local search")
        if search.best.cost < self._told - _TINY:
            self._told = float(search.best.cost)
            if met is None or met.cost > search.best.cost + _TINY:
                local.offer(self._mine())

    def _listen(self) -> bool:
        """Hear what is found beside a long step; whether to end that step."""
        if self.search.effort is None:
            self._hear()
        return self.search.closed or (self.search.stop is not None and self.search.stop())

    def _gather(self) -> None:
        """Put the rounds of local search's good plans into the pool."""
        if self.local is not None:
            self._hear()
            rounds = self.local.met(_GATHERED).rounds
            self.pool.add(rounds, self.pricing.reduced_costs(rounds))

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

    def _price(self, share: float) -> None:
        """Make rounds until none is missing, for a share of the time left."""
        search, pricing = self.search, self.pricing
        until = search.left() * (1 - share)

        def late() -> bool:
            return search.left() < until or search.spent()

        turn = 0
        while pricing.iterate(late):
            search.lift(pricing.bound, "pricing")
            self._hear()
            turn += 1
            if turn % _DIVE_EVERY == 0:
                self._dive(1)
        search.lift(pricing.bound, "pricing")
        if pricing.relaxation.solve() is not None:
            self.pool.add(pricing.relaxation.columns, pricing.relaxation.reduced_costs())

    def _dive(self, turns: int = _DIVES) -> None:
        search = self.search
        for turn in range(turns):
            if search.spent():
                return
            search.steps += 1
            self._hear()
            self._offer(dive(self.pricing.relaxation, self.chance if turn else None, search.spent), "diving")

    def _widen(self) -> None:
        """Dive among more rounds than pricing has made, with the relaxation tightened; or make more first."""
        search = self.search
        if self.wide is None:
            if not self.pricing.converged:
                self._price(_SHARE_OF_FURTHER_PRICING)
                self._dive(2 * _DIVES)
                return
            columns = self._list_widely()
            if columns is None:
                return
            self.pool.add(columns)
            self.wide = CutMaster(self.arrays, columns, math.inf, self.pricing.step)
            self.wide.tighten(search.spent)
        for turn in range(_DIVES):
            if search.spent():
                return
            search.steps += 1
            self._offer(dive(self.wide, self.chance if turn else None, search.spent), "diving")

    def _list_widely(self) -> list[Column] | None:
        """The rounds with the least reduced costs, as many as a quick dive can take."""
        search, prices = self.search, self.pricing.prices
        if prices is None:
            return None
        gap = min(max(1.0, float(search.best.cost) - prices.value), _WIDE_GUESS * abs(prices.value))
        while not search.spent() and gap > 1e-3:
            columns = self.pricing.enumerate(gap, _WIDE, search.spent)
            if columns is not None:
                return columns
            gap *= 0.6
        return None

    def _exchange(self, patience: int) -> None:
        """Free a few crew-days of the best plan and choose their rounds anew, again and again; wider when it fails."""
        search = self.search
        failures = 0
        while not search.spent() and failures < patience:
            search.steps += 1
            self._hear()
            columns = self.neighbourhoods.draw(self._mine(), _FREE * (1 + failures // 6))
            choice = choose(
                self.arrays,
                columns,
                beat=float(search.best.cost),
                step=self.pricing.step,
                seconds=min(search.left(), 1.5),
                nodes=_NODES,
                seed=self.seed,
                stop=self._listen,
            )
            better = choice.columns is not None and self._offer(choice.columns, "exchanging")
            failures = 0 if better else failures + 1
