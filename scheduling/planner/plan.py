"""What a planner answers: rounds with their hours, what was left out, the cost and how far from the best it can be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from .problem import Key, Night, Number


@dataclass(frozen=True, kw_only=True)
class Stop:
    """One visit of a round. Minutes from midnight; `end` is when the work (and a lunch inside it) is over; `wash`
    minutes of wash-down follow before driving on; `drive` and `metres` are of the way there; `pens`: how many pens
    of cows it takes."""

    job: Key
    work: int
    arrive: int
    start: int
    end: int
    drive: int
    metres: int = 0
    wash: int = 0
    pens: int = 1


@dataclass(frozen=True, kw_only=True)
class Round:
    """A crew's visits of one day, in order, with the cheapest hours. `lunch` is when lunch starts (None: no lunch
    asked for); `drive`, `metres`, `wash`, `off_work` are sums over the round in minutes and metres; `drive_home` is
    the last leg. slept_near, sleeps_near: the job near whose farm the crew slept the night before, or will sleep, when
    not at base; `leave` and `back` are then of there."""

    crew: Key
    day: int
    stops: tuple[Stop, ...]
    leave: int
    back: int
    lunch: int | None
    drive: int
    drive_home: int
    wash: int
    off_work: int
    cost: Number
    metres: int = 0
    metres_home: int = 0
    slept_near: Key | None = None
    sleeps_near: Key | None = None

    @property
    def visits(self) -> tuple[tuple[Key, int], ...]:
        """(job, work) in order."""
        return tuple((stop.job, stop.work) for stop in self.stops)


@dataclass(frozen=True, kw_only=True)
class Infeasible:
    """Why a round cannot be: a code, the job it fails at (None: the round as a whole), and figures (`over`: by how
    many minutes)."""

    code: str
    job: Key | None = None
    params: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A whole week. cost = rounds_cost + late_cost + skip_cost. bound: no plan costs less (None: not known); gap:
    how much cheaper a plan could be at most, as a share of the cost (None: not known). nights: the nights away the
    rounds were made with, beds among their cost; `Week.nights` of the week in which they are evaluated."""

    rounds: tuple[Round, ...]
    skipped: tuple[Key, ...]
    rounds_cost: Number
    late_cost: Number
    skip_cost: Number
    bound: float | None = None
    nights: tuple[Night, ...] = ()

    @property
    def cost(self) -> Number:
        return self.rounds_cost + self.late_cost + self.skip_cost

    @property
    def gap(self) -> float | None:
        if self.bound is None:
            return None
        return max(0.0, self.cost - self.bound) / self.cost if self.cost else 0.0

    def round_of(self, crew: Key, day: int) -> Round | None:
        return next((r for r in self.rounds if (r.crew, r.day) == (crew, day)), None)

    def as_file(self) -> dict[str, Any]:
        """The plan as an object ready for JSON: {"rounds": [{"crew", "day", "visits": [{"job", "work"}]}]}, and
        "nights" if there are any."""
        made: dict[str, Any] = {
            "rounds": [
                {"crew": r.crew, "day": r.day, "visits": [{"job": job, "work": work} for job, work in r.visits]}
                for r in self.rounds
            ]
        }
        if self.nights:
            made["nights"] = [{"crew": night.crew, "day": night.day, "near": night.near} for night in self.nights]
        return made


@dataclass(frozen=True, kw_only=True)
class Progress:
    """How far solving has come: seconds since it began, what it is doing, and the best checked plan so far."""

    seconds: float
    stage: str
    plan: Plan

    @property
    def cost(self) -> Number:
        return self.plan.cost

    @property
    def bound(self) -> float | None:
        return self.plan.bound
