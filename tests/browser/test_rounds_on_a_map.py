"""Rounds on the map in a real browser, on the roads of the extract and with nobody else's server asked."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from scheduling.services import roads
from tests.browser.looking import take_picture
from tests.browser.test_at_the_chute import sign_in
from tests.make import NOW, TODAY, a_base, a_business, a_client, a_crew, a_farm, a_member, a_visit
from trimmer.access import Seat
from trimmer.management.scenario.extract import write_extract
from trimmer.models import Farm

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

MONDAY = TODAY - dt.timedelta(days=TODAY.weekday())


@pytest.fixture
def owner(tmp_path: Path, settings: Any) -> Seat:
    """An owner with a round to both banks of the river, and a farm far from any road."""
    settings.VAR_DIR = tmp_path
    business = a_business()
    crew = a_crew(business, base=a_base(business, name="Corvane yard", latitude=52.5010, longitude=-8.0910))
    client = a_client(business)
    for number, (name, latitude, longitude) in enumerate(
        (("Gortaleen", 52.5720, -8.0210), ("Tarrow Grange", 52.5560, -7.9870), ("Adrift", 52.60, -8.15))
    ):
        farm = a_farm(client, name=name, latitude=latitude, longitude=longitude)
        if name != "Adrift":
            a_visit(farm, crew, position=number, head={"cow": 20})
    path = write_extract(tmp_path / "lennet.osm.pbf")
    roads.load_roads(businesses=[business], path=path, by=None, now=NOW, say=lambda percent, what: None)
    return a_member(business)


@pytest.mark.parametrize("width", [390, 1280])
def test_the_week_and_a_round_are_drawn_and_a_gate_is_set_by_a_click(
    open_context: Callable[..., BrowserContext], live_server: LiveServer, owner: Seat, width: int
) -> None:
    context = open_context(width=width)
    sign_in(context, live_server, owner)
    page = context.new_page()

    page.goto(f"/weeks/{MONDAY.isoformat()}/map")
    page.locator("[data-map][data-drawn]").wait_for()
    page.get_by_text("Corvane yard").wait_for()
    assert page.locator("[data-map] path.leaflet-interactive").count() == 5  # a round, a base, three farms
    take_picture(page, "map-week")

    page.locator("table").get_by_role("link").first.click()
    page.locator("[data-map][data-drawn]").wait_for()
    page.get_by_text("The way", exact=True).nth(1).click()
    page.get_by_text("Corvane Bridge").first.wait_for()
    assert page.get_by_role("link", name="Open in the navigator").nth(1).get_attribute("href").startswith("geo:52.57")
    take_picture(page, "map-round")

    farm = Farm.objects.get(name="Adrift")
    page.goto(f"/farms/{farm.pk}/gate")
    page.locator("[data-map][data-drawn]").wait_for()
    box = page.locator("[data-map]").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2 + 20, box["y"] + box["height"] / 2 + 20)
    assert page.get_by_label("Latitude of the gate").input_value().startswith("52.")
    take_picture(page, "map-gate")
    page.get_by_role("button", name="Store").click()
    page.get_by_text("The gate is kept.").wait_for()
    farm.refresh_from_db()
    assert farm.gate_latitude is not None
