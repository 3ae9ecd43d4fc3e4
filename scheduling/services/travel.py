"""Ways between the places of a business: by its roads where there are some, otherwise by straight lines and marked so.

Tables are stored, and completed when a place is new or has moved.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from django.conf import settings
from django.db import IntegrityError, transaction
from django.utils import timezone

from scheduling.road_models import RoadExtract, RoadSet, StoredTravel
from scheduling.services.learning import recorded_drives
from scheduling.services.roads import (
    box_of,
    driving_settings_of,
    extract_in_use,
    places_of,
    rig_of,
    rigs_of,
    roads_folder,
)
from scheduling.travel import matrix
from scheduling.travel.extract import Unusable
from scheduling.travel.fit import Learned, fit_straight, learn, learn_by_hour
from scheduling.travel.matrix import Block, Source, StraightSource, Table
from scheduling.travel.rig import USUAL_RIG, Rig
from scheduling.travel.roads import RoadEngine, RoadSource, Snap, engine_of
from scheduling.travel.server import ServerFailed, ServerSource
from scheduling.travel.straight import Point, Straight
from trimmer.models import Business, Crew, Farm

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Ways:
    """Ways between places in their order, by one rig. source: how they were made, as stored with a proposal."""

    block: Block
    source: str

    @property
    def by_straight_line(self) -> int:
        """How many of the ways (not counting a place to itself) were reckoned by straight line."""
        return int((self.block.made == matrix.STRAIGHT).sum() - (self.block.made.diagonal() == matrix.STRAIGHT).sum())


@dataclass(frozen=True)
class Learning:
    """What a crew's drives teach: altogether, and by the local hour of leaving."""

    whole: Learned
    by_hour: Mapping[int, Learned]


@dataclass(frozen=True)
class OffRoad:
    """A farm a rig cannot be sent to: too far from any road. nearest: where the nearest road is."""

    farm: Farm
    nearest: Snap
    swapped: bool = False


def straight_of(business: Business, rig: Rig) -> Straight:
    """The straight-line estimate for a rig, fitted on the business's own drives where there are enough."""
    straight = Straight(towing_cap=rig.top_kmh)
    trips = (drive.trip(straight.drive(drive.start, drive.end)[1]) for drive in recorded_drives(business))
    return fit_straight((trip for trip in trips if trip), straight)


def road_engine(extract: RoadExtract, rig: Rig) -> tuple[RoadEngine, RoadSet] | None:
    """The engine for a rig, or for another rig of the same extract until its own is built; None when neither is on the
    disk."""
    sets = sorted(extract.sets.all(), key=lambda row: (row.rig_key != rig.key, row.rig_key != USUAL_RIG.key, row.pk))
    for row in sets:
        try:
            return engine_of(roads_folder() / row.folder), row
        except Unusable as unusable:
            log.warning("roads %s cannot be used: %s", row.folder, unusable.code)
    return None


def source_of(business: Business, rig: Rig) -> Source:
    """What knows ways for a rig of this business."""
    straight = straight_of(business, rig)
    extract = extract_in_use(business)
    found = road_engine(extract, rig) if extract else None
    if extract is None or found is None:
        return road_server(rig, straight) or StraightSource(straight)
    engine, row = found
    return RoadSource(
        engine=engine,
        rig=Rig(**row.rig),
        farthest=driving_settings_of(business).farthest_from_road_m,
        instead=straight,
        checksum=extract.checksum,
    )


def road_server(rig: Rig, instead: Straight) -> ServerSource | None:
    """The road server of the settings, for businesses without an extract of their own."""
    if not settings.ROAD_SERVER_URL:
        return None
    return ServerSource(
        kind=settings.ROAD_SERVER_KIND,
        url=settings.ROAD_SERVER_URL,
        seconds=settings.ROAD_SERVER_SECONDS,
        top_kmh=rig.top_kmh,
        instead=instead,
    )


def ways(*, business: Business, rig: Rig, places: Sequence[Point]) -> Ways:
    """The ways between these places, from the stored table where they are in it; it is completed and stored anew where
    they are not. A road server that fails is done without."""
    source = source_of(business, rig)
    try:
        table, _computed = fill(business=business, source=source, places=places)
    except ServerFailed as failed:
        log.warning("the road server did not answer: %s", failed)
        source = StraightSource(straight_of(business, rig))
        table, _computed = fill(business=business, source=source, places=places)
    return Ways(block=table.pick(places), source=source.name)


def metres_alone(*, crew: Crew, farm: Farm) -> int | None:
    """From the crew's base to the farm and back, if nothing else lay on the way; None for a farm without a position."""
    if farm.position is None:
        return None
    places = [(crew.base.latitude, crew.base.longitude), farm.position]
    metres = ways(business=crew.business, rig=rig_of(crew), places=places).block.metres
    return round(float(metres[0, 1] + metres[1, 0]))


def learned_by_crew(business: Business) -> dict[int, Learning]:
    """What each crew's drives teach, against what the tables of its rig reckon for the same ways."""
    if not (drives := recorded_drives(business)):
        return {}
    rigs, usual = rigs_of(business), USUAL_RIG
    learned = {}
    for crew in sorted({drive.crew for drive in drives}):
        own = [drive for drive in drives if drive.crew == crew]
        places = list(dict.fromkeys(place for drive in own for place in (drive.start, drive.end)))
        block = ways(business=business, rig=rigs.get(crew, usual), places=places).block
        index = {place: number for number, place in enumerate(places)}
        reckoned = (float(block.seconds[index[drive.start], index[drive.end]]) for drive in own)
        trips = [trip for drive, seconds in zip(own, reckoned, strict=True) if (trip := drive.trip(seconds))]
        learned[crew] = Learning(whole=learn(trips), by_hour=learn_by_hour(trips))
    return learned


def factors_of(business: Business) -> dict[int, float]:
    """By crew, how much longer its drives are planned than the tables have it; none where it shall not be learned."""
    if not driving_settings_of(business).learns:
        return {}
    return {crew: learning.whole.factor for crew, learning in learned_by_crew(business).items()}


def keep_ready(*, business: Business) -> int:
    """Have the tables of all rigs hold all bases and farms, and nothing else. Gives how many ways were worked out."""
    places = places_of(business)
    computed = 0
    for rig in {*rigs_of(business).values()} or {USUAL_RIG}:
        try:
            computed += fill(business=business, source=source_of(business, rig), places=places, drop=True)[1]
        except ServerFailed as failed:
            log.warning("the road server did not answer: %s", failed)
    return computed


def fill(*, business: Business, source: Source, places: Sequence[Point], drop: bool = False) -> tuple[Table, int]:
    """The stored table of a source, completed by these places. The computing is outside any transaction; when somebody
    else stored meanwhile, theirs stands and ours is still right to use."""
    row = StoredTravel.objects.of(business).filter(source=source.name).first()
    before = _table(row) if row else Table.empty()
    table, computed = matrix.complete(before, places, source, drop=drop)
    if table is not before:
        _store(business, source.name, row, table)
    return table, computed


def _table(row: StoredTravel) -> Table:
    places = tuple((latitude, longitude) for latitude, longitude in row.places)
    shape = (len(places), len(places))
    return Table(
        places,
        np.frombuffer(row.seconds, np.float32).reshape(shape),
        np.frombuffer(row.metres, np.float32).reshape(shape),
        np.frombuffer(row.made, np.uint8).reshape(shape),
    )


def _store(business: Business, source: str, row: StoredTravel | None, table: Table) -> None:
    values = {
        "places": [list(place) for place in table.places],
        "seconds": table.seconds.tobytes(),
        "metres": table.metres.tobytes(),
        "made": table.made.tobytes(),
        "stored_at": timezone.now(),
    }
    if row is not None:
        StoredTravel.objects.filter(pk=row.pk, version=row.version).update(version=row.version + 1, **values)
        return
    try:
        with transaction.atomic():
            StoredTravel.objects.create(business=business, source=source, **values)
    except IntegrityError:
        log.info("ways of %s were stored by somebody else meanwhile", source)


def forget_old_ways(*, business: Business, now: dt.datetime) -> int:
    """Delete tables of sources that are no longer used, after a day."""
    current = {source_of(business, rig).name for rig in {*rigs_of(business).values(), USUAL_RIG}}
    old = StoredTravel.objects.of(business).exclude(source__in=current).filter(stored_at__lt=now - dt.timedelta(days=1))
    return old.delete()[0]


def off_the_roads(*, business: Business, farms: Sequence[Farm]) -> Mapping[int, OffRoad]:
    """Farms inside the area of the extract that lie too far from any road, by key; and those whose latitude and
    longitude seem to have changed places."""
    extract = extract_in_use(business)
    found = road_engine(extract, USUAL_RIG) if extract else None
    if extract is None or found is None:
        return {}
    farthest, box = driving_settings_of(business).farthest_from_road_m, box_of(extract)
    off = {}
    for farm in farms:
        position = farm.position
        if position is None:
            continue
        latitude, longitude = position
        if box.holds(position):
            nearest = found[0].nearest(position)
            if nearest.metres > farthest:
                off[farm.pk] = OffRoad(farm, nearest)
        elif box.holds((longitude, latitude)):
            off[farm.pk] = OffRoad(farm, found[0].nearest((longitude, latitude)), swapped=True)
    return off
