from math import inf, nan, pi

import pytest

from trimmer.distance import EARTH_RADIUS_METRES, haversine_metres

pytestmark = pytest.mark.pure


def test_no_distance_lies_between_a_place_and_itself() -> None:
    assert haversine_metres(52.1, 5.3, 52.1, 5.3) == 0


def test_the_way_back_is_as_long() -> None:
    assert haversine_metres(52.1, 5.3, 51.2, -1.6) == pytest.approx(haversine_metres(51.2, -1.6, 52.1, 5.3))


def test_one_degree_along_the_equator_is_a_360th_of_the_circle() -> None:
    assert haversine_metres(0, 10, 0, 11) == pytest.approx(2 * pi * EARTH_RADIUS_METRES / 360)


def test_the_date_line_is_no_border() -> None:
    assert haversine_metres(0, 179.5, 0, -179.5) == pytest.approx(haversine_metres(0, 0, 0, 1))


def test_the_other_side_of_the_earth_is_half_a_circle_away() -> None:
    assert haversine_metres(40, 20, -40, -160) == pytest.approx(pi * EARTH_RADIUS_METRES)


@pytest.mark.parametrize(("latitude", "longitude"), [(90.1, 0), (-91, 0), (0, 180.1), (0, -181), (nan, 0), (0, inf)])
def test_a_place_that_is_not_on_earth_is_refused(latitude: float, longitude: float) -> None:
    with pytest.raises(ValueError, match="no point on earth"):
        haversine_metres(0, 0, latitude, longitude)
