"""Column generation: rounds are made where the prices say that one is missing, until none is; then the relaxation's
value bounds every plan from below."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from .arrays import WeekArrays
from .growing import ALL_ROUND, HARSH
from .labelling import Column, Labeller
from .relaxation import Prices, Relaxation

_EPSILON = 1e-6
_ADDED = 40
_MOST_LABELS = 400_000
"""Of one crew-day at one turn; more than that take too long."""


class Pricing:
    """The relaxation of a week and the rounds made for it so far. `bound`: no plan costs less."""

    def __init__(self, arrays: WeekArrays) -> None:
        self.arrays = arrays
        self.labeller = Labeller(arrays)
        self.relaxation = Relaxation(arrays)
        self.bound = 0.0
        self.whole_costs = _whole_costs(arrays)
        self.prices: Prices | None = None
        self.converged = False
        """Whether no round at all is missing at these prices."""
        self._rivalry = HARSH
        self._whole, self._lowest = True, 0.0

    def rounded(self, bound: float) -> float:
        """The bound lifted to the next amount a plan can cost."""
        return math.ceil(bound - 1e-4) if self.whole_costs and math.isfinite(bound) else bound

    @property
    def step(self) -> float:
        """A better plan is at least this much cheaper."""
        return 1.0 if self.whole_costs else 1e-6

    def iterate(self, spent: Callable[[], bool]) -> bool:
        """One turn: prices, then rounds for every crew-day. Whether to go on."""
        self.prices = prices = self.relaxation.solve()
        if prices is None:
            return False
        shifts = self.arrays.shifts
        added = 0
        while self._rivalry < ALL_ROUND:
            added += self._turn(prices, spent, self._rivalry)
            if added > len(shifts):
                return not spent()
            if spent():
                return False
            self._rivalry += 1
        self._whole, self._lowest = True, 0.0
        added += self._turn(prices, spent, ALL_ROUND)
        self.converged = self._whole and not added
        if self._whole:
            self.bound = max(self.bound, self.rounded(prices.value + self._lowest))
        return added > 0 and not spent()

    def _turn(self, prices: Prices, spent: Callable[[], bool], rivalry: int) -> int:
        """Add rounds of every crew-day; how many."""
        added = 0
        for shift in self.arrays.shifts:
            if spent():
                self._whole = False
                break
            worth = prices.slots[shift.index]
            outlook = self.labeller.outlook(shift, worth, coarse=rivalry < ALL_ROUND)
            found = self.labeller.cheapest(
                outlook,
                shift,
                worth,
                float(prices.crew_day[shift.index]),
                -_EPSILON,
                limit=3 * _ADDED,
                most_labels=_MOST_LABELS,
                rivalry=rivalry,
            )
            self._whole &= found.whole
            self._lowest += min(0.0, found.lowest)
            added += self.relaxation.add(found.columns, _ADDED)
        return added

    def reduced_costs(self, columns: Sequence[Column]) -> list[float]:
        """Of any rounds, at the prices of the last turn; the costs themselves before the first."""
        prices = self.prices
        if prices is None:
            return [column.cost for column in columns]
        worth = []
        for shift in self.arrays.shifts:
            each = np.zeros(len(self.arrays.items))
            each[shift.item] = prices.slots[shift.index] + shift.late
            worth.append(each.tolist())
        crew_day = prices.crew_day.tolist()
        return [
            column.cost - crew_day[column.shift] - sum(worth[column.shift][item] for item in column.visits)
            for column in columns
        ]

    def enumerate(self, below: float, most: int, spent: Callable[[], bool]) -> list[Column] | None:
        """Every round whose reduced cost is less than `below`, at the prices of the last turn; None when there are
        more than `most`, or time is up."""
        prices = self.prices
        if prices is None:
            return None
        found: list[Column] = []
        for shift in self.arrays.shifts:
            if spent():
                return None
            worth, crew_price = prices.slots[shift.index], float(prices.crew_day[shift.index])
            outlook = self.labeller.outlook(shift, worth)
            listed = self.labeller.all_below(outlook, shift, worth, crew_price, below, most=most)
            found += listed.columns
            if not listed.whole or len(found) > most:
                return None
        return found


def _whole_costs(arrays: WeekArrays) -> bool:
    """Whether every plan costs a whole number."""
    week = arrays.week
    amounts: list[float] = [amount for job in week.jobs for amount in (job.skip_cost, job.late_cost)]
    amounts += [week.moves.crew, week.moves.day]
    for crew in week.crews:
        costs = week.costs_of(crew)
        amounts += [costs.crew_day, costs.drive, costs.off_work]
        if week.metres_out is not None or week.metres_between is not None or week.metres_home is not None:
            amounts.append(costs.metre)
    return all(float(amount).is_integer() for amount in amounts)
