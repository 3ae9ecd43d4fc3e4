"""Distances and detours against published figures."""

from __future__ import annotations

import pytest

from scheduling.travel.straight import BANDS, STRAIGHT
from trimmer.distance import EARTH_RADIUS_METRES, haversine_metres

pytestmark = pytest.mark.published


def test_great_circle_from_jerusalem_to_los_angeles() -> None:
    """Worked example of the Hebrew University of Jerusalem's course page "Distance between cities" (spherical law of
    cosines): 31.75 N 35.25 E to 34.0 N 118.0 W is 12,185 km, or 6,579 nautical miles."""
    metres = haversine_metres(31.75, 35.25, 34.0, -118.0)
    assert metres / 1000 == pytest.approx(12_185, abs=1)
    assert metres / 1852 == pytest.approx(6_579, abs=1)


def test_great_circle_from_los_angeles_to_new_york() -> None:
    """Worked example of E. Williams, Aviation Formulary (from memory): LAX 33 57 N 118 24 W to JFK 40 38 N 73 47 W is
    0.623585 radians."""
    metres = haversine_metres(33 + 57 / 60, -(118 + 24 / 60), 40 + 38 / 60, -(73 + 47 / 60))
    assert metres / EARTH_RADIUS_METRES == pytest.approx(0.623585, abs=1e-6)


def test_detours_lie_where_others_measured_them() -> None:
    """F. P. Boscoe, K. A. Henry and M. S. Zdeb 2012, Professional Geographer 64(2): 1.417 from 66,000 places in the
    United States to their hospital; R. H. Ballou, H. Rahardja and N. Sakai 2002, Transportation Research A 36:843: 1.2
    to 1.5 for most countries' long hauls (both from memory)."""
    farm_to_farm = [band.detour for band in BANDS if band.up_to <= 50_000]
    assert all(factor == pytest.approx(1.417, rel=0.1) for factor in farm_to_farm)
    assert all(1.2 <= band.detour <= 1.5 for band in BANDS if band.up_to >= 100_000)


def test_the_default_estimate_of_a_measured_route() -> None:
    """A row of the British route table named in straight.py: 207.69 km great circle, with the detour of its band."""
    a, b = (52.0512234, 1.045699727), (51.18790885, -1.622310046)
    assert haversine_metres(*a, *b) == pytest.approx(207_690, abs=10)
    assert STRAIGHT.travel(a, b).metres / 207_690 == pytest.approx(1.322, abs=0.001)
