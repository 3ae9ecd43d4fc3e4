"""A round as it is driven: its stops in order, the way between them, and what the driving comes to."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from itertools import groupby

import numpy as np

from scheduling.models import ProposedRound, ProposedStop, ProposedWeek, WeekState
from scheduling.services.loading import settings_of
from scheduling.services.roads import extract_in_use, rig_of
from scheduling.services.travel import factors_of, road_engine, ways
from scheduling.travel import matrix
from scheduling.travel.roads import NoWay, Way
from scheduling.travel.straight import Point
from trimmer.models import Base, Business, Crew, Farm, Visit

CENT = Decimal("0.01")
MINUTES_IN_HOUR = 60


@dataclass(frozen=True, kw_only=True)
class RoundStop:
    """One farm of a round. Metres and minutes are those of the drive to it; alone_m: base to farm and back, if nothing
    else lay on the way. by_road: whether the drive to it was had from roads."""

    farm: Farm
    place: Point
    start: dt.datetime | None
    end: dt.datetime | None
    head: int
    visit: int | None
    metres: int
    minutes: int
    alone_m: int
    by_road: bool


@dataclass(frozen=True, kw_only=True)
class DrivenRound:
    """A crew's day on the road. way: None without roads. Money: the kilometres and the crew's hours on the road, at the
    planner's figures."""

    crew: Crew
    base: Base
    date: dt.date
    proposed: bool
    stops: tuple[RoundStop, ...]
    home_metres: int
    home_minutes: int
    way: Way | None
    source: str
    km_money: Decimal
    hour_money: Decimal

    @property
    def metres(self) -> int:
        return sum(stop.metres for stop in self.stops) + self.home_metres

    @property
    def minutes(self) -> int:
        return sum(stop.minutes for stop in self.stops) + self.home_minutes

    @property
    def money(self) -> Decimal:
        return self.km_money + self.hour_money

    @property
    def alone_m(self) -> int:
        """What the same farms would come to, each on a trip of its own."""
        return sum(stop.alone_m for stop in self.stops)

    @property
    def places(self) -> tuple[Point, ...]:
        """Base, stops in order, base."""
        base = (self.base.latitude, self.base.longitude)
        return (base, *(stop.place for stop in self.stops), base)

    @property
    def shape(self) -> tuple[Point, ...]:
        """The line to draw: the road, or straight from place to place."""
        return self.way.shape if self.way else self.places


@dataclass(frozen=True)
class _Call:
    farm: Farm
    start: dt.datetime | None
    end: dt.datetime | None
    head: int
    visit: int | None


def round_of(*, business: Business, crew: Crew, date: dt.date) -> DrivenRound | None:
    """The crew's booked round of a day, or the one that is proposed; None when it goes nowhere."""
    calls = _booked(business, date, date, crew).get((crew.pk, date), [])
    proposed = not calls
    if proposed:
        calls = _proposed(business, _monday(date)).get((crew.pk, date), [])
    return _drive(business, crew, date, calls, proposed=proposed) if calls else None


def rounds_of_week(*, business: Business, monday: dt.date) -> list[DrivenRound]:
    """The rounds of a week: those of the open proposal, or else those that are booked; by day and crew."""
    proposal = _proposed(business, monday)
    calls = proposal or _booked(business, monday, monday + dt.timedelta(days=6))
    crews = {crew.pk: crew for crew in Crew.objects.of(business).select_related("base", "business")}
    return [
        driven
        for (crew, date), stops in sorted(calls.items(), key=lambda item: (item[0][1], item[0][0]))
        if (driven := _drive(business, crews[crew], date, stops, proposed=bool(proposal)))
    ]


def _monday(date: dt.date) -> dt.date:
    return date - dt.timedelta(days=date.weekday())


def _booked(
    business: Business, first: dt.date, last: dt.date, crew: Crew | None = None
) -> dict[tuple[int, dt.date], list[_Call]]:
    visits = (
        Visit.objects.of(business)
        .standing()
        .filter(date__range=(first, last))
        .select_related("farm")
        .prefetch_related("head")
        .order_by("date", "crew", "planned_start", "position", "pk")
    )
    if crew is not None:
        visits = visits.filter(crew=crew)
    calls: dict[tuple[int, dt.date], list[_Call]] = {}
    for visit in visits:
        head = sum(row.planned for row in visit.head.all())
        calls.setdefault((visit.crew_id, visit.date), []).append(
            _Call(visit.farm, visit.planned_start, visit.planned_end, head, visit.pk)
        )
    return calls


def _proposed(business: Business, monday: dt.date) -> dict[tuple[int, dt.date], list[_Call]]:
    week = ProposedWeek.objects.of(business).filter(monday=monday, state=WeekState.PROPOSED).first()
    if week is None:
        return {}
    stops = (
        ProposedStop.objects.filter(round__in=ProposedRound.objects.filter(week=week))
        .select_related("round", "farm", "visit")
        .order_by("round__date", "round__crew", "position")
    )
    calls: dict[tuple[int, dt.date], list[_Call]] = {}
    for (crew, date), group in groupby(stops, key=lambda stop: (stop.round.crew_id, stop.round.date)):
        calls[crew, date] = [
            _Call(stop.farm, stop.start_at, stop.end_at, sum(stop.head.values()), stop.visit_id) for stop in group
        ]
    return calls


def _drive(
    business: Business, crew: Crew, date: dt.date, calls: Sequence[_Call], *, proposed: bool
) -> DrivenRound | None:
    """The calls that have a position, driven in their order."""
    placed = [(call, call.farm.position) for call in calls]
    known = [(call, position) for call, position in placed if position]
    if not known:
        return None
    base = (crew.base.latitude, crew.base.longitude)
    places = [base, *(position for _call, position in known)]
    rig = rig_of(crew)
    made = ways(business=business, rig=rig, places=places)
    seconds = made.block.seconds * np.float32(factors_of(business).get(crew.pk, 1.0))
    minutes, metres = matrix.whole_minutes(seconds), matrix.whole_metres(made.block.metres)
    stops = tuple(
        RoundStop(
            farm=call.farm,
            place=position,
            start=call.start,
            end=call.end,
            head=call.head,
            visit=call.visit,
            metres=metres[number][number + 1],
            minutes=minutes[number][number + 1],
            alone_m=metres[0][number + 1] + metres[number + 1][0],
            by_road=bool(made.block.made[number, number + 1] != matrix.STRAIGHT),
        )
        for number, (call, position) in enumerate(known)
    )
    last = len(known)
    costs = settings_of(business)
    total_m = sum(stop.metres for stop in stops) + metres[last][0]
    total_min = sum(stop.minutes for stop in stops) + minutes[last][0]
    return DrivenRound(
        crew=crew,
        base=crew.base,
        date=date,
        proposed=proposed,
        stops=stops,
        home_metres=metres[last][0],
        home_minutes=minutes[last][0],
        way=_way(business, crew, [*places, base]) if _all_by_road(made.block, last) else None,
        source=made.source,
        km_money=(costs.km_cost * total_m / 1000).quantize(CENT),
        hour_money=(costs.crew_hour_cost * total_min / MINUTES_IN_HOUR).quantize(CENT),
    )


def _all_by_road(block: matrix.Block, last: int) -> bool:
    legs = [*((number, number + 1) for number in range(last)), (last, 0)]
    return all(block.made[leg] == matrix.ROADS or block.metres[leg] == 0 for leg in legs)


def _way(business: Business, crew: Crew, places: Sequence[Point]) -> Way | None:
    extract = extract_in_use(business)
    found = road_engine(extract, rig_of(crew)) if extract else None
    if found is None:
        return None
    try:
        return found[0].way(places)
    except NoWay:
        return None
