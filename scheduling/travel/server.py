"""Ways asked of a road server over HTTP: OSRM's table service or Valhalla's matrix, for those who run one.

Protocols: OSRM HTTP API v5 (`/table/v1/driving/`), Valhalla matrix API (`/sources_to_targets`).
"""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from scheduling.travel.matrix import SERVER, STRAIGHT, Block
from scheduling.travel.straight import Point, Straight

MOST_AT_ONCE = 90
"""Places a usual server takes in one question (OSRM's own default is 100 and counts sources and targets)."""
MOST_BYTES = 50_000_000


class ServerFailed(Exception):
    """The server did not answer in time, or not with ways."""


@dataclass(frozen=True, kw_only=True)
class ServerSource:
    """kind: "osrm" or "valhalla"; seconds: how long one question may take; top_kmh: no way is reckoned faster than the
    rig tows, whatever the server thinks of cars. A place the server finds no way to is reckoned by straight line."""

    kind: str
    url: str
    seconds: float
    top_kmh: float
    instead: Straight

    def __post_init__(self) -> None:
        if self.kind not in {"osrm", "valhalla"} or not self.url.startswith(("http://", "https://")):
            raise ValueError("a road server is osrm or valhalla, at an address that begins with http:// or https://")

    @property
    def name(self) -> str:
        return f"server;{self.kind};{self.url};cap={self.top_kmh:g}"[:100]

    def block(self, places: Sequence[Point], sources: Sequence[int], targets: Sequence[int]) -> Block:
        """Raises ServerFailed."""
        half = MOST_AT_ONCE // 2
        seconds = np.full((len(sources), len(targets)), np.nan, np.float32)
        metres = seconds.copy()
        for row in range(0, len(sources), half):
            for column in range(0, len(targets), half):
                part = (slice(row, row + half), slice(column, column + half))
                seconds[part], metres[part] = self._ask(
                    [places[a] for a in sources[part[0]]], [places[b] for b in targets[part[1]]]
                )
        seconds = np.maximum(seconds, metres / (self.top_kmh / 3.6))
        made = np.full(seconds.shape, SERVER, np.uint8)
        for a, b in np.argwhere(np.isnan(seconds)):
            metres[a, b], seconds[a, b] = self.instead.drive(places[sources[a]], places[targets[b]])
            made[a, b] = STRAIGHT
        return Block(seconds=seconds, metres=metres, made=made)

    def _ask(self, starts: Sequence[Point], ends: Sequence[Point]) -> tuple[Any, Any]:
        try:
            answer = self._osrm(starts, ends) if self.kind == "osrm" else self._valhalla(starts, ends)
            shaped = [np.array(table, dtype=np.float32).reshape(len(starts), len(ends)) for table in answer]
        except (KeyError, TypeError, ValueError) as error:
            raise ServerFailed("no ways in the answer") from error
        return shaped[0], shaped[1]

    def _osrm(self, starts: Sequence[Point], ends: Sequence[Point]) -> tuple[Any, Any]:
        places = ";".join(f"{longitude:.6f},{latitude:.6f}" for latitude, longitude in [*starts, *ends])
        first = ";".join(str(n) for n in range(len(starts)))
        second = ";".join(str(len(starts) + n) for n in range(len(ends)))
        answer = self._fetch(
            f"/table/v1/driving/{places}?annotations=duration,distance&sources={first}&destinations={second}"
        )
        return answer["durations"], answer["distances"]

    def _valhalla(self, starts: Sequence[Point], ends: Sequence[Point]) -> tuple[Any, Any]:
        question = {
            "sources": [{"lat": latitude, "lon": longitude} for latitude, longitude in starts],
            "targets": [{"lat": latitude, "lon": longitude} for latitude, longitude in ends],
            "costing": "auto",
            "costing_options": {"auto": {"top_speed": self.top_kmh}},
            "units": "kilometers",
        }
        rows = self._fetch("/sources_to_targets", json.dumps(question).encode())["sources_to_targets"]
        kilometres = [[cell["distance"] for cell in row] for row in rows]
        metres = [[None if value is None else value * 1000 for value in row] for row in kilometres]
        return [[cell["time"] for cell in row] for row in rows], metres

    def _fetch(self, path: str, body: bytes | None = None) -> Any:
        headers = {"Content-Type": "application/json"} if body else {}
        request = urllib.request.Request(self.url.rstrip("/") + path, data=body, headers=headers)  # noqa: S310
        try:
            with urllib.request.urlopen(request, timeout=self.seconds) as answer:  # noqa: S310
                return json.loads(answer.read(MOST_BYTES))
        except (OSError, urllib.error.URLError, ValueError) as error:
            raise ServerFailed(str(error)) from error
