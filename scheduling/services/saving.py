"""From a plan back to rows: proposed rounds, their stops, and what was left out."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any

from scheduling import planner
from scheduling.models import LeftOut, ProposedRound, ProposedStop, ProposedWeek, WeekState
from scheduling.queries import Ask
from scheduling.services.loading import CENTS, LoadedWeek, moment
from trimmer.models import Farm, VisitRequest

CONFIRMED = "confirmed"
NO_POSITION = "no-position"
NOBODY_GOES = "no-crew-this-week"


def save_plan(
    *, proposed: ProposedWeek, loaded: LoadedWeek, plan: planner.Plan | None, reasons: Iterable[planner.LeftOut]
) -> dict[str, Any]:
    """Store a plan as the proposal of its week and say how much it holds. Runs inside the caller's transaction."""
    ProposedWeek.objects.of(proposed.business).filter(monday=proposed.monday, state=WeekState.PROPOSED).update(
        state=WeekState.DROPPED
    )
    zone = zoneinfo.ZoneInfo(proposed.business.time_zone)
    parts = _parts(loaded, plan) if plan else {}
    for made in plan.rounds if plan else ():
        _save_round(proposed, loaded, made, zone, parts)
    _save_left_out(proposed, loaded, reasons)
    proposed.state = WeekState.PROPOSED
    proposed.travel_source = loaded.travel_source
    if plan is not None:
        proposed.cost = _money(plan.cost - _confirmed_skips(loaded, plan))
        proposed.bound = None if plan.bound is None else _money(plan.bound)
    proposed.save()
    stops = sum(len(made.stops) for made in plan.rounds) if plan else 0
    return {"week": proposed.pk, "stops": stops, "left_out": proposed.left_out.count()}


def _confirmed_skips(loaded: LoadedWeek, plan: planner.Plan) -> float:
    """Booked visits that broke a rule are not in the plan, but they stay booked: no cost of leaving them out."""
    assert loaded.week is not None  # noqa: S101  (there is a plan)
    return sum(loaded.week.job(job).skip_cost for job in plan.skipped if job in loaded.booked)


def _money(cents: float) -> Decimal:
    return (Decimal(str(cents)) / CENTS).quantize(Decimal("0.01"))


def _save_round(
    proposed: ProposedWeek,
    loaded: LoadedWeek,
    made: planner.Round,
    zone: zoneinfo.ZoneInfo,
    parts: Mapping[tuple[str, int], tuple[int, int, dict[str, int]]],
) -> None:
    date = _date(proposed, made.day)
    row = ProposedRound.objects.create(
        week=proposed,
        crew=loaded.crews[int(made.crew)],
        date=date,
        leave_at=moment(date, made.leave, zone),
        back_at=moment(date, made.back, zone),
        lunch_at=None if made.lunch is None else moment(date, made.lunch, zone),
        drive_minutes=made.drive,
        distance_m=made.metres,
        back_drive_minutes=made.drive_home,
        cost=_money(made.cost),
    )
    wash = 0
    for position, stop in enumerate(made.stops):
        key = str(stop.job)
        booked = loaded.booked.get(key)
        ask = loaded.asks.get(key)
        part, of_parts, head = parts.get((key, made.day), (1, 1, {}))
        saved = ProposedStop.objects.create(
            round=row,
            position=position,
            farm=booked.farm if booked else _asked(loaded, key),
            visit=booked,
            was_booked=booked is not None,
            reason=CONFIRMED if ask is None else ask.reason,
            head=head,
            start_at=moment(date, stop.start, zone),
            end_at=moment(date, stop.end, zone),
            drive_minutes=stop.drive,
            distance_m=stop.metres,
            wash_minutes=wash,
            part=part,
            parts=of_parts,
        )
        wash = stop.wash
        saved.requests.set(_requests(loaded, key))


def _asked(loaded: LoadedWeek, key: str) -> Farm:
    return loaded.asks[key].farm


def _requests(loaded: LoadedWeek, key: str) -> list[VisitRequest]:
    if key in loaded.booked:
        return list(loaded.booked[key].requests.all())
    return loaded.asks[key].requests


def _date(proposed: ProposedWeek, day: int) -> dt.date:
    return proposed.monday + dt.timedelta(days=day)


def _parts(loaded: LoadedWeek, plan: planner.Plan) -> dict[tuple[str, int], tuple[int, int, dict[str, int]]]:
    """By job and day: which part of how many, and the head of it. Head is dealt out in step with the work, so that the
    parts add up to what was asked."""
    works: dict[str, list[tuple[int, int]]] = {}
    for made in plan.rounds:
        for stop in made.stops:
            works.setdefault(str(stop.job), []).append((made.day, stop.work))
    dealt: dict[tuple[str, int], tuple[int, int, dict[str, int]]] = {}
    for key, visits in works.items():
        head = _head(loaded, key)
        whole = sum(work for _, work in visits)
        before = 0
        for number, (day, work) in enumerate(sorted(visits), start=1):
            after = before + work
            share = {kind: count * after // whole - count * before // whole for kind, count in head.items()}
            dealt[key, day] = number, len(visits), {kind: count for kind, count in share.items() if count}
            before = after
    return dealt


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
            farm=booked.farm if booked else _asked(loaded, key),
            head=_head(loaded, key),
            reason=reason.code,
            details=_details(loaded, reason),
        )
        row.requests.set(_requests(loaded, key))
    for ask in loaded.nowhere:
        _leave_out(proposed, ask, NO_POSITION)
    if loaded.week is None:
        for ask in loaded.asks.values():
            _leave_out(proposed, ask, NOBODY_GOES)


def _leave_out(proposed: ProposedWeek, ask: Ask, reason: str) -> None:
    row = LeftOut.objects.create(week=proposed, farm=ask.farm, head=ask.head, reason=reason)
    row.requests.set(ask.requests)


def _details(loaded: LoadedWeek, reason: planner.LeftOut) -> dict[str, Any]:
    """The reason's figures with names in place of the planner's ids."""
    details: dict[str, Any] = {"booked": str(reason.job) in loaded.booked}
    for name, value in reason.params.items():
        if name == "crew":
            details[name] = loaded.crews[int(value)].name
        elif name == "jobs":
            details["farms"] = [
                str(loaded.booked[str(job)].farm if str(job) in loaded.booked else _asked(loaded, str(job)))
                for job in value
            ]
        elif name in {"added", "extra", "skip_cost"}:
            details[name] = str(_money(value))
        else:
            details[name] = value
    return details
