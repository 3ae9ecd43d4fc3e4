"""A week in the hand: which visits lie in which round, what is pinned, what was taken out; and single changes to it.

Nothing here writes to the database. Every change is weighed by the planner's own truth of a day and passes its
checker, so that what is shown before keeping is what is kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

from scheduling import planner
from scheduling.planner.insertion import Rounds, ways_in
from scheduling.services.ground import CrewDay, Ground

HELD_COST = 10_000_000
"""What leaving out a pinned visit costs while solving, in cents: more than a week."""

type Visits = tuple[tuple[str, int], ...]
"""(job, minutes of work) in order."""

# Of several places in a round that cannot be, the rule told is the one that says most: who and when before the clock.
_PLAINEST = ("crew-off", "not-for-crew", "wrong-chute", "confirmed-elsewhere", "day-does-not-suit", "window-short")


class CannotBe(Exception):
    """A rule forbids the change: its code, the job it fails at, and figures."""

    def __init__(self, code: str, job: str | None = None, **params: Any) -> None:
        super().__init__(code)
        self.code, self.job, self.params = code, job, params


@dataclass(frozen=True)
class PinAt:
    """A visit stays with these crews on these days; with `start` (minute of the day) also at that hour."""

    days: tuple[CrewDay, ...]
    start: int | None = None


@dataclass(frozen=True)
class Arrangement:
    """The visits of each crew-day in order; pins; jobs taken out by hand; and why each job left out is out."""

    rounds: Mapping[CrewDay, Visits]
    pins: Mapping[str, PinAt] = field(default_factory=dict)
    out: frozenset[str] = frozenset()
    reasons: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def days_of(self, key: str) -> tuple[CrewDay, ...]:
        """Where the job's visits lie, by day."""
        found = [crew_day for crew_day, visits in self.rounds.items() if any(job == key for job, _ in visits)]
        return tuple(sorted(found, key=lambda crew_day: (crew_day[1], crew_day[0])))

    def as_row(self) -> dict[str, Any]:
        """Ready for a JSON column."""
        return {
            "rounds": [
                {"crew": crew, "day": day, "visits": [list(visit) for visit in visits]}
                for (crew, day), visits in self.rounds.items()
                if visits
            ],
            "pins": held_row(self.pins, self.out)["pins"],
            "out": sorted(self.out),
            "reasons": {key: dict(reason) for key, reason in self.reasons.items()},
        }


def held_row(pins: Mapping[str, PinAt], out: frozenset[str]) -> dict[str, Any]:
    """Pins and what was taken out, ready for a JSON column."""
    return {
        "pins": {key: {"days": [list(at) for at in pin.days], "start": pin.start} for key, pin in pins.items()},
        "out": sorted(out),
    }


def read_held(row: Mapping[str, Any]) -> tuple[dict[str, PinAt], frozenset[str]]:
    """Pins and what was taken out."""
    pins = {
        key: PinAt(tuple((int(crew), int(day)) for crew, day in pin["days"]), pin["start"])
        for key, pin in row.get("pins", {}).items()
    }
    return pins, frozenset(row.get("out", ()))


def read_arrangement(row: Mapping[str, Any]) -> Arrangement:
    """The arrangement kept in a JSON column."""
    pins, out = read_held(row)
    rounds = {
        (int(made["crew"]), int(made["day"])): tuple((str(job), int(work)) for job, work in made["visits"])
        for made in row.get("rounds", ())
    }
    return Arrangement(rounds, pins, out, row.get("reasons", {}))


def arrangement_of(plan: planner.Plan, **fields: Any) -> Arrangement:
    """A plan as an arrangement."""
    rounds = {(int(made.crew), made.day): tuple((str(job), work) for job, work in made.visits) for made in plan.rounds}
    return Arrangement(rounds, **fields)


def held_week(
    week: planner.Week, pins: Mapping[str, PinAt], out: frozenset[str] = frozenset(), *, solving: bool = False
) -> planner.Week:
    """The week in which pinned visits have no other crew, day or hour. While solving, leaving a pinned one out is
    dear, and what was taken out by hand suits no day."""
    jobs = []
    for job in week.jobs:
        pin = pins.get(str(job.id))
        if pin is not None and job.fixed is None:
            job = _pinned(job, pin, solving=solving)
        elif solving and job.id in out and job.fixed is None:
            job = replace(job, windows={})
        jobs.append(job)
    return replace(week, jobs=tuple(jobs))


def _pinned(job: planner.Job, pin: PinAt, *, solving: bool) -> planner.Job:
    days = {day for _, day in pin.days}
    one = len(pin.days) == 1
    return replace(
        job,
        windows={day: openings for day, openings in job.windows.items() if day in days},
        crews=frozenset(crew for crew, _ in pin.days),
        may_split=job.may_split and not one,
        fixed=planner.Fixed(crew=pin.days[0][0], day=pin.days[0][1], start=pin.start)
        if one and pin.start is not None
        else None,
        skip_cost=job.skip_cost + (HELD_COST if solving else 0),
    )


@dataclass(frozen=True)
class Place:
    """A place for a visit: the crew-day, its place in the round, what the week costs more with it there (cents), and
    its hours (minutes of the day); or the rule that refuses it."""

    crew: int
    day: int
    place: int | None = None
    extra: float | None = None
    start: int | None = None
    end: int | None = None
    now: bool = False
    refused: CannotBe | None = None


@dataclass(frozen=True)
class Hand:
    """The ground and the arrangement on it: what may be tried."""

    ground: Ground
    arranged: Arrangement

    @cached_property
    def week(self) -> planner.Week:
        """The week with its pins in force."""
        return held_week(self.ground.week, self.arranged.pins)

    @cached_property
    def pool(self) -> Rounds:
        return Rounds(self.week)

    @cached_property
    def plan(self) -> planner.Plan:
        """The plan as arranged, with hours and cost. Raises CannotBe when a rule forbids it."""
        made = []
        for (crew, day), visits in self.arranged.rounds.items():
            if visits:
                made.append(self._round(crew, day, visits))
        plan = replace(planner.plan_of(self.week, made), nights=self.week.nights)
        for breach in planner.check_plan(self.week, plan):
            raise CannotBe(breach.code, None if breach.job is None else str(breach.job), **breach.params)
        return plan

    def _round(self, crew: int, day: int, visits: Visits) -> planner.Round:
        made = planner.evaluate(self.week, crew, day, visits)
        if isinstance(made, planner.Infeasible):
            raise CannotBe(made.code, None if made.job is None else str(made.job), **made.params)
        return made

    def part_at(self, key: str, part: int) -> tuple[CrewDay, int]:
        """Where part number `part` (from 1, by day) of the job lies, and its work. Raises KeyError if there is none."""
        days = self.arranged.days_of(key)
        if not 1 <= part <= len(days):
            raise KeyError(key)
        at = days[part - 1]
        return at, next(work for job, work in self.arranged.rounds[at] if job == key)

    def without(self, key: str, part: int | None = None) -> Arrangement:
        """The arrangement without the job, or without one part of it."""
        gone = self.arranged.days_of(key) if part is None else (self.part_at(key, part)[0],)
        rounds = {
            at: tuple(visit for visit in visits if not (visit[0] == key and at in gone))
            for at, visits in self.arranged.rounds.items()
        }
        return replace(self.arranged, rounds=rounds)

    def moved(self, key: str, part: int, crew: int, day: int, place: int | None) -> Hand:
        """The visit at another place (None: where it is cheapest in that round). Raises CannotBe."""
        _, work = self.part_at(key, part)
        return self._with(self.without(key, part), key, work, crew, day, place)

    def put_in(self, key: str, crew: int, day: int, place: int | None) -> Hand:
        """A job that is out, all of it in one visit. Raises CannotBe."""
        arranged = replace(
            self.arranged,
            out=self.arranged.out - {key},
            reasons={name: reason for name, reason in self.arranged.reasons.items() if name != key},
        )
        return self._with(arranged, key, self.week.job(key).work, crew, day, place)

    def put_in_anywhere(self, key: str) -> Hand:
        """A job that is out, where it costs least, in several visits if it may be. Raises CannotBe."""
        best = min(ways_in(self.pool, self._draft(), self.week.job(key)), key=lambda way: way[0], default=None)
        if best is None:
            raise CannotBe("no-room", key)
        arranged = replace(
            self.arranged,
            rounds={**self.arranged.rounds, **best[1]},  # type: ignore[dict-item]
            out=self.arranged.out - {key},
            reasons={name: reason for name, reason in self.arranged.reasons.items() if name != key},
        )
        return self._checked(arranged)

    def taken_out(self, key: str) -> Hand:
        """The job left for another week."""
        arranged = self.without(key)
        pins = {name: pin for name, pin in arranged.pins.items() if name != key}
        reasons = {**arranged.reasons, key: {"reason": "taken-out", "details": {}}}
        return self._checked(replace(arranged, pins=pins, out=arranged.out | {key}, reasons=reasons))

    def pinned(self, key: str, *, hour: bool) -> Hand:
        """The job's visits stay where they are; with `hour` also when."""
        days = self.arranged.days_of(key)
        if hour and len(days) > 1:
            raise CannotBe("several-visits", key)
        start = self.hours(key, *days[0])[0] if hour else None
        return self._checked(replace(self.arranged, pins={**self.arranged.pins, key: PinAt(days, start)}))

    def unpinned(self, key: str) -> Hand:
        """The pin is off; the visit stays where it is until somebody moves it."""
        pins = {name: pin for name, pin in self.arranged.pins.items() if name != key}
        return self._checked(replace(self.arranged, pins=pins))

    def hours(self, key: str, crew: int, day: int) -> tuple[int, int]:
        """Start and end of the visit in that round, in minutes of the day."""
        made = self.plan.round_of(crew, day)
        stop = next(stop for stop in made.stops if stop.job == key) if made else None
        if stop is None:
            raise KeyError(key)
        return stop.start, stop.end

    def places(self, key: str, part: int | None) -> list[Place]:
        """For each crew-day that is worked: the cheapest place there for the visit (part: which of the job's; None:
        a job that is out, as one visit), or the rule that refuses it."""
        found = []
        for crew, day in self.week.crew_days():
            try:
                found.append(self.places_in(key, part, int(crew), day)[0])
            except CannotBe as why:
                found.append(Place(int(crew), day, refused=why))
        return found

    def places_in(self, key: str, part: int | None, crew: int, day: int) -> list[Place]:
        """Every place in one round that is possible, the cheapest first; or one that says why there is none. Raises
        CannotBe when the visit must not leave its own round."""
        if part is None:
            base, work, at = self.arranged, self.week.job(key).work, None
        else:
            (at, work), base = self.part_at(key, part), self.without(key, part)
        others = base.rounds.get((crew, day), ())
        rest = self._rest_cost(base, key, (crew, day))  # raises CannotBe when the round left behind cannot be
        possible, refused = [], []
        here = self._place_now(key, at) if at == (crew, day) else None
        for place in range(len(others) + 1):
            tried = (*others[:place], (key, work), *others[place:])
            made = planner.evaluate(self.week, crew, day, tried)
            if isinstance(made, planner.Infeasible):
                refused.append(CannotBe(made.code, None if made.job is None else str(made.job), **made.params))
                continue
            stop = made.stops[place]
            extra = rest + made.cost + self._late(base, key, day) - self.plan.cost
            now = here == place
            possible.append(Place(crew, day, place, 0.0 if now else extra, stop.start, stop.end, now))
        twice = any(job == key for job, _ in others) or self._days_taken(base, key, day)
        if possible and not twice:
            return sorted(possible, key=lambda found: (found.extra or 0, found.place))
        why = CannotBe("two-visits-in-a-day", key) if twice else min(refused, key=_plainness)
        return [Place(crew, day, refused=why, now=at == (crew, day))]

    def _place_now(self, key: str, at: CrewDay) -> int:
        return [job for job, _ in self.arranged.rounds[at]].index(key)

    def _days_taken(self, base: Arrangement, key: str, day: int) -> bool:
        there = sum(1 for _, other in base.days_of(key) if other == day)
        return there >= self.week.job(key).crews_at_once

    def _rest_cost(self, base: Arrangement, key: str, crew_day: CrewDay) -> float:
        """The cost of the week but for this round and this job's lateness and leaving out. Raises CannotBe when the
        round that lost the visit cannot be any more."""
        week, cost = self.week, 0.0
        for (crew, day), visits in base.rounds.items():
            if visits and (crew, day) != crew_day:
                made = self.pool.get((crew, day), visits)
                cost += self._round(crew, day, visits).cost if made is None else made.cost
        cost += self.plan.late_cost + self.plan.skip_cost
        if key in self.plan.skipped:
            return cost - week.job(key).skip_cost
        return cost - self._lateness(key, [day for _, day in self.arranged.days_of(key)])

    def _late(self, base: Arrangement, key: str, day: int) -> float:
        return self._lateness(key, [*(other for _, other in base.days_of(key)), day])

    def _lateness(self, key: str, days: Sequence[int]) -> float:
        job = self.week.job(key)
        return job.late_cost * job.late_days(max(days)) if days else 0.0

    def _with(self, base: Arrangement, key: str, work: int, crew: int, day: int, place: int | None) -> Hand:
        others = base.rounds.get((crew, day), ())
        places = range(len(others) + 1) if place is None else (min(place, len(others)),)
        tried = list(self._tries(base, key, work, (crew, day), places))
        made = [hand for hand in tried if isinstance(hand, Hand)]
        if made:
            return min(made, key=lambda hand: hand.plan.cost)
        raise min((why for why in tried if isinstance(why, CannotBe)), key=_plainness)

    def _tries(
        self, base: Arrangement, key: str, work: int, at: CrewDay, places: Sequence[int] | range
    ) -> Iterator[Hand | CannotBe]:
        others = base.rounds.get(at, ())
        for place in places:
            visits = (*others[:place], (key, work), *others[place:])
            try:
                yield self._checked(replace(base, rounds={**base.rounds, at: visits}))
            except CannotBe as why:
                yield why

    def _checked(self, arranged: Arrangement) -> Hand:
        hand = Hand(self.ground, arranged)
        assert hand.plan is not None  # noqa: S101  (worked out, and checked)
        return hand

    def _draft(self) -> dict[tuple[planner.Key, int], tuple[tuple[planner.Key, int], ...]]:
        return {at: tuple(visits) for at, visits in self.arranged.rounds.items() if visits}


def _plainness(why: CannotBe) -> tuple[bool, float]:
    return why.code not in _PLAINEST, float(why.params.get("over", 0))


def cost_parts(week: planner.Week, plan: planner.Plan, unpaid: float = 0) -> dict[str, float]:
    """The plan's cost in its parts, in the week's unit: crews going out at all; their time driving, washing down and
    waiting; the road by the kilometre; days late; what is left for another week (less `unpaid`); and moving what
    farms were told. They add up to the cost."""
    out = time = road = 0.0
    for made in plan.rounds:
        costs = week.costs_of(week.crew(made.crew))
        out += costs.crew_day
        time += costs.off_work * made.off_work + costs.drive * made.drive
        road += costs.metre * made.metres
    parts = {"out": out, "time": time, "road": road, "late": float(plan.late_cost), "left": plan.skip_cost - unpaid}
    moved = plan.cost - unpaid - sum(parts.values())
    return parts | ({"moved": moved} if moved > 0.5 else {})
