"""Small invented road networks, written as real extracts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import osmium

from scheduling.travel import build
from scheduling.travel.extract import Extract, read_extract
from scheduling.travel.matrix import STRAIGHT, Table, complete
from scheduling.travel.rig import USUAL_RIG, Rig
from scheduling.travel.roads import RoadEngine, RoadSource, engine_of
from scheduling.travel.straight import STRAIGHT as STRAIGHT_LINE
from scheduling.travel.straight import Point
from trimmer.management.scenario.extract import write_extract

type Road = tuple[Sequence[str], Mapping[str, str]]

__all__ = ["STRAIGHT", "lennet", "roads_of", "source_on", "table_on", "write_roads"]


def write_roads(
    path: Path, places: Mapping[str, Point], roads: Sequence[Road], tags: Mapping[str, Mapping[str, str]] | None = None
) -> Path:
    """Write an extract: places by name (latitude, longitude), roads as place names and tags; tags of places."""
    numbers = {name: number for number, name in enumerate(places, start=1)}
    writer = osmium.SimpleWriter(str(path), overwrite=True)
    for name, (latitude, longitude) in places.items():
        node_tags = dict((tags or {}).get(name, {}))
        writer.add_node(osmium.osm.mutable.Node(id=numbers[name], location=(longitude, latitude), tags=node_tags))
    for number, (names, road_tags) in enumerate(roads, start=1):
        nodes = [numbers[name] for name in names]
        writer.add_way(osmium.osm.mutable.Way(id=number, nodes=nodes, tags=dict(road_tags)))
    writer.close()
    return path


def lennet(folder: Path) -> Extract:
    """The demo's valley: a river with two bridges."""
    return read_extract(write_extract(folder / "lennet.osm.pbf"))


def roads_of(extract: Extract, folder: Path, rig: Rig = USUAL_RIG) -> RoadEngine:
    """The extract's roads as a rig drives them."""
    return engine_of(build.build(extract, rig, folder).folder)


def source_on(extract: Extract, folder: Path, rig: Rig = USUAL_RIG, *, farthest: float = 500) -> RoadSource:
    """Ways on the extract's roads."""
    engine = roads_of(extract, folder, rig)
    return RoadSource(engine=engine, rig=rig, farthest=farthest, instead=STRAIGHT_LINE, checksum=extract.checksum)


def table_on(extract: Extract, folder: Path, places: Sequence[Point], rig: Rig = USUAL_RIG) -> Table:
    """All ways between places."""
    return complete(Table.empty(), places, source_on(extract, folder, rig))[0]
