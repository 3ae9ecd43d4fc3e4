"""The road engine in this process: minutes and metres on the user's own roads, without asking anybody.

OSRM (R. Geisberger, P. Sanders, D. Schultes and D. Delling 2008, Contraction Hierarchies) by its Python bindings. It
takes longitude before latitude, and it would snap a place to a road however far away; this module takes latitude first
as everywhere else here, and says how far it snapped.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scheduling.travel.extract import Unusable, library
from scheduling.travel.matrix import ROADS, STRAIGHT, Block
from scheduling.travel.rig import Rig
from scheduling.travel.straight import Point, Straight

NAME = "roads.osrm"

type Seconds = NDArray[np.float32]
type Metres = NDArray[np.float32]


@dataclass(frozen=True)
class Snap:
    """The road point nearest to a place: where, how far from it in metres, and the road's name, if it has one."""

    place: Point
    metres: float
    road: str


@dataclass(frozen=True, kw_only=True)
class Turn:
    """One instruction of a drive: what to do (OSRM's type and modifier), onto which road, and how far along it."""

    kind: str
    way: str
    road: str
    metres: float
    seconds: float
    place: Point


@dataclass(frozen=True, kw_only=True)
class Drive:
    """From one stop to the next."""

    metres: float
    seconds: float
    turns: tuple[Turn, ...]


@dataclass(frozen=True, kw_only=True)
class Way:
    """A way through several stops: its drives, and its shape as (latitude, longitude)."""

    drives: tuple[Drive, ...]
    shape: tuple[Point, ...]


class NoWay(Exception):
    """No road leads from one of the places to another."""


class RoadEngine:
    """A data set loaded into this process. Threads may share it."""

    def __init__(self, folder: Path) -> None:
        """Raises Unusable: no-road-engine, data-set-gone."""
        self.folder = folder
        self._osrm = library("osrm")
        try:
            self._engine = self._osrm.OSRM(str(folder / NAME))
        except RuntimeError as error:
            raise Unusable("data-set-gone", folder=folder.name) from error

    def nearest(self, place: Point) -> Snap:
        """The nearest road, however far."""
        answer = self._engine.Nearest(self._osrm.NearestParameters(coordinates=[_lon_lat(place)], generate_hints=False))
        found = answer["waypoints"][0]
        longitude, latitude = found["location"]
        return Snap((float(latitude), float(longitude)), float(found["distance"]), str(found["name"]))

    def table(
        self, places: Sequence[Point], sources: Sequence[int] | None = None, targets: Sequence[int] | None = None
    ) -> tuple[Seconds, Metres]:
        """Seconds and metres from each source to each target (indices into places; None: all of them), road to road.
        NaN where no road leads there."""
        if len(places) < 2:  # the engine refuses a table of one place
            shape = (len(places), len(places))
            return np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        parameters = self._osrm.TableParameters(
            coordinates=[_lon_lat(place) for place in places],
            sources=[] if sources is None else list(sources),
            destinations=[] if targets is None else list(targets),
            annotations=["duration", "distance"],
            generate_hints=False,
        )
        answer = self._engine.Table(parameters)
        return _array(answer["durations"]), _array(answer["distances"])

    def way(self, places: Sequence[Point]) -> Way:
        """The way through the places in their order. Raises NoWay."""
        parameters = self._osrm.RouteParameters(
            coordinates=[_lon_lat(place) for place in places],
            steps=True,
            geometries="geojson",
            overview="full",
            generate_hints=False,
        )
        try:
            answer = self._engine.Route(parameters)
        except RuntimeError as error:
            raise NoWay from error
        route = answer["routes"][0]
        shape = tuple((float(lat), float(lon)) for lon, lat in route["geometry"]["coordinates"])
        return Way(drives=tuple(_drive(leg) for leg in route["legs"]), shape=shape)


def _drive(leg: Any) -> Drive:
    turns = []
    for step in leg["steps"]:
        manoeuvre = step["maneuver"]
        longitude, latitude = manoeuvre["location"]
        turns.append(
            Turn(
                kind=str(manoeuvre["type"]),
                way=str(manoeuvre["modifier"]) if "modifier" in set(manoeuvre) else "",
                road=str(step["name"]) or (str(step["ref"]) if "ref" in set(step) else ""),
                metres=float(step["distance"]),
                seconds=float(step["duration"]),
                place=(float(latitude), float(longitude)),
            )
        )
    return Drive(metres=float(leg["distance"]), seconds=float(leg["duration"]), turns=tuple(turns))


def _lon_lat(place: Point) -> tuple[float, float]:
    return place[1], place[0]


def _array(rows: Any) -> NDArray[np.float32]:
    """Rows are iterated, not indexed: indexing is slow in the bindings. None (no way) becomes NaN."""
    return np.array([list(row) for row in rows], dtype=np.float32)


@dataclass(frozen=True)
class RoadSource:
    """Ways on the roads of a data set. A place farther than `farthest` metres from any road, or that no road leads to,
    is reckoned by straight line and marked so.

    From the road to the place itself the rig drives at its yard speed, in a straight line.
    """

    engine: RoadEngine
    rig: Rig
    farthest: float
    instead: Straight
    checksum: str

    @property
    def name(self) -> str:
        return f"roads;{self.checksum[:16]};rig={self.rig.key};off={self.farthest:g};{self.instead.source}"

    def block(self, places: Sequence[Point], sources: Sequence[int], targets: Sequence[int]) -> Block:
        off = np.array([self.engine.nearest(place).metres for place in places], dtype=np.float32)
        near = off <= self.farthest
        rows, columns = np.array(sources, dtype=np.intp), np.array(targets, dtype=np.intp)
        seconds = np.full((len(rows), len(columns)), np.nan, np.float32)
        metres = seconds.copy()
        near_rows, near_columns = np.flatnonzero(near[rows]), np.flatnonzero(near[columns])
        if len(near_rows) and len(near_columns):
            grid = np.ix_(near_rows, near_columns)
            seconds[grid], metres[grid] = self.engine.table(
                places, [int(a) for a in rows[near_rows]], [int(b) for b in columns[near_columns]]
            )
        extra = off[rows][:, None] + off[columns][None, :]
        seconds += extra / (self.rig.yard_kmh / 3.6)
        metres += extra
        made = np.full(seconds.shape, ROADS, np.uint8)
        for a, b in np.argwhere(np.isnan(seconds)):
            metres[a, b], seconds[a, b] = self.instead.drive(places[rows[a]], places[columns[b]])
            made[a, b] = STRAIGHT
        return Block(seconds=seconds, metres=metres, made=made)


_loaded: dict[str, RoadEngine] = {}
_loaded_by = 0
_loading = threading.Lock()
MOST_LOADED = 4


def engine_of(folder: Path) -> RoadEngine:
    """The engine of a data set, loaded once in each process, after it was forked. Raises Unusable."""
    global _loaded_by  # noqa: PLW0603
    with _loading:
        if _loaded_by != os.getpid():
            _loaded.clear()
            _loaded_by = os.getpid()
        name = str(folder)
        engine = _loaded.pop(name, None) or RoadEngine(folder)
        _loaded[name] = engine  # last in the order: the first is the one not asked for longest
        while len(_loaded) > MOST_LOADED:
            del _loaded[next(iter(_loaded))]
        return engine
