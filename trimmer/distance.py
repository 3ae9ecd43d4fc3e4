"""Great-circle distance, for when no road network is at hand. This module knows no Django."""

from __future__ import annotations

from math import asin, cos, isfinite, radians, sin, sqrt
from typing import Final

EARTH_RADIUS_METRES: Final = 6_371_008.8
"""Mean radius of the earth, IUGG."""


def haversine_metres(latitude_a: float, longitude_a: float, latitude_b: float, longitude_b: float) -> float:
    """Metres between two points in decimal degrees (WGS 84), on a sphere: within about 0.5 % of the ellipsoid.

    Raises ValueError for a latitude beyond 90 or a longitude beyond 180 degrees.
    """
    for latitude, longitude in ((latitude_a, longitude_a), (latitude_b, longitude_b)):
        if not (isfinite(latitude) and isfinite(longitude) and abs(latitude) <= 90 and abs(longitude) <= 180):
            raise ValueError(f"no point on earth: {latitude}, {longitude}")
    phi_a, phi_b = radians(latitude_a), radians(latitude_b)
    half = sin((phi_b - phi_a) / 2) ** 2 + cos(phi_a) * cos(phi_b) * sin(radians(longitude_b - longitude_a) / 2) ** 2
    return 2 * EARTH_RADIUS_METRES * asin(sqrt(min(1.0, half)))
