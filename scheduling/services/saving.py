"""From a plan back to rows: proposed rounds, their stops, and what was left out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from scheduling import planner
from scheduling.models import LeftOut, ProposedWeek, StepKind, WeekState, WeekStep
from scheduling.queries import Ask
from scheduling.services.arranging import HELD_COST, Hand, arrangement_of, read_arrangement, read_held
from scheduling.services.explaining import reason_details
from scheduling.services.ground import Ground, ground_of
from scheduling.services.loading import LoadedWeek
from scheduling.services.travel import OffRoad
from scheduling.services.writing import money, unpaid_skips, write_arrangement
from trimmer.models import Farm, VisitRequest

TAKEN_OUT = "taken-out"
NO_POSITION = "no-position"
OFF_ROAD = "off-road"
SWAPPED = "position-swapped"
NOBODY_GOES = "no-crew-this-week"


def save_plan(
    *, proposed: ProposedWeek, loaded: LoadedWeek, plan: planner.Plan | None, reasons: Iterable[planner.LeftOut]
) -> dict[str, Any]:
    """Store a plan as the proposal of its week and say how much it holds. Runs inside the caller's transaction."""
    ProposedWeek.objects.of(proposed.business).filter(monday=proposed.monday, state=WeekState.PROPOSED).update(
        state=WeekState.DROPPED
    )
    _save_left_out(proposed, loaded, reasons)
    proposed.state = WeekState.PROPOSED
    proposed.travel_source = loaded.travel_source
    ground = ground_of(loaded)
    if ground is not None and plan is not None:
        nights = replace(ground, week=replace(ground.week, nights=plan.nights))
        _keep(proposed, nights, plan)
    proposed.save()
    stops = sum(len(made.stops) for made in plan.rounds) if plan else 0
    result = {"week": proposed.pk, "stops": stops, "left_out": proposed.left_out.count()}
    return result | {"pace_visits": loaded.pace_visits}


def standing_plan(before: ProposedWeek | None, week: planner.Week) -> planner.Plan | None:
    """What is still possible of an earlier proposal in a week read anew, so that the next is not worse than it."""
    step = before and WeekStep.objects.filter(week=before, number=before.step).first()
    if not step:
        return None
    rounds = []
    for (crew, day), visits in read_arrangement(step.arrangement).rounds.items():
        known = [(job, work) for job, work in visits if job in week.job_index]
        if known and crew in week.crew_index:
            made = planner.evaluate(week, crew, day, known)
            if isinstance(made, planner.Round):
                rounds.append(made)
    return planner.plan_of(week, rounds)


def _keep(proposed: ProposedWeek, ground: Ground, plan: planner.Plan) -> None:
    """The plan as the proposal's first arrangement, and what it was made from."""
    pins, out = read_held(proposed.held)
    skipped = {str(job) for job in plan.skipped}
    found = {row.key: row for row in LeftOut.objects.filter(week=proposed).exclude(key="")}
    arranged = arrangement_of(
        plan,
        pins={key: pin for key, pin in pins.items() if key in ground.facts and key not in skipped},
        out=out & skipped,
        reasons={
            key: {"reason": TAKEN_OUT, "details": {}} if key in out else {"reason": row.reason, "details": row.details}
            for key, row in found.items()
        },
    )
    hand = Hand(ground, arranged)
    proposed.ground = ground.as_row()
    write_arrangement(proposed, hand)
    if plan.bound is not None:
        dear = sum(HELD_COST for key in pins if key in skipped)
        proposed.bound = money(plan.bound - unpaid_skips(ground.week, plan, hand) - dear)
    WeekStep.objects.create(
        week=proposed,
        number=0,
        kind=StepKind.PROPOSED,
        arrangement=arranged.as_row(),
        cost=proposed.cost,
        made_by=proposed.asked_by,
        made_at=proposed.asked_at,
    )


def _asked(loaded: LoadedWeek, key: str) -> Farm:
    return loaded.asks[key].farm


def _requests(loaded: LoadedWeek, key: str) -> list[VisitRequest]:
    if key in loaded.booked:
        return list(loaded.booked[key].requests.all())
    return loaded.asks[key].requests


def _head(loaded: LoadedWeek, key: str) -> dict[str, int]:
    if key in loaded.booked:
        return {row.kind: row.planned for row in loaded.booked[key].head.all() if row.planned}
    return loaded.asks[key].head


def _save_left_out(proposed: ProposedWeek, loaded: LoadedWeek, reasons: Iterable[planner.LeftOut]) -> None:
    for reason in reasons:
        key = str(reason.job)
        booked = loaded.booked.get(key)
        row = LeftOut.objects.create(
            week=proposed,
            key=key,
            farm=booked.farm if booked else _asked(loaded, key),
            head=_head(loaded, key),
            reason=reason.code,
            details=_details(loaded, reason),
        )
        row.requests.set(_requests(loaded, key))
    for ask in loaded.nowhere:
        _leave_out(proposed, ask, NO_POSITION)
    for ask, off in loaded.off_road:
        _leave_out(proposed, ask, SWAPPED if off.swapped else OFF_ROAD, _nearest(off))
    if loaded.week is None:
        for ask in loaded.asks.values():
            _leave_out(proposed, ask, NOBODY_GOES)


def _nearest(off: OffRoad) -> dict[str, Any]:
    """Where the nearest road is, for the sentence."""
    latitude, longitude = off.nearest.place
    return {
        "metres": round(off.nearest.metres),
        "latitude": f"{latitude:.5f}",
        "longitude": f"{longitude:.5f}",
        "road": off.nearest.road,
    }


def _leave_out(proposed: ProposedWeek, ask: Ask, reason: str, details: Mapping[str, Any] | None = None) -> None:
    row = LeftOut.objects.create(
        week=proposed, farm=ask.farm, head=ask.head, reason=reason, details=dict(details or {})
    )
    row.requests.set(ask.requests)


def _details(loaded: LoadedWeek, reason: planner.LeftOut) -> dict[str, Any]:
    """The reason's figures with names in place of the planner's ids."""

    def farm_name(job: Any) -> str:
        key = str(job)
        return str(loaded.booked[key].farm if key in loaded.booked else _asked(loaded, key))

    return reason_details(
        reason,
        booked=str(reason.job) in loaded.booked,
        crew_name=lambda crew: loaded.crews[int(crew)].name,
        farm_name=farm_name,
    )
