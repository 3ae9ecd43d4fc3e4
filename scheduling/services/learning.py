"""The business's own drives: what was recorded from farm to farm, beside what the tables reckon."""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from django.db.models import Count, Max, Sum

from scheduling.travel.fit import Trip
from scheduling.travel.straight import Point
from trimmer.distance import haversine_metres
from trimmer.models import Business, Farm, Visit

MOST_VISITS = 1500
"""The latest so many are looked at: a season or two."""
LONGEST_S = 4 * 3600
LEAST_STRAIGHT_M = 500


@dataclass(frozen=True, kw_only=True)
class Drive:
    """A recorded drive between two farms of a round: from leaving one to arriving at the next."""

    crew: int
    hour: int
    start: Point
    end: Point
    driven_s: float
    driven_m: float | None

    @property
    def straight_m(self) -> float:
        return haversine_metres(*self.start, *self.end)

    def trip(self, reckoned_s: float) -> Trip | None:
        """As a trip to learn from; None when the pause between was so long that something else filled it."""
        if reckoned_s <= 0 or self.driven_s > 2.5 * reckoned_s + 600:
            return None
        return Trip(
            crew=self.crew,
            hour=self.hour,
            reckoned_s=reckoned_s,
            driven_s=self.driven_s,
            straight_m=self.straight_m,
            driven_m=self.driven_m,
        )


_read: dict[int, tuple[Any, list[Drive]]] = {}
"""By business: what was read last, and the state it was read in. A plain repetition is not read again."""


def recorded_drives(business: Business) -> list[Drive]:
    """What the visits done say of the drives between them. The drive to the first farm is not known: nobody notes when
    a crew leaves its base."""
    state = _state(business)
    if business.pk not in _read or _read[business.pk][0] != state:
        _read[business.pk] = state, _read_drives(business)
    return _read[business.pk][1]


def _state(business: Business) -> Any:
    """Changes whenever visits done, their times or the places of farms do."""
    done = Visit.objects.of(business).done().filter(arrived_at__isnull=False, left_at__isnull=False)
    sums = (Sum(name) for name in ("distance_driven_m", "crew", "farm"))
    visits = done.aggregate(Count("pk"), Max("pk"), Max("left_at"), Max("arrived_at"), *sums)
    places = ("latitude", "longitude", "gate_latitude", "gate_longitude")
    return business.time_zone, visits, Farm.objects.of(business).aggregate(*(Sum(place) for place in places))


def _read_drives(business: Business) -> list[Drive]:
    done = (
        Visit.objects.of(business)
        .done()
        .filter(arrived_at__isnull=False, left_at__isnull=False)
        .select_related("farm")
        .order_by("-date", "-pk")[:MOST_VISITS]
    )
    in_order = sorted(done, key=lambda visit: (visit.crew_id, visit.date, visit.arrived_at))
    return list(_drives(in_order, zoneinfo.ZoneInfo(business.time_zone)))


def _drives(visits: Sequence[Visit], zone: zoneinfo.ZoneInfo) -> Iterator[Drive]:
    for before, after in pairwise(visits):
        if (before.crew_id, before.date) != (after.crew_id, after.date):
            continue
        start, end = before.farm.position, after.farm.position
        if not (start and end and before.left_at and after.arrived_at):
            continue
        seconds = (after.arrived_at - before.left_at).total_seconds()
        if 60 <= seconds <= LONGEST_S and haversine_metres(*start, *end) >= LEAST_STRAIGHT_M:
            yield Drive(
                crew=before.crew_id,
                hour=before.left_at.astimezone(zone).hour,
                start=start,
                end=end,
                driven_s=seconds,
                driven_m=after.distance_driven_m,
            )
