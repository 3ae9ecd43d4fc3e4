"""Shortest ways found independently of the road engine: the graph read by osmium, the search by scipy.

Speeds and closed ways are written down here a second time, so that a slip in one of the two shows. Turns, gates and
traffic lights cost nothing here.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from math import asin, cos, radians, sin, sqrt
from pathlib import Path

import numpy as np
import osmium
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra

from scheduling.travel.rig import Rig

CLASS_KMH = {
    "motorway": 100,
    "motorway_link": 50,
    "trunk": 85,
    "trunk_link": 45,
    "primary": 70,
    "primary_link": 35,
    "secondary": 60,
    "secondary_link": 30,
    "tertiary": 50,
    "tertiary_link": 25,
    "unclassified": 40,
    "residential": 28,
    "road": 30,
    "living_street": 10,
    "service": 15,
    "track": 12,
}
TRACK_KMH = {"grade1": 25, "grade2": 18, "grade3": 12, "grade4": 8, "grade5": 5}
SURFACE_KMH = {
    "compacted": 60,
    "fine_gravel": 50,
    "gravel": 30,
    "unpaved": 30,
    "ground": 15,
    "dirt": 15,
    "earth": 15,
    "grass": 8,
    "sand": 8,
    "mud": 5,
    "cobblestone": 25,
    "sett": 30,
    "pebblestone": 25,
}
CLOSED = {"no", "psv", "bus", "emergency", "military", "foot", "bicycle", "official"}
ENDS_ONLY = {"private", "destination", "customers", "delivery", "residents", "permit", "agricultural", "forestry"}
PASSABLE = {"cattle_grid", "border_control", "toll_booth", "sally_port", "no", "entrance", "kerb"}
GATES = {"gate", "lift_gate", "swing_gate", "sliding_gate"}
ENTERING = 3276.0
"""Seconds that keep a way from using a private road to get anywhere else; taken off again afterwards."""


def access_of(tags: Mapping[str, str]) -> str | None:
    """The most particular word on who may drive here."""
    return next((tags[key] for key in ("motorcar", "motor_vehicle", "vehicle", "access") if key in tags), None)


def number_in(text: str | None) -> float | None:
    """The first number of a value; a comma is a decimal point."""
    found = re.search(r"\d+\.?\d*", (text or "").replace(",", "."))
    return float(found.group()) if found else None


def kmh_on(tags: Mapping[str, str], rig: Rig) -> float | None:
    """Average speed of a rig on a way; None where it may not or cannot go."""
    kind = tags.get("highway", "")
    if kind not in CLASS_KMH or tags.get("area") == "yes" or tags.get("impassable") == "yes":
        return None
    if access_of(tags) in CLOSED or (rig.towing and "no" in (tags.get("trailer"), tags.get("caravan"))):
        return None
    tonnes = number_in(tags.get("maxweightrating") or tags.get("maxweight"))
    limits = (
        (number_in(tags.get("maxheight:physical") or tags.get("maxheight")), rig.height_m),
        (number_in(tags.get("maxwidth:physical") or tags.get("maxwidth")), rig.width_m),
        (number_in(tags.get("maxlength")), rig.length_m),
        (tonnes and tonnes * 1000, rig.weight_kg),
    )
    if any(limit is not None and limit < own for limit, own in limits):
        return None
    speeds = [float(CLASS_KMH[kind]), rig.top_kmh]
    if kind == "track":
        speeds[0] = TRACK_KMH.get(tags.get("tracktype", ""), 12)
    posted = re.match(r"\d+", tags.get("maxspeed", ""))
    if posted and float(posted.group()):
        speeds.append(float(posted.group()) * (1.609 if "mph" in tags["maxspeed"] else 1))
    if tags.get("surface") in SURFACE_KMH:
        speeds.append(SURFACE_KMH[tags["surface"]])
    if kind in {"track", "service"}:
        speeds.append(rig.yard_kmh)
    return min(speeds)


def directions(tags: Mapping[str, str]) -> tuple[bool, bool]:
    """Whether a way may be driven along, and against."""
    oneway = next((tags[key] for key in ("oneway:motorcar", "oneway:motor_vehicle", "oneway") if key in tags), "")
    if oneway == "-1":
        return False, True
    if oneway == "reversible":
        return False, False
    implied = tags["highway"] == "motorway" or tags.get("junction") in {"roundabout", "circular"}
    return True, not (oneway in {"yes", "1", "true"} or (oneway != "no" and implied))


def metres_between(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Great circle, latitude and longitude in degrees."""
    phi_a, phi_b, half = radians(a[0]), radians(b[0]), radians(b[1] - a[1]) / 2
    return 2 * 6_371_008.8 * asin(sqrt(sin((phi_b - phi_a) / 2) ** 2 + cos(phi_a) * cos(phi_b) * sin(half) ** 2))


@dataclass(frozen=True)
class Network:
    """A graph of seconds in two layers: even rows are reached by public ways, odd ones by ways one may only end on.

    places: by node; plain: nodes of the largest connected part on which only public ways meet.
    """

    seconds: csr_array
    places: NDArray[np.float64]
    plain: NDArray[np.intp]

    def drives(self, pairs: NDArray[np.intp]) -> NDArray[np.float64]:
        """Seconds of the shortest way for each pair of nodes."""
        starts, place = np.unique(pairs[:, 0], return_inverse=True)
        found = dijkstra(self.seconds, indices=2 * starts)
        return np.asarray(found[place, 2 * pairs[:, 1]] % ENTERING)


def read_network(path: Path, rig: Rig) -> Network:
    """Read the ways of an extract that a rig may drive on."""
    barriers = set()
    for node in osmium.FileProcessor(str(path), osmium.osm.NODE).with_filter(osmium.filter.EmptyTagFilter()):
        tags = dict(node.tags)
        access, barrier = access_of(tags), tags.get("barrier")
        closed = access in CLOSED or (barrier and not access and barrier not in PASSABLE | GATES)
        if closed and not (barrier in GATES and access not in CLOSED):
            barriers.add(node.id)
    edges: list[tuple[int, int, float, bool]] = []
    place: dict[int, tuple[float, float]] = {}
    numbers: dict[object, int] = {}
    meets: dict[int, set[bool]] = defaultdict(set)

    def number(node: int, way: int, step: int) -> int:
        # Nobody passes a barrier: each road has an end of its own there.
        key: object = (node, way, step) if node in barriers else node
        return numbers.setdefault(key, len(numbers))

    ways = osmium.FileProcessor(str(path), osmium.osm.NODE | osmium.osm.WAY).with_locations()
    for way in ways.with_filter(osmium.filter.EntityFilter(osmium.osm.WAY)).with_filter(
        osmium.filter.KeyFilter("highway")
    ):
        tags = dict(way.tags)
        kmh = kmh_on(tags, rig)
        if kmh is None:
            continue
        access = access_of(tags)
        ends_only = access in ENDS_ONLY or (tags["highway"] == "track" and not access)
        along, against = directions(tags)
        nodes = [node for node in way.nodes if node.location.valid()]
        for step, (a, b) in enumerate(pairwise(nodes)):
            here, there = number(a.ref, way.id, step), number(b.ref, way.id, step)
            place[here], place[there] = (a.lat, a.lon), (b.lat, b.lon)
            meets[here].add(ends_only)
            meets[there].add(ends_only)
            time = max(metres_between(place[here], place[there]) / (kmh / 3.6), 1e-3)
            edges += [(here, there, time, ends_only)] if along else []
            edges += [(there, here, time, ends_only)] if against else []
    return _network(edges, place, meets)


def _network(
    edges: list[tuple[int, int, float, bool]], place: dict[int, tuple[float, float]], meets: dict[int, set[bool]]
) -> Network:
    best: dict[tuple[int, int], float] = {}
    for a, b, time, ends_only in edges:
        for layer in (0, 1):
            key = (2 * a + layer, 2 * b + int(ends_only))
            entering = ENTERING if ends_only and layer == 0 else 0.0
            best[key] = min(best.get(key, np.inf), time + entering)
    rows, columns = zip(*best, strict=True)
    size = 2 * len(place)
    seconds = csr_array((list(best.values()), (rows, columns)), shape=(size, size))
    _count, part = connected_components(seconds, directed=True, connection="strong")
    public = np.array([node for node in range(len(place)) if meets[node] == {False}])
    largest = np.bincount(part[2 * public]).argmax()
    return Network(
        seconds=seconds,
        places=np.array([place[node] for node in range(len(place))]),
        plain=public[part[2 * public] == largest],
    )
