"""The valley's roads: invented, written as a real extract. Without Django.

The river Lennet has two bridges, at Corvane and at Ardlisk; a farm on the other bank is a long way off.
"""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

from scheduling.travel.extract import library
from trimmer.management.scenario.valley import FOLDER


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
