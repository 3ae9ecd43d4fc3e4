"""A week to be planned, as frozen values that check themselves: crews, jobs, driving, costs and rules.

Times are whole minutes; a day's clock counts from midnight; day 0 is Monday. Lengths are whole metres. Costs are in
one unit of the caller's choice (cents of the business's money, say). Ids of crews and jobs may be any string or
whole number. The file format is `weekfile`'s business.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

type Key = str | int
type Number = int | float
type Opening = tuple[int, int]
"""From and to, in minutes from midnight."""
type Row = tuple[int, ...]
type Matrix = tuple[Row, ...]

FARTHEST = 10**6
"""Minutes of driving that stand for a farm nobody can reach; no drive is longer."""
LONGEST = 10**6
"""Minutes of work, and of setting up, that no job passes."""
DAY_END = 2 * 24 * 60
"""No clock time of a day lies beyond this: a day's work may end after midnight, never after the next one."""


class BadWeek(ValueError):
    """The week cannot be meant: `code` names the rule, `params` what broke it; the message is plain English for
    developers."""

    def __init__(self, code: str, message: str, **params: object) -> None:
        super().__init__(message)
        self.code = code
        self.params = params


def _require(holds: bool, code: str, message: str, **params: object) -> None:
    if not holds:
        raise BadWeek(code, message.format(**params), **params)


def _whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _minutes(value: object, most: int = LONGEST) -> bool:
    return isinstance(value, int) and _whole(value) and 0 <= value <= most


def _name(value: object) -> bool:
    return isinstance(value, str) or _whole(value)


def _cost(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < float("inf")


@dataclass(frozen=True, kw_only=True)
class Costs:
    """Prices in one money unit: a crew leaving base that day, a driven minute, a driven metre, and a minute away
    from base that is neither work at the chute (with its setup) nor lunch: driving, washing, waiting. bed: a crew's
    night away, or None where nobody stays away."""

    crew_day: Number = 60
    drive: Number = 2
    off_work: Number = 1
    metre: Number = 0
    bed: Number | None = None

    def __post_init__(self) -> None:
        _require(self.bed is None or _cost(self.bed), "bad-cost", "The cost bed must not be negative.", name="bed")
        for name in ("crew_day", "drive", "off_work", "metre"):
            value = getattr(self, name)
            _require(_cost(value), "bad-cost", "The cost {name} must be a number that is not negative.", name=name)


@dataclass(frozen=True, kw_only=True)
class Rules:
    """The rules of the whole week, in minutes.

    wash: added between a farm and a cleaner one, after the worse (a night at base cleans). lunch: 0 means none; it
    starts within [lunch_from, lunch_to], before leaving, after returning or anywhere in the round, where it may
    interrupt a drive or the work. A split job's visits are multiples of split_step, at least split_least, at most
    split_most of them, on different days. regroup: added for each further pen of cows when a visit is longer than
    the farm's lock-up limit. most_drive_share: a round's driving may be at most this many times its work unless one
    of its jobs is due by then or fixed (no 60 km for three head); None: no such rule. night_from: a night away is
    thought of only near farms at least so many minutes of driving from base.
    """

    wash: int = 45
    lunch: int = 30
    lunch_from: int = 660
    lunch_to: int = 810
    split_step: int = 30
    split_least: int = 120
    split_most: int = 3
    regroup: int = 0
    most_drive_share: Number | None = None
    night_from: int = 60

    def __post_init__(self) -> None:
        for name in ("wash", "lunch", "lunch_from", "lunch_to", "split_least", "regroup", "night_from"):
            value = getattr(self, name)
            _require(_whole(value) and value >= 0, "bad-rule", "The rule {name} must be whole minutes.", name=name)
        _require(self.lunch_from <= self.lunch_to, "bad-lunch", "Lunch must be allowed to start at some time.")
        _require(
            _whole(self.split_step) and self.split_step > 0,
            "bad-rule",
            "split_step must be positive.",
            name="split_step",
        )
        _require(
            _whole(self.split_most) and self.split_most > 0,
            "bad-rule",
            "split_most must be positive.",
            name="split_most",
        )
        share = self.most_drive_share
        _require(share is None or (_cost(share) and share > 0), "bad-rule", "Bad drive share.", name="most_drive_share")


@dataclass(frozen=True, kw_only=True)
class Crew:
    """People and a chute that travel together in a day.

    hours: {day: (earliest leaving base, latest return)}; a day that is missing is a day off, a part day has its own
    pair. longest_day: most minutes from leaving to return; longest_on: {day: most minutes} where a day has its own
    limit. chute_kind: None or a word of the caller's. costs: this
    crew's own prices, or None for the week's. most_head: head the crew will treat in a day at most, or None.
    """

    id: Key
    hours: Mapping[int, Opening]
    longest_day: int
    chute_kind: str | None = None
    costs: Costs | None = None
    longest_on: Mapping[int, int] = field(default_factory=dict)
    most_head: int | None = None

    def __post_init__(self) -> None:
        who = self.id
        _require(_name(who), "bad-id", "The id of a crew must be a word or a whole number.")
        most = self.most_head
        _require(most is None or (_whole(most) and most > 0), "bad-head", "Crew {crew}: bad most_head.", crew=who)
        for day, (earliest, latest) in self.hours.items():
            ok = _whole(day) and _whole(earliest) and _whole(latest) and 0 <= earliest <= latest <= DAY_END
            _require(ok, "bad-hours", "Crew {crew} has hours on day {day} that cannot be.", crew=who, day=day)
        for limit in (self.longest_day, *self.longest_on.values()):
            _require(_minutes(limit), "bad-day", "Crew {crew}: longest day missing.", crew=who)

    def longest(self, day: int) -> int:
        """Most minutes from leaving to return that day."""
        return self.longest_on.get(day, self.longest_day)

    @classmethod
    def steady(
        cls,
        id: Key,
        *,
        days: Iterable[int],
        earliest: int,
        latest: int,
        longest_day: int,
        chute_kind: str | None = None,
        costs: Costs | None = None,
    ) -> Crew:
        """A crew with the same hours on each of its days."""
        hours = dict.fromkeys(days, (earliest, latest))
        return cls(id=id, hours=hours, longest_day=longest_day, chute_kind=chute_kind, costs=costs)


@dataclass(frozen=True, kw_only=True)
class Fixed:
    """A confirmed visit: it keeps its crew, its day and the minute the work starts."""

    crew: Key
    day: int
    start: int

    def __post_init__(self) -> None:
        whole = _whole(self.day) and _minutes(self.start, DAY_END)
        _require(whole, "bad-appointment", "A confirmed visit must have a day and a minute that can be.")


@dataclass(frozen=True, kw_only=True)
class Told:
    """A visit a farm was told: who comes, on which day, and the minute the work starts. It may still be moved, at a
    price."""

    crew: Key
    day: int
    start: int


@dataclass(frozen=True, kw_only=True)
class Moves:
    """What it costs to change what a farm was told, for each visit: another hour of the same day (more than
    `tolerance` minutes away), another crew that day, another day; and not to come at all. None by default."""

    hour: Number = 0
    crew: Number = 0
    day: Number = 0
    cancel: Number = 0
    tolerance: int = 30

    def __post_init__(self) -> None:
        for name in ("hour", "crew", "day", "cancel"):
            value = getattr(self, name)
            _require(_cost(value), "bad-cost", "The cost {name} must be a number that is not negative.", name=name)
        _require(self.hour <= self.crew <= self.day <= self.cancel, "bad-moves", "A farther move must not cost less.")
        _require(
            _whole(self.tolerance) and self.tolerance >= 0, "bad-rule", "Bad tolerance of told hours.", name="tolerance"
        )


@dataclass(frozen=True, kw_only=True)
class Job:
    """Work asked for at one farm this week.

    work: minutes at the chute; setup: minutes at each visit on top. windows: {day: openings}; a visit's setup and
    work lie inside one opening; a missing day does not suit. earliest_day/latest_day: hard; due_day: each day after
    it costs late_cost, counted for the job's last visit. skip_cost: the job not done this week. tier: 0 is the
    cleanest herd. last_of_day: nothing may follow it in a round (a herd known to be infectious). crews: who may, or
    None for all. chute_kind: the kind it needs, or None. fixed: a confirmed visit (the whole job in that visit).
    told: the visits the farm was told, which the week's `moves` price.
    longest_visit: most work in one visit. lock_up: minutes a penned head may wait: a longer visit is worked in
    several pens (rules.regroup each). crews_at_once: how many crews may share the job on one day. wash_after: this
    farm's own wash-down, in place of rules.wash. head: how many head the work is for; a part of the work has its
    share of them, rounded up.
    """

    id: Key
    work: int
    windows: Mapping[int, Sequence[Opening]]
    setup: int = 0
    may_split: bool = False
    earliest_day: int = 0
    latest_day: int | None = None
    due_day: int | None = None
    late_cost: Number = 0
    skip_cost: Number = 0
    tier: int = 0
    last_of_day: bool = False
    crews: frozenset[Key] | None = None
    chute_kind: str | None = None
    fixed: Fixed | None = None
    longest_visit: int | None = None
    lock_up: int | None = None
    crews_at_once: int = 1
    wash_after: int | None = None
    told: tuple[Told, ...] = ()
    head: int = 0

    def __post_init__(self) -> None:
        job = self.id
        _require(_name(job), "bad-id", "The id of a job must be a word or a whole number.")
        _require(_whole(self.head) and self.head >= 0, "bad-head", "Job {job}: head must not be negative.", job=job)
        _require(_minutes(self.work) and self.work > 0, "bad-work", "Job {job} must have work, in minutes.", job=job)
        _require(_minutes(self.setup), "bad-setup", "Job {job}: setup must be minutes, not negative.", job=job)
        for name in ("earliest_day", "latest_day", "due_day"):
            value = getattr(self, name)
            missing = value is None and name != "earliest_day"
            _require(missing or _whole(value), "bad-day", "Job {job}: {name} must be a day.", job=job, name=name)
        for day, openings in self.windows.items():
            for opened, closed in openings:
                ok = _whole(day) and _whole(opened) and _whole(closed) and 0 <= opened <= closed <= DAY_END
                _require(ok, "bad-window", "Job {job} has a window on day {day} that cannot be.", job=job, day=day)
        for name in ("late_cost", "skip_cost"):
            _require(
                _cost(getattr(self, name)), "bad-cost", "Job {job}: {name} must not be negative.", job=job, name=name
            )
        for name in ("longest_visit", "lock_up"):
            value = getattr(self, name)
            _require(
                value is None or (_whole(value) and value > 0),
                "bad-limit",
                "Job {job}: bad {name}.",
                job=job,
                name=name,
            )
        _require(_whole(self.tier), "bad-tier", "Job {job}: the tier must be a whole number.", job=job)
        _require(
            _whole(self.crews_at_once) and self.crews_at_once >= 1,
            "bad-crews",
            "Job {job}: bad crews_at_once.",
            job=job,
        )
        _require(
            self.wash_after is None or (_whole(self.wash_after) and self.wash_after >= 0),
            "bad-rule",
            "Job {job}: bad wash-down.",
            job=job,
        )

    def suits(self, day: int) -> bool:
        """Whether the job may be visited that day at all."""
        return (
            bool(self.windows.get(day))
            and day >= self.earliest_day
            and (self.latest_day is None or day <= self.latest_day)
            and (self.fixed is None or self.fixed.day == day)
        )

    def openings(self, day: int, service: int) -> tuple[Opening, ...]:
        """When a visit of `service` minutes may start: (first, last) minute of each opening it fits into."""
        starts = [
            (opened, closed - service) for opened, closed in self.windows.get(day, ()) if closed - service >= opened
        ]
        if self.fixed is not None:
            start = self.fixed.start
            starts = [(start, start) for first, last in starts if first <= start <= last][:1]
        return tuple(starts)

    def late_days(self, day: int) -> int:
        """Days after the due day, if the last visit is on `day`."""
        return 0 if self.due_day is None else max(0, day - self.due_day)


@dataclass(frozen=True, kw_only=True)
class Night:
    """A night away: after its round of `day` the crew sleeps near the farm of the job `near`, and starts from there the
    next day. It comes with clean boots: a herd that is not of the cleanest tier is washed off before."""

    crew: Key
    day: int
    near: Key


@dataclass(frozen=True, kw_only=True)
class Week:
    """All of it. Matrices follow the order of `crews` and `jobs`; driving may differ by direction.

    out[c][j]: minutes from crew c's base to job j; home[c][j]: back (None: same as out); between[i][j]: from job i
    to job j. metres_out, metres_home, metres_between: the same in metres, or None when unknown. nights: nights away
    that are settled: the crew's rounds of both days begin and end accordingly.
    """

    crews: tuple[Crew, ...]
    jobs: tuple[Job, ...]
    out: Matrix
    between: Matrix
    home: Matrix | None = None
    metres_out: Matrix | None = None
    metres_between: Matrix | None = None
    metres_home: Matrix | None = None
    costs: Costs = field(default_factory=Costs)
    rules: Rules = field(default_factory=Rules)
    moves: Moves = field(default_factory=Moves)
    days: int = 5
    name: str = ""
    nights: tuple[Night, ...] = ()

    def __post_init__(self) -> None:
        _require(_whole(self.days) and self.days >= 1, "bad-days", "A week needs at least one day.")
        _require(len(self.crews) > 0, "no-crew", "A week without a crew cannot be planned.")
        _require(len({c.id for c in self.crews}) == len(self.crews), "twin-crew", "Two crews have the same id.")
        _require(len({j.id for j in self.jobs}) == len(self.jobs), "twin-job", "Two jobs have the same id.")
        crews, jobs = len(self.crews), len(self.jobs)
        for name, rows in (("out", crews), ("home", crews), ("between", jobs)):
            for matrix, what in ((getattr(self, name), name), (getattr(self, f"metres_{name}"), f"metres_{name}")):
                if matrix is None and what not in ("out", "between"):
                    continue
                square = matrix is not None and len(matrix) == rows and all(len(row) == jobs for row in matrix)
                _require(square, "bad-matrix", "The driving table {name} has the wrong size.", name=what)
                most = FARTHEST if what == name else 1000 * FARTHEST
                whole = all(_minutes(value, most) for row in matrix for value in row)
                _require(
                    whole,
                    "bad-driving",
                    "The driving table {name} has a missing, negative or endless entry.",
                    name=what,
                )
        for crew in self.crews:
            for day in crew.hours:
                _require(
                    0 <= day < self.days, "bad-hours", "Crew {crew} works on a day outside the week.", crew=crew.id
                )
        known = {crew.id for crew in self.crews}
        for job in self.jobs:
            for who in job.crews or ():
                _require(
                    who in known,
                    "unknown-crew",
                    "Job {job} names a crew {crew} that is not there.",
                    job=job.id,
                    crew=who,
                )
            if job.fixed is not None:
                crew_id = job.fixed.crew
                _require(crew_id in known, "unknown-crew", "Job {job} is fixed to no crew.", job=job.id, crew=crew_id)

        for night in self.nights:
            _require(
                self._can_stay(night), "bad-night", "Crew {crew} cannot stay away.", crew=night.crew, day=night.day
            )

    def _can_stay(self, night: Night) -> bool:
        """Whether the crew works on both days, its bed has a price, and it is home in the nights beside."""
        if night.crew not in self.crew_index or night.near not in self.job_index:
            return False
        crew = self.crew(night.crew)
        beside = [n for n in self.nights if n.crew == night.crew and abs(n.day - night.day) <= 1]
        return (
            {night.day, night.day + 1} <= set(crew.hours) and self.costs_of(crew).bed is not None and len(beside) == 1
        )

    @cached_property
    def crew_index(self) -> dict[Key, int]:
        return {crew.id: index for index, crew in enumerate(self.crews)}

    @cached_property
    def job_index(self) -> dict[Key, int]:
        return {job.id: index for index, job in enumerate(self.jobs)}

    def crew(self, crew: Key) -> Crew:
        return self.crews[self.crew_index[crew]]

    def job(self, job: Key) -> Job:
        return self.jobs[self.job_index[job]]

    def costs_of(self, crew: Crew) -> Costs:
        return crew.costs or self.costs

    @property
    def way_home(self) -> Matrix:
        return self.out if self.home is None else self.home

    @cached_property
    def _near(self) -> dict[tuple[Key, int], Key]:
        return {(night.crew, night.day): night.near for night in self.nights}

    def sleeps_near(self, crew: Key, day: int) -> Key | None:
        """The job near whose farm the crew sleeps after that day; None: at base."""
        return self._near.get((crew, day))

    def leaving(self, crew: Key, day: int) -> tuple[Row, Row | None]:
        """Minutes, and metres if known, from where the crew wakes up to each job."""
        near, c = self.sleeps_near(crew, day - 1), self.crew_index[crew]
        if near is None:
            return self.out[c], self.metres_out[c] if self.metres_out else None
        i = self.job_index[near]
        return self.between[i], self.metres_between[i] if self.metres_between else None

    def returning(self, crew: Key, day: int) -> tuple[Row, Row | None]:
        """Minutes, and metres if known, from each job to where the crew sleeps."""
        near, c = self.sleeps_near(crew, day), self.crew_index[crew]
        if near is None:
            metres = self.metres_home or self.metres_out
            return self.way_home[c], metres[c] if metres else None
        i = self.job_index[near]
        metres = self.metres_between
        return tuple(row[i] for row in self.between), tuple(row[i] for row in metres) if metres else None

    def wash_at_night(self, job: Job, crew: Key, day: int) -> int:
        """Minutes of wash-down after the day's last job: none at base, where a night cleans, nor after a clean herd."""
        if self.sleeps_near(crew, day) is None or job.tier <= 0:
            return 0
        return self.rules.wash if job.wash_after is None else job.wash_after

    def going(self, crew: Key, day: int) -> Number:
        """What a round costs before the first minute: going out at all, and the bed of a night away after it."""
        costs = self.costs_of(self.crew(crew))
        return costs.crew_day + (0 if self.sleeps_near(crew, day) is None else costs.bed or 0)

    def crew_days(self) -> tuple[tuple[Key, int], ...]:
        """Every (crew, day) that is worked, by day and then by crew."""
        return tuple((crew.id, day) for day in range(self.days) for crew in self.crews if day in crew.hours)

    def may(self, crew: Crew, job: Job) -> bool:
        """Whether the crew may do the job at all, on whatever day."""
        return (
            (job.crews is None or crew.id in job.crews)
            and (job.chute_kind is None or job.chute_kind == crew.chute_kind)
            and (job.fixed is None or job.fixed.crew == crew.id)
        )

    def visit_price(self, job: Job, work: int, crew: Key, day: int) -> Number:
        """What a visit of this work by this crew on this day costs by itself, as part of its round's cost: the price
        of moving what the farm was told to another crew or day. A farm told of several visits that gets one loses the
        others."""
        if not job.told:
            return 0
        lost = self.moves.day * (len(job.told) - 1) if work == job.work else 0
        if any((told.crew, told.day) == (crew, day) for told in job.told):
            return lost
        return lost + (self.moves.crew if any(told.day == day for told in job.told) else self.moves.day)

    def service(self, job: Job, work: int) -> int:
        """Minutes a visit of `work` minutes takes at the farm: setup, work, and a new pen each time lock-up runs
        out."""
        return job.setup + work + (self.pens(job, work) - 1) * self.rules.regroup

    def head(self, job: Job, work: int) -> int:
        """How many head a visit of `work` minutes is for, rounded up."""
        return -(-job.head * work // job.work)

    def pens(self, job: Job, work: int) -> int:
        """How many pens of cows a visit takes, one after another, so that none waits longer than the farm's limit."""
        return 1 if job.lock_up is None else -(-work // job.lock_up)

    def wash_between(self, before: Job, after: Job) -> int:
        """Minutes of wash-down after `before` when `after` comes next: only on the way to a cleaner herd."""
        if before.tier <= after.tier:
            return 0
        return self.rules.wash if before.wash_after is None else before.wash_after

    def part_sizes(self, job: Job) -> tuple[int, ...]:
        """Works a single visit to the job may have, largest first: the whole, and every part of some allowed split."""
        limit = job.work if job.longest_visit is None else min(job.work, job.longest_visit)
        whole = (job.work,) if limit == job.work else ()
        parts = {size for pattern in self.split_patterns(job) for size in pattern}
        return tuple(sorted(parts.union(whole), reverse=True))

    def split_patterns(self, job: Job) -> tuple[tuple[int, ...], ...]:
        """Every allowed way to split the job: part works in falling order, two or more parts each."""
        rules = self.rules
        if not job.may_split or job.fixed is not None or job.work % rules.split_step:
            return ()
        step = rules.split_step
        least = max(-(-rules.split_least // step) * step, step)
        largest = min(job.work, DAY_END) if job.longest_visit is None else min(job.work, job.longest_visit, DAY_END)

        def split(rest: int, most: int, count: int) -> Iterable[tuple[int, ...]]:
            if least <= rest <= most:
                yield (rest,)
            if count > 1:
                for first in range(min(most, rest - least) // step * step, least - 1, -step):
                    for others in split(rest - first, first, count - 1):
                        yield (first, *others)

        return tuple(pattern for pattern in split(job.work, largest, rules.split_most) if len(pattern) > 1)
