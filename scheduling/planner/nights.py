"""Nights away: two days out near far farms, where that is cheaper than driving there twice.

Which nights are worth trying is told by the drives they save; each is tried by planning the week with it. What is
found is checked and never worse than the plan without; it is not proven best, so that no bound is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from .plan import Plan
from .problem import Night, Week

_TRIED = 24
_SHARE_OF_ONE = 0.25
"""Of the time left, for the first try."""


def nights_to_try(week: Week) -> tuple[Night, ...]:
    """Every night some crew might stay away near a far farm, the ones that save the most driving first; none when the
    week's nights are settled."""
    if week.nights:
        return ()
    worth = [(saved, night) for night, saved in _savings(week) if saved > 0]
    worth.sort(key=lambda entry: (-entry[0], entry[1].day, week.crew_index[entry[1].crew]))
    return tuple(night for _, night in worth)


def _savings(week: Week) -> Iterator[tuple[Night, float]]:
    """Each possible night with what two drives to its place and back cost more than one and the bed."""
    for crew in week.crews:
        costs = week.costs_of(crew)
        out, metres_out = week.leaving(crew.id, 0)
        home, metres_home = week.returning(crew.id, 0)
        for j, job in enumerate(week.jobs):
            if costs.bed is None or min(out[j], home[j]) < week.rules.night_from or not week.may(crew, job):
                continue
            metres = (metres_out[j] if metres_out else 0) + (metres_home[j] if metres_home else 0)
            saved = (costs.drive + costs.off_work) * (out[j] + home[j]) + costs.metre * metres - costs.bed
            beyond = out[j] + job.setup + home[j] > crew.longest_day  # out of reach in a day
            for day in sorted(crew.hours):
                if day + 1 in crew.hours and (job.suits(day) or job.suits(day + 1)):
                    yield Night(crew=crew.id, day=day, near=job.id), float(saved) + (1e6 if beyond else 0)


def stay_away(
    week: Week,
    plan: Plan,
    tries: tuple[Night, ...],
    plan_with: Callable[[Week, Plan, float], Plan],
    left: Callable[[], float],
) -> Plan:
    """The plan, or a cheaper one with nights away. plan_with: a plan of the week given, from a standing one, within so
    many seconds."""
    best, settled = plan, replace(week, nights=plan.nights)
    promising = sorted(tries, key=lambda night: -_there(plan, night))[:_TRIED]
    for place, night in enumerate(promising):
        seconds = left() * max(_SHARE_OF_ONE, 1 / (len(promising) - place))
        if seconds <= 0:
            break
        if any(other.crew == night.crew and abs(other.day - night.day) <= 1 for other in settled.nights):
            continue
        tried = replace(week, nights=(*settled.nights, night))
        found = plan_with(tried, best, seconds)
        if found.cost < best.cost - 1e-9 and _complete(tried, found):
            best, settled = replace(found, bound=None, nights=tried.nights), tried
    return best


def _there(plan: Plan, night: Night) -> int:
    """Whether the farm is visited by that crew on one of the two days (2), is left out (1), or neither (0)."""
    days = {night.day, night.day + 1}
    visited = any(
        made.crew == night.crew and made.day in days and any(stop.job == night.near for stop in made.stops)
        for made in plan.rounds
    )
    return 2 if visited else int(night.near in plan.skipped)


def _complete(week: Week, plan: Plan) -> bool:
    """Whether each night has its evening and its morning."""
    return all(
        plan.round_of(night.crew, night.day) is not None and plan.round_of(night.crew, night.day + 1) is not None
        for night in week.nights
    )
