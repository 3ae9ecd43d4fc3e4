"""An OpenStreetMap extract (.osm.pbf): what it covers, and whether it can be used at all.

Format: https://wiki.openstreetmap.org/wiki/PBF_Format, read with osmium.
"""

from __future__ import annotations

import hashlib
import importlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scheduling.travel.straight import Point

ROADS = (
    *("motorway", "motorway_link", "trunk", "trunk_link", "primary", "primary_link", "secondary", "secondary_link"),
    *("tertiary", "tertiary_link", "unclassified", "residential", "road", "living_street", "service", "track"),
)
"""Values of `highway` a rig may drive on, the greatest first; the same as in profiles/rig.lua."""

SHOWN_AS = {"motorway": 0, "trunk": 0, "primary": 0, "secondary": 1, "tertiary": 1, "track": 3, "service": 3}
"""How big a road is drawn: 0 main, 1 between towns, 2 small, 3 yards and tracks."""
RIVER = -1
MOST_SHOWN_POINTS = 60_000


class Unusable(Exception):
    """Roads cannot be had from this. `code` and `params` are turned into a sentence by the caller."""

    def __init__(self, code: str, **params: Any) -> None:
        self.code, self.params = code, params
        super().__init__(code)


@dataclass(frozen=True, kw_only=True)
class Box:
    """An area in degrees."""

    south: float
    west: float
    north: float
    east: float

    def holds(self, place: Point, margin: float = 0.0) -> bool:
        """Whether a place (latitude, longitude) lies in it, or within `margin` degrees of it."""
        latitude, longitude = place
        return (
            self.south - margin <= latitude <= self.north + margin
            and self.west - margin <= longitude <= self.east + margin
        )


@dataclass(frozen=True, kw_only=True)
class Extract:
    """An extract that was read through. checksum: SHA-256 of the file; dated: as the file says it, ISO 8601 or empty;
    box: of its roads."""

    path: Path
    checksum: str
    size: int
    dated: str
    box: Box
    roads: int


def library(name: str) -> Any:
    """A library that is not packaged for every platform. Raises Unusable (no-road-engine) where it is missing."""
    try:
        return importlib.import_module(name)
    except ImportError as error:
        raise Unusable("no-road-engine", library=name) from error


def checksum_of(path: Path) -> str:
    """SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_extract(path: Path) -> Extract:
    """Read an extract to its end.

    Raises Unusable: no-such-file, not-an-extract (another kind of file), broken-extract (truncated or damaged),
    no-roads.
    """
    if not path.is_file():
        raise Unusable("no-such-file", path=str(path))
    with path.open("rb") as file:
        beginning = file.read(64)
    if b"OSMHeader" not in beginning:
        raise Unusable("not-an-extract", path=path.name)
    dated = ""
    count = 0
    latitudes: list[float] = []
    longitudes: list[float] = []
    try:
        dated = _dated(path)
        for way in _road_ways(path):
            count += 1
            for latitude, longitude in _ends(way):
                latitudes.append(latitude)
                longitudes.append(longitude)
    except RuntimeError as error:
        raise Unusable("broken-extract", path=path.name) from error
    if not latitudes:
        raise Unusable("no-roads", path=path.name)
    return Extract(
        path=path,
        checksum=checksum_of(path),
        size=path.stat().st_size,
        dated=dated,
        box=Box(south=min(latitudes), west=min(longitudes), north=max(latitudes), east=max(longitudes)),
        roads=count,
    )


def _dated(path: Path) -> str:
    reader = library("osmium").io.Reader(str(path))
    try:
        return str(reader.header().get("osmosis_replication_timestamp", ""))
    finally:
        reader.close()


def _road_ways(path: Path, *, rivers: bool = False) -> Iterator[Any]:
    """Ways one may drive on, with the positions of their nodes; rivers too, which explain a detour."""
    osmium = library("osmium")
    wanted = [("highway", kind) for kind in ROADS] + ([("waterway", "river")] if rivers else [])
    # The filter comes after the locations: it lets nodes through to them, and only hands roads to us.
    yield from (
        osmium.FileProcessor(str(path), osmium.osm.NODE | osmium.osm.WAY)
        .with_locations()
        .with_filter(osmium.filter.EntityFilter(osmium.osm.WAY))
        .with_filter(osmium.filter.TagFilter(*wanted))
    )


def _ends(way: Any) -> Iterator[Point]:
    for node in (way.nodes[0], way.nodes[-1]):
        if node.location.valid():
            yield node.lat, node.lon


def write_background(extract: Path, target: Path, most_points: int = MOST_SHOWN_POINTS) -> int:
    """Write the roads as GeoJSON (RFC 7946) for the map's background: small roads are left out, the smallest first,
    until no more than `most_points` points are left. Rivers are in it. Gives how many lines."""
    by_rank: dict[int, list[dict[str, Any]]] = {}
    sizes: dict[int, int] = {}
    for way in _road_ways(extract, rivers=True):
        line = [[round(node.lon, 5), round(node.lat, 5)] for node in way.nodes if node.location.valid()]
        if len(line) < 2:
            continue
        kind = way.tags.get("highway", "").removesuffix("_link")
        rank = SHOWN_AS.get(kind, 2) if kind else RIVER
        properties = {"rank": rank, "name": way.tags.get("name") or way.tags.get("ref") or ""}
        by_rank.setdefault(rank, []).append(
            {"type": "Feature", "properties": properties, "geometry": {"type": "LineString", "coordinates": line}}
        )
        sizes[rank] = sizes.get(rank, 0) + len(line)
    shown: list[dict[str, Any]] = []
    points = 0
    for rank in sorted(by_rank):
        points += sizes[rank]
        if shown and points > most_points:
            break
        shown += by_rank[rank]
    _write_json(target, {"type": "FeatureCollection", "features": shown})
    return len(shown)


def _write_json(target: Path, content: Any) -> None:
    target.write_text(json.dumps(content, separators=(",", ":")), encoding="utf-8")


type Report = Callable[[int, str], None]
"""Takes percent and a code of what is being done."""
