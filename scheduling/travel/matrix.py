"""Minutes and metres between places, kept and only ever completed: a place that is new or has moved costs its own row
and column.

A place is its position; a farm that moves becomes another place. How each figure was made stands beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from scheduling.travel.straight import Point, Straight

UNKNOWN, ROADS, STRAIGHT, SERVER = range(4)
"""How a figure was made: not at all yet, on the roads of the extract, by a straight line, by a road server."""

PLACE_DIGITS = 6
"""A tenth of a metre."""

type Floats = NDArray[np.float32]
type Marks = NDArray[np.uint8]


@dataclass(frozen=True)
class Block:
    """Seconds and metres from each of some places to each of others, and how each figure was made."""

    seconds: Floats
    metres: Floats
    made: Marks


class Source(Protocol):
    """Something that knows ways."""

    @property
    def name(self) -> str:
        """Names the source and its state: figures of another name are not mixed with its own."""

    def block(self, places: Sequence[Point], sources: Sequence[int], targets: Sequence[int]) -> Block:
        """The ways from places[i] for i in sources (rows) to places[j] for j in targets (columns)."""


@dataclass(frozen=True)
class Table:
    """A square table: row a, column b is the way from places[a] to places[b]."""

    places: tuple[Point, ...]
    seconds: Floats
    metres: Floats
    made: Marks

    def __post_init__(self) -> None:
        shape = (len(self.places), len(self.places))
        if {self.seconds.shape, self.metres.shape, self.made.shape} != {shape}:
            raise ValueError("a table of ways must be square, one row for each place")
        if len(set(self.places)) != len(self.places):
            raise ValueError("a place stands twice in a table of ways")

    @classmethod
    def empty(cls) -> Table:
        """No places."""
        return cls((), *(np.zeros((0, 0), kind) for kind in (np.float32, np.float32, np.uint8)))

    def pick(self, places: Sequence[Point]) -> Block:
        """The ways between these places in this order; a place may stand several times."""
        index = {place: number for number, place in enumerate(self.places)}
        rows = np.array([index[place_of(place)] for place in places], dtype=np.intp)
        grid = np.ix_(rows, rows)
        return Block(self.seconds[grid], self.metres[grid], self.made[grid])


def place_of(position: Point) -> Point:
    """A position as tables know it."""
    return round(position[0], PLACE_DIGITS), round(position[1], PLACE_DIGITS)


def complete(table: Table, positions: Sequence[Point], source: Source, *, drop: bool = False) -> tuple[Table, int]:
    """The table with these places in it too, and how many ways were worked out for that.

    drop: without the places that are not among `positions`.
    """
    wanted = tuple(dict.fromkeys(place_of(position) for position in positions))
    known = {place: number for number, place in enumerate(table.places)}
    kept = tuple(place for place in table.places if not drop or place in set(wanted))
    fresh = tuple(place for place in wanted if place not in known)
    if not fresh and kept == table.places:
        return table, 0
    places = kept + fresh
    size, old = len(places), len(kept)
    seconds, metres, made = (np.zeros((size, size), kind) for kind in (np.float32, np.float32, np.uint8))
    rows = np.array([known[place] for place in kept], dtype=np.intp)
    grid = np.ix_(rows, rows)
    seconds[:old, :old], metres[:old, :old], made[:old, :old] = (
        known_before[grid] for known_before in (table.seconds, table.metres, table.made)
    )
    if fresh:
        everywhere, new, before = list(range(size)), list(range(old, size)), list(range(old))
        _put(seconds, metres, made, slice(old, size), slice(0, size), source.block(places, new, everywhere))
        if before:
            _put(seconds, metres, made, slice(0, old), slice(old, size), source.block(places, before, new))
    np.fill_diagonal(seconds, 0)
    np.fill_diagonal(metres, 0)
    return Table(places, seconds, metres, made), len(fresh) * size + old * len(fresh)


def _put(seconds: Floats, metres: Floats, made: Marks, rows: slice, columns: slice, block: Block) -> None:
    seconds[rows, columns] = block.seconds
    metres[rows, columns] = block.metres
    made[rows, columns] = block.made


def whole_minutes(seconds: Floats) -> list[list[int]]:
    """Minutes as the planner takes them: rounded to the nearest, but at least one between different places."""
    minutes = np.rint(seconds / 60).astype(np.int64)
    minutes[(minutes == 0) & (seconds > 0)] = 1
    return [[int(value) for value in row] for row in minutes]


def whole_metres(metres: Floats) -> list[list[int]]:
    """Whole metres."""
    return [[int(value) for value in row] for row in np.rint(metres)]


@dataclass(frozen=True)
class StraightSource:
    """Ways by straight line, for when there are no roads."""

    straight: Straight

    @property
    def name(self) -> str:
        return self.straight.source

    def block(self, places: Sequence[Point], sources: Sequence[int], targets: Sequence[int]) -> Block:
        ways = [[self.straight.drive(places[a], places[b]) for b in targets] for a in sources]
        both = np.array(ways, dtype=np.float32).reshape(len(sources), len(targets), 2)
        made = np.full((len(sources), len(targets)), STRAIGHT, np.uint8)
        return Block(seconds=both[:, :, 1], metres=both[:, :, 0], made=made)
