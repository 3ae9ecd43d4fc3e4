"""Sharing the cost of a trip, against published figures.

* Tennessee Valley Authority, three purposes: Straffin and Heaney 1981, "Game theory and the Tennessee Valley
  Authority", International Journal of Game Theory 10; the costs and the value as commonly reprinted, from memory.
* Airport runways 8, 11, 13, 18: the closed form of Littlechild and Owen 1973 (Management Science 20), worked by hand.
* The worked round below is our own: distances typed, the shares of a cent worked by hand.
"""

from decimal import Decimal as D
from fractions import Fraction
from itertools import pairwise, permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.share import MOST_EXACT, Trip, Way, cost_gap, shapley, shared_out, trip_shares

pytestmark = [pytest.mark.pure, pytest.mark.published]

TVA = (0, 163520, 140826, 301607, 250096, 378821, 367370, 412584)  # by bits: navigation 1, flood control 2, power 4

A, B, C, DD = range(4)
ROUND = Trip(
    from_base=(40, 45, 60, 12),
    between=((0, 10, 28, 38), (10, 0, 22, 42), (28, 22, 0, 55), (38, 42, 55, 0)),
)
HEAD = (120, 15, 60, 8)


def test_the_valley_authority_by_shapley() -> None:
    assert shapley(TVA) == (Fraction(117829), Fraction("100756.5"), Fraction("193998.5"))


def test_the_valley_authority_by_cost_gap() -> None:
    assert [round(float(part), 1) for part in cost_gap(TVA)] == [117475.5, 99157.3, 195951.2]


def test_runways_by_shapley() -> None:
    lengths = (8, 11, 13, 18)
    costs = [max((lengths[place] for place in range(4) if group & 1 << place), default=0) for group in range(16)]
    assert shapley(costs) == tuple(map(Fraction, (2, 3, 4, 9)))


def test_the_worked_round_is_139_km() -> None:
    """0-A-B-C-D-0: 40 + 10 + 22 + 55 + 12."""
    assert ROUND.groups()[0b1111] == 139
    assert ROUND.alone() == (80, 90, 120, 24)


@pytest.mark.parametrize(
    ("way", "parts"),
    [
        (Way.EQUAL, ("29.54", "29.54", "29.54", "29.53")),
        (Way.HEAD, ("69.84", "8.73", "34.92", "4.66")),
        (Way.ALONE, ("30.10", "33.87", "45.15", "9.03")),
        (Way.SHAPLEY, ("24.93", "28.62", "54.54", "10.06")),
        (Way.GAP, ("25.58", "27.86", "53.92", "10.79")),
    ],
)
def test_the_worked_round_is_shared_to_the_cent(way: Way, parts: tuple[str, ...]) -> None:
    """139 km at 0.85 are 118.15; by head 120, 15, 60 and 8."""
    shares = trip_shares(ROUND, way, HEAD)
    assert shared_out(D("118.15"), shares) == tuple(map(D, parts))
    assert round(float(trip_shares(ROUND, Way.ALONE, HEAD)[A]), 3) == 0.255


TRIPS = st.integers(1, 5).flatmap(
    lambda count: st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=count, max_size=count)
)


def trip_of(places: list[tuple[int, int]]) -> Trip:
    def apart(one: tuple[int, int], other: tuple[int, int]) -> int:
        return abs(one[0] - other[0]) + abs(one[1] - other[1])

    return Trip(
        from_base=tuple(apart((0, 0), place) for place in places),
        between=tuple(tuple(apart(one, other) for other in places) for one in places),
    )


@given(TRIPS, st.sampled_from(Way), st.integers(0, 100_000))
def test_shares_add_up_and_so_do_the_cents(places: list[tuple[int, int]], way: Way, cents: int) -> None:
    shares = trip_shares(trip_of(places), way, [7] * len(places))
    assert sum(shares) == 1
    assert sum(shared_out(D(cents) / 100, shares)) == D(cents) / 100


@given(TRIPS)
def test_the_shortest_tour_is_that_of_all_orders(places: list[tuple[int, int]]) -> None:
    trip = trip_of(places)
    best = min(
        trip.from_base[order[0]]
        + sum(trip.between[one][other] for one, other in pairwise(order))
        + trip.from_base[order[-1]]
        for order in permutations(range(len(places)))
    )
    assert trip.groups()[-1] == best


@given(TRIPS)
def test_by_distance_alone_nobody_bears_more_than_driving_alone(places: list[tuple[int, int]]) -> None:
    trip = trip_of(places)
    tour = trip.groups()[-1]
    shares = trip_shares(trip, Way.ALONE, [1] * len(places))
    assert all(share * tour <= alone for share, alone in zip(shares, trip.alone(), strict=True) if tour)


def test_nothing_that_tells_farms_apart_means_the_same_for_all() -> None:
    assert trip_shares(trip_of([(0, 0), (0, 0)]), Way.ALONE, [0, 0]) == (Fraction(1, 2), Fraction(1, 2))
    assert trip_shares(ROUND, Way.HEAD, [0, 0, 0, 0]) == (Fraction(1, 4),) * 4


@pytest.mark.parametrize(("from_base", "between"), [((), ()), ((1,), ((0, 0),)), ((1, 2), ((0, 1),)), ((-1,), ((0,),))])
def test_a_trip_that_cannot_be_is_refused(from_base: tuple[int, ...], between: tuple[tuple[int, ...], ...]) -> None:
    with pytest.raises(ValueError, match="distance"):
        Trip(from_base, between)


def test_too_many_farms_for_every_group_are_refused() -> None:
    count = MOST_EXACT + 1
    with pytest.raises(ValueError, match="too many"):
        Trip((1,) * count, ((1,) * count,) * count).groups()


@pytest.mark.parametrize("costs", [(), (0,), (0, 1, 2), (1, 1)])
def test_costs_that_are_no_game_are_refused(costs: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="every group"):
        shapley(costs)
