"""The whole job in a real Chromium: a farm asks, a worker plans, a crew trims, the office bills, the farm sees it."""

from __future__ import annotations

import datetime as dt
import os
import re
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from django.utils import timezone

from billing.models import Invoice, Price, PriceList, TaxCategory
from scheduling.services.settings import keep_settings
from tests import make
from tests.conftest import Worker
from trimmer.models import Business, Contact, Farm, Recheck, Role, Visit
from trimmer.services.visits import move_visit

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SECRET = "barn-door-and-a-half"
EVERY_DAY = [0, 1, 2, 3, 4, 5, 6]


class Person:
    """Somebody with a browser of their own; each page they come to must fit their screen."""

    def __init__(self, context: BrowserContext, name: str) -> None:
        self.page: Page = context.new_page()
        self.name = name
        self.steps = 0

    def sign_in(self, email: str) -> None:
        self.page.goto("/accounts/login/")
        self.page.fill("input[type=email]", email)
        self.page.fill("input[type=password]", SECRET)
        self.page.press("input[type=password]", "Enter")
        self.page.wait_for_url(lambda url: "login" not in url)

    def goes_to(self, path: str) -> Page:
        self.page.goto(path)
        self.looks()
        return self.page

    def presses(self, name: str) -> None:
        self.page.get_by_role("button", name=name).first.click()

    def sees(self, text: str) -> None:
        self.page.locator("main").get_by_text(text).first.wait_for()
        self.looks()

    def looks(self) -> None:
        """No sideways scroll; a picture of the page where a folder for them is named."""
        width = "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
        needed, there = self.page.evaluate(width)
        assert needed <= there, f"{self.page.url} is {needed} px wide on a screen of {there} px"
        self.steps += 1
        if folder := os.environ.get("TRIMROUND_SCREENSHOTS"):
            Path(folder).mkdir(parents=True, exist_ok=True)
            name = f"{self.name}-{there}-{self.steps:02d}.png"
            self.page.screenshot(path=str(Path(folder) / name), full_page=True)


def a_business_at_work() -> Business:
    business = make.a_business(street="1 Mill Lane", city="Ashcombe", email="o@hollin.example", tax_id="IE6388047V")
    make.a_crew(business, name="North crew", weekdays=tuple(EVERY_DAY))
    keep_settings(business=business, seconds=1)
    tax = TaxCategory.objects.create(business=business, name="VAT", code="S", rate=Decimal("13.5"))
    prices = PriceList.objects.create(business=business, name="Prices", valid_from=dt.date(2020, 1, 1))
    for article, amount in (("head_cow", "14.50"), ("head_lame", "24"), ("treatment_block", "16")):
        Price.objects.create(price_list=prices, article=article, amount=Decimal(amount), tax_category=tax)
    return business


def bring_to_today(visit: Visit) -> None:
    """The day comes: here, the visit is moved to it."""
    now = timezone.now()
    move_visit(
        visit=visit,
        crew=visit.crew,
        date=now.date(),
        planned_start=now,
        planned_end=now + dt.timedelta(hours=2),
        by=None,
        now=now,
    )


def asks(farmer: Person) -> None:
    page = farmer.goes_to("/requests/add")
    page.get_by_label("Cows, routine trim").fill("12")
    page.locator("#id_lame-0-number").fill("4711")
    page.locator("#id_lame-0-scored").select_option("sprecher_1_5:4")
    farmer.looks()
    farmer.presses("Ask for the visit")
    farmer.sees("Your request has reached us.")


def plans(trimmer: Person, monday: dt.date) -> None:
    trimmer.goes_to("/")
    trimmer.sees("Alder Bank")
    trimmer.goes_to(f"/weeks/{monday}")
    trimmer.presses("Propose this week")
    trimmer.page.get_by_role("link", name="Confirm this week").wait_for(timeout=60_000)
    trimmer.sees("Alder Bank")
    trimmer.page.get_by_role("link", name="Confirm this week").click()
    trimmer.looks()
    trimmer.presses("Confirm and tell the farms")
    trimmer.sees("One visit is booked")


def records(trimmer: Person, visit: Visit) -> None:
    page = trimmer.goes_to(f"/visits/{visit.pk}/records/add")
    page.fill("[name=number]", "101")
    trimmer.presses("Store, next animal")
    trimmer.sees("101 is stored")
    page.fill("[name=number]", "4711")
    page.check("[name=kind][value=lame]")
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
    trimmer.goes_to("/rechecks?show=all")


def completes(trimmer: Person, visit: Visit) -> None:
    trimmer.goes_to(f"/visits/{visit.pk}")
    trimmer.sees("Take the block off, RH")
    trimmer.page.goto(f"/visits/{visit.pk}/complete")
    trimmer.looks()
    trimmer.page.locator("main form button.main").click()
    trimmer.page.wait_for_url(re.compile(rf"/visits/{visit.pk}$"))
    trimmer.looks()


def bills(office: Person) -> Invoice:
    office.goes_to("/invoices")
    office.goes_to("/invoices/to-bill")
    office.presses("Make drafts")
    office.page.wait_for_load_state()
    office.looks()
    draft = Invoice.objects.get()
    office.goes_to(f"/invoices/{draft.pk}")
    office.goes_to(f"/invoices/{draft.pk}/issue")
    office.page.locator("main form button.main").click()
    office.page.wait_for_url(lambda url: not url.endswith("/issue"))
    office.looks()
    return Invoice.objects.get()


def is_paid(office: Person, invoice: Invoice) -> None:
    page = office.goes_to(f"/payments/add?client={invoice.client_id}")
    page.locator("[name=amount]").fill(f"{invoice.gross_total:.2f}")
    office.presses("Record")
    page.wait_for_load_state()
    office.goes_to(f"/invoices/{invoice.pk}")
    office.sees("paid")


@pytest.mark.parametrize("width", [390, 1280])
def test_from_a_farms_request_to_a_paid_invoice(
    width: int, open_context: Callable[..., BrowserContext], worker: Worker
) -> None:
    business = a_business_at_work()
    client = make.a_client(business, name="Alder Bank Dairy", street="2 Mill Lane", city="Ashcombe", country="IE")
    farm: Farm = make.a_farm(client, name="Alder Bank", days_that_suit=EVERY_DAY)
    Contact.objects.create(farm=farm, name="Una", email="una@example.test")
    make.a_farm_person(client, email="una@example.test", password=SECRET)
    make.a_member(business, Role.OWNER, email="nell@example.test", password=SECRET)
    make.a_member(business, Role.OFFICE, email="orla@example.test", password=SECRET)
    farmer, trimmer, office = (Person(open_context(width=width), name) for name in ("farm", "trimmer", "office"))
    farmer.sign_in("una@example.test")
    trimmer.sign_in("nell@example.test")
    office.sign_in("orla@example.test")

    asks(farmer)
    today = timezone.now().date()
    plans(trimmer, today + dt.timedelta(days=7 - today.weekday()))
    visit = Visit.objects.get()
    farmer.goes_to("/visits")
    farmer.sees("Alder Bank")

    bring_to_today(visit)
    records(trimmer, visit)
    completes(trimmer, visit)
    assert Recheck.objects.filter(what="remove_block", feet=["RH"]).exists()

    invoice = bills(office)
    answer = office.page.request.get(f"/invoices/{invoice.pk}/pdf")
    assert answer.body().startswith(b"%PDF")
    is_paid(office, invoice)

    farmer.goes_to("/rechecks")
    farmer.sees("4711")
    farmer.goes_to("/invoices")
    farmer.sees(str(invoice.number))
