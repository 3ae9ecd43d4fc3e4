"""A sheet in a real browser, checked and stored by a real worker."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests import make
from tests.browser.looking import take_picture
from tests.browser.test_at_the_chute import sign_in
from tests.conftest import Worker
from tests.trimmer import big_sheets
from trimmer.access import Seat
from trimmer.models import Business, Farm

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

SECONDS_FOR_WORK = 40_000


@pytest.fixture
def office() -> Seat:
    business: Business = make.a_business(time_zone="Europe/Dublin")
    return make.a_member(business, "office")


@pytest.mark.parametrize("width", [390, 1280])
def test_faults_are_named_and_the_corrected_sheet_is_stored(
    open_context: Callable[..., BrowserContext],
    live_server: LiveServer,
    worker: Worker,
    office: Seat,
    tmp_path: Path,
    width: int,
) -> None:
    for name, sheet in (
        ("spoilt.csv", big_sheets.client_sheet(rows=501, faults=True)),
        ("clients.xlsx", big_sheets.client_sheet(form="xlsx")),
    ):
        (tmp_path / name).write_bytes(sheet.content)
    context = open_context(width=width)
    sign_in(context, live_server, office)
    page = context.new_page()

    def picture(name: str) -> None:
        take_picture(page, f"sheet-{name}")

    page.goto("/sheets")
    picture("list")
    page.get_by_role("link", name=re.compile("Bring in ?: Clients and farms")).click()
    page.get_by_label("File").set_input_files(tmp_path / "spoilt.csv")
    picture("bring")
    page.get_by_role("button", name="Check it").click()
    page.get_by_text("12 faults").wait_for(timeout=SECONDS_FOR_WORK)
    picture("faults")
    page.get_by_text("“office at mill” is not an e-mail address").wait_for()
    assert not Farm.objects.exists()

    page.get_by_role("link", name="Bring the corrected file").click()
    page.get_by_label("File").set_input_files(tmp_path / "clients.xlsx")
    page.get_by_role("button", name="Check it").click()
    page.get_by_text("There is no fault in it").wait_for(timeout=SECONDS_FOR_WORK)
    picture("preview")
    page.get_by_role("button", name="Store all of it").click()
    page.get_by_text("All of it was stored").wait_for(timeout=SECONDS_FOR_WORK)
    picture("stored")
    assert Farm.objects.of(office.business).count() == 500
    with page.expect_download() as download:
        page.goto("/sheets")
        page.get_by_role("link", name=re.compile("CSV ?: Clients and farms")).last.click()
    assert len(download.value.path().read_text("utf-8-sig").splitlines()) == 501
