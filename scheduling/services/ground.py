"""What the planner knew of a week, kept with the proposal: changes by hand are weighed against it, at once and without
reading the facts anew, so that cost and bound stay comparable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from scheduling import planner
from scheduling.services.loading import LoadedWeek

type CrewDay = tuple[int, int]
"""A crew's key in the database and the day of the week (0: Monday)."""


@dataclass(frozen=True)
class JobFacts:
    """What a job of the planner stands for: a farm with requests that wait, or a booked visit. `head` by kind."""

    farm: int
    reason: str
    head: Mapping[str, int]
    requests: tuple[int, ...] = ()
    visit: int | None = None


@dataclass(frozen=True)
class Ground:
    """The week as the planner sees it, jobs by their keys, crews by their ids, and the facts behind each job."""

    week: planner.Week
    facts: Mapping[str, JobFacts]

    def as_row(self) -> dict[str, Any]:
        """Ready for a JSON column."""
        return {
            "week": planner.write_week(self.week),
            "crews": [crew.id for crew in self.week.crews],
            "jobs": [_job_row(str(job.id), self.facts[str(job.id)]) for job in self.week.jobs],
        }


def ground_of(loaded: LoadedWeek) -> Ground | None:
    """The ground of a week just read; None when there is nothing to plan."""
    if loaded.week is None:
        return None
    facts = {}
    for job in loaded.week.jobs:
        key = str(job.id)
        if key in loaded.booked:
            visit = loaded.booked[key]
            head = {row.kind: row.planned for row in visit.head.all() if row.planned}
            requests = tuple(request.pk for request in visit.requests.all())
            facts[key] = JobFacts(visit.farm_id, "confirmed", head, requests, visit.pk)
        else:
            ask = loaded.asks[key]
            facts[key] = JobFacts(ask.farm.pk, ask.reason, dict(ask.head), tuple(r.pk for r in ask.requests))
    return Ground(loaded.week, facts)


def read_ground(row: Mapping[str, Any]) -> Ground:
    """The ground kept in a JSON column."""
    week = planner.read_week(row["week"])
    crews = [int(crew) for crew in row["crews"]]
    keys = [str(entry["key"]) for entry in row["jobs"]]
    jobs = []
    for job, key in zip(week.jobs, keys, strict=True):
        fixed = job.fixed and replace(job.fixed, crew=crews[int(job.fixed.crew)])
        who = None if job.crews is None else frozenset(crews[int(crew)] for crew in job.crews)
        jobs.append(replace(job, id=key, fixed=fixed, crews=who))
    named = tuple(replace(crew, id=pk) for crew, pk in zip(week.crews, crews, strict=True))
    facts = {str(entry["key"]): _facts(entry) for entry in row["jobs"]}
    nights = tuple(replace(night, crew=crews[int(night.crew)], near=keys[int(night.near)]) for night in week.nights)
    return Ground(replace(week, crews=named, jobs=tuple(jobs), nights=nights), facts)


def _job_row(key: str, facts: JobFacts) -> dict[str, Any]:
    return {
        "key": key,
        "farm": facts.farm,
        "reason": facts.reason,
        "head": dict(facts.head),
        "requests": list(facts.requests),
        "visit": facts.visit,
    }


def _facts(entry: Mapping[str, Any]) -> JobFacts:
    return JobFacts(
        int(entry["farm"]), str(entry["reason"]), dict(entry["head"]), tuple(entry["requests"]), entry["visit"]
    )
