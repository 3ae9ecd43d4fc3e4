"""Distances for those who bill: the ways of the planner, in metres."""

from __future__ import annotations

from collections.abc import Sequence

from scheduling.services.roads import rig_of
from scheduling.services.travel import ways
from scheduling.travel.matrix import whole_metres
from trimmer.models import Crew, Farm
from trimmer.queries.distances import Distances


def reckon_distances(*, crew: Crew, farms: Sequence[Farm]) -> Distances:
    """Metres between a crew's base and farms, as its rig drives them, in both directions."""
    places = [(crew.base.latitude, crew.base.longitude), *(farm.position for farm in farms if farm.position)]
    metres = whole_metres(ways(business=crew.business, rig=rig_of(crew), places=places).block.metres)
    return Distances(
        from_base=tuple(metres[0][1:]),
        to_base=tuple(row[0] for row in metres[1:]),
        between=tuple(tuple(row[1:]) for row in metres[1:]),
    )
