"""The rows of a proposal, written anew from the arrangement in hand: rounds, stops, and what is left out."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from scheduling import planner
from scheduling.models import LeftOut, Pin, ProposedRound, ProposedStop, ProposedWeek
from scheduling.services.arranging import Hand, cost_parts
from scheduling.services.loading import CENTS, moment
from trimmer.models import VisitRequest

type Dealt = Mapping[tuple[str, int, int], tuple[int, int, dict[str, int]]]


def write_arrangement(week: ProposedWeek, hand: Hand) -> None:
    """Make the proposal's rounds, stops, left-outs, cost and parts those of the arrangement (not saved: the week's own
    row). Runs inside the caller's transaction."""
    ProposedRound.objects.filter(week=week).delete()
    _write_rounds(week, hand)
    _write_left_out(week, hand)
    unpaid = unpaid_skips(hand.ground.week, hand.plan, hand)
    week.cost = money(hand.plan.cost - unpaid)
    week.parts = {name: str(money(cents)) for name, cents in cost_parts(hand.week, hand.plan, unpaid).items()}


def unpaid_skips(week: planner.Week, plan: planner.Plan, hand: Hand) -> float:
    """Booked visits that broke a rule are not in the plan, but they stay booked: no cost of leaving them out."""
    return sum(week.job(job).skip_cost for job in plan.skipped if hand.ground.week.job(job).fixed is not None)


def money(cents: float) -> Decimal:
    """Cents as an amount."""
    return (Decimal(str(cents)) / CENTS).quantize(Decimal("0.01"))


def dealt(hand: Hand) -> dict[tuple[str, int, int], tuple[int, int, dict[str, int]]]:
    """By job, crew and day: which part of how many, and the head of it. Head is dealt out in step with the work, so
    that the parts add up to what was asked."""
    works: dict[str, list[tuple[int, int, int]]] = {}
    for (crew, day), visits in hand.arranged.rounds.items():
        for key, work in visits:
            works.setdefault(key, []).append((day, crew, work))
    found: dict[tuple[str, int, int], tuple[int, int, dict[str, int]]] = {}
    for key, mine in works.items():
        head = hand.ground.facts[key].head
        whole = sum(work for *_, work in mine)
        before = 0
        for number, (day, crew, work) in enumerate(sorted(mine), start=1):
            after = before + work
            share = {kind: count * after // whole - count * before // whole for kind, count in head.items()}
            found[key, crew, day] = number, len(mine), {kind: count for kind, count in share.items() if count}
            before = after
    return found


def _write_rounds(week: ProposedWeek, hand: Hand) -> None:
    zone = zoneinfo.ZoneInfo(week.business.time_zone)
    parts = dealt(hand)
    made = hand.plan.rounds
    rows = ProposedRound.objects.bulk_create(_round_row(week, planned, hand, zone) for planned in made)
    stops = [
        stop for row, planned in zip(rows, made, strict=True) for stop in _stop_rows(row, planned, hand, parts, zone)
    ]
    saved = ProposedStop.objects.bulk_create(stops)
    link = ProposedStop.requests.through
    link.objects.bulk_create(
        link(proposedstop_id=stop.pk, visitrequest_id=request)
        for stop in saved
        for request in hand.ground.facts[stop.key].requests
    )


def _round_row(week: ProposedWeek, made: planner.Round, hand: Hand, zone: zoneinfo.ZoneInfo) -> ProposedRound:
    date = week.monday + dt.timedelta(days=made.day)
    return ProposedRound(
        week=week,
        crew_id=int(made.crew),
        date=date,
        leave_at=moment(date, made.leave, zone),
        back_at=moment(date, made.back, zone),
        lunch_at=None if made.lunch is None else moment(date, made.lunch, zone),
        drive_minutes=made.drive,
        distance_m=made.metres,
        back_drive_minutes=made.drive_home,
        sleeps_near_id=None if made.sleeps_near is None else hand.ground.facts[str(made.sleeps_near)].farm,
        cost=money(made.cost),
    )


def _stop_rows(
    row: ProposedRound, made: planner.Round, hand: Hand, parts: Dealt, zone: zoneinfo.ZoneInfo
) -> list[ProposedStop]:
    stops = []
    wash = 0
    for position, stop in enumerate(made.stops):
        key = str(stop.job)
        facts = hand.ground.facts[key]
        part, of_parts, head = parts[key, int(made.crew), made.day]
        pin = hand.arranged.pins.get(key)
        stops.append(
            ProposedStop(
                round=row,
                position=position,
                key=key,
                pin="" if pin is None else Pin.DAY if pin.start is None else Pin.HOUR,
                farm_id=facts.farm,
                visit_id=facts.visit,
                was_booked=facts.visit is not None,
                reason=facts.reason,
                head=head,
                start_at=moment(row.date, stop.start, zone),
                end_at=moment(row.date, stop.end, zone),
                drive_minutes=stop.drive,
                distance_m=stop.metres,
                wash_minutes=wash,
                part=part,
                parts=of_parts,
            )
        )
        wash = stop.wash
    return stops


def _write_left_out(week: ProposedWeek, hand: Hand) -> None:
    """Rows of jobs that are in the plan now go; the others keep what was found out about them."""
    skipped = {str(job) for job in hand.plan.skipped}
    LeftOut.objects.filter(week=week).exclude(key="").exclude(key__in=skipped).delete()
    reasons = {key: hand.arranged.reasons.get(key, {"reason": "no-room", "details": {}}) for key in skipped}
    there = {row.key: row for row in LeftOut.objects.filter(week=week, key__in=skipped)}
    for key in sorted(skipped):
        row = there.get(key)
        if row is None:
            _new_left_out(week, hand, key, reasons[key])
        elif row.reason != reasons[key]["reason"]:
            row.reason, row.details = reasons[key]["reason"], dict(reasons[key]["details"])
            row.save(update_fields=["reason", "details"])


def _new_left_out(week: ProposedWeek, hand: Hand, key: str, reason: Mapping[str, Any]) -> None:
    facts = hand.ground.facts[key]
    row = LeftOut.objects.create(
        week=week,
        key=key,
        farm_id=facts.farm,
        head=dict(facts.head),
        reason=reason["reason"],
        details=dict(reason["details"]),
    )
    row.requests.set(VisitRequest.objects.of(week.business).filter(pk__in=facts.requests))
