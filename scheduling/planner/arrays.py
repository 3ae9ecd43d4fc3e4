"""A week as arrays: what each crew-day may visit, in which part sizes and openings, and the ways between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .problem import Costs, Crew, Key, Rules, Week

type Ints = npt.NDArray[np.int32]
type Floats = npt.NDArray[np.float64]
type Flags = npt.NDArray[np.bool_]
type Bits = npt.NDArray[np.uint64]

_HASH_SEED = 20240501


@dataclass(frozen=True, kw_only=True)
class Shift:
    """One crew-day: its limits in minutes, and its *slots*, an entry for each (item, opening) that could be visited
    if nothing else were. `first`/`last`: minutes between which the visit may start; `late`: cost of being late if
    the visit is the whole job, and the visit's own price (`Week.visit_price`); `final`: nothing may follow; `due`:
    worth any drive; `head`: how many head it is for, `most_head` of which a round may have (None: any number).
    `soon_home`: least minutes home, other visits on the way allowed. `going`: cost of going out at all. `home`: with
    the wash-down before a night away."""

    index: int
    crew: Key
    day: int
    earliest: int
    latest: int
    longest: int
    costs: Costs
    going: float
    item: Ints
    job: Ints
    first: Ints
    last: Ints
    service: Ints
    late: Floats
    final: Flags
    due: Flags
    head: Ints
    most_head: int | None
    out: Ints
    home: Ints
    soon_home: Ints
    out_cost: Floats
    home_cost: Floats
    way_cost: Floats

    @property
    def idle(self) -> float:
        """Cost of a minute off work."""
        return float(self.costs.off_work)


class WeekArrays:
    """The arrays of one week. An *item* is (index of the job, work): a visit of one size to one job."""

    def __init__(self, week: Week) -> None:
        self.week = week
        count = len(week.jobs)
        self.jobs = count
        self.items: list[tuple[int, int]] = [
            (j, size) for j, job in enumerate(week.jobs) for size in week.part_sizes(job)
        ]
        self.item_index = {item: index for index, item in enumerate(self.items)}
        self.item_job = np.array([j for j, _ in self.items], dtype=np.int32)
        self.item_work = np.array([size for _, size in self.items], dtype=np.int32)
        self.item_service = np.array([week.service(week.jobs[j], size) for j, size in self.items], dtype=np.int32)
        self.item_head = np.array([week.head(week.jobs[j], size) for j, size in self.items], dtype=np.int32)
        self.item_whole = np.array([size == week.jobs[j].work for j, size in self.items], dtype=bool)
        chance = np.random.default_rng(_HASH_SEED)
        self.item_hash = chance.integers(1, 2**63, size=len(self.items), dtype=np.uint64)
        drive = np.array(week.between, dtype=np.int32).reshape(count, count)
        wash = [[week.wash_between(a, b) for b in week.jobs] for a in week.jobs]
        self.drive = drive
        self.leg = drive + np.array(wash, dtype=np.int32).reshape(count, count)
        self.least = np.full(count, 1 << 20, dtype=np.int32)
        np.minimum.at(self.least, self.item_job, self.item_service)
        self.soon = _soonest(self.leg, self.least)
        """Least minutes from the end of work at one farm to the start at another, other visits between allowed: where
        a drive is longer than a way round, or a farm's own wash-down very long, less than `leg`."""
        self.words = max(1, -(-count // 64))
        self._ways: dict[Costs, Floats] = {}
        self.shifts = [self._shift(index, week.crew(crew), day) for index, (crew, day) in enumerate(week.crew_days())]
        self.shift_index = {(shift.crew, shift.day): shift.index for shift in self.shifts}

    @property
    def rules(self) -> Rules:
        return self.week.rules

    def _priced(self, costs: Costs, minutes: Ints, metres: tuple[int, ...] | None) -> Floats:
        priced = float(costs.drive) * minutes.astype(np.float64)
        if metres is not None:
            priced = priced + float(costs.metre) * np.array(metres, dtype=float)
        return priced

    def _way_cost(self, costs: Costs) -> Floats:
        if costs not in self._ways:
            priced = float(costs.drive) * self.drive.astype(np.float64)
            if self.week.metres_between is not None:
                metres = np.array(self.week.metres_between, dtype=float).reshape(self.jobs, self.jobs)
                priced = priced + float(costs.metre) * metres
            self._ways[costs] = priced
        return self._ways[costs]

    def _shift(self, index: int, crew: Crew, day: int) -> Shift:
        week = self.week
        leaving, metres_out = week.leaving(crew.id, day)
        returning, metres_home = week.returning(crew.id, day)
        night = [week.wash_at_night(job, crew.id, day) for job in week.jobs]
        out, back = np.array(leaving, dtype=np.int32), np.array(returning, dtype=np.int32)
        home = back + np.array(night, dtype=np.int32)
        costs = week.costs_of(crew)
        by_way_of = self.least[:, None] + self.soon
        soon_out = np.minimum(out, (out[:, None] + by_way_of).min(axis=0, initial=1 << 20))
        soon_home = np.minimum(home, (self.soon + (self.least + home)[None, :]).min(axis=1, initial=1 << 20))
        slots = self._slots(crew, day, soon_out, soon_home)
        table = np.array(slots, dtype=np.int32).reshape(-1, 5)
        item, job, first, last, service = (np.ascontiguousarray(table[:, column]) for column in range(5))
        jobs = [week.jobs[j] for j in job]
        late = [
            week.visit_price(j, int(self.item_work[i]), crew.id, day)
            + (j.late_cost * j.late_days(day) if self.item_whole[i] else 0)
            for i, j in zip(item, jobs, strict=True)
        ]
        due = [j.fixed is not None or (j.due_day is not None and j.due_day <= day) for j in jobs]
        return Shift(
            index=index,
            crew=crew.id,
            day=day,
            earliest=crew.hours[day][0],
            latest=crew.hours[day][1],
            longest=crew.longest(day),
            costs=costs,
            going=float(week.going(crew.id, day)),
            item=item,
            job=job,
            first=first,
            last=last,
            service=service,
            late=np.array(late, dtype=float),
            final=np.array([j.last_of_day for j in jobs], dtype=bool),
            due=np.array(due, dtype=bool),
            head=self.item_head[item],
            most_head=crew.most_head,
            out=out,
            home=home,
            soon_home=soon_home.astype(np.int32),
            out_cost=self._priced(costs, out, metres_out),
            home_cost=self._priced(costs, back, metres_home),
            way_cost=self._way_cost(costs),
        )

    def _slots(self, crew: Crew, day: int, out: Ints, home: Ints) -> list[tuple[int, int, int, int, int]]:
        """(item, job, first start, last start, service), narrowed to what the crew's hours let it reach."""
        week = self.week
        earliest, latest = crew.hours[day]
        slots = []
        for i, (j, _) in enumerate(self.items):
            job = week.jobs[j]
            service = int(self.item_service[i])
            away = int(out[j]) + service + int(home[j])
            if not job.suits(day) or not week.may(crew, job) or away > crew.longest(day):
                continue
            if crew.most_head is not None and self.item_head[i] > crew.most_head:
                continue
            for first, last in job.openings(day, service):
                first = max(first, earliest + int(out[j]))
                last = min(last, latest - service - int(home[j]))
                if first <= last:
                    slots.append((i, j, first, last, service))
        return sorted(slots, key=lambda slot: (slot[1], slot[0], slot[2]))


def _soonest(leg: Ints, least: Ints) -> Ints:
    """Shortest ways, a stop taking the least minutes a visit there takes (Floyd and Warshall 1962)."""
    soon = leg.copy()
    for k in range(len(leg)):
        np.minimum(soon, soon[:, k, None] + (least[k] + soon[k])[None, :], out=soon)
    return soon
