"""The whole job in a real Chromium: a farm asks, a worker plans, a crew trims, the office bills, the farm sees it.

With TRIMROUND_SCREENSHOTS set to a folder, every step leaves a picture of its whole page there.
"""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from django.core import mail
from django.utils import timezone

from billing.models import Invoice, Price, PriceList, TaxCategory
from scheduling.services.settings import keep_settings
from tests import make
from tests.browser.looking import fits
from tests.conftest import Worker
from trimmer.models import Business, Contact, Farm, Role, Visit
from trimmer.services.visits import move_visit

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Locator, Page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SECRET = "barn-door-and-a-half"
EVERY_DAY = [0, 1, 2, 3, 4, 5, 6]
PHONE = 390
A_FINGER = 48  # px: what a button for a finger is at least high and wide
SECONDS_TO_PLAN = 60


class Person:
    """Somebody with a browser of their own; each page they come to must fit their screen and their finger."""

    def __init__(self, context: BrowserContext, name: str, email: str) -> None:
        self.page: Page = context.new_page()
        self.name = name
        self.steps = 0
        self.page.goto("/accounts/login/")
        self.looks()
        self.page.fill("input[type=email]", email)
        self.page.fill("input[type=password]", SECRET)
        self.page.press("input[type=password]", "Enter")
        self.page.wait_for_url(lambda url: "login" not in url)
        self.looks()

    @property
    def main(self) -> Locator:
        return self.page.locator("main")

    def goes_to(self, place: str) -> Page:
        """By the navigation, which a phone opens by a button."""
        menu = self.page.get_by_role("button", name="Menu")
        if menu.is_visible():
            menu.click()
        self.page.get_by_role("navigation", name="Main").get_by_role("link", name=place, exact=True).click()
        self.page.wait_for_load_state()
        self.looks()
        return self.page

    def follows(self, link: str | re.Pattern[str]) -> Page:
        found = self.main.get_by_role("link", name=link, exact=isinstance(link, str)).first
        found.click()
        self.page.wait_for_load_state()
        self.looks()
        return self.page

    def presses(self, button: str) -> None:
        self.main.get_by_role("button", name=button, exact=True).first.click()
        self.page.wait_for_load_state()
        self.looks()

    def sees(self, *texts: str) -> None:
        for text in texts:
            self.main.get_by_text(text).filter(visible=True).first.wait_for()

    def gets_a_pdf(self, link: str) -> None:
        address = self.main.get_by_role("link", name=link).get_attribute("href")
        answer = self.page.request.get(str(address))
        assert answer.headers["content-type"] == "application/pdf"
        assert answer.body().startswith(b"%PDF-")

    def looks(self) -> None:
        """No sideways scroll, main buttons a finger can hit; a picture where a folder for them is named."""
        assert fits(self.page), self.page.url
        there = self.page.evaluate("innerWidth")
        if there <= PHONE:
            for button in self.main.locator(".button.main:visible").all():
                box = button.bounding_box()
                assert box, self.page.url
                assert min(box["width"], box["height"]) >= A_FINGER, f"{self.page.url}: {button.inner_text()}"
        self.steps += 1
        if folder := os.environ.get("TRIMROUND_SCREENSHOTS"):
            Path(folder).mkdir(parents=True, exist_ok=True)
            place = re.sub(r"\W+", "-", self.page.title().rpartition(" · ")[0].lower())
            name = f"{self.name}-{there}-{self.steps:02d}-{place}.png"
            self.page.screenshot(path=str(Path(folder) / name), full_page=True)


def a_business_at_work() -> Business:
    business = make.a_business(
        street="1 Mill Lane",
        city="Ashcombe",
        email="office@hollin.example",
        phone="+353 1 555 0142",
        tax_id="IE6388047V",
        iban="IE29AIBK93115212345678",
    )
    make.a_crew(business, name="North crew", weekdays=tuple(EVERY_DAY))
    keep_settings(business=business, seconds=1)
    tax = TaxCategory.objects.create(business=business, name="VAT", code="S", rate=Decimal("13.5"))
    prices = PriceList.objects.create(business=business, name="Prices", valid_from=dt.date(2020, 1, 1))
    for article, amount in (("head_cow", "14.50"), ("head_lame", "24"), ("treatment_block", "16")):
        Price.objects.create(price_list=prices, article=article, amount=Decimal(amount), tax_category=tax)
    return business


def a_farm_that_asks(business: Business) -> Farm:
    client = make.a_client(business, name="Alder Bank Dairy", street="2 Mill Lane", city="Ashcombe", country="IE")
    farm = make.a_farm(client, name="Alder Bank", days_that_suit=EVERY_DAY)
    Contact.objects.create(farm=farm, name="Una", email="una@example.test")
    return farm


def asks(farmer: Person) -> None:
    page = farmer.follows("Ask for a visit")
    page.get_by_label("Cows, routine trim").fill("12")
    page.locator("#id_lame-0-number").fill("4711")
    page.locator("#id_lame-0-scored").select_option("sprecher_1_5:4")
    farmer.looks()
    farmer.presses("Ask for the visit")
    farmer.sees("Your request has reached us.", "4 of 1–5 (lame)")


def plans(trimmer: Person, monday: dt.date, start_worker: Callable[[], Worker]) -> None:
    trimmer.goes_to("Home")
    trimmer.sees("Needs a decision", "1 × lame cow")
    trimmer.goes_to("Weeks")
    trimmer.page.locator(f"a[href$='/weeks/{monday}']").click()
    trimmer.sees("Nothing is booked in this week")
    trimmer.looks()
    trimmer.presses("Propose this week")
    trimmer.sees("Planning the week", "Waiting for its turn")
    start_worker()
    trimmer.page.get_by_role("link", name="Confirm this week").wait_for(timeout=SECONDS_TO_PLAN * 1000)
    trimmer.sees("A proposal. Nothing is booked until you confirm it.", "Alder Bank", "13 head")
    trimmer.looks()
    trimmer.follows("Confirm this week")
    trimmer.presses("Confirm and tell the farms")
    trimmer.sees("One visit is booked, and its farm is told.")


def is_told(farmer: Person, visit: Visit) -> None:
    """By e-mail with a calendar file, on the first page, and with the list of cows to sort out."""
    told = next(message for message in mail.outbox if message.to == ["una@example.test"])
    assert any("text/calendar" in str(attachment) for attachment in told.attachments)
    hours = f"{visit.told_from:%H:%M}–{visit.told_to:%H:%M}"
    farmer.goes_to("Home")
    farmer.sees("Next visit", hours, "the work takes about 3 h.")
    farmer.follows("Cows to sort out")
    farmer.sees("named lame", "4711")
    farmer.goes_to("Visits")
    farmer.sees(hours)


def bring_to_today(visit: Visit) -> None:
    """The day comes: here, the visit is moved to it."""
    now = timezone.now()
    eight = now.replace(hour=8, minute=0, second=0, microsecond=0)
    move_visit(
        visit=visit,
        crew=visit.crew,
        date=now.date(),
        planned_start=eight,
        planned_end=eight + dt.timedelta(hours=3),
        by=None,
        now=now,
    )


def trims(trimmer: Person) -> None:
    trimmer.goes_to("Home")
    trimmer.follows("Alder Bank")
    trimmer.presses("Arrived now")
    trimmer.sees("under way")
    trimmer.presses("First head in now")
    page = trimmer.follows("Record a cow")
    page.fill("[name=number]", "101")
    trimmer.presses("Store, next animal")
    trimmer.sees("101 is stored")
    records_an_ulcer(trimmer)
    trimmer.goes_to("Rechecks")
    trimmer.sees("Take the block off, RH")


def records_an_ulcer(trimmer: Person) -> None:
    """Sole ulcer on the outer claw of the right hind, zone 4: a block under the inner one."""
    page = trimmer.follows("4711")
    page.locator("#known-animal").get_by_text("named lame").wait_for()
    page.check("[name=kind][value=lame]")
    page.check("[name=feet_trimmed][value=RH]")
    page.select_option("[name=scored]", "sprecher_1_5:4")
    page.locator("summary", has_text="Lesion 1").click()
    page.select_option("[name=findings-0-lesion]", "SU")
    page.check("[name=findings-0-foot][value=RH]")
    page.check("[name=findings-0-claw][value=outer]")
    page.select_option("[name=findings-0-zone]", "4")
    page.locator("summary", has_text="Treatment 1").click()
    page.select_option("[name=treatments-0-kind]", "block")
    page.select_option("[name=treatments-0-block_kind]", "wood")
    page.check("[name=treatments-0-foot][value=RH]")
    page.check("[name=treatments-0-claw][value=inner]")
    trimmer.looks()
    trimmer.presses("Store, next animal")
    trimmer.sees("4711 is stored")


def completes(trimmer: Person) -> None:
    trimmer.goes_to("Visits")
    trimmer.follows("Alder Bank")
    trimmer.sees("RH outer: Sole ulcer, zone 4", "block (wood), RH inner", "Take the block off, RH")
    trimmer.presses("Last head out now")
    trimmer.presses("Leaving now")
    page = trimmer.follows("Type times")
    page.get_by_label("Kilometres driven").fill("18.5")
    trimmer.presses("Save")
    trimmer.sees("18.5 km")
    trimmer.follows("Complete the visit")
    trimmer.sees("2 head are recorded at the chute.")
    trimmer.presses("The visit is done")
    trimmer.sees("The visit is done.", "done")


def bills(office: Person) -> Invoice:
    office.goes_to("Home")
    office.sees("Visits to bill")
    office.goes_to("Invoices")
    office.follows("Bill visits")
    office.sees("Alder Bank Dairy", "€54.50")
    office.presses("Make drafts")
    office.sees("1 draft is made.")
    office.follows("Alder Bank Dairy")
    office.sees("Cow trimmed", "Lame cow treated", "Block", "€61.86")  # 14.50 + 24 + 16, and 13.5 % of it
    office.gets_a_pdf("See the page")
    office.follows("Issue")
    office.presses("Issue")
    office.sees("Issued as ", "open")
    office.gets_a_pdf("PDF")
    return Invoice.objects.get()


def is_paid(office: Person, invoice: Invoice) -> None:
    page = office.follows("Record a payment")
    page.get_by_label("Amount").fill("61.86")
    office.looks()
    office.presses("Record")
    office.goes_to("Invoices")
    office.follows(str(invoice.number))
    office.sees("paid", "€0.00")


def sees_rechecks_and_bill(farmer: Person, invoice: Invoice) -> None:
    farmer.goes_to("Home")
    farmer.sees("To be looked at again", "4711")
    farmer.goes_to("Rechecks")
    farmer.sees("4711", "Take the block off, RH")
    farmer.follows("4711")
    farmer.sees("Sole ulcer")
    farmer.goes_to("Invoices")
    farmer.sees("paid", "€61.86")
    farmer.follows(str(invoice.number))
    farmer.gets_a_pdf("PDF")
    farmer.goes_to("Invoices")
    farmer.follows("Statement")
    farmer.sees(str(invoice.number))


@pytest.mark.parametrize("width", [PHONE, 1280])
def test_from_a_farms_request_to_a_paid_invoice(
    width: int, open_context: Callable[..., BrowserContext], start_worker: Callable[[], Worker]
) -> None:
    business = a_business_at_work()
    farm = a_farm_that_asks(business)
    make.a_farm_person(farm.client, name="Una Alder", email="una@example.test", password=SECRET)
    make.a_member(business, Role.OWNER, name="Nell Hollin", email="nell@example.test", password=SECRET)
    make.a_member(business, Role.OFFICE, name="Orla Quill", email="orla@example.test", password=SECRET)
    farmer, trimmer, office = (
        Person(open_context(width=width), name, email)
        for name, email in (
            ("farm", "una@example.test"),
            ("trimmer", "nell@example.test"),
            ("office", "orla@example.test"),
        )
    )
    today = timezone.now().date()

    asks(farmer)
    plans(trimmer, today + dt.timedelta(days=7 - today.weekday()), start_worker)
    visit = Visit.objects.get()
    is_told(farmer, visit)
    bring_to_today(visit)
    trims(trimmer)
    completes(trimmer)
    invoice = bills(office)
    is_paid(office, invoice)
    sees_rechecks_and_bill(farmer, invoice)
    assert Invoice.objects.get().gross_total == Decimal("61.86")
