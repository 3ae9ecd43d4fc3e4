"""Rounds as their travel is shared: frozen where an invoice of them is issued, otherwise reckoned from the visits."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Prefetch

from billing.charges.prices import CALL_OUT, DISTANCE_KM, DISTANCE_MILE, ZONE, Travel, distance_in, prices_on
from billing.charges.share import MOST_EXACT, WHOLE, Trip, Way, in_parts, trip_shares
from billing.models import RoundShare, SharedRound, TravelShare
from billing.queries.prices import Prices
from trimmer.models import Business, Crew, Farm, Units, Visit, VisitHead
from trimmer.queries.distances import Distances, distances

type RoundKey = tuple[int, date]
"""A round is what a crew drives on a day."""


@dataclass(frozen=True, slots=True)
class Round:
    """A round as it is shared: its visits in the order they were driven, each with its share in thousand millionths.

    `way` is how it was shared, which is not how it was wished (`wished`) where something was missing for that.
    """

    crew_id: int
    on: date
    way: str
    wished: str
    metres: int
    visits: tuple[int, ...]
    shares: tuple[int, ...]
    frozen: bool

    def travel_of(self, visit_id: int) -> Travel | None:
        """What a visit bears; None for one that was not known when the round was frozen."""
        if visit_id not in self.visits:
            return None
        return Travel(self.metres, self.shares, self.visits.index(visit_id))


@dataclass(frozen=True, slots=True)
class Roads:
    """What is known of the ways of some visits: their rounds, and metres from base to farm by visit."""

    rounds: Mapping[RoundKey, Round]
    from_base: Mapping[int, int]

    def round_of(self, visit: Visit) -> Round | None:
        return self.rounds.get((visit.crew_id, visit.date))


NO_ROADS = Roads({}, {})


def roads_of(business: Business, visits: Collection[Visit], *, wished: str, prices: Prices) -> Roads:
    """The rounds of visits, and how far from the base their farms lie, where a price asks for it.

    A handful of queries, and the ways of each crew once.
    """
    articles = {
        (entry.article, entry.way)
        for sheet in (*prices.lists, *(one for group in prices.agreements.values() for one in group))
        for entry in sheet.entries
    }
    shares = wished != TravelShare.LEGS and any(article in (DISTANCE_KM, DISTANCE_MILE) for article, _way in articles)
    zones = (CALL_OUT, ZONE) in articles
    if not visits or not (shares or zones):
        return NO_ROADS
    keys = {(visit.crew_id, visit.date) for visit in visits}
    members = _members(business, keys)
    ways = _Ways(members)
    from_base = {
        visit.pk: metres for rows in members.values() for visit in rows if (metres := ways.out(visit)) is not None
    }
    if not shares:
        return Roads({}, from_base)
    rounds = _frozen(business, keys)
    head = _head([visit.pk for key, rows in members.items() if key not in rounds for visit in rows])
    for key, rows in members.items():
        if key not in rounds and (one := _reckoned(business, rows, ways, head, wished, prices)) is not None:
            rounds[key] = one
    return Roads(rounds, from_base)


def _members(business: Business, keys: Collection[RoundKey]) -> dict[RoundKey, list[Visit]]:
    """All visits that stand, of each round, in the order they were driven."""
    rows = (
        Visit.objects.of(business)
        .standing()
        .filter(crew__in={crew for crew, _day in keys}, date__in={day for _crew, day in keys})
        .select_related("farm", "crew__base", "crew__business")
        .order_by("position", "planned_start", "pk")
    )
    found: dict[RoundKey, list[Visit]] = {}
    for visit in rows:
        if (visit.crew_id, visit.date) in keys:
            found.setdefault((visit.crew_id, visit.date), []).append(visit)
    return found


def _frozen(business: Business, keys: Collection[RoundKey]) -> dict[RoundKey, Round]:
    rows = (
        SharedRound.objects.of(business)
        .filter(
            frozen_at__isnull=False,
            crew__in={crew for crew, _day in keys},
            date__in={day for _crew, day in keys},
        )
        .prefetch_related(Prefetch("shares", RoundShare.objects.order_by("place")))
    )
    return {
        (row.crew_id, row.date): Round(
            crew_id=row.crew_id,
            on=row.date,
            way=row.way,
            wished=row.way,
            metres=row.metres,
            visits=tuple(share.visit_id for share in row.shares.all()),
            shares=tuple(share.share for share in row.shares.all()),
            frozen=True,
        )
        for row in rows
        if (row.crew_id, row.date) in keys
    }


class _Ways:
    """The ways of each crew to all its farms at hand, asked for once."""

    def __init__(self, members: Mapping[RoundKey, Sequence[Visit]]) -> None:
        farms: dict[int, dict[int, Farm]] = {}
        crews: dict[int, Crew] = {}
        for rows in members.values():
            for visit in rows:
                crews[visit.crew_id] = visit.crew
                if visit.farm.position is not None:
                    farms.setdefault(visit.crew_id, {})[visit.farm_id] = visit.farm
        self._places = {crew: {farm: place for place, farm in enumerate(known)} for crew, known in farms.items()}
        self._known = {crew: distances(crew=crews[crew], farms=list(known.values())) for crew, known in farms.items()}

    def out(self, visit: Visit) -> int | None:
        """Metres from the base to the farm; where the ways are not known, half of there and back."""
        known, place = self._known.get(visit.crew_id), self._places.get(visit.crew_id, {}).get(visit.farm_id)
        if known is not None and place is not None:
            return known.from_base[place]
        return None if visit.distance_alone_m is None else visit.distance_alone_m // 2

    def of(self, rows: Sequence[Visit]) -> Distances | None:
        """Between the farms of a round; None where one of them has no position, or nobody knows ways."""
        crew = rows[0].crew_id
        known, places = self._known.get(crew), self._places.get(crew, {})
        if known is None or any(visit.farm_id not in places for visit in rows):
            return None
        return known.of([places[visit.farm_id] for visit in rows])


def _head(keys: Sequence[int]) -> dict[int, int]:
    """Head done on each visit, or planned where none are done yet."""
    found: dict[int, int] = {}
    rows = VisitHead.objects.filter(visit__in=keys).values_list("visit_id", "planned", "done")
    for visit, planned, done in rows:
        found[visit] = found.get(visit, 0) + (done or planned)
    return found


def _reckoned(
    business: Business, rows: Sequence[Visit], ways: _Ways, head: Mapping[int, int], wished: str, prices: Prices
) -> Round | None:
    """A round that is not frozen; None where its length is not known."""
    known = ways.of(rows)
    metres = _length(rows, known)
    if metres is None:
        return None
    way, trip, fees = wished, _trip(rows, known), _fees(business, rows, ways, prices)
    if way == TravelShare.SHAPLEY and (known is None or len(rows) > MOST_EXACT):
        way = TravelShare.ALONE
    if way == TravelShare.ZONES and fees is None:
        way = TravelShare.ALONE
    if way == TravelShare.ALONE and trip is None:
        way = TravelShare.EQUAL
    flat = Trip(from_base=(0,) * len(rows), between=((0,) * len(rows),) * len(rows))
    shares = trip_shares(trip or flat, Way(way), [head.get(visit.pk, 0) for visit in rows], fees or ())
    return Round(
        crew_id=rows[0].crew_id,
        on=rows[0].date,
        way=way,
        wished=wished,
        metres=metres,
        visits=tuple(visit.pk for visit in rows),
        shares=in_parts(shares),
        frozen=False,
    )


def _length(rows: Sequence[Visit], known: Distances | None) -> int | None:
    """Metres of a round: to each farm as it was driven, else as it was planned, else by the ways; and home by the ways,
    as far as they are known."""
    legs: list[int | None] = []
    for place, visit in enumerate(rows):
        leg = visit.distance_driven_m if visit.distance_driven_m is not None else visit.distance_planned_m
        if leg is None and known is not None:
            leg = known.from_base[place] if not place else known.between[place - 1][place]
        legs.append(leg)
    driven = [leg for leg in legs if leg is not None]
    if len(driven) < len(legs):
        return None
    return sum(driven) + (known.to_base[-1] if known is not None else 0)


def _trip(rows: Sequence[Visit], known: Distances | None) -> Trip | None:
    if known is not None:
        return Trip(known.from_base, known.between, known.to_base)
    alone = [visit.distance_alone_m for visit in rows if visit.distance_alone_m is not None]
    if len(alone) < len(rows):
        return None
    out = tuple(metres // 2 for metres in alone)
    back = tuple(metres - metres // 2 for metres in alone)
    return Trip(out, ((0,) * len(rows),) * len(rows), back)


def _fees(business: Business, rows: Sequence[Visit], ways: _Ways, prices: Prices) -> list[Decimal] | None:
    """What the zone of each farm costs by the business's own list; None without zones, or where a way is not known."""
    entry = prices_on(rows[0].date, prices.lists).get(CALL_OUT)
    if entry is None or entry.way != ZONE:
        return None
    unit = DISTANCE_MILE if business.units == Units.US else DISTANCE_KM
    fees = [entry.price_at(distance_in(unit, metres)) for visit in rows if (metres := ways.out(visit)) is not None]
    return fees if len(fees) == len(rows) else None


def as_percent(share: int) -> Decimal:
    """A share as a part of one."""
    return Decimal(share) / WHOLE
