"""The form at the chute in a real browser: on a phone, with scripts and without."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from django.conf import settings
from django.utils import timezone

from tests import make
from trimmer.access import Seat
from trimmer.models import ChuteRecord, Recheck, Visit

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def visit() -> Visit:
    business = make.a_business()
    farm = make.a_farm(make.a_client(business))
    make.an_animal(farm, number="112", calving_due_on=timezone.localdate(), group="Pen 2")
    return make.a_visit(farm, make.a_crew(business), date=timezone.localdate(), head={"cow": 20})


def sign_in(context: BrowserContext, live_server: LiveServer, seat: Seat) -> None:
    name = settings.SESSION_COOKIE_NAME
    context.add_cookies([{"name": name, "value": make.signed_in(seat).cookies[name].value, "url": live_server.url}])


@pytest.fixture
def trimmer(visit: Visit) -> Seat:
    return make.a_member(visit.farm.client.business, "trimmer")


def test_a_cow_is_recorded_with_what_was_found_and_done(
    open_context: Callable[..., BrowserContext], live_server: LiveServer, visit: Visit, trimmer: Seat
) -> None:
    context = open_context()
    sign_in(context, live_server, trimmer)
    page = context.new_page()
    page.goto(f"/visits/{visit.pk}/records/add")
    page.fill("[name=number]", "112")
    page.locator("#known-animal").get_by_text("ask the veterinarian").wait_for()
    page.get_by_label("All four feet").uncheck()
    page.get_by_label("left hind").first.check()
    page.locator("summary", has_text="Lesion 1").click()
    assert not page.locator("[name=findings-0-m_stage]").is_visible()
    page.select_option("[name=findings-0-lesion]", "DD")
    page.select_option("[name=findings-0-m_stage]", "M2")
    page.check("[name=findings-0-foot][value=LH]")
    page.locator("summary", has_text="Treatment 1").click()
    page.select_option("[name=treatments-0-kind]", "block")
    page.select_option("[name=treatments-0-block_kind]", "wood")
    page.check("[name=treatments-0-foot][value=LH]")
    page.check("[name=treatments-0-claw][value=inner]")
    page.get_by_role("button", name="Another treatment").click()
    page.select_option("[name=treatments-3-kind]", "topical")
    page.check("[name=treatments-3-foot][value=LH]")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    page.get_by_role("button", name="Store, next animal").click()
    page.get_by_text("112 is stored").wait_for()
    record = ChuteRecord.objects.get()
    assert (record.feet_trimmed, record.findings.get().m_stage, record.treatments.count()) == (["LH"], "M2", 2)
    assert Recheck.objects.filter(raised_by=record, what="remove_block").exists()


def test_a_cow_is_recorded_without_scripts(
    browser: Browser, live_server: LiveServer, visit: Visit, trimmer: Seat
) -> None:
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False)
    sign_in(context, live_server, trimmer)
    page: Page = context.new_page()
    page.goto(f"/visits/{visit.pk}/records/add")
    page.get_by_label("Look an animal up first").fill("112")
    page.get_by_role("button", name="Show what is known").click()
    page.get_by_text("ask the veterinarian.").first.wait_for()
    page.locator("summary", has_text="Lesion 3").click()
    page.check("[name=findings-2-foot][value=RH]")
    page.select_option("[name=findings-2-lesion]", "IH")
    page.get_by_role("button", name="Store, next animal").click()
    page.get_by_text("112 is stored").wait_for()
    assert [str(finding) for finding in ChuteRecord.objects.get().findings.all()] == ["RH IH"]
    context.close()
