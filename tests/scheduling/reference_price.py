"""What a plan for a week file costs, worked out minute by minute from the file alone. Standard library only; shares
nothing with the planner.

A round is followed for every minute the crew may leave and every place lunch may have; the cheapest day counts.
"""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

type Entry = Mapping[str, Any]


class Refused(ValueError):
    """The plan breaks a rule; the message says which."""


def plan_price(problem: Entry, plan: Entry) -> float:
    """Cost of the plan: its rounds, its late days and what it leaves out; raises Refused when a rule is broken."""
    cost = 0.0
    done: dict[int, list[tuple[int, int]]] = {}
    gone: set[tuple[int, int]] = set()
    for entry in plan["rounds"]:
        visits = [(visit["job"], visit["work"]) for visit in entry["visits"]]
        if not visits:
            continue
        where = entry["crew"], entry["day"]
        if where in gone:
            raise Refused(f"crew {where[0]} goes out twice on day {where[1]}")
        gone.add(where)
        cost += round_price(problem, *where, visits)
        for job, work in visits:
            done.setdefault(job, []).append((entry["day"], work))
    return cost + sum(_job_price(problem, job, done.get(job["id"], [])) for job in problem["jobs"])


def _job_price(problem: Entry, job: Entry, parts: Sequence[tuple[int, int]]) -> float:
    if not parts:
        return float(job["skip_cost"])
    rules, days, works = problem["rules"], [day for day, _ in parts], [work for _, work in parts]
    if sum(works) != job["work"]:
        raise Refused(f"job {job['id']}: {sum(works)} of {job['work']} minutes are done")
    if len(set(days)) < len(days):
        raise Refused(f"job {job['id']} has two visits in a day")
    if len(parts) > 1:
        small = any(work < rules["split_least"] or work % rules["split_step"] for work in works)
        if not job["may_split"] or len(parts) > rules["split_most"] or small:
            raise Refused(f"job {job['id']} is split against the rules: {works}")
    return float(job["late_cost"] * max(0, max(days) - job["due_day"]))


def round_price(problem: Entry, crew_id: int, day: int, visits: Sequence[tuple[int, int]]) -> float:
    """Cost of the cheapest hours of one round of (job, work) in order; raises Refused when there are none."""
    crew = next((entry for entry in problem["crews"] if entry["id"] == crew_id), None)
    if crew is None or day not in crew["days"]:
        raise Refused(f"crew {crew_id} does not work on day {day}")
    jobs = [problem["jobs"][job] for job, _ in visits]
    _who_may(crew_id, day, jobs)
    rules, costs = problem["rules"], problem["costs"]
    service = [job["setup"] + work for job, (_, work) in zip(jobs, visits, strict=True)]
    out, between = problem["minutes"]["crew_to_job"][crew_id], problem["minutes"]["job_to_job"]
    pairs = list(itertools.pairwise(job["id"] for job in jobs))
    drive = [out[jobs[0]["id"]], *(between[a][b] for a, b in pairs), out[jobs[-1]["id"]]]
    wash = [rules["wash"] if a["tier"] > b["tier"] else 0 for a, b in itertools.pairwise(jobs)]
    legs = [sum(leg) for leg in zip([0, *service], drive, [0, *wash, 0], strict=True)]
    openings = [sorted(job["windows"][str(day)]) for job in jobs]
    fixed = [job["fixed"]["start"] if job["fixed"] else None for job in jobs]
    best: float | None = None
    for leave in range(crew["earliest"], crew["latest"] + 1):
        for off_work in _days(leave, crew, legs, openings, service, fixed, rules):
            cost = costs["crew_day"] + costs["drive"] * sum(drive) + costs["off_work"] * off_work
            best = cost if best is None else min(best, cost)
    if best is None:
        raise Refused(f"no hours fit crew {crew_id} on day {day}: {list(visits)}")
    return best


def _who_may(crew_id: int, day: int, jobs: Sequence[Entry]) -> None:
    if len({job["id"] for job in jobs}) < len(jobs):
        raise Refused(f"crew {crew_id} visits a farm twice on day {day}")
    for job in jobs:
        fixed = job["fixed"]
        if not job["windows"].get(str(day)) or (job["crews"] is not None and crew_id not in job["crews"]):
            raise Refused(f"job {job['id']} is not for crew {crew_id} on day {day}")
        if fixed and (fixed["crew"], fixed["day"]) != (crew_id, day):
            raise Refused(f"job {job['id']} has an appointment elsewhere")


def _days(
    leave: int,
    crew: Entry,
    legs: Sequence[int],
    openings: Sequence[Sequence[Sequence[int]]],
    service: Sequence[int],
    fixed: Sequence[int | None],
    rules: Entry,
) -> Iterator[int]:
    """Minutes off work of each way to have the day when leaving at that minute."""
    lunch, latest = rules["lunch"], min(crew["latest"], leave + crew["longest_day"])
    at_base = -1 if lunch else None
    for lunch_on in (at_base, *(range(len(legs)) if lunch else ())):
        clock: int | None = leave
        for place, leg in enumerate(legs):
            if lunch_on == place and clock is not None:
                clock = max(clock + leg, rules["lunch_from"]) + lunch if clock <= rules["lunch_to"] else None
            elif clock is not None:
                clock += leg
            if place < len(service) and clock is not None:
                clock = _start(clock, openings[place], service[place], fixed[place])
        if clock is None or clock > latest:
            continue
        eaten_before = leave >= rules["lunch_from"] + lunch
        if lunch_on == -1 and not eaten_before and clock > rules["lunch_to"]:
            continue
        yield clock - leave - sum(service) - (lunch if lunch_on is not None and lunch_on >= 0 else 0)


def _start(ready: int, openings: Sequence[Sequence[int]], service: int, fixed: int | None) -> int | None:
    """The first minute from `ready` at which the visit can start and be over in the same opening."""
    for opened, closed in openings:
        start = max(ready, opened) if fixed is None else fixed
        if start >= max(ready, opened) and start + service <= closed:
            return start
    return None
