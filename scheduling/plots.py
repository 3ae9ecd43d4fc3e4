"""Plots drawn by our own templates: places on a canvas, worked out here. No Django, no database.

All lengths are whole units of the canvas, so that templates write them as they stand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

WIDTH: Final = 960
HEIGHT: Final = 320
LEFT: Final = 64
RIGHT: Final = 12
TOP: Final = 16
FOOT: Final = 36

_STEPS: Final = (1, 2, 2.5, 5, 10)
_MOST_LINES: Final = 6


@dataclass(frozen=True)
class Line:
    """A line across the canvas, with the value it stands for."""

    at: int
    value: float


@dataclass(frozen=True)
class Mark:
    """A place under the canvas, with what is written there."""

    at: int
    text: str


@dataclass(frozen=True)
class Dot:
    """A visit: where it stands, and whether it is as it should be."""

    x: int
    y: int
    good: bool
    title: str


@dataclass(frozen=True)
class Dots:
    """Dots over time with lines across."""

    dots: tuple[Dot, ...]
    lines: tuple[Line, ...]
    limit: int
    marks: tuple[Mark, ...]


@dataclass(frozen=True)
class Box:
    """A part of a bar; `kind` chooses its colour."""

    kind: str
    x: int
    y: int
    width: int
    height: int


@dataclass(frozen=True)
class Bars:
    """Stacked bars with a stepped line above or across them."""

    boxes: tuple[Box, ...]
    steps: str
    lines: tuple[Line, ...]
    marks: tuple[Mark, ...]


def rule(most: float) -> list[float]:
    """Round values from 0 to at least `most`, a handful of them."""
    if not most > 0:
        return [0.0, 1.0]
    size = 10.0 ** _magnitude(most / _MOST_LINES)
    step = next(size * each for each in _STEPS if size * each * _MOST_LINES >= most)
    count = int(-(-most // step))
    return [step * n for n in range(count + 1)]


def _magnitude(value: float) -> int:
    places = 0
    while value >= 10:
        value, places = value / 10, places + 1
    while value < 1:
        value, places = value * 10, places - 1
    return places


def dots(values: Sequence[tuple[float, float, bool, str]], *, limit: float, marks: Sequence[tuple[float, str]]) -> Dots:
    """Dots (along 0 to 1, height, good, title) with a line at `limit`; heights above twice the limit stand at the top.
    marks: places along (0 to 1) and what is written there."""
    values_of_lines = rule(min(2.0 * limit, max([limit * 1.2, *(height for _along, height, _good, _title in values)])))
    most = values_of_lines[-1]
    return Dots(
        tuple(Dot(_x(along), _y(min(height, most), most), good, title) for along, height, good, title in values),
        tuple(Line(_y(value, most), value) for value in values_of_lines),
        _y(limit, most),
        tuple(Mark(_x(along), text) for along, text in marks),
    )


def bars(stacks: Sequence[Mapping[str, float]], limits: Sequence[float], *, marks: Sequence[tuple[int, str]]) -> Bars:
    """A bar for each stack of parts by kind, and the limit of each as a stepped line. marks: bars by number and what is
    written under them."""
    values_of_lines = rule(max([1.0, *limits, *(sum(stack.values()) for stack in stacks)]))
    most = values_of_lines[-1]
    room = (WIDTH - LEFT - RIGHT) / max(1, len(stacks))
    boxes = []
    for n, stack in enumerate(stacks):
        below = 0.0
        for kind, amount in stack.items():
            top, foot = _y(below + amount, most), _y(below, most)
            below += amount
            if foot > top:
                boxes.append(Box(kind, round(LEFT + room * (n + 0.12)), top, round(room * 0.76), foot - top))
    edges = [
        f"{round(LEFT + room * (n + side))},{_y(limit, most)}" for n, limit in enumerate(limits) for side in (0, 1)
    ]
    return Bars(
        tuple(boxes),
        " ".join(edges),
        tuple(Line(_y(value, most), value) for value in values_of_lines),
        tuple(Mark(round(LEFT + room * (n + 0.5)), text) for n, text in marks),
    )


def _x(along: float) -> int:
    return round(LEFT + along * (WIDTH - LEFT - RIGHT))


def _y(value: float, most: float) -> int:
    return round(TOP + (1.0 - value / most) * (HEIGHT - TOP - FOOT))
