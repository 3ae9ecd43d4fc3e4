"""How much a round can still gain: an upper bound, by time and place, on the worth of what may follow a stop.

A recursion backwards in time over the places of one crew-day, on a grid of a minute or a few, which forgets which jobs
were visited already (q-routes: Christofides, Mingozzi, Toth 1981). Times are rounded in the round's favour and waiting
is priced in full, so that the bound is never too low. Labelling drops a label whose bound cannot reach the wanted
reduced cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .arrays import Floats, Ints, Shift, WeekArrays
from .machine import compiled

NEVER = -1e12
_RETURNS = 3
_MOST_STEPS = 4e7
"""Steps of the recursion that may be taken for one crew-day; above it the grid gets coarser."""
_GRIDS = (1, 2, 3, 5, 10)
_COARSE = 10

type Table = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What labelling needs of one crew-day and what no price changes; jobs are counted among those it can visit.

    clock: earliest, latest, longest, lunch, lunch_from, lunch_to, first leaving after lunch. slots: a row for each
    (job, first, last, service, work, final, due, head). leg: minutes between with wash-down; way: the cost of it; soon,
    soon_home: the least minutes, other visits on the way allowed.
    back_by: returns the bound tells apart.
    """

    shift: Shift
    jobs: Ints
    clock: npt.NDArray[np.int64]
    slots: Ints
    hashes: npt.NDArray[np.uint64]
    late: Floats
    leg: Ints
    drive: Ints
    soon: Ints
    way: Floats
    out: Ints
    home: Ints
    soon_home: Ints
    out_cost: Floats
    home_cost: Floats
    back_by: npt.NDArray[np.int64]
    fine: int
    coarse: int

    @property
    def words(self) -> int:
        """64 jobs to a word."""
        return max(1, -(-len(self.jobs) // 64))

    @classmethod
    def of(cls, arrays: WeekArrays, shift: Shift) -> Ground:
        rules = arrays.rules
        jobs = np.unique(shift.job)
        place = np.zeros(max(1, arrays.jobs), dtype=np.int32)
        place[jobs] = np.arange(len(jobs), dtype=np.int32)
        work = arrays.item_work[shift.item]
        columns = (place[shift.job], shift.first, shift.last, shift.service, work, shift.final, shift.due, shift.head)
        slots = np.stack([np.asarray(column, dtype=np.int32) for column in columns], axis=1)
        after_lunch = max(shift.earliest, rules.lunch_from + rules.lunch) if rules.lunch else shift.earliest
        clock = shift.earliest, shift.latest, shift.longest, rules.lunch, rules.lunch_from, rules.lunch_to, after_lunch
        soonest = min(shift.latest, shift.earliest + shift.longest)
        square = np.ix_(jobs, jobs)
        return cls(
            shift=shift,
            jobs=jobs.astype(np.int32),
            clock=np.array(clock, dtype=np.int64),
            slots=np.ascontiguousarray(slots.reshape(-1, 8)),
            hashes=arrays.item_hash[shift.item],
            late=shift.late,
            leg=np.ascontiguousarray(arrays.leg[square]),
            drive=np.ascontiguousarray(arrays.drive[square]),
            soon=np.ascontiguousarray(arrays.soon[square]),
            way=np.ascontiguousarray(shift.way_cost[square]),
            out=shift.out[jobs],
            home=shift.home[jobs],
            soon_home=shift.soon_home[jobs],
            out_cost=shift.out_cost[jobs],
            home_cost=shift.home_cost[jobs],
            back_by=np.linspace(soonest, shift.latest, _RETURNS).astype(np.int64),
            fine=cls._grid(shift, len(jobs), 1),
            coarse=cls._grid(shift, len(jobs), _COARSE),
        )

    @staticmethod
    def _grid(shift: Shift, jobs: int, wanted: int) -> int:
        """The grid wanted, or a coarser one that is quick enough; each service takes a step on it."""
        least = int(shift.service.min(initial=10**6))
        span = shift.latest - shift.earliest
        quick = (g for g in _GRIDS if g >= wanted and span / g * jobs * jobs * 2 * _RETURNS <= _MOST_STEPS)
        return max(1, min(next(quick, _GRIDS[-1]), least))


@dataclass(frozen=True)
class Outlook:
    """The bound for given prices of one crew-day's slots. Tables by tick, job and return: what can follow work that
    ends then, with lunch still to be had on a later leg or at base, on the leg that follows, or over; each with the
    best of all later ticks beside it. `left`: by minutes left of the longest day, in ticks, and job."""

    grid: int
    later: Table
    now: Table
    over: Table
    left: Table

    @classmethod
    def of(cls, ground: Ground, prices: Floats, grid: int) -> Outlook:
        """prices: the worth of each slot. grid: minutes of a tick."""
        idle = ground.shift.idle
        ticks = int(ground.clock[1] - ground.clock[0]) // grid + 2
        later, now, over = _by_clock(
            ground.clock,
            ground.slots,
            prices,
            ground.leg,
            ground.way,
            ground.home,
            ground.home_cost,
            ground.back_by,
            idle,
            grid,
            ticks,
        )
        left = _by_time_left(
            ground.clock, ground.slots, prices, ground.leg, ground.way, ground.home, ground.home_cost, idle, grid
        )
        return cls(grid, later, now, over, left)


@compiled
def _by_clock(  # noqa: C901 -- one loop, for the compiler
    clock: npt.NDArray[np.int64],
    slots: Ints,
    prices: Floats,
    leg: Ints,
    way: Floats,
    home: Ints,
    home_cost: Floats,
    back_by: npt.NDArray[np.int64],
    idle: float,
    grid: int,
    ticks: int,
) -> tuple[Table, Table, Table]:
    """Tables [tick, job, return, 0: at the tick, 1: at the best of it and all later ones]."""
    begin, lunch, lunch_from, lunch_to = clock[0], clock[3], clock[4], clock[5]
    jobs, returns = len(home), len(back_by)
    later = np.full((ticks, jobs, returns, 2), NEVER)
    now = np.full((ticks, jobs, returns, 2), NEVER)
    over = np.full((ticks, jobs, returns, 2), NEVER)
    done, open_ = np.full((ticks, jobs, returns), NEVER), np.full((ticks, jobs, returns), NEVER)
    last_tick = np.full(jobs, -1, dtype=np.int64)
    first_end, eat_end = np.full(jobs, ticks, dtype=np.int64), np.full(jobs, -1, dtype=np.int64)
    for s in range(len(slots)):
        j, long = slots[s, 0], slots[s, 3] // grid
        last_tick[j] = max(last_tick[j], (slots[s, 2] - begin) // grid)
        first_end[j] = min(first_end[j], (slots[s, 1] - begin) // grid + long)
        eat_end[j] = max(eat_end[j], (lunch_to - begin) // grid + long)
    steps = leg // grid
    lunch_tick, lunch_ticks, lunch_rest = (lunch_from - begin) // grid, lunch // grid, idle * (lunch % grid)
    waiting = idle * grid
    for tick in range(ticks - 1, -1, -1):
        at = begin + tick * grid
        if tick + 1 < ticks:
            for j in range(jobs):
                for r in range(returns):
                    done[tick, j, r] = done[tick + 1, j, r] - waiting
                    open_[tick, j, r] = open_[tick + 1, j, r] - waiting
        for s in range(len(slots)):
            if tick < (slots[s, 1] - begin) // grid or tick > (slots[s, 2] - begin) // grid:
                continue
            j, end = slots[s, 0], tick + slots[s, 3] // grid
            if end >= ticks:
                continue
            worth = prices[s] + idle * (slots[s, 3] % grid)
            for r in range(returns):
                done[tick, j, r] = max(done[tick, j, r], worth + over[end, j, r, 0])
                if lunch > 0:
                    follows = later[end, j, r, 0]
                    if at <= lunch_to:
                        follows = max(follows, now[end, j, r, 0])
                    open_[tick, j, r] = max(open_[tick, j, r], worth + follows)
        for i in range(jobs):
            if tick < first_end[i]:
                continue
            hungry = lunch > 0 and tick <= eat_end[i]
            back = at + home[i]
            for r in range(returns):
                if back <= back_by[r]:
                    straight = -home_cost[i] - idle * home[i]
                    over[tick, i, r, 0] = straight
                    if lunch > 0 and back <= lunch_to:
                        later[tick, i, r, 0] = straight
                if hungry and max(back, lunch_from) + lunch <= back_by[r]:
                    now[tick, i, r, 0] = -home_cost[i] - idle * (max(back, lunch_from) - at)
            for j in range(jobs):
                arrive = tick + steps[i, j]
                if i == j or arrive > last_tick[j]:
                    continue
                cost = way[i, j] + waiting * steps[i, j]
                for r in range(returns):
                    over[tick, i, r, 0] = max(over[tick, i, r, 0], done[arrive, j, r] - cost)
                if lunch > 0:
                    for r in range(returns):
                        later[tick, i, r, 0] = max(later[tick, i, r, 0], open_[arrive, j, r] - cost)
                if hungry:
                    eat = max(arrive, lunch_tick) + lunch_ticks
                    if eat <= last_tick[j]:
                        cost = way[i, j] + waiting * (eat - lunch_ticks - tick) - lunch_rest
                        for r in range(returns):
                            now[tick, i, r, 0] = max(now[tick, i, r, 0], done[eat, j, r] - cost)
            for r in range(returns):
                later[tick, i, r, 1], now[tick, i, r, 1] = later[tick, i, r, 0], now[tick, i, r, 0]
                over[tick, i, r, 1] = over[tick, i, r, 0]
                if tick + 1 < ticks:
                    later[tick, i, r, 1] = max(later[tick, i, r, 1], later[tick + 1, i, r, 1])
                    now[tick, i, r, 1] = max(now[tick, i, r, 1], now[tick + 1, i, r, 1])
                    over[tick, i, r, 1] = max(over[tick, i, r, 1], over[tick + 1, i, r, 1])
    return later, now, over


@compiled
def _by_time_left(
    clock: npt.NDArray[np.int64],
    slots: Ints,
    prices: Floats,
    leg: Ints,
    way: Floats,
    home: Ints,
    home_cost: Floats,
    idle: float,
    grid: int,
) -> Table:
    """The best that can follow when so many ticks are left of the longest day, whatever the clock: [tick, job]."""
    jobs, steps = len(home), clock[2] // grid + 2
    left, arrived = np.full((steps, jobs), NEVER), np.full((steps, jobs), NEVER)
    for step in range(steps):
        for s in range(len(slots)):
            j, before = slots[s, 0], step - slots[s, 3] // grid
            if before >= 0:
                arrived[step, j] = max(arrived[step, j], prices[s] + left[before, j])
        for i in range(jobs):
            if home[i] <= step * grid:
                left[step, i] = -home_cost[i] - idle * home[i]
            for j in range(jobs):
                before = step - leg[i, j] // grid
                if i != j and before >= 0:
                    left[step, i] = max(left[step, i], arrived[before, j] - way[i, j] - idle * leg[i, j])
    return left
