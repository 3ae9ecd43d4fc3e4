"""The week's driving: by road where there are roads, named where it is estimated, and ready before anybody asks."""

from __future__ import annotations

import datetime as dt
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from scheduling import planner
from scheduling.drives import how_reckoned
from scheduling.models import LeftOut, ProposedWeek
from scheduling.road_models import StoredTravel
from scheduling.road_tasks import keep_ways_ready
from scheduling.services import driving, roads, travel, weeks
from scheduling.services.driving import drive_week
from scheduling.services.learning import recorded_drives
from scheduling.services.loading import load_week
from scheduling.services.rounds import rounds_of_week
from scheduling.services.saving import save_plan
from scheduling.travel.fit import NOTHING, Trip, fit_straight, interval, learn, learn_by_crew, learn_by_hour
from scheduling.travel.matrix import SERVER, STRAIGHT, Table, complete
from scheduling.travel.rig import USUAL_RIG
from scheduling.travel.server import ServerFailed, ServerSource
from scheduling.travel.straight import BANDS, Straight
from tests.make import NOW, TODAY, a_base, a_business, a_client, a_crew, a_farm, a_request, a_visit
from tests.roads import write_roads
from trimmer.management.scenario.extract import write_extract
from trimmer.models import Business, Crew, Farm, Visit, VisitState

MONDAY = dt.date(2026, 3, 9)
CORVANE, GORTALEEN, TARROW, SEA = (52.5010, -8.0910), (52.5720, -8.0210), (52.5560, -7.9870), (52.60, -8.15)
TOBERNASHEE, LISNARROO = (52.6040, -7.9720), (52.5890, -7.9340)


def at(place: tuple[float, float]) -> dict[str, float]:
    return {"latitude": place[0], "longitude": place[1]}


@pytest.fixture
def var(tmp_path: Path, settings: Any) -> Path:
    settings.VAR_DIR = tmp_path
    return tmp_path


@pytest.fixture
def crew(db: None, var: Path) -> Crew:
    """A crew at Corvane; four farms, two on each bank of the river."""
    business = a_business()
    crew = a_crew(business, weekdays=(0, 1), base=a_base(business, **at(CORVANE)))
    client = a_client(business)
    for name, place in (
        ("Gortaleen", GORTALEEN),
        ("Tarrow", TARROW),
        ("Tobernashee", TOBERNASHEE),
        ("Lisnarroo", LISNARROO),
    ):
        a_request(a_farm(client, name=name, **at(place)), head={"cow": 14})
    return crew


def load_lennet(business: Business, var: Path) -> None:
    path = write_extract(var / "lennet.osm.pbf")
    roads.load_roads(businesses=[business], path=path, by=None, now=NOW, say=lambda percent, what: None)


@pytest.fixture
def on_roads(crew: Crew, var: Path) -> Crew:
    load_lennet(crew.business, var)
    return crew


def planned(business: Business) -> ProposedWeek:
    """A proposal, made as the worker makes it."""
    proposed = ProposedWeek.objects.create(business=business, monday=MONDAY, asked_at=NOW)
    loaded = load_week(business=business, monday=MONDAY, today=TODAY)
    plan = planner.solve(loaded.week, seconds=20, effort=300) if loaded.week else None
    save_plan(proposed=proposed, loaded=loaded, plan=plan, reasons=())
    return proposed


def days_together(business: Business) -> set[frozenset[str]]:
    return {
        frozenset(stop.farm.name for stop in made.stops) for made in rounds_of_week(business=business, monday=MONDAY)
    }


# Where the river is


def test_the_week_differs_where_the_river_forces_a_detour(crew: Crew, var: Path) -> None:
    planned(crew.business)
    without = days_together(crew.business)
    load_lennet(crew.business, var)
    planned(crew.business)
    banks = {frozenset({"Gortaleen", "Tobernashee"}), frozenset({"Tarrow", "Lisnarroo"})}
    assert days_together(crew.business) == banks
    assert without != banks


def test_a_proposal_keeps_how_its_drives_were_made(on_roads: Crew) -> None:
    source = planned(on_roads.business).travel_source
    assert source.startswith("roads;")
    assert how_reckoned(source).warn is False


def test_without_roads_the_proposal_warns(crew: Crew) -> None:
    said = how_reckoned(planned(crew.business).travel_source)
    assert said.warn is True
    assert said.sentence.startswith("Drives are estimated from straight lines with published factors")


def test_a_farm_outside_the_extract_is_estimated_and_counted(on_roads: Crew) -> None:
    a_request(a_farm(a_client(on_roads.business), name="Far South", latitude=52.2, longitude=-8.2), head={"cow": 10})
    said = how_reckoned(load_week(business=on_roads.business, monday=MONDAY, today=TODAY).travel_source)
    assert said.warn is True
    assert "10 ways were not found there and are estimated by straight line." in said.sentence


def test_a_farm_far_from_any_road_is_left_out_with_where_the_nearest_is(on_roads: Crew) -> None:
    a_request(a_farm(a_client(on_roads.business), name="Adrift", **at(SEA)), head={"cow": 10})
    planned(on_roads.business)
    row = LeftOut.objects.get(farm__name="Adrift")
    assert row.reason == "off-road"
    assert row.details["metres"] > 500
    assert set(row.details) == {"metres", "latitude", "longitude", "road"}


def test_a_farm_whose_coordinates_are_swapped_is_left_out_as_such(on_roads: Crew) -> None:
    swapped = a_farm(a_client(on_roads.business), name="Swapped", latitude=TARROW[1], longitude=TARROW[0])
    a_request(swapped, head={"cow": 10})
    planned(on_roads.business)
    assert LeftOut.objects.get(farm=swapped).reason == "position-swapped"


def test_how_far_from_a_road_is_a_setting(on_roads: Crew) -> None:
    adrift = a_farm(a_client(on_roads.business), name="Adrift", **at(SEA))
    roads.keep_driving_settings(business=on_roads.business, farthest_from_road_m=20_000)
    assert travel.off_the_roads(business=on_roads.business, farms=[adrift]) == {}


def test_confirming_notes_what_each_farm_alone_would_drive(on_roads: Crew) -> None:
    visits = weeks.confirm_week(week=planned(on_roads.business), by=None, now=NOW)
    alone = {visit.farm.name: visit.distance_alone_m for visit in visits}
    assert 30_000 < (alone["Lisnarroo"] or 0) < 60_000
    assert all(alone.values())


def test_one_way_streets_reach_the_planner(crew: Crew, var: Path) -> None:
    """The tables of the week differ by direction where the roads do."""
    west, east, north = CORVANE, (52.5010, -8.0510), (52.5310, -8.0710)
    main = {"highway": "secondary"}
    path = write_roads(
        var / "loop.osm.pbf",
        {"west": west, "east": east, "north": north},
        [(["west", "east"], main | {"oneway": "yes"}), (["east", "north", "west"], main)],
    )
    roads.load_roads(businesses=[crew.business], path=path, by=None, now=NOW, say=lambda percent, what: None)
    farm = a_farm(a_client(crew.business), name="East", **at(east))
    week = drive_week(business=crew.business, crews=[crew], farms=[farm])
    assert week.home[0][0] > 2 * week.out[0][0]
    assert week.metres_home[0][0] > 2 * week.metres_out[0][0]


def test_between_farms_the_slowest_rig_counts_and_out_each_its_own(on_roads: Crew) -> None:
    slow = a_crew(on_roads.business, base=a_base(on_roads.business, **at(CORVANE)))
    farms = list(Farm.objects.of(on_roads.business).order_by("pk"))
    alone = drive_week(business=on_roads.business, crews=[on_roads], farms=farms)
    roads.keep_rig(crew=slow, by=None, top_kmh=30)
    load_lennet(on_roads.business, roads.roads_folder().parent)
    both = drive_week(business=on_roads.business, crews=[on_roads, slow], farms=farms)
    assert both.out[0] == alone.out[0]
    assert all(b > a for a, b in zip(both.out[0], both.out[1], strict=True))
    assert both.between[0][1] > alone.between[0][1]


def test_a_week_without_farms_has_no_driving(crew: Crew) -> None:
    assert drive_week(business=crew.business, crews=[crew], farms=[]) == driving.NOWHERE


# Ready before it is asked for


def test_ways_are_ready_before_anybody_plans(on_roads: Crew, django_assert_max_num_queries: Any) -> None:
    assert keep_ways_ready() == 25  # one base and four farms
    assert keep_ways_ready() == 0
    a_farm(a_client(on_roads.business), name="New", latitude=52.53, longitude=-8.15)
    assert keep_ways_ready() == 11  # its own row and column
    version = StoredTravel.objects.get().version
    with django_assert_max_num_queries(20):
        drive_week(business=on_roads.business, crews=[on_roads], farms=list(Farm.objects.of(on_roads.business)))
    assert StoredTravel.objects.get().version == version


def test_a_farm_that_moved_is_reckoned_anew_and_its_old_place_forgotten(on_roads: Crew) -> None:
    keep_ways_ready()
    Farm.objects.filter(name="Tarrow").update(gate_latitude=52.55, gate_longitude=-7.98)
    assert keep_ways_ready() == 9
    assert len(StoredTravel.objects.get().places) == 5


def test_ways_stored_meanwhile_by_another_stand(on_roads: Crew) -> None:
    source = travel.source_of(on_roads.business, USUAL_RIG)
    travel.fill(business=on_roads.business, source=source, places=[CORVANE])
    StoredTravel.objects.update(version=7)
    stale = StoredTravel.objects.get()
    stale.version = 1
    table, _ = complete(Table.empty(), [TARROW], source)
    travel._store(on_roads.business, source.name, stale, table)
    assert StoredTravel.objects.get().places == [list(CORVANE)]


def test_tables_of_roads_no_longer_used_are_forgotten_after_a_day(on_roads: Crew) -> None:
    keep_ways_ready()
    roads.keep_driving_settings(business=on_roads.business, farthest_from_road_m=400)
    keep_ways_ready()
    stored = StoredTravel.objects.count()
    later = StoredTravel.objects.latest("stored_at").stored_at + dt.timedelta(days=2)
    assert travel.forget_old_ways(business=on_roads.business, now=later) == stored - 1 == 1


# A road server in place of an extract


class Answering(BaseHTTPRequestHandler):
    """Answers like OSRM's table service or Valhalla's matrix: ten metres a second over the given metres."""

    def do_GET(self) -> None:
        rows = self.path.split("sources=")[1].split("&")[0].count(";") + 1
        columns = self.path.split("destinations=")[1].count(";") + 1
        metres = [[1000.0 * (a + b) for b in range(columns)] for a in range(rows)]
        self._say({"durations": [[value / 100 for value in row] for row in metres], "distances": metres})

    def do_POST(self) -> None:
        asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        cells: Any = [[{"time": 600, "distance": 9.0} for _ in asked["targets"]] for _ in asked["sources"]]
        cells[0][-1] = {"time": None, "distance": None}
        self._say({"sources_to_targets": cells})

    def _say(self, answer: Any) -> None:
        body = json.dumps(answer).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *args: Any) -> None:
        pass


@contextmanager
def answering(handler: type[BaseHTTPRequestHandler] = Answering) -> Iterator[str]:
    server = HTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def server_source(url: str, kind: str = "osrm") -> ServerSource:
    return ServerSource(kind=kind, url=url, seconds=2, top_kmh=60, instead=Straight())


def test_an_osrm_server_is_asked_and_no_way_is_faster_than_the_rig() -> None:
    with answering() as url:
        block = server_source(url).block([CORVANE, TARROW, GORTALEEN], [0, 1], [0, 1, 2])
    assert block.metres.tolist() == [[0, 1000, 2000], [1000, 2000, 3000]]
    assert block.seconds[1].tolist() == pytest.approx([60, 120, 180])  # the server would have it in 10, 20 and 30
    assert set(block.made.flat) == {SERVER}


def test_more_places_than_a_server_takes_are_asked_in_parts() -> None:
    places = [(52.0 + number / 1000, -8.0) for number in range(100)]
    with answering() as url:
        block = server_source(url).block(places, list(range(100)), list(range(100)))
    assert block.metres.shape == (100, 100)
    assert block.metres[44, 44] == 88_000
    assert block.metres[45, 45] == 0  # the first of another part


def test_a_valhalla_server_is_asked_and_its_gaps_are_filled() -> None:
    with answering() as url:
        block = server_source(url, "valhalla").block([CORVANE, TARROW], [0, 1], [0, 1])
    assert block.metres[1, 0] == 9000
    assert block.made[0, 1] == STRAIGHT
    assert block.metres[0, 1] == pytest.approx(Straight().drive(CORVANE, TARROW)[0])


def test_a_server_that_is_away_or_talks_nonsense_fails() -> None:
    class Nonsense(Answering):
        def do_GET(self) -> None:
            self._say({"code": "Sorry"})

    with pytest.raises(ServerFailed):
        server_source("http://127.0.0.1:9").block([CORVANE, TARROW], [0], [1])
    with answering(Nonsense) as url, pytest.raises(ServerFailed):
        server_source(url).block([CORVANE, TARROW], [0], [1])


def test_a_business_without_roads_uses_the_server_and_does_without_when_it_is_away(crew: Crew, settings: Any) -> None:
    places = [CORVANE, TARROW]
    with answering() as url:
        settings.ROAD_SERVER_URL = url
        there = travel.ways(business=crew.business, rig=USUAL_RIG, places=places)
    StoredTravel.objects.all().delete()
    away = travel.ways(business=crew.business, rig=USUAL_RIG, places=places)
    assert (there.source[:12], there.block.metres[0, 1]) == ("server;osrm;", 1000)
    assert (away.by_straight_line, how_reckoned(away.source).warn) == (2, True)
    assert keep_ways_ready() == 0


def test_an_extract_comes_before_the_server(on_roads: Crew, settings: Any) -> None:
    settings.ROAD_SERVER_URL = "http://127.0.0.1:9"
    assert travel.source_of(on_roads.business, USUAL_RIG).name.startswith("roads;")


@pytest.mark.parametrize("wrong", [{"kind": "other"}, {"url": "file:///etc/passwd"}])
def test_a_server_that_is_none_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="road server"):
        replace(server_source("http://127.0.0.1:9"), **wrong)


# Learning from drives


def trips(ratios: list[float], *, crew: int = 1, hour: int = 9) -> list[Trip]:
    return [
        Trip(crew=crew, hour=hour, reckoned_s=1000, driven_s=1000 * ratio, straight_m=8000, driven_m=16_000)
        for ratio in ratios
    ]


def test_nothing_is_learned_from_nothing() -> None:
    assert learn([]) == NOTHING


def test_a_factor_is_the_median_once_enough_drives_support_it() -> None:
    slow = [1.2, 1.25, 1.3, 1.22, 1.28, 1.31, 1.19, 1.27, 1.24, 1.26, 1.29, 1.23]
    assert learn(trips(slow)).factor == pytest.approx(1.255)
    assert learn(trips(slow[:11])).factor == 1.0


def test_drives_that_scatter_around_what_is_reckoned_change_nothing() -> None:
    learned = learn(trips([0.8, 0.9, 1.0, 1.1, 1.2, 1.3] * 4))
    assert learned.ratio == pytest.approx(1.05)
    assert learned.low < 1 < learned.high
    assert learned.factor == 1.0


def test_a_factor_out_of_reason_is_cut_off() -> None:
    assert learn(trips([3.0] * 20)).factor == 1.6


def test_learning_by_hour_and_crew() -> None:
    rows = trips([1.5] * 3, hour=8) + trips([1.0] * 2, hour=14, crew=2)
    assert {hour: said.trips for hour, said in learn_by_hour(rows).items()} == {8: 3, 14: 2}
    assert {crew: said.ratio for crew, said in learn_by_crew(rows).items()} == {1: 1.5, 2: 1.0}


def test_the_interval_of_the_median_covers_it_as_often_as_it_says() -> None:
    """Conover's order statistics: of 4,000 samples of 15 from a skewed distribution, at least 95 % hold the median."""
    samples = np.sort(np.random.default_rng(5).exponential(size=(4000, 15)), axis=1)
    held = [low <= np.log(2) <= high for low, high in (interval(list(row)) for row in samples)]
    assert 0.95 <= np.mean(held) < 0.98


def test_straight_lines_take_detour_and_speed_from_own_drives() -> None:
    fitted = fit_straight(trips([1.0] * 12), Straight())
    assert fitted.bands[0].detour == 2.0
    assert fitted.bands[0].speed == 58
    assert fitted.bands[1:] == BANDS[1:]
    assert how_reckoned(fitted.source).sentence.startswith("Drives are estimated from straight lines, with the detour")


def test_few_drives_leave_the_published_factors() -> None:
    assert fit_straight(trips([1.0] * 11), Straight()) == Straight()


def test_a_trip_that_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="takes time"):
        Trip(crew=1, hour=9, reckoned_s=0, driven_s=1, straight_m=1)


def drive_often(crew: Crew, minutes: float, days: int = 14) -> None:
    """Days on which the crew drove from Gortaleen to Tobernashee in so many minutes, and much later to Tarrow."""
    first, second, third = (Farm.objects.get(name=name) for name in ("Gortaleen", "Tobernashee", "Tarrow"))
    for day in range(days):
        date = TODAY - dt.timedelta(days=day + 1)
        clock = dt.datetime.combine(date, dt.time(8), tzinfo=dt.UTC)
        for farm, pause in ((first, 0.0), (second, minutes), (third, 300.0)):
            arrived = clock + dt.timedelta(minutes=pause)
            clock = arrived + dt.timedelta(hours=2)
            a_visit(
                farm, crew, date=date, state=VisitState.DONE, arrived_at=arrived, left_at=clock, distance_driven_m=9000
            )


def test_recorded_drives_run_from_leaving_to_arriving(crew: Crew) -> None:
    drive_often(crew, 20, days=1)
    drives = recorded_drives(crew.business)
    assert [(drive.hour, drive.driven_s, drive.driven_m) for drive in drives] == [(10, 1200, 9000)]
    Visit.objects.all().delete()
    assert recorded_drives(crew.business) == []


def test_what_drives_teach_is_planned_with(on_roads: Crew) -> None:
    farms = [Farm.objects.get(name="Gortaleen"), Farm.objects.get(name="Tobernashee")]
    before = drive_week(business=on_roads.business, crews=[on_roads], farms=farms)
    drive_often(on_roads, before.between[0][1] * 1.3)
    after = drive_week(business=on_roads.business, crews=[on_roads], farms=farms)
    assert after.between[0][1] == pytest.approx(before.between[0][1] * 1.3, abs=1)
    assert after.metres_between == before.metres_between
    assert "planned 3" in how_reckoned(after.source).sentence
    assert travel.learned_by_crew(on_roads.business)[on_roads.pk].by_hour[10].trips == 14


def test_learning_can_be_turned_off(on_roads: Crew) -> None:
    drive_often(on_roads, 30)
    roads.keep_driving_settings(business=on_roads.business, learns=False)
    assert travel.factors_of(on_roads.business) == {}


@pytest.mark.parametrize(
    ("source", "begins"),
    [
        ("server;osrm;x|straight=0|learned=1.00", "Drives are reckoned by your road server"),
        (
            "roads;x|straight=1|learned=0.90",
            "Drives are reckoned on the roads of your extract, as your rig drives them. One way",
        ),
        ("", ""),
    ],
)
def test_every_source_has_its_sentence(source: str, begins: str) -> None:
    assert how_reckoned(source).sentence.startswith(begins)
