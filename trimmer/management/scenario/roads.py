"""The valley's roads: invented, written as a real extract and loaded like any other.

The river Lennet has two bridges, at Corvane and at Ardlisk; a farm on the other bank is a long way off.
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

from scheduling.services.roads import load_roads, refusal_of
from scheduling.services.travel import keep_ready
from scheduling.travel.extract import Unusable, library
from trimmer.errors import Refusal
from trimmer.management.scenario.founding import Ground
from trimmer.management.scenario.valley import FOLDER

FILE_NAME = "lennet-valley.osm.pbf"


def write_extract(target: Path) -> Path:
    """Write the roads of fixtures/demo as an OpenStreetMap extract. Raises Unusable where osmium is missing."""
    osmium = library("osmium")
    told = json.loads((FOLDER / "roads.json").read_text())
    header = osmium.io.Header()
    header.set("generator", "trimround")
    header.set("osmosis_replication_timestamp", told["dated"])
    writer = osmium.SimpleWriter(str(target), header=header, overwrite=True)
    made = dt.datetime.fromisoformat(told["dated"])
    try:
        for number, (latitude, longitude) in enumerate(told["nodes"], start=1):
            place = (longitude, latitude)
            writer.add_node(osmium.osm.mutable.Node(id=number, location=place, version=1, timestamp=made))
        for number, way in enumerate(told["ways"], start=1):
            writer.add_way(
                osmium.osm.mutable.Way(id=number, nodes=way["nodes"], tags=way["tags"], version=1, timestamp=made)
            )
    finally:
        writer.close()
    return target


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
