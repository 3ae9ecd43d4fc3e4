"""Roads, rounds and gates on pages and by the API."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client as Browser
from django.urls import reverse
from rest_framework.test import APIClient

from scheduling import road_tasks  # noqa: F401  (kinds of jobs)
from scheduling.road_models import CrewRig
from scheduling.services import roads, travel
from scheduling.services.rounds import round_of
from tests.make import NOW, TODAY, a_base, a_business, a_client, a_crew, a_farm, a_member, a_visit, signed_in
from trimmer.management.scenario.extract import write_extract
from trimmer.models import Crew, Farm, Job, Role

pytestmark = pytest.mark.django_db

CORVANE, GORTALEEN, TARROW, SEA = (52.5010, -8.0910), (52.5720, -8.0210), (52.5560, -7.9870), (52.60, -8.15)
DAY = TODAY.isoformat()
MONDAY = (TODAY - dt.timedelta(days=TODAY.weekday())).isoformat()


def at(place: tuple[float, float]) -> dict[str, float]:
    return {"latitude": place[0], "longitude": place[1]}


@pytest.fixture(autouse=True)
def var(tmp_path: Path, settings: Any) -> Path:
    settings.VAR_DIR = tmp_path
    settings.ROADS_FOLDER = tmp_path
    return tmp_path


@pytest.fixture
def crew(var: Path) -> Crew:
    """A crew with a round of two farms, one on each bank of the river."""
    business = a_business()
    crew = a_crew(business, name="Lower", base=a_base(business, name="Corvane yard", **at(CORVANE)))
    client = a_client(business)
    start = dt.datetime(2026, 3, 4, 8, 0, tzinfo=dt.UTC)
    for number, (name, place) in enumerate((("Gortaleen", GORTALEEN), ("Tarrow Grange", TARROW))):
        visit = a_visit(a_farm(client, name=name, **at(place)), crew, head={"cow": 20 + number})
        visit.planned_start = start + dt.timedelta(hours=4 * number)
        visit.planned_end = start + dt.timedelta(hours=4 * number + 3)
        visit.position = number
        visit.save()
    return crew


@pytest.fixture
def on_roads(crew: Crew, var: Path) -> Crew:
    path = write_extract(var / "lennet.osm.pbf")
    roads.load_roads(businesses=[crew.business], path=path, by=None, now=NOW, say=lambda percent, what: None)
    return crew


@pytest.fixture
def owner(crew: Crew) -> Browser:
    return signed_in(a_member(crew.business))


def page(browser: Browser, name: str, **where: object) -> str:
    answer: Any = browser.get(reverse(name, kwargs=where))
    assert answer.status_code == 200, answer
    body = b"".join(answer.streaming_content) if answer.streaming else answer.content
    return body.decode()


# The round


def test_a_round_shows_its_drives_turns_money_and_each_farm_alone(on_roads: Crew, owner: Browser) -> None:
    text = page(owner, "round-page", pk=on_roads.pk, day=DAY)
    assert "Drives are reckoned on the roads of your extract" in text
    assert "Corvane Bridge" in text
    assert "geo:52.572000,-8.021000" in text
    assert "Each farm alone" in text
    assert "by straight line" not in text


def test_without_roads_a_round_says_that_it_is_estimated(crew: Crew, owner: Browser) -> None:
    text = page(owner, "round-page", pk=crew.pk, day=DAY)
    assert "Drives are estimated from straight lines with published factors" in text
    assert "(by straight line)" in text


def test_travel_in_money_is_kilometres_and_hours(on_roads: Crew) -> None:
    driven = round_of(business=on_roads.business, crew=on_roads, date=TODAY)
    assert float(driven.km_money) == pytest.approx(driven.metres / 1000 * 0.60, abs=0.006)
    assert float(driven.hour_money) == pytest.approx(driven.minutes, abs=0.006)
    alone: list[int] = [stop.alone_m for stop in driven.stops]
    assert driven.alone_m == sum(alone) > 0
    assert [stop.alone_m for stop in driven.stops] != [2 * stop.metres for stop in driven.stops]


def test_a_day_without_visits_has_no_round(crew: Crew, owner: Browser) -> None:
    assert "No round on this day" in page(owner, "round-page", pk=crew.pk, day="2026-03-05")
    assert owner.get(reverse("round-page", kwargs={"pk": crew.pk, "day": "tomorrow"})).status_code == 404


def test_a_round_goes_along_as_gpx(on_roads: Crew, owner: Browser) -> None:
    answer = owner.get(reverse("round-gpx", kwargs={"pk": on_roads.pk, "day": DAY}))
    assert answer["Content-Disposition"] == 'attachment; filename="lower-2026-03-04.gpx"'
    root = ET.fromstring(answer.content)
    gpx = "{http://www.topografix.com/GPX/1/1}"
    names = [point.findtext(f"{gpx}name") for point in root.iter(f"{gpx}rtept")]
    assert (root.get("version"), names) == ("1.1", ["Corvane yard", "Gortaleen", "Tarrow Grange", "Corvane yard"])
    assert len(list(root.iter(f"{gpx}trkpt"))) > 100


def test_a_name_with_marks_does_not_break_the_gpx(on_roads: Crew, owner: Browser) -> None:
    Farm.objects.filter(name="Gortaleen").update(name="Hill <& Dale>")
    answer = owner.get(reverse("round-gpx", kwargs={"pk": on_roads.pk, "day": DAY}))
    assert "Hill <& Dale>" in [element.text for element in ET.fromstring(answer.content).iter()]


def test_a_round_goes_along_as_geojson(on_roads: Crew, owner: Browser) -> None:
    shapes = json.loads(page(owner, "round-geojson", pk=on_roads.pk, day=DAY))["features"]
    assert [one["geometry"]["type"] for one in shapes] == ["LineString", "Point", "Point", "Point", "Point"]
    assert shapes[1]["geometry"]["coordinates"] == [-8.091, 52.501]


# The map


def test_the_map_of_a_week_has_bases_farms_and_rounds(on_roads: Crew, owner: Browser) -> None:
    assert "Map of farms, bases and rounds" in page(owner, "week-map", monday=MONDAY)
    shapes = json.loads(page(owner, "week-map-places", monday=MONDAY))["features"]
    kinds = [one["properties"]["kind"] for one in shapes]
    assert kinds == ["round", "base", "stop", "stop"]
    assert shapes[0]["properties"]["by_road"] is True
    assert len(shapes[0]["geometry"]["coordinates"]) > 100


def test_a_map_of_another_day_leads_to_its_monday(owner: Browser) -> None:
    answer = owner.get(reverse("week-map", kwargs={"monday": DAY}))
    assert answer["Location"] == reverse("week-map", kwargs={"monday": MONDAY})


def test_the_background_is_the_roads_in_use(on_roads: Crew, owner: Browser) -> None:
    names = {one["properties"]["name"] for one in json.loads(page(owner, "road-background"))["features"]}
    assert {"Corvane Bridge", "Lennet Road", "Lennet"} <= names
    answer = owner.get(reverse("road-background"))
    again = owner.get(reverse("road-background"), headers={"If-None-Match": answer["ETag"]})
    answer.close()
    assert again.status_code == 304


def test_without_roads_the_background_is_empty(owner: Browser) -> None:
    assert json.loads(page(owner, "road-background"))["features"] == []


def test_no_tile_server_is_named_unless_the_settings_do(crew: Crew, owner: Browser, settings: Any) -> None:
    assert "data-tiles" not in page(owner, "week-map", monday=MONDAY)
    settings.MAP_TILES = "https://tiles.example/{z}/{x}/{y}.png"
    assert 'data-tiles="https://tiles.example/{z}/{x}/{y}.png"' in page(owner, "week-map", monday=MONDAY)


# Roads


def test_the_page_of_roads_says_what_is_in_use(on_roads: Crew, owner: Browser) -> None:
    text = page(owner, "road-page")
    assert "lennet.osm.pbf" in text
    assert roads.extract_in_use(on_roads.business).checksum in text
    assert "what their drives teach" in text


def test_an_owner_uploads_roads(crew: Crew, owner: Browser, var: Path) -> None:
    extract = SimpleUploadedFile("v.osm.pbf", write_extract(var / "v.osm.pbf").read_bytes())
    answer = owner.post(reverse("road-load"), {"upload": extract})
    assert answer["Location"] == reverse("road-page")
    assert Job.objects.get(kind="load_roads").arguments["file_name"] == "v.osm.pbf"
    assert "Building the roads" in page(owner, "road-page")


def test_an_owner_names_a_file_of_the_server(owner: Browser, var: Path) -> None:
    write_extract(var / "here.osm.pbf")
    assert owner.post(reverse("road-load"), {"server_path": "here.osm.pbf"}).status_code == 302
    assert Job.objects.filter(kind="load_roads").exists()


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({}, "Choose a file of this computer, or name one on the server."),
        ({"server_path": "../secret_key"}, "The service may only read extracts in"),
        ({"server_path": "lost.osm.pbf"}, "There is no file"),
    ],
)
def test_what_cannot_be_loaded_is_said_in_the_form(owner: Browser, given: dict[str, str], said: str) -> None:
    answer = owner.post(reverse("road-load"), given)
    assert said in answer.content.decode()
    assert not Job.objects.exists()


def test_only_the_owner_loads_roads(crew: Crew) -> None:
    trimmer = signed_in(a_member(crew.business, Role.TRIMMER))
    assert trimmer.post(reverse("road-load"), {"server_path": "x"}).status_code == 403
    assert "Build these roads" not in page(trimmer, "road-page")


def test_figures_for_driving_are_kept(crew: Crew, owner: Browser) -> None:
    owner.post(reverse("driving-settings"), {"farthest_from_road_m": "800"})
    kept = roads.driving_settings_of(crew.business)
    assert (kept.farthest_from_road_m, kept.learns) == (800, False)


def test_a_figure_that_cannot_be_is_refused_in_the_form(crew: Crew, owner: Browser) -> None:
    answer = owner.post(reverse("driving-settings"), {"farthest_from_road_m": "1"})
    assert "greater than or equal to 20" in answer.content.decode()


def test_a_crews_rig_is_kept(crew: Crew, owner: Browser) -> None:
    figures = {name: getattr(CrewRig(), name) for name in CrewRig.FIGURES} | {"top_kmh": 50}
    assert owner.post(reverse("crew-rig", kwargs={"pk": crew.pk}), figures).status_code == 302
    assert roads.rig_of(crew).top_kmh == 50


# Gates


@pytest.fixture
def adrift(on_roads: Crew) -> Farm:
    """A farm in the middle of nowhere."""
    return a_farm(a_client(on_roads.business), name="Adrift", **at(SEA))


def test_a_farm_far_from_any_road_is_told_where_the_nearest_is(adrift: Farm, owner: Browser) -> None:
    nearest = travel.off_the_roads(business=adrift.client.business, farms=[adrift])[adrift.pk].nearest
    text = page(owner, "farm-gate", pk=adrift.pk)
    assert f"The nearest road, {nearest.road}, is" in text
    assert "Farms no road leads to" in page(owner, "road-page")
    kinds = [one["properties"]["kind"] for one in json.loads(page(owner, "farm-places", pk=adrift.pk))["features"]]
    assert kinds == ["farm", "road"]


def test_a_gate_set_by_hand_makes_the_farm_reachable(adrift: Farm, owner: Browser) -> None:
    business = adrift.client.business
    place = travel.off_the_roads(business=business, farms=[adrift])[adrift.pk].nearest.place
    gate = {"gate_latitude": f"{place[0]:.6f}", "gate_longitude": f"{place[1]:.6f}"}
    assert owner.post(reverse("farm-gate", kwargs={"pk": adrift.pk}), gate).status_code == 302
    adrift.refresh_from_db()
    assert adrift.position == pytest.approx(place, abs=1e-6)
    assert travel.off_the_roads(business=business, farms=[adrift]) == {}
    assert "Gate for the rig" in page(owner, "farm-page", pk=adrift.pk)


@pytest.mark.parametrize(
    ("gate", "said"),
    [
        ({"gate_latitude": "52.6"}, "Give both latitude and longitude"),
        ({"gate_latitude": "53.6", "gate_longitude": "-8.15"}, "at most 10000 m are taken"),
        ({"gate_latitude": "-98.1", "gate_longitude": "52.6"}, "seem to have changed places"),
    ],
)
def test_a_gate_that_cannot_be_is_refused(adrift: Farm, owner: Browser, gate: dict[str, str], said: str) -> None:
    answer = owner.post(reverse("farm-gate", kwargs={"pk": adrift.pk}), gate)
    assert said in answer.content.decode()
    adrift.refresh_from_db()
    assert adrift.gate_latitude is None


def test_swapped_coordinates_are_named_as_such(on_roads: Crew, owner: Browser) -> None:
    swapped = a_farm(a_client(on_roads.business), name="Swapped", latitude=GORTALEEN[1], longitude=GORTALEEN[0])
    assert travel.off_the_roads(business=on_roads.business, farms=[swapped])[swapped.pk].swapped
    assert "Latitude and longitude of this farm seem to have changed places" in page(owner, "farm-gate", pk=swapped.pk)


# The API


@pytest.fixture
def api(crew: Crew) -> APIClient:
    client = APIClient()
    client.force_login(a_member(crew.business).user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def test_the_api_says_which_roads_are_in_use(on_roads: Crew, api: APIClient) -> None:
    told = api.get("/api/v1/roads").json()["in_use"]
    assert (told["file_name"], told["road_count"], len(told["sets"])) == ("lennet.osm.pbf", 75, 1)
    assert told["sets"][0]["rig"]["top_kmh"] == 60


def test_without_roads_the_api_says_so(crew: Crew, api: APIClient) -> None:
    assert api.get("/api/v1/roads").json() == {"in_use": None}


def test_roads_are_loaded_by_the_api(crew: Crew, api: APIClient, var: Path) -> None:
    upload = SimpleUploadedFile("v.osm.pbf", write_extract(var / "v.osm.pbf").read_bytes())
    answer = api.post("/api/v1/roads", {"upload": upload}, format="multipart")
    assert (answer.status_code, answer.json()["kind"]) == (202, "load_roads")
    again = api.post("/api/v1/roads", {"server_path": "v.osm.pbf"})
    assert (again.status_code, again.json()["code"]) == (409, "roads_are_being_loaded")


def test_the_api_wants_one_extract(crew: Crew, api: APIClient) -> None:
    assert api.post("/api/v1/roads", {}).status_code == 400


def test_a_rig_is_changed_by_the_api(crew: Crew, api: APIClient) -> None:
    assert api.get(f"/api/v1/crews/{crew.pk}/rig").json()["top_kmh"] == 60
    assert api.patch(f"/api/v1/crews/{crew.pk}/rig", {"top_kmh": 70}).json()["top_kmh"] == 70
    assert roads.rig_of(crew).top_kmh == 70
    assert api.patch(f"/api/v1/crews/{crew.pk}/rig", {"top_kmh": 700}).status_code == 400


def test_driving_settings_are_changed_by_the_api(crew: Crew, api: APIClient) -> None:
    answer = api.patch("/api/v1/driving-settings", {"learns": False})
    assert answer.json() == {"farthest_from_road_m": 500, "learns": False}
    assert api.get("/api/v1/driving-settings").json()["learns"] is False


def test_the_api_gives_all_ways_and_how_each_was_made(on_roads: Crew, api: APIClient) -> None:
    a_farm(a_client(on_roads.business), name="Adrift", **at(SEA))
    told = api.get(f"/api/v1/crews/{on_roads.pk}/ways").json()
    assert len(told["places"]) == len(told["minutes"]) == len(told["metres"]) == 4
    assert told["made"][1][2] == "roads"
    assert told["made"][1][3] == "straight"
    assert "6 ways were not found there" in told["reckoned"]


def test_the_api_gives_a_round_as_it_is_driven(on_roads: Crew, api: APIClient) -> None:
    told = api.get(f"/api/v1/crews/{on_roads.pk}/round", {"date": DAY}).json()["round"]
    assert [stop["geo"] for stop in told["stops"]] == ["geo:52.572000,-8.021000", "geo:52.556000,-7.987000"]
    assert told["money"] == f"{float(told['km_money']) + float(told['hour_money']):.2f}"
    assert len(told["shape"]) > 100
    assert api.get(f"/api/v1/crews/{on_roads.pk}/round", {"date": "2026-03-05"}).json() == {"round": None}
    assert api.get(f"/api/v1/crews/{on_roads.pk}/round").status_code == 400
