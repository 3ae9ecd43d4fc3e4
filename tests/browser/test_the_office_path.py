"""The office assistant's path in a real Chromium: a batch of invoices, one put right by a credit note, the bank's file,
a reminder, and the ZIP for the accountant. Pictures are kept where TRIMROUND_SCREENSHOTS points to."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import zipfile
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from django.core import mail
from django.urls import reverse
from django.utils import timezone

from billing import tasks
from billing.models import BankEntry, BankEntryState, Invoice, Reminder
from billing.queries import invoice_standing
from billing.queries.trail import check_trail
from billing.services.einvoice_settings import keep_e_invoice_settings
from billing.services.reminders import StepValues, keep_steps
from tests import make
from tests.billing import bills
from tests.billing.test_bank_lines import details
from tests.billing.test_reading_a_bank_file import a_file, an_entry
from tests.browser.looking import take_picture
from tests.browser.test_at_the_chute import sign_in
from trimmer.models import Business, Client, Job
from trimmer.services import jobs

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
assert tasks.issue_run  # registers what a worker does


def a_fortnight() -> tuple[Business, Client]:
    """Three farms done and not billed, and an old invoice that nobody paid."""
    business = bills.a_trimming_business(language="en-IE", time_zone="Europe/Dublin")
    keep_e_invoice_settings(business=business, e_invoices=True)
    keep_steps(business=business, steps=[StepValues(7, "Perhaps it was forgotten.")])
    bills.a_price_list(business)
    crew = make.a_crew(business)
    address = {"street": "Mill Lane 9", "postcode": "4840", "city": "Untertal", "country": "AT"}
    late = make.a_client(business, number="0", name="Owen Late", email="late@example.test", **address)
    bills.an_invoice(late, crew=crew)
    for number, name in enumerate(("Carrow Dairy", "Lough Farm", "Moyle Herd"), start=1):
        client = make.a_client(business, number=str(number), name=name, email=f"{number}@example.test", **address)
        bills.a_done_visit(client, crew=crew, farm=make.a_farm(client, name=name), position=number)
    return business, late


def work(page: Page) -> None:
    """What the worker does meanwhile; the page at hand looks by itself."""
    for job in Job.objects.unfinished():
        assert jobs.run(job.pk, clock=timezone.now)
    page.reload()


@pytest.mark.parametrize("width", [390, pytest.param(1280, marks=pytest.mark.slow)])
def test_a_fortnight_becomes_invoices_money_and_books(
    open_context: Callable[..., BrowserContext], live_server: LiveServer, tmp_path: Path, width: int
) -> None:
    business, late = a_fortnight()
    context = open_context(width=width)
    sign_in(context, live_server, make.a_member(business, "office"))
    page = context.new_page()

    def picture(name: str) -> None:
        take_picture(page, f"office-{name}")

    # A batch: drafts of all that is done, issued together
    page.goto(reverse("visits-to-bill"))
    picture("1-visits")
    page.get_by_role("button", name="Make drafts").click()
    picture("2-drafts")
    page.get_by_role("button", name="Issue them").click()
    work(page)
    page.get_by_text("3 invoices are issued").wait_for()
    picture("3-issued")
    carrow, lough, moyle = Invoice.objects.issued().exclude(client=late).order_by("number")
    assert len({carrow.number, lough.number, moyle.number}) == 3

    # Two cows too many: a correction by credit note
    page.get_by_role("link", name=str(moyle.number)).click()
    page.get_by_role("link", name="Credit this invoice").click()
    page.get_by_label("Why").fill("Two cows counted twice")
    page.get_by_label("Parts of it").check()
    page.get_by_label("Quantity of Cow trimmed").fill("2")
    picture("4-credit")
    page.get_by_role("button", name="Make the draft").click()
    page.get_by_role("link", name="Issue").click()
    page.get_by_role("button", name="Issue").click()
    page.get_by_text("Two cows counted twice").first.wait_for()
    picture("5-credit-note")
    note = moyle.credit_notes.get()
    assert (note.state, note.gross_total) == ("issued", Decimal("34.51"))  # 2 at 14.50 and 19 %

    # The bank's file: one line names its invoice, one only its payer
    assert {carrow.gross_total, lough.gross_total} == {Decimal("690.20")}
    lines = [details(carrow.reference), details(name="LOUGH FARM")]
    statement = "".join(an_entry("690.20", details=one) for one in lines)
    (tmp_path / "bank.xml").write_bytes(a_file(statement, opening="0.00", closing="1380.40"))
    page.goto(reverse("bank-bring"))
    page.get_by_label("File from the bank").set_input_files(str(tmp_path / "bank.xml"))
    page.get_by_role("button", name="Read it").click()
    picture("6-bank")
    page.get_by_role("button", name="Settle it").click()
    page.get_by_role("button", name="Settle LOUGH FARM").click()
    page.get_by_text("Every line the bank told is decided.").wait_for()
    picture("7-settled")
    today = timezone.localdate()
    assert [invoice_standing(one, today).open for one in (carrow, lough)] == [0, 0]
    assert not BankEntry.objects.exclude(state=BankEntryState.SETTLED).exists()

    # A reminder of the old one
    page.goto(reverse("reminder-list"))
    assert page.get_by_label("Remind Owen Late").is_checked()
    picture("8-reminders")
    page.get_by_role("button", name="Remind").click()
    work(page)
    page.get_by_text("One client was reminded").wait_for()
    picture("9-reminded")
    assert Reminder.objects.get().client == late
    assert [message.to for message in mail.outbox] == [["late@example.test"]]

    # All of it for the accountant
    first = (today - dt.timedelta(days=400)).isoformat()
    page.goto(f"{reverse('books')}?first={first}&last={today.isoformat()}")
    picture("10-books")
    page.get_by_role("button", name="Make the ZIP").click()
    work(page)
    picture("11-ready")
    with page.expect_download() as coming:
        page.get_by_role("link", name="Download the ZIP").click()
    coming.value.save_as(tmp_path / "books.zip")
    context.close()
    packed = zipfile.ZipFile(tmp_path / "books.zip")
    manifest = json.loads(packed.read("manifest.json"))
    assert {f"documents/{one}{end}" for one in (moyle.number, note.number) for end in (".pdf", "-cii.xml")} <= set(
        manifest["sha256"]
    )
    for name, digest in manifest["sha256"].items():
        assert hashlib.sha256(packed.read(name)).hexdigest() == digest
    head = manifest["audit_trail"]
    assert check_trail(business, anchors=[(head["position"], head["hash"])]) is None
