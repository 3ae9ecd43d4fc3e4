"""The valley's roads, loaded like any other."""

from __future__ import annotations

from pathlib import Path

from scheduling.services.roads import load_roads, refusal_of
from scheduling.services.travel import keep_ready
from scheduling.travel.extract import Unusable
from trimmer.errors import Refusal
from trimmer.management.scenario.extract import write_extract
from trimmer.management.scenario.founding import Ground

FILE_NAME = "lennet-valley.osm.pbf"


def lay_roads(ground: Ground, folder: Path) -> Refusal | None:
    """Write and load the valley's roads. Where there is no road engine for this computer, the valley lives by straight
    lines, and the refusal says why."""
    try:
        load_roads(
            businesses=[ground.business],
            path=write_extract(folder / FILE_NAME),
            by=ground.people["owner"],
            now=ground.now,
            say=lambda percent, doing: None,
        )
    except Unusable as unusable:
        return refusal_of(unusable, in_use=False, name=FILE_NAME)
    except Refusal as refusal:
        return refusal
    keep_ready(business=ground.business)
    return None
