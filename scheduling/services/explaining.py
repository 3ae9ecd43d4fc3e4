"""What the planner found out about a left-out job, as it is kept: names in place of its ids, money in place of
cents."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from scheduling import planner
from scheduling.services.writing import money

MONEY = frozenset({"added", "extra", "skip_cost", "amount"})


def reason_details(
    reason: planner.LeftOut, *, booked: bool, crew_name: Callable[[Any], str], farm_name: Callable[[Any], str]
) -> dict[str, Any]:
    """The reason's figures, ready for a JSON column; with the smallest change that lets the job in, if there is one,
    and whether one was looked for to the end ("searched")."""
    details: dict[str, Any] = {"booked": booked, "searched": reason.searched}
    for name, value in reason.params.items():
        if name == "crew":
            details[name] = crew_name(value)
        elif name == "jobs":
            details["farms"] = _farms(value, farm_name)
        else:
            details[name] = str(money(value)) if name in MONEY else value
    if reason.suggestion is not None:
        details["change"] = _change(reason, reason.suggestion, crew_name, farm_name)
    return details


def _change(
    reason: planner.LeftOut,
    found: planner.Suggestion,
    crew_name: Callable[[Any], str],
    farm_name: Callable[[Any], str],
) -> dict[str, Any]:
    change = found.change
    row: dict[str, Any] = {"kind": str(change.kind), "extra": str(money(found.extra))}
    if change.crew is not None:
        row["crew"] = crew_name(change.crew)
    if change.day is not None:
        row["day"] = change.day
    if change.minutes:
        row["minutes"] = change.minutes
    if change.kind is planner.ChangeKind.WORTH_MORE:
        row["amount"] = str(money(change.amount))
    if change.job not in (None, reason.job):
        row["farm"] = farm_name(change.job)
    row["visits"] = [
        {"crew": crew_name(visit.crew), "day": visit.day, "start": visit.start, "end": visit.end}
        for visit in found.visits
    ]
    row["displaced"] = _farms(found.displaced, farm_name)
    row["brought_in"] = _farms(found.brought_in, farm_name)
    return row


def _farms(jobs: Iterable[Any], farm_name: Callable[[Any], str]) -> list[str]:
    return list(dict.fromkeys(farm_name(job) for job in jobs))
