"""How much a round can still gain: an upper bound, by time and place, on the worth of what may follow a stop.

A recursion backwards in time over (place, crew-day), on a grid of a few minutes, which forgets which jobs were
visited already (q-routes: Christofides, Mingozzi, Toth 1981). Times are rounded in the round's favour and waiting is
priced in full, so that the bound is never too low. Labelling drops a label whose bound cannot reach the wanted
reduced cost.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .arrays import Flags, Floats, Ints, Shift, WeekArrays

type Floats32 = npt.NDArray[np.float32]

_NEVER = np.float32(-1e9)
_ROUNDING = 5e-6
"""What single precision may lose over a round, as a share of the largest price."""
_MOST_CELLS = 3e8


class OutlookBuilder:
    """What does not change with the prices; `build` makes the bound for given prices of the slots."""

    def __init__(self, arrays: WeekArrays, grid: int = 5, latest_returns: int = 3) -> None:
        self.arrays = arrays
        shifts, jobs = arrays.shifts, arrays.jobs
        horizon = max(s.latest for s in shifts) - min(s.earliest for s in shifts)
        while (horizon / grid) * jobs * jobs * len(shifts) * latest_returns > _MOST_CELLS and grid < 20:
            grid, latest_returns = grid + 5, 1
        self.grid, self.returns = grid, latest_returns
        self.begin = min(s.earliest for s in shifts)
        self.ticks = horizon // grid + 2
        self.back_by = np.stack(
            [
                np.linspace(min(s.latest, s.earliest + s.longest), s.latest, latest_returns)
                if latest_returns > 1
                else np.array([s.latest], dtype=float)
                for s in shifts
            ]
        )
        self.idle = np.array([s.idle for s in shifts], dtype=np.float32)
        self.idle_each = np.repeat(self.idle, latest_returns)
        self.home = np.stack([s.home for s in shifts], 1)
        self.home_each = np.repeat(self.home, latest_returns, axis=1)
        self.home_cost = np.stack([s.home_cost for s in shifts], 1).astype(np.float32)
        self.home_cost_each = np.repeat(self.home_cost, latest_returns, axis=1)
        self.leg_ticks = (arrays.leg // grid).astype(np.int64)
        way = np.stack([s.way_cost for s in shifts], 2).astype(np.float32)
        way[np.arange(jobs), np.arange(jobs)] = 1e9
        self.way = way
        self.way_each = np.repeat(way, latest_returns, axis=2)
        waiting = (self.idle_each[None, None, :] * grid * self.leg_ticks[:, :, None]).astype(np.float32)
        self.leg_cost = self.way_each + waiting
        self._slots()

    def _slots(self) -> None:
        """All slots of all crew-days in one table, by job and crew-day."""
        shifts, grid, returns = self.arrays.shifts, self.grid, self.returns
        job = np.concatenate([s.job for s in shifts])
        shift = np.concatenate([np.full(len(s.job), s.index) for s in shifts])
        self.order = np.lexsort((shift, job))
        self.slot_job, self.slot_shift = job[self.order].astype(np.int64), shift[self.order].astype(np.int64)
        first = np.concatenate([s.first for s in shifts])[self.order]
        last = np.concatenate([s.last for s in shifts])[self.order]
        self.service = np.concatenate([s.service for s in shifts])[self.order].astype(np.int64)
        self.job_each = np.repeat(self.slot_job, returns)
        self.place_each = (self.slot_shift[:, None] * returns + np.arange(returns)).reshape(-1)
        self.service_each = np.repeat(self.service // grid, returns)
        rounding = self.idle[self.slot_shift] * (self.service % grid)
        self.rounding_each = np.repeat(rounding, returns).astype(np.float32)
        self.first_tick = np.repeat((first - self.begin) // grid, returns)
        self.last_tick = np.repeat((last - self.begin) // grid, returns)

    def build(self, prices: Sequence[Floats]) -> Outlook:
        """prices: for each crew-day the worth of each of its slots."""
        value = np.concatenate([np.asarray(v, dtype=np.float32) for v in prices])[self.order]
        slack = _ROUNDING * float(np.abs(value).max(initial=1.0))
        return Outlook(self, self._by_clock(value), self._by_time_left(value), slack)

    def _by_clock(self, value: Floats32) -> tuple[Floats32, Floats32, Floats32]:
        """The best that can follow work ending at a tick: lunch still to be had on a later leg or at base, lunch on
        the leg that follows, lunch over."""
        rules, grid = self.arrays.rules, self.grid
        jobs, wide = self.arrays.jobs, len(self.arrays.shifts) * self.returns
        worth = np.repeat(value, self.returns) + self.rounding_each
        lunch_ticks, lunch_rest = rules.lunch // grid, self.idle_each * (rules.lunch % grid)
        pad = max(int(self.leg_ticks.max(initial=0)), int(self.service_each.max(initial=0))) + lunch_ticks + 3
        later, now, over, open_, done = (np.full((self.ticks + pad, jobs, wide), _NEVER, np.float32) for _ in range(5))
        home_cost = self.home_cost_each + self.idle_each * self.home_each
        back_by = self.back_by.reshape(-1)
        lunch_tick = (rules.lunch_from - self.begin) // grid
        longest = int(self.service.max(initial=0))
        column = np.arange(jobs)[None, :]
        for tick in range(self.ticks - 1, -1, -1):
            clock = self.begin + tick * grid
            done[tick] = done[tick + 1] - self.idle_each * grid
            open_[tick] = open_[tick + 1] - self.idle_each * grid
            here = np.flatnonzero((self.first_tick <= tick) & (tick <= self.last_tick))
            if len(here):
                at = tick + self.service_each[here], self.job_each[here], self.place_each[here]
                np.maximum.at(done[tick], at[1:], worth[here] + over[at])
                if rules.lunch:
                    follows = np.maximum(later[at], now[at]) if clock <= rules.lunch_to else later[at]
                    np.maximum.at(open_[tick], at[1:], worth[here] + follows)
            arrive = tick + self.leg_ticks
            in_time = clock + self.home_each <= back_by
            straight = np.where(in_time, -home_cost, _NEVER)
            over[tick] = np.maximum(straight, (done[arrive, column] - self.leg_cost).max(axis=1))
            if rules.lunch:
                fed = np.where(in_time & (clock + self.home_each <= rules.lunch_to), -home_cost, _NEVER)
                later[tick] = np.maximum(fed, (open_[arrive, column] - self.leg_cost).max(axis=1))
            if rules.lunch and clock <= rules.lunch_to + longest:
                eat = np.minimum(np.maximum(arrive, lunch_tick) + lunch_ticks, len(done) - 1)
                wait = (grid * np.maximum(eat - lunch_ticks - tick, 0))[:, :, None] * self.idle_each
                at_home = np.maximum(clock + self.home_each, rules.lunch_from)
                home_fed = -self.home_cost_each - self.idle_each * (at_home - clock)
                home_fed = np.where(at_home + rules.lunch <= back_by, home_fed, _NEVER)
                on_leg = (done[eat, column] - self.way_each - wait).max(axis=1)
                now[tick] = np.maximum(home_fed, on_leg + lunch_rest)
        return later[: self.ticks], now[: self.ticks], over[: self.ticks]

    def _by_time_left(self, value: Floats32) -> Floats32:
        """The best that can follow when so many ticks are left of the longest day, whatever the clock."""
        grid, jobs, shifts = self.grid, self.arrays.jobs, self.arrays.shifts
        steps = max(s.longest for s in shifts) // grid + 2
        pad = int(max(self.leg_ticks.max(initial=0), (self.service // grid).max(initial=0))) + 1
        left, arrived = (np.full((steps + pad, jobs, len(shifts)), _NEVER, np.float32) for _ in range(2))
        home_cost = self.home_cost + self.idle[None, :] * self.home
        leg_cost = self.way + (self.idle[None, None, :] * self.arrays.leg[:, :, None]).astype(np.float32)
        service = self.service // grid
        column = np.arange(jobs)[None, :]
        for step in range(steps):
            at = step + pad
            if len(service):
                gain = value + left[at - service, self.slot_job, self.slot_shift]
                np.maximum.at(arrived[at], (self.slot_job, self.slot_shift), gain)
            straight = np.where(self.home <= step * grid, -home_cost, _NEVER)
            left[at] = np.maximum(straight, (arrived[at - self.leg_ticks, column] - leg_cost).max(axis=1))
        return left[pad:]


class Outlook:
    """Bounds for one set of prices."""

    def __init__(
        self,
        builder: OutlookBuilder,
        by_clock: tuple[Floats32, Floats32, Floats32],
        by_time_left: Floats32,
        slack: float,
    ) -> None:
        self.builder, self.slack = builder, slack
        self.later, self.now, self.over = by_clock
        self.from_later, self.from_now, self.from_over = (
            np.maximum.accumulate(table[::-1], axis=0)[::-1] for table in by_clock
        )
        self.by_time_left = by_time_left

    def most(
        self, shift: Shift, job: Ints, early: Ints, offset: Ints, leave_max: Ints, service: Ints, eaten: Flags
    ) -> Floats:
        """For labels at the start of a stop: the most that can be gained after it."""
        b, k = self.builder, shift.index
        rules, idle = b.arrays.rules, shift.idle
        ended = early + service
        tick = (ended - b.begin) // b.grid
        rest = (ended - b.begin) - tick * b.grid
        flex = np.maximum(0, leave_max + offset - early)  # waiting that a later start at base would take away
        back_by = np.minimum(shift.latest, leave_max + shift.longest)
        place = k * b.returns + np.minimum(np.searchsorted(b.back_by[k], back_by), b.returns - 1)
        at = tick, job, place
        fixed, free = idle * rest, idle * (rest + flex)
        fed = np.minimum(self.from_over[at] + fixed, self.over[at] + free)
        if rules.lunch:
            later = np.minimum(self.from_later[at] + fixed, self.later[at] + free)
            now = np.minimum(self.from_now[at] + fixed, self.now[at] + free)
            now = np.where(early <= rules.lunch_to, now, -1e9)
            fed = np.where(eaten, fed, np.maximum(later, now))
        away = np.maximum(early - leave_max, offset) + service
        left = shift.longest - away
        if rules.lunch:
            spare = max(shift.latest - rules.lunch_from - rules.lunch, rules.lunch_to - shift.earliest)
            hungry = np.maximum(left - rules.lunch, min(spare, shift.longest) - away)
            left = np.where(eaten, left, hungry)
        steps = np.clip(-(-left // b.grid), 0, len(self.by_time_left) - 1)
        by_left = np.where(left < 0, -1e9, self.by_time_left[steps, job, k])
        return np.asarray(np.minimum(fed, by_left), dtype=float) + self.slack
