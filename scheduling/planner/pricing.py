"""Column generation: rounds are made where the prices say that one is missing, until none is; then the relaxation's
value bounds every plan from below."""

from __future__ import annotations

import math
from collections.abc import Callable

from .arrays import WeekArrays
from .labelling import Column, Labeller
from .outlook import Outlook, OutlookBuilder
from .relaxation import Prices, Relaxation

_EPSILON = 1e-6
_FEW, _MANY = 150, 2000
"""Labels kept of each length: while prices are still wild, and to finish."""
_ADDED = 40


class Pricing:
    """The relaxation of a week and the rounds made for it so far. `bound`: no plan costs less."""

    def __init__(self, arrays: WeekArrays) -> None:
        self.arrays = arrays
        self.builder = OutlookBuilder(arrays)
        self.relaxation = Relaxation(arrays)
        self.bound = 0.0
        self.whole_costs = _whole_costs(arrays)
        self.prices: Prices | None = None
        self.outlook: Outlook | None = None
        self.converged = False
        """Whether no round at all is missing at these prices."""
        self._most = _FEW
        self._first = 0

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
        self.outlook = outlook = self.builder.build(prices.slots)
        added, whole, lowest = 0, True, 0.0
        shifts = self.arrays.shifts
        for turn in range(len(shifts)):
            shift = shifts[(self._first + turn) % len(shifts)]
            if spent():
                self._first = shift.index
                return False
            labeller = Labeller(
                self.arrays,
                outlook,
                shift,
                prices.slots[shift.index],
                float(prices.crew_day[shift.index]),
                -_EPSILON,
                most=self._most,
                limit=3 * _ADDED,
            )
            columns = labeller.run()
            whole &= labeller.whole
            lowest += min(0.0, labeller.lowest_dropped, columns[0].reduced if columns else 0.0)
            added += self.relaxation.add(columns, _ADDED)
        self.bound = max(self.bound, self.rounded(prices.value + lowest))
        self.converged = whole and not added
        if added <= len(shifts) and not whole and self._most < _MANY:
            self._most = min(_MANY, 3 * self._most)
            return True
        return added > 0

    def enumerate(self, below: float, most: int, spent: Callable[[], bool]) -> list[Column] | None:
        """Every round whose reduced cost is less than `below`, at the prices of the last turn; None when there are
        more than `most`, or time is up."""
        prices, outlook = self.prices, self.outlook
        if prices is None or outlook is None:
            return None
        found: list[Column] = []
        for shift in self.arrays.shifts:
            labeller = Labeller(
                self.arrays,
                outlook,
                shift,
                prices.slots[shift.index],
                float(prices.crew_day[shift.index]),
                below,
                too_many=lambda labels: labels > 40 * most or spent(),
            )
            found += labeller.run()
            if not labeller.whole or len(found) > most:
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
