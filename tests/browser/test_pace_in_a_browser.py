"""In a real browser: a visit estimated, how past estimates did, what to carry, half a year ahead."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from django.utils import timezone

from scheduling.services.pace_learning import learn, store_learned
from tests.browser.looking import take_picture
from tests.browser.test_at_the_chute import sign_in
from tests.make import a_business, a_client, a_crew, a_farm, a_member, a_request, a_visit
from tests.scheduling.paced import a_visit_done
from trimmer.access import Seat

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

NO_CARD_OVERFLOWS = """() => [...document.querySelectorAll("main .card")]
    .every((card) => card.scrollWidth <= card.clientWidth + 1)"""


@pytest.fixture
def owner() -> Seat:
    """An owner with two farms of known pace, one wild record, a visit next week, and a herd too large for one crew."""
    business, today = a_business(), timezone.now().date()
    crew, client = a_crew(business, name="North crew"), a_client(business)
    brook = a_farm(client, name="Lower Brook", visit_interval_weeks=4)
    for number in range(20):
        date = today - dt.timedelta(days=8 + 14 * number)
        a_visit_done(brook, crew, minutes=300 + 7 * (number % 5) + 120 * (number == 12), date=date)
    gap = a_farm(client, name="Windy Gap", visit_interval_weeks=2, milking=400)
    a_visit_done(gap, crew, minutes=540, date=today - dt.timedelta(days=5), head={"cow": 3})
    a_visit_done(gap, a_crew(business, name="South crew"), minutes=2500, date=today, head={"cow": 300})
    a_visit(brook, crew, date=today + dt.timedelta(days=7), head={"cow": 40})
    a_request(gap, head={"cow": 900}, due_on=today + dt.timedelta(weeks=9))
    store_learned(business=business, learned=learn(business=business, today=today), now=timezone.now())
    return a_member(business)


@pytest.mark.parametrize("width", [390, 1280])
def test_a_visit_is_estimated_and_the_weeks_ahead_are_seen(
    open_context: Callable[..., BrowserContext], live_server: LiveServer, owner: Seat, width: int
) -> None:
    context = open_context(width=width)
    sign_in(context, live_server, owner)
    page = context.new_page()

    page.goto("/pace/estimate")
    page.get_by_label("Farm").select_option(label="Lower Brook")
    page.get_by_label("Cows, routine trim").fill("60")
    page.get_by_role("button", name="Estimate").click()
    page.get_by_text("nine visits in ten take under").wait_for()
    assert page.get_by_text("from 20 visits here").is_visible()
    assert page.evaluate(NO_CARD_OVERFLOWS)
    take_picture(page, "pace-estimate")

    page.get_by_role("link", name="Past estimates").click()
    page.get_by_role("heading", name="How past estimates did").wait_for()
    assert page.locator("svg.plot circle").count() + page.locator("svg.plot rect.outside").count() == 21
    assert page.get_by_text("540 minutes for 3 head is too long to be true").is_visible()
    assert page.evaluate(NO_CARD_OVERFLOWS)
    take_picture(page, "pace-accuracy")

    page.goto(f"/load-list?week={timezone.now().date() + dt.timedelta(days=7)}")
    page.get_by_label("Wraps").fill("30")
    page.get_by_role("button", name="Store the counts").click()
    page.get_by_text("What is on hand is counted.").wait_for()
    assert page.get_by_label("Wraps").input_value() == "30"
    take_picture(page, "load-list")

    page.goto("/outlook")
    assert page.get_by_text("more work than crews have hours").count() >= 1
    assert page.locator("svg.plot rect.standing").count() >= 6
    assert page.locator("svg.plot polyline.limit").bounding_box()
    assert page.evaluate(NO_CARD_OVERFLOWS)
    take_picture(page, "outlook")
