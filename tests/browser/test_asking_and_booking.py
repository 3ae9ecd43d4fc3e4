"""A farm asks on its phone, the owner books at the desk, the farm sees its hours: in a real Chromium."""

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from django.utils import timezone

from tests.browser.looking import fits
from tests.make import a_business, a_client, a_crew, a_farm, a_farm_person, a_member, signed_in
from trimmer.access import Seat
from trimmer.models import Contact, VisitRequest

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.django_db(transaction=True)]


def page_of(context: "BrowserContext", seat: Seat) -> "Page":
    """A page signed in as the person of a seat."""
    session = signed_in(seat).cookies["sessionid"].value
    context.add_cookies([{"name": "sessionid", "value": session, "domain": "localhost", "path": "/"}])
    return context.new_page()


def test_from_a_request_to_hours_told(open_context: "Callable[..., BrowserContext]") -> None:
    business = a_business()
    a_crew(business, name="North crew", weekdays=(0, 1, 2, 3, 4, 5, 6))
    farm = a_farm(a_client(business), name="Alder Bank", days_that_suit=[0, 1, 2, 3, 4, 5, 6])
    Contact.objects.create(farm=farm, name="Una", email="una@example.test")
    phone = page_of(open_context(), a_farm_person(farm.client))
    desk = page_of(open_context(width=1280, height=900), a_member(business))

    phone.goto("/")
    phone.get_by_role("link", name="Ask for a visit").click()
    phone.get_by_label("Cows, routine trim").fill("60")
    phone.get_by_role("button", name="Another animal").click()
    phone.locator("#id_lame-2-number").fill("4711")
    phone.locator("#id_lame-2-scored").select_option("sprecher_1_5:4")
    phone.get_by_text("What the scores mean").click()
    phone.get_by_text("Arched back; spares one or more legs").wait_for()
    assert fits(phone)
    phone.get_by_role("button", name="Ask for the visit").click()
    phone.get_by_text("Your request has reached us.").wait_for()
    phone.get_by_text("4 of 1–5 (lame)").wait_for()

    desk.goto("/")
    desk.get_by_role("link", name="Book", exact=True).click()
    tomorrow = timezone.localdate() + dt.timedelta(days=1)
    desk.get_by_label("Date").fill(tomorrow.isoformat())
    desk.locator("#id_planned_start").fill("08:00")
    desk.locator("#id_planned_end").fill("11:30")
    desk.get_by_role("button", name="Book the visit").click()
    desk.get_by_text("The visit is booked.").wait_for()

    phone.goto("/")
    phone.get_by_text("08:00–11:30").wait_for()
    phone.get_by_role("link", name="Cows to sort out").click()
    phone.get_by_text("4711").first.wait_for()
    assert VisitRequest.objects.get().state == "booked"
