"""Steps of reminding set up in a real browser, and a client that is due looked at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from django.utils import timezone

from billing.models import ReminderStep, ReminderStop
from tests import make
from tests.billing import bills
from tests.browser.looking import take_picture
from tests.browser.test_at_the_chute import sign_in

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [390, 1280])
def test_steps_are_set_up_and_a_client_is_stopped(
    open_context: Callable[..., BrowserContext], live_server: LiveServer, width: int
) -> None:
    business = bills.a_trimming_business(time_zone="Europe/Dublin")
    client = make.a_client(business, name="Carrow Dairy", email="carrow@example.test")
    late = timezone.localdate() - dt.timedelta(days=40)
    bills.an_invoice(client, on=make.TODAY, due_on=max(make.TODAY, late))
    context = open_context(width=width)
    sign_in(context, live_server, make.a_member(business, "office"))
    page = context.new_page()

    def picture(name: str) -> None:
        take_picture(page, f"reminders-{name}")

    page.goto("/reminders")
    picture("empty")
    page.get_by_role("link", name="Set up reminding").click()
    page.get_by_label("Days past due").first.fill("14")
    page.get_by_label("Words").first.fill("Perhaps it was forgotten: please look at the invoices below.")
    page.get_by_label("From", exact=True).first.fill("2026-01-01")
    page.get_by_label("Percent").first.fill("9.27")
    picture("settings")
    page.get_by_role("button", name="Save").click()
    picture("due")
    assert page.get_by_label("Remind Carrow Dairy").is_checked()
    page.get_by_role("link", name="Stop Carrow Dairy").click()
    page.get_by_label("Why").fill("The count is disputed")
    picture("stop")
    page.get_by_role("button", name="Stop reminders").click()
    picture("stopped")
    page.get_by_text("The count is disputed").wait_for()

    context.close()
    assert (ReminderStep.objects.count(), ReminderStop.objects.count()) == (1, 1)
