"""Rounds of one crew-day that are worth it at given prices: the cheapest ones, or all of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .arrays import Bits, Floats, Shift, WeekArrays
from .growing import ALL_ROUND, grow, paths
from .outlook import Ground, Outlook

_MOST_STOPS = 64
_ALL = np.uint64(2**64 - 1)
_HUGE = 2**30


@dataclass(frozen=True, slots=True)
class Column:
    """A round as the master sees it: crew-day, items in order, cost with the lateness of whole jobs, reduced cost, sum
    of item hashes."""

    shift: int
    visits: tuple[int, ...]
    cost: float
    reduced: float
    items: int


@dataclass(frozen=True, kw_only=True)
class Found:
    """Rounds found, cheapest reduced cost first. lowest: least reduced cost of any round there is, as far as it is
    below the wanted one (-inf: not known); whole: nothing was missed."""

    columns: list[Column]
    lowest: float
    whole: bool
    labels: int = 0


class Labeller:
    """Labels the rounds of any crew-day of a week. `halt`: set halt[0] to end the labelling under way early."""

    def __init__(self, arrays: WeekArrays) -> None:
        self.arrays = arrays
        self.grounds = [Ground.of(arrays, shift) for shift in arrays.shifts]
        self.halt = np.zeros(1, dtype=np.uint8)
        self._alone = [np.full((len(g.jobs), g.words), _ALL) for g in self.grounds]
        self._near: dict[tuple[int, int], Bits] = {}
        share = arrays.rules.most_drive_share
        self.share = -1.0 if share is None else float(share)

    def outlook(self, shift: Shift, prices: Floats, *, coarse: bool = False) -> Outlook:
        """How much a round can still gain, at these prices of the crew-day's slots; coarse: quicker and less sharp."""
        ground = self.grounds[shift.index]
        return Outlook.of(ground, prices, ground.coarse if coarse else ground.fine)

    def cheapest(
        self,
        outlook: Outlook,
        shift: Shift,
        prices: Floats,
        crew_price: float,
        below: float,
        *,
        limit: int,
        most_labels: int = _HUGE,
        rivalry: int = ALL_ROUND,
    ) -> Found:
        """Rounds of a reduced cost less than `below`, the least one among them when rivalry is ALL_ROUND; at
        most `limit`."""
        equal = self.share >= 0  # how much was driven and worked must be compared too
        near = self._alone[shift.index]
        return self._run(outlook, shift, prices, crew_price, below, near, equal, rivalry, limit, most_labels)

    def all_below(
        self, outlook: Outlook, shift: Shift, prices: Floats, crew_price: float, below: float, *, most: int
    ) -> Found:
        """Every round of a reduced cost less than `below`, one for each set of visits; not whole if there are more
        than `most`."""
        near = self._alone[shift.index]
        return self._run(outlook, shift, prices, crew_price, below, near, True, ALL_ROUND, _HUGE, 40 * most, most)

    def relaxed(
        self,
        outlook: Outlook,
        shift: Shift,
        prices: Floats,
        crew_price: float,
        below: float,
        *,
        near: int,
        most_labels: int = _HUGE,
    ) -> Found:
        """The least reduced cost of rounds that may come back to a job once they have been far from it: no more than
        that of true rounds. near: how many jobs are near another."""
        neighbours = self._neighbours(shift, near)
        return self._run(outlook, shift, prices, crew_price, below, neighbours, False, ALL_ROUND, 40, most_labels)

    def _neighbours(self, shift: Shift, near: int) -> Bits:
        """For each job the nearest ones, itself among them, 64 to a word."""
        ground = self.grounds[shift.index]
        key = shift.index, near
        if key not in self._near:
            masks = np.zeros((len(ground.jobs), ground.words), dtype=np.uint64)
            both = ground.leg + ground.leg.T
            for j in range(len(ground.jobs)):
                both[j, j] = -1
                for k in np.argsort(both[j], kind="stable")[:near].tolist():
                    masks[j, k // 64] |= np.uint64(1 << (k % 64))
            self._near[key] = masks
        return self._near[key]

    def _run(
        self,
        outlook: Outlook,
        shift: Shift,
        prices: Floats,
        crew_price: float,
        below: float,
        near: Bits,
        equal: bool,
        rivalry: int,
        limit: int,
        most_labels: int,
        most_found: int = _HUGE,
    ) -> Found:
        ground = self.grounds[shift.index]
        most_head = _HUGE if shift.most_head is None else shift.most_head
        if not len(ground.slots):
            return Found(columns=[], lowest=0.0, whole=True)
        state, items, found, costs, whole = grow(
            ground.clock,
            ground.slots,
            ground.hashes,
            np.ascontiguousarray(prices, dtype=np.float64),
            ground.late,
            ground.leg,
            ground.drive,
            ground.soon,
            ground.way,
            ground.out,
            ground.home,
            ground.soon_home,
            ground.out_cost,
            ground.home_cost,
            ground.back_by,
            outlook.grid,
            outlook.later,
            outlook.now,
            outlook.over,
            outlook.left,
            near,
            shift.going - crew_price,
            shift.idle,
            below,
            self.share,
            most_head,
            equal,
            rivalry,
            most_labels,
            most_found,
            self.halt,
        )
        whole &= equal or rivalry == ALL_ROUND
        lowest = float(costs[:, 0].min(initial=below)) if whole else -np.inf
        columns = self._columns(shift, state, items, found, costs, limit)
        return Found(columns=columns, lowest=lowest, whole=whole, labels=len(state))

    def _columns(
        self,
        shift: Shift,
        state: npt.NDArray[np.int32],
        items: Bits,
        found: npt.NDArray[np.int32],
        costs: Floats,
        limit: int,
    ) -> list[Column]:
        """One round for each set of visits, the cheapest."""
        if not len(found):
            return []
        key = items[found]
        order = np.lexsort((costs[:, 1], key))
        first = np.ones(len(order), dtype=bool)
        first[1:] = key[order][1:] != key[order][:-1]
        kept = order[first]
        kept = kept[np.lexsort((key[kept], costs[kept, 0]))][:limit]
        slots, lengths = paths(state, found[kept], _MOST_STOPS)
        visits = np.where(slots >= 0, shift.item[slots], -1)
        jobs = np.where(slots >= 0, shift.job[slots], -np.arange(1, 1 + _MOST_STOPS))
        twice = np.sort(jobs, axis=1)
        simple = (twice[:, 1:] != twice[:, :-1]).all(axis=1) & (lengths <= _MOST_STOPS)
        going = shift.going
        rows = zip(
            visits.tolist(),
            lengths.tolist(),
            costs[kept].tolist(),
            key[kept].tolist(),
            simple.tolist(),
            strict=True,
        )
        return [
            Column(shift.index, tuple(row[:long]), going + cost, reduced, name)
            for row, long, (reduced, cost), name, once in rows
            if once
        ]
