"""Local search over a whole week: take some visits out, put them back more cheaply, again and again.

Whatever the rounds are worth to the master, each distinct one met in a good plan is kept, up to a limit.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from . import compiled as c
from .arrays import Shift, WeekArrays
from .labelling import Column

_MEMORY, _LARGE_MEMORY = 18, 20
_ROUNDS = 16
_KEPT = 20_000
_MOST_STOPS = 64
_MOST_AT_ONCE = 4
_UNITS = 48
_CHUNK = 200
_FIRST_CYCLE = 2_000
_HOT, _COLD = 0.15, 0.004
_NONE = (1, 0)


@dataclass(frozen=True, kw_only=True)
class Met:
    """What a search has to hand over. plan: its best plan, a column for each round; cost: of that plan, what is late
    or left out included; rounds: distinct good rounds met, those of the cheapest plans first."""

    plan: list[Column]
    cost: float
    rounds: list[Column]


class LocalSearch:
    """One search of a week. The same week, seed and steps give the same plan. Step it with `run`, or let it run in a
    thread of its own between `start` and `stop`."""

    def __init__(self, arrays: WeekArrays, seed: int, *, plan: Sequence[Column] = ()) -> None:
        """plan: where to begin, and what never to be worse than; none: a plan by cheapest insertion."""
        self.arrays = arrays
        self._facts = facts_of(arrays)
        self._state = _state_of(arrays, self._facts)
        self._rounds = _no_rounds(self._facts, self._state)
        mixed = np.random.SeedSequence(seed).generate_state(1, dtype=np.uint64)
        self._chance = np.maximum(mixed, np.uint64(1))
        self._offered: list[Column] | None = None
        self._lock = threading.Lock()
        self._halt = threading.Event()
        self._thread: threading.Thread | None = None
        self._failed: BaseException | None = None
        self._told = np.inf
        self._vain = not arrays.jobs or not arrays.shifts
        self._take(plan)
        c.first_plan(self._facts, self._state, self._rounds, self._chance)

    def run(self, steps: int) -> Met:
        """So many steps more; what was met so far."""
        self._steps(steps)
        return self.met()

    def start(self) -> None:
        """Go on in a thread until `stop`."""
        self._halt.clear()
        self._thread = threading.Thread(target=self._go_on, name="local search", daemon=True)
        self._thread.start()

    def stop(self) -> Met:
        """End the thread; what was met."""
        self._halt.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        if self._failed is not None:
            raise self._failed
        return self.met()

    def poll(self, most: int = _KEPT) -> Met | None:
        """What was met, when the plan is better than the last one told of; else None. For use beside the thread."""
        if self._state.value[c.BEST] >= self._told - 1e-9:
            return None
        return self.met(most)

    def met(self, most: int = _KEPT) -> Met:
        """What was met so far; at most so many rounds."""
        with self._lock:
            cost = self._told = float(self._state.value[c.BEST])
            plan = [
                self._column(s, self._state.best_route[s], int(count))
                for s, count in enumerate(self._state.best_stops)
                if count
            ]
            return Met(plan=plan, cost=cost, rounds=self._met_rounds(most))

    def offer(self, plan: Sequence[Column]) -> None:
        """Go on from this plan, if it is better than the own."""
        with self._lock:
            self._offered = list(plan)

    def _go_on(self) -> None:
        try:
            while not self._halt.is_set() and not self._vain:
                self._steps(_CHUNK)
        except BaseException as failed:  # noqa: BLE001 -- raised again in the thread that waits
            self._failed = failed

    def _steps(self, steps: int) -> None:
        while steps > 0 and not self._vain:
            chunk = min(steps, _CHUNK)
            with self._lock:
                if self._offered is not None:
                    self._take(self._offered)
                    self._offered = None
                c.search(self._facts, self._state, self._rounds, self._chance, chunk)
                if self._rounds.filled[0] > 2 * _KEPT:
                    self._thin()
            steps -= chunk

    def _take(self, plan: Sequence[Column]) -> None:
        """Make this the plan under way, unless the own is as good."""
        state = self._state
        before, own = float(state.value[c.BEST]), (state.best_route.copy(), state.best_stops.copy())
        state.best_stops[:] = 0
        for column in plan:
            state.best_route[column.shift, : len(column.visits)] = column.visits
            state.best_stops[column.shift] = len(column.visits)
        if c.load(self._facts, state, self._rounds) >= before:
            state.best_route[:], state.best_stops[:] = own
            c.load(self._facts, state, self._rounds)

    def _column(self, s: int, items: Iterable[int], count: int, cost: float | None = None) -> Column:
        visits = tuple(int(item) for item in list(items)[:count])
        if cost is None:
            cost = self.cost(s, visits)
        key = sum(int(self.arrays.item_hash[item]) for item in visits) % 2**64
        return Column(shift=s, visits=visits, cost=cost, reduced=0.0, items=key)

    def cost(self, shift: int, visits: Sequence[int]) -> float:
        """Cost of a round of these items in this order, lateness of whole jobs included; infinite when it cannot
        be."""
        return round_cost(self._facts, shift, visits)

    def _met_rounds(self, most: int) -> list[Column]:
        rounds = self._rounds
        there = np.flatnonzero(rounds.stops)
        best = there[np.lexsort((rounds.name[there], rounds.score[there]))][:most]
        rows = zip(
            rounds.shift[best].tolist(),
            rounds.items[best].tolist(),
            rounds.stops[best].tolist(),
            rounds.cost[best].tolist(),
            strict=True,
        )
        return [self._column(s, items, count, cost) for s, items, count, cost in rows]

    def _thin(self) -> None:
        """Forget the rounds of the dearest plans."""
        old = self._rounds
        there = np.flatnonzero(old.stops)
        kept = there[np.lexsort((old.name[there], old.score[there]))][:_KEPT]
        fresh = _no_rounds(self._facts, self._state)
        size = np.uint64(len(fresh.name) - 1)
        for at in kept.tolist():
            slot = int(old.name[at] & size)
            while fresh.stops[slot] > 0:
                slot = (slot + 1) & int(size)
            fresh.name[slot], fresh.score[slot], fresh.cost[slot] = old.name[at], old.score[at], old.cost[at]
            fresh.shift[slot], fresh.stops[slot], fresh.items[slot] = old.shift[at], old.stops[at], old.items[at]
        fresh.filled[0] = len(kept)
        self._rounds = fresh


def round_cost(facts: c.Facts, shift: int, visits: Sequence[int]) -> float:
    """Cost of a round of these items in this order, as the master has it; infinite when it cannot be."""
    items = np.array(visits, dtype=np.int64)
    labels = np.empty((3, 4 * _MOST_STOPS, 4), dtype=np.int32)
    return float(c.round_cost(facts, shift, items, len(items), labels))


def facts_of(arrays: WeekArrays) -> c.Facts:
    """The week as the compiled loops want it."""
    week, rules, shifts = arrays.week, arrays.rules, arrays.shifts
    jobs, items, many = arrays.jobs, len(arrays.items), max(1, len(shifts))
    step = rules.split_step
    table = [
        (
            j,
            size,
            week.service(week.jobs[j], size),
            week.head(week.jobs[j], size),
            size // step if size % step == 0 else 0,
        )
        for j, size in arrays.items
    ]
    classes = list({shift.costs: None for shift in shifts})
    price = np.zeros((many, items))
    due = np.zeros((many, jobs), dtype=np.uint8)
    for shift in shifts:
        price[shift.index, shift.item] = shift.late
        due[shift.index, shift.job] = shift.due
    nearness = arrays.leg + arrays.leg.T
    np.fill_diagonal(nearness, -1)
    share = rules.most_drive_share
    return c.Facts(
        item=np.array(table, dtype=np.int64).reshape(-1, 5),
        name=arrays.item_hash.astype(np.uint64),
        job=_jobs(arrays),
        worth=np.array([job.skip_cost for job in week.jobs], dtype=np.float64),
        late=np.array(
            [[job.late_cost * job.late_days(day) for day in range(week.days)] for job in week.jobs], dtype=float
        ).reshape(jobs, week.days),
        shift=np.array(
            [_limits(arrays, shift, classes.index(shift.costs)) for shift in shifts], dtype=np.int64
        ).reshape(-1, 7),
        money=np.array([(shift.going, shift.idle) for shift in shifts], dtype=np.float64).reshape(-1, 2),
        price=price,
        due=due,
        openings=_openings(arrays),
        out=np.array([shift.out for shift in shifts], dtype=np.int32).reshape(len(shifts), jobs),
        home=np.array([shift.home for shift in shifts], dtype=np.int32).reshape(len(shifts), jobs),
        out_cost=np.array([shift.out_cost for shift in shifts], dtype=np.float64).reshape(len(shifts), jobs),
        home_cost=np.array([shift.home_cost for shift in shifts], dtype=np.float64).reshape(len(shifts), jobs),
        leg=np.ascontiguousarray(arrays.leg, dtype=np.int32),
        drive=np.ascontiguousarray(arrays.drive, dtype=np.int32),
        way=np.array(
            [next(shift.way_cost for shift in shifts if shift.costs == kind) for kind in classes], dtype=np.float64
        ).reshape(len(classes), jobs, jobs),
        near=np.argsort(nearness, axis=1, kind="stable").astype(np.int64),
        rule=np.array((rules.lunch, rules.lunch_from, rules.lunch_to, min(rules.split_most, many)), dtype=np.int64),
        share=-1.0 if share is None else float(share),
    )


def _limits(arrays: WeekArrays, shift: Shift, prices: int) -> tuple[int, ...]:
    rules = arrays.rules
    after_lunch = max(shift.earliest, rules.lunch_from + rules.lunch) if rules.lunch else shift.earliest
    most_head = 1 << 40 if shift.most_head is None else shift.most_head
    return shift.earliest, shift.latest, shift.longest, after_lunch, most_head, shift.day, prices


def _jobs(arrays: WeekArrays) -> c.I64:
    week, step = arrays.week, arrays.rules.split_step
    choices = np.zeros(arrays.jobs, dtype=np.int64)
    for shift in arrays.shifts:
        choices[np.unique(shift.job)] += 1
    rows = []
    for j, job in enumerate(week.jobs):
        mine = [item for item, (owner, _) in enumerate(arrays.items) if owner == j]
        whole = [item for item in mine if arrays.items[item][1] == job.work]
        in_parts = any(arrays.items[item][1] < job.work for item in mine)
        steps = job.work // step if in_parts else 0
        rows.append(
            (
                mine[0] if mine else 0,
                mine[-1] + 1 if mine else 0,
                whole[0] if whole else -1,
                job.crews_at_once,
                job.last_of_day,
                steps,
                max(1, -(-steps // _UNITS)),
                choices[j],
                job.fixed is not None,
            )
        )
    return np.array(rows, dtype=np.int64).reshape(-1, 9)


def _openings(arrays: WeekArrays) -> c.I32:
    found: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for shift in arrays.shifts:
        for item, first, last in zip(shift.item.tolist(), shift.first.tolist(), shift.last.tolist(), strict=True):
            found.setdefault((shift.index, item), []).append((first, last))
    wide = max((len(openings) for openings in found.values()), default=1)
    table = np.empty((max(1, len(arrays.shifts)), len(arrays.items), wide, 2), dtype=np.int32)
    table[:] = _NONE
    for (s, item), openings in found.items():
        table[s, item, : len(openings)] = openings
    return table


def _state_of(arrays: WeekArrays, facts: c.Facts) -> c.State:
    shifts, jobs = len(arrays.shifts), arrays.jobs
    longest = max((shift.longest for shift in arrays.shifts), default=0)
    shortest = max(1, int(facts.item[:, c.SERVICE].min(initial=longest + 1)))
    stops = min(_MOST_STOPS, longest // shortest + 2)
    most = int(facts.rule[c.MOST_PARTS])
    at_once = min(_MOST_AT_ONCE, int(facts.job[:, c.AT_ONCE].max(initial=1)))
    steps = int(facts.job[:, c.ALL_STEPS].max(initial=0))
    bits = _LARGE_MEMORY if jobs > 80 else _MEMORY
    number = np.zeros(6, dtype=np.int64)
    number[c.CYCLE_END] = _FIRST_CYCLE
    value = np.zeros(6)
    value[c.BEST] = np.inf
    unit = float(facts.worth.sum()) / max(1, jobs)
    value[c.HOT], value[c.COLD] = _HOT * unit, _COLD * unit
    value[c.REMOVED] = min(10.0, max(3.0, 0.25 * jobs))

    def labels(extra: int) -> c.I32:
        return np.zeros((shifts, stops + extra, c.LABELS, 4), dtype=np.int32)

    return c.State(
        route=np.zeros((shifts, stops), dtype=np.int64),
        stops=np.zeros(shifts, dtype=np.int64),
        name=np.zeros(shifts, dtype=np.uint64),
        cost=np.zeros(shifts),
        at=np.zeros((jobs, max(1, most), 2), dtype=np.int64),
        parts=np.zeros(jobs, dtype=np.int64),
        old_route=np.zeros((shifts, stops), dtype=np.int64),
        old_stops=np.zeros(shifts, dtype=np.int64),
        old_name=np.zeros(shifts, dtype=np.uint64),
        old_cost=np.zeros(shifts),
        touched=np.zeros(shifts, dtype=np.uint8),
        touches=np.zeros(shifts + 1, dtype=np.int64),
        ruined=np.full(shifts, -1, dtype=np.int64),
        changed=np.full(jobs, -1, dtype=np.int64),
        best_route=np.zeros((shifts, stops), dtype=np.int64),
        best_stops=np.zeros(shifts, dtype=np.int64),
        fresh=np.zeros(shifts, dtype=np.uint8),
        sum=np.zeros((shifts, 5), dtype=np.int64),
        ways=np.zeros(shifts),
        fore=labels(1),
        fores=np.zeros((shifts, stops + 1), dtype=np.int64),
        back=labels(2),
        backs=np.zeros((shifts, stops + 2), dtype=np.int64),
        mid=np.zeros((3, 2 * c.LABELS, 4), dtype=np.int32),
        memory_name=np.zeros(1 << bits, dtype=np.uint64),
        memory_cost=np.zeros(1 << bits),
        memory_place=np.zeros(1 << bits, dtype=np.int64),
        priced_name=np.zeros(1 << (bits - 2), dtype=np.uint64),
        priced_cost=np.zeros(1 << (bits - 2)),
        open=np.zeros(8 * jobs + 64, dtype=np.int64),
        key=np.zeros(jobs),
        place_at=np.zeros((max(_MOST_STOPS, most) + 2, 2), dtype=np.int64),
        split=np.zeros((shifts + 1, most + 1, at_once + 1, steps + 1)),
        split_from=np.zeros((shifts + 1, most + 1, at_once + 1, steps + 1, 2), dtype=np.int64),
        number=number,
        value=value,
    )


def _no_rounds(facts: c.Facts, state: c.State) -> c.Rounds:
    size, stops = 1 << _ROUNDS, state.route.shape[1]
    return c.Rounds(
        name=np.zeros(size, dtype=np.uint64),
        score=np.zeros(size),
        cost=np.zeros(size),
        shift=np.zeros(size, dtype=np.int32),
        stops=np.zeros(size, dtype=np.int32),
        items=np.zeros((size, stops), dtype=np.int32),
        filled=np.zeros(1, dtype=np.int64),
    )
