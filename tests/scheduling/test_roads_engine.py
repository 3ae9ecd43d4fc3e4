"""Ways on roads: what the rig's profile allows, and what a table of ways must hold."""

from __future__ import annotations

import itertools
import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from scheduling.travel import build, extract, roads
from scheduling.travel.extract import Extract, Unusable, read_extract
from scheduling.travel.matrix import ROADS, STRAIGHT, Table, complete, whole_minutes
from scheduling.travel.rig import CAR, USUAL_RIG, Rig
from scheduling.travel.roads import NoWay, engine_of
from scheduling.travel.straight import Point, Straight
from tests.bench.roads import WITHOUT_TURNS
from tests.bench.shortest import read_network
from tests.roads import lennet, roads_of, source_on, table_on, write_roads
from trimmer.distance import haversine_metres
from trimmer.management.scenario.valley import read_valley

# A straight road of four kilometres; the short way from A to D goes over B and C.
A, B, C, D = (52.0, 5.0), (52.0, 5.02), (52.0, 5.04), (52.0, 5.06)
NORTH = (52.02, 5.03)
PLACES = {"a": A, "b": B, "c": C, "d": D, "north": NORTH}
ROAD = {"highway": "secondary"}
AROUND = (["b", "north", "c"], ROAD)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("roads")


@pytest.fixture(scope="module")
def valley(folder: Path) -> Extract:
    return lennet(folder)


@pytest.fixture(scope="module")
def farms() -> dict[str, Point]:
    return {name: (farm.details["latitude"], farm.details["longitude"]) for name, farm in read_valley().farms.items()}


def minutes_with(folder: Path, tags: dict[str, str], rig: Rig = USUAL_RIG, *, there: Point = A, to: Point = D) -> float:
    """Minutes from A to D where the middle road, b to c, has these tags; the way round it is four kilometres longer."""
    path = write_roads(
        folder / "one.osm.pbf", PLACES, [(["a", "b"], ROAD), (["b", "c"], tags), (["c", "d"], ROAD), AROUND]
    )
    table = table_on(read_extract(path), folder, [there, to], rig)
    return float(table.seconds[0, 1]) / 60


def test_the_rig_never_drives_faster_than_it_may_tow(folder: Path) -> None:
    minutes = minutes_with(folder, {"highway": "primary", "maxspeed": "100"})
    assert minutes == pytest.approx(haversine_metres(*A, *D) / 1000 / 60 * 60, rel=0.01)


def test_what_is_posted_slows_down(folder: Path) -> None:
    third = haversine_metres(*B, *C) / 1000
    assert minutes_with(folder, ROAD | {"maxspeed": "30"}) - minutes_with(folder, ROAD) == pytest.approx(
        third, rel=0.02
    )


@pytest.mark.parametrize(
    "tags",
    [
        {"maxheight": "3"},
        {"maxheight": "9'10\""},
        {"maxweight": "3.5"},
        {"maxwidth": "2.2"},
        {"maxlength": "10"},
        {"motor_vehicle": "no"},
        {"trailer": "no"},
        {"access": "private"},
        {"highway": "track"},
        {"highway": "footway"},
        {"oneway": "-1"},
    ],
)
def test_a_rig_goes_round_where_it_cannot_or_may_not_pass(folder: Path, tags: dict[str, str]) -> None:
    assert minutes_with(folder, ROAD | tags) > minutes_with(folder, ROAD) + 3


@pytest.mark.parametrize(
    "tags", [{"maxheight": "3.5"}, {"maxweight": "7.5"}, {"oneway": "yes"}, {"access": "permissive"}]
)
def test_a_rig_passes_where_it_fits(folder: Path, tags: dict[str, str]) -> None:
    assert minutes_with(folder, ROAD | tags) == pytest.approx(minutes_with(folder, ROAD), abs=0.2)


def test_each_rig_has_its_own_limits(folder: Path) -> None:
    low = {"highway": "secondary", "maxheight": "3"}
    assert minutes_with(folder, low, replace(USUAL_RIG, height_m=2.9)) < minutes_with(folder, low) - 3


def test_one_way_roads_make_the_way_back_longer(folder: Path) -> None:
    there = minutes_with(folder, ROAD | {"oneway": "yes"})
    back = minutes_with(folder, ROAD | {"oneway": "yes"}, there=D, to=A)
    assert back > there + 3


def test_a_farm_on_a_private_lane_is_reached(folder: Path) -> None:
    path = write_roads(
        folder / "lane.osm.pbf",
        PLACES,
        [(["a", "b"], ROAD), (["b", "c"], {"highway": "service", "access": "private"})],
    )
    table = table_on(read_extract(path), folder, [A, C])
    yard_minutes = haversine_metres(*B, *C) / 1000 / USUAL_RIG.yard_kmh * 60
    assert table.seconds[0, 1] / 60 == pytest.approx(haversine_metres(*A, *B) / 1000 + yard_minutes, rel=0.03)


def test_two_farms_on_one_long_track_are_joined_by_the_road(folder: Path) -> None:
    """Staying on the track would need no turn into it, but takes a quarter of an hour more."""
    track = {"highway": "track", "tracktype": "grade4"}
    lane = [(["b", "south"], track), (["south", "west"], track), (["west", "c"], track)]
    places = PLACES | {"south": (51.995, 5.02), "west": (51.995, 5.04)}
    path = write_roads(folder / "track.osm.pbf", places, [(["a", "b", "c", "d"], ROAD), *lane])
    ends = [(51.9995, 5.02), (51.9995, 5.04)]
    table = table_on(read_extract(path), folder, ends)
    assert table.seconds[0, 1] < 5 * 60


def test_a_gate_costs_its_time(folder: Path) -> None:
    roads_here = [(["a", "b", "c"], ROAD)]
    free = write_roads(folder / "free.osm.pbf", PLACES, roads_here)
    gate = write_roads(folder / "gate.osm.pbf", PLACES, roads_here, {"b": {"barrier": "gate"}})
    minutes = [float(table_on(read_extract(path), folder, [A, C]).seconds[0, 1]) for path in (free, gate)]
    assert minutes[1] - minutes[0] == pytest.approx(USUAL_RIG.gate_seconds, abs=0.5)


def test_a_rig_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="top_kmh"):
        Rig(top_kmh=0)


# The valley


def test_the_river_is_crossed_on_its_bridges(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    near, far = farms["Tobernashee"], farms["Lisnarroo"]
    table = table_on(valley, folder, [near, far])
    assert haversine_metres(*near, *far) < 3_100
    assert table.metres[0, 1] > 25_000
    assert set(table.made[np.triu_indices(2, 1)]) == {ROADS}


def test_a_heavy_rig_must_take_the_other_bridge(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    ends = [farms["Hollow Hill"], farms["Carrowmeel"]]
    light, heavy = (table_on(valley, folder, ends, replace(USUAL_RIG, weight_kg=kg)) for kg in (5_500, 14_000))
    assert heavy.metres[0, 1] > 3 * light.metres[0, 1]


def test_the_engine_agrees_with_a_search_that_shares_nothing_with_it(valley: Extract, folder: Path) -> None:
    """The same minutes within 1 % on 99 % of 200 pairs: graph by osmium, Dijkstra by scipy, the same speeds."""
    network = read_network(valley.path, WITHOUT_TURNS)
    pairs = np.random.default_rng(11).choice(network.plain, (200, 2))
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    nodes, index = np.unique(pairs, return_inverse=True)
    seconds, _metres = roads_of(valley, folder, WITHOUT_TURNS).table(
        [(a, b) for a, b in network.places[nodes].tolist()]
    )
    ours = seconds[tuple(index.reshape(pairs.shape).T)]
    assert np.mean(np.abs(ours / network.drives(pairs) - 1) <= 0.01) >= 0.99


def test_a_place_is_no_way_from_itself(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    table = table_on(valley, folder, list(farms.values()))
    assert not table.seconds.diagonal().any()
    assert not table.metres.diagonal().any()
    assert (table.seconds + np.eye(len(farms)) > 0).all()


def test_no_detour_over_a_third_farm_is_quicker(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    """The triangle inequality, up to the seconds that a third farm saves by letting one turn round in its yard."""
    table = table_on(valley, folder, list(farms.values()))
    over = (table.seconds[:, :, None] + table.seconds[None, :, :]).min(axis=1)
    assert (table.seconds - over).max() <= 1.0
    minutes = np.array(whole_minutes(table.seconds))
    assert all(minutes[a, c] <= minutes[a, b] + minutes[b, c] + 1 for a, b, c in itertools.permutations(range(12), 3))


def test_towing_is_never_quicker_than_the_car(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    towing = table_on(valley, folder, list(farms.values()))
    car = table_on(valley, folder, list(farms.values()), CAR)
    assert (towing.seconds >= car.seconds - 0.2).all()
    assert (towing.seconds > car.seconds).sum() == len(farms) * (len(farms) - 1)


def test_the_way_through_stops_has_its_drives_shape_and_turns(
    valley: Extract, folder: Path, farms: dict[str, Point]
) -> None:
    stops = [farms["Kilvarna"], farms["Clonskeva"], farms["Tarrow Grange"]]
    way = roads_of(valley, folder).way(stops)
    table = table_on(valley, folder, stops)
    assert [drive.seconds for drive in way.drives] == pytest.approx([table.seconds[0, 1], table.seconds[1, 2]], rel=0.1)
    assert "Corvane Bridge" in {turn.road for turn in way.drives[0].turns}
    drawn = sum(haversine_metres(*a, *b) for a, b in itertools.pairwise(way.shape))
    assert drawn == pytest.approx(sum(drive.metres for drive in way.drives), rel=0.01)


def test_there_is_no_way_between_two_islands(folder: Path) -> None:
    path = write_roads(folder / "islands.osm.pbf", PLACES, [(["a", "b"], ROAD), (["c", "d"], ROAD)])
    island = read_extract(path)
    with pytest.raises(NoWay):
        roads_of(island, folder).way([A, D])
    table = table_on(island, folder, [A, B, D])
    assert table.made[0, 1] == ROADS
    assert table.made[0, 2] == STRAIGHT
    assert table.metres[0, 2] == pytest.approx(Straight().travel(A, D).metres, abs=1)


def test_a_place_far_from_any_road_is_reckoned_by_straight_line(
    valley: Extract, folder: Path, farms: dict[str, Point]
) -> None:
    sea = (52.60, -8.15)
    table = table_on(valley, folder, [farms["Kilvarna"], sea])
    assert table.made[0, 1] == table.made[1, 0] == STRAIGHT
    snap = roads_of(valley, folder).nearest(sea)
    assert snap.metres == pytest.approx(haversine_metres(*sea, *snap.place), rel=0.01)
    assert snap.metres > 500


# Tables are completed, not made anew


def test_only_what_is_new_is_worked_out(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    source, places = source_on(valley, folder), list(farms.values())
    first, computed = complete(Table.empty(), places[:20], source)
    assert computed == 20 * 20
    second, more = complete(first, places, source)
    assert more == len(places) ** 2 - 20**2
    whole, _ = complete(Table.empty(), places, source)
    assert np.array_equal(second.pick(places).seconds, whole.seconds)
    assert complete(second, places[3:9], source) == (second, 0)


def test_places_no_longer_asked_for_can_be_dropped(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    source, places = source_on(valley, folder), list(farms.values())
    table, computed = complete(complete(Table.empty(), places[:6], source)[0], places[2:6], source, drop=True)
    assert (set(table.places), computed) == (set(places[2:6]), 0)


def test_a_place_may_be_asked_for_twice(valley: Extract, folder: Path, farms: dict[str, Point]) -> None:
    a, b = list(farms.values())[:2]
    block = table_on(valley, folder, [a, b]).pick([a, b, a])
    assert block.seconds.shape == (3, 3)
    assert block.seconds[0, 2] == 0
    assert block.seconds[0, 1] == block.seconds[2, 1] > 0


def test_a_table_that_is_not_square_is_refused() -> None:
    table = Table.empty()
    with pytest.raises(ValueError, match="square"):
        replace(table, places=(A,))
    one = np.zeros((2, 2), np.float32)
    with pytest.raises(ValueError, match="twice"):
        Table((A, A), one, one, one.astype(np.uint8))


def test_minutes_are_whole_and_a_neighbour_is_one() -> None:
    assert whole_minutes(np.array([[0, 20], [95, 0]], np.float32)) == [[0, 1], [2, 0]]


# Data sets


def test_roads_that_are_built_already_are_not_built_again(valley: Extract, folder: Path) -> None:
    first = build.build(valley, USUAL_RIG, folder)
    assert not build.build(valley, USUAL_RIG, folder).fresh
    assert json.loads((first.folder / "set.json").read_text())["extract"] == valley.checksum


def test_another_rig_has_another_data_set() -> None:
    assert Rig().key == USUAL_RIG.key != Rig(top_kmh=50).key


def test_the_background_shows_roads_and_leaves_out_the_smallest_first(valley: Extract, folder: Path) -> None:
    extract.write_background(valley.path, folder / "all.json")
    extract.write_background(valley.path, folder / "few.json", most_points=700)
    whole, few = (json.loads((folder / name).read_text())["features"] for name in ("all.json", "few.json"))
    assert {row["properties"]["rank"] for row in whole} > {row["properties"]["rank"] for row in few}
    assert all(row["geometry"]["type"] == "LineString" for row in whole)


def test_an_engine_is_loaded_once_in_a_process(valley: Extract, folder: Path) -> None:
    made = build.build(valley, USUAL_RIG, folder)
    assert engine_of(made.folder) is engine_of(made.folder)


def test_roads_that_are_gone_are_said_to_be(tmp_path: Path) -> None:
    with pytest.raises(Unusable) as refused:
        engine_of(tmp_path / "nothing-here")
    assert refused.value.code == "data-set-gone"


def test_a_computer_without_the_engine_is_told_so(
    valley: Extract, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "osrm", None)
    with pytest.raises(Unusable) as refused:
        build.build(valley, USUAL_RIG, tmp_path)
    assert (refused.value.code, refused.value.params) == ("no-road-engine", {"library": "osrm"})
    with pytest.raises(Unusable):
        roads.RoadEngine(tmp_path)
