"""A bank's file in a real browser: brought in, the sure line settled, the doubtful one decided, another set aside."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from billing.models import BankEntry, BankEntryState
from billing.queries import invoice_standing
from tests import make
from tests.billing import bills
from tests.billing.test_bank_lines import details
from tests.billing.test_reading_a_bank_file import a_file, an_entry
from tests.browser.looking import take_picture
from tests.browser.test_at_the_chute import sign_in

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.mark.parametrize("width", [390, 1280])
def test_lines_find_their_invoices(
    open_context: Callable[..., BrowserContext], live_server: LiveServer, tmp_path: Path, width: int
) -> None:
    business = bills.a_trimming_business(language="en-IE", time_zone="Europe/Dublin")
    client = make.a_client(business, name="Carrow Dairy")
    first = bills.an_invoice(client)
    other = make.a_client(business, number="2", name="Lough Farm Partners")
    second = bills.an_invoice(other, farm=make.a_farm(other, name="Lough"))
    statement = a_file(
        an_entry("690.20", details=details(first.reference))
        + an_entry("690.20", details=details(name="LOUGH FARM PARTNERS"))
        + an_entry("12.50", details=details(name="A generous aunt of the trimmer")),
        opening="0.00",
        closing="1392.90",
    )
    (tmp_path / "march.xml").write_bytes(statement)
    (tmp_path / "own.csv").write_text("Wann,Wieviel,Wer\n2026-03-04,5.00,Somebody\n")
    context = open_context(width=width)
    sign_in(context, live_server, make.a_member(business, "office"))
    page = context.new_page()

    def picture(name: str) -> None:
        take_picture(page, f"bank-{name}")

    page.goto("/payments")
    page.get_by_role("link", name="Bank").click()
    picture("empty")
    page.get_by_role("main").get_by_role("link", name="Bring in a bank file").first.click()
    page.get_by_label("File from the bank").set_input_files(str(tmp_path / "march.xml"))
    picture("bring")
    page.get_by_role("button", name="Read it").click()
    picture("waiting")
    page.get_by_role("button", name="Settle it").click()
    page.get_by_role("button", name="Settle LOUGH FARM PARTNERS").click()
    page.get_by_text("Settled: Lough Farm Partners").wait_for()
    page.get_by_role("link", name="Decide A generous aunt").click()
    picture("line")
    page.get_by_role("link", name="Set it aside").click()
    page.get_by_label("Why").fill("A birthday present")
    picture("aside")
    page.get_by_role("button", name="Set it aside").click()
    page.get_by_text("Every line the bank told is decided.").wait_for()
    page.get_by_role("main").get_by_role("link", name="Bring in a bank file").first.click()
    page.get_by_label("File from the bank").set_input_files(str(tmp_path / "own.csv"))
    page.get_by_role("button", name="Read it").click()
    page.get_by_label("Day of booking").select_option("Wann")
    page.get_by_label("Amount, with its sign").select_option("Wieviel")
    picture("columns")
    page.get_by_role("button", name="Take the lines in").click()
    page.get_by_role("link", name="Settled", exact=True).click()
    picture("settled")

    context.close()
    assert {invoice_standing(one, make.TODAY).open for one in (first, second)} == {0}
    assert BankEntry.objects.filter(state=BankEntryState.WAITING).count() == 1
