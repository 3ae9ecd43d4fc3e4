"""A round as a file for other devices: GPX 1.1 (topografix.com/GPX/1/1), GeoJSON (RFC 7946), geo: links (RFC 5870)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from scheduling.travel.straight import Point


@dataclass(frozen=True, kw_only=True)
class Mark:
    """A place on the way: its name, a line about it, and whether it is a base or a stop."""

    place: Point
    name: str
    note: str = ""
    kind: str = "stop"


def geo_link(place: Point) -> str:
    """What a phone opens in its own navigator."""
    return f"geo:{place[0]:.6f},{place[1]:.6f}"


def as_gpx(*, name: str, marks: Sequence[Mark], shape: Sequence[Point]) -> str:
    """A route of the marks, for devices that find their own way, and a track of the way that was planned."""
    points = "".join(
        f"<rtept {_at(mark.place)}><name>{escape(mark.name)}</name><desc>{escape(mark.note)}</desc></rtept>"
        for mark in marks
    )
    track = "".join(f"<trkpt {_at(place)}/>" for place in shape)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="Trimround" xmlns="http://www.topografix.com/GPX/1/1">'
        f"<metadata><name>{escape(name)}</name></metadata>"
        f"<rte><name>{escape(name)}</name>{points}</rte>"
        f"<trk><name>{escape(name)}</name><trkseg>{track}</trkseg></trk>"
        "</gpx>\n"
    )


def as_geojson(*, name: str, marks: Sequence[Mark], shape: Sequence[Point]) -> dict[str, Any]:
    """The way as a line and each mark as a point; longitude first."""
    line = _feature("LineString", [_lon_lat(place) for place in shape], {"name": name})
    return {
        "type": "FeatureCollection",
        "features": [
            line,
            *(_feature("Point", _lon_lat(mark.place), _said(mark)) for mark in marks),
        ],
    }


def _said(mark: Mark) -> dict[str, Any]:
    return {"name": mark.name, "note": mark.note, "kind": mark.kind}


def _feature(kind: str, coordinates: Any, properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "properties": properties, "geometry": {"type": kind, "coordinates": coordinates}}


def _lon_lat(place: Point) -> list[float]:
    return [round(place[1], 6), round(place[0], 6)]


def _at(place: Point) -> str:
    return f"lat={quoteattr(f'{place[0]:.6f}')} lon={quoteattr(f'{place[1]:.6f}')}"
