"""Driving estimated from straight lines."""

from typing import Any

import pytest

from scheduling.travel.straight import Straight, matrix, source, travel
from trimmer.distance import haversine_metres

HOME = (50.0, 5.0)


def test_short_ways_are_more_crooked_than_long_ones() -> None:
    near, far = travel(HOME, (50.1, 5.0)), travel(HOME, (51.5, 5.0))
    assert near.metres / haversine_metres(*HOME, 50.1, 5.0) == pytest.approx(1.546, abs=1e-4)
    assert far.metres / haversine_metres(*HOME, 51.5, 5.0) == pytest.approx(1.369, abs=1e-4)


def test_no_speed_is_above_the_towing_cap() -> None:
    leg = Straight(towing_cap=50).travel(HOME, (51.5, 5.0))
    assert leg.minutes == round(leg.metres / 1000 / 50 * 60)


def test_a_detour_found_locally_is_used() -> None:
    assert Straight(detour=1.3).travel(HOME, (50.1, 5.0)).metres == round(1.3 * haversine_metres(*HOME, 50.1, 5.0))


def test_the_same_place_is_no_way_and_a_neighbour_is_a_minute() -> None:
    assert travel(HOME, HOME) == travel((0, 0), (0, 0))
    assert (travel(HOME, HOME).metres, travel(HOME, HOME).minutes) == (0, 0)
    assert travel(HOME, (50.0001, 5.0)).minutes == 1


def test_a_table_has_every_way() -> None:
    points = [HOME, (50.1, 5.0), (50.2, 5.3)]
    table = matrix(points)
    assert [[leg.minutes for leg in row] for row in table] == [[travel(a, b).minutes for b in points] for a in points]


def test_the_source_tells_how_it_was_made() -> None:
    assert source == "straight-line;detour=by-distance;cap=60kmh"
    assert Straight(detour=1.4, towing_cap=50).source == "straight-line;detour=1.4;cap=50kmh"


@pytest.mark.parametrize("point", [(91, 0), (0, 181), (float("nan"), 0)])
def test_a_place_off_the_earth_is_refused(point: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="no point on earth"):
        travel(HOME, point)


@pytest.mark.parametrize("settings", [{"towing_cap": 0}, {"detour": 0.5}])
def test_a_rig_that_cannot_be_is_refused(settings: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="towing speed"):
        Straight(**settings)
