"""The office's way through the bills, and what a farm's people see of it."""

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal as D
from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.test import Client as Browser
from django.urls import reverse

from billing.models import Invoice, IssueRun, Payment, PriceList, TaxCategory
from billing.services.credits import credit_invoice
from billing.services.payments import record_payment
from tests import make
from tests.billing import bills
from trimmer.models import Business, Client, HeadKind, Role

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _it_is_now() -> Iterator[None]:
    """The clock that views read stands still."""
    with time_machine.travel(make.NOW, tick=False):
        yield


@pytest.fixture
def business() -> Business:
    return bills.a_trimming_business()


@pytest.fixture
def client(business: Business) -> Client:
    return make.a_client(business, email="alder@example.test")


@pytest.fixture
def office(business: Business) -> Browser:
    return make.signed_in(make.a_member(business, Role.OFFICE))


def get(browser: Browser, name: str, /, *args: Any, **query: Any) -> str:
    answer = browser.get(reverse(name, args=args), query)
    assert answer.status_code == HTTPStatus.OK
    return " ".join(answer.content.decode().split())


def post(browser: Browser, name: str, /, *args: Any, **values: Any) -> str:
    """Send a form; gives the page one comes to."""
    answer = browser.post(reverse(name, args=args), values, follow=True)
    assert answer.status_code == HTTPStatus.OK
    return " ".join(answer.content.decode().split())


def lines_of(draft: Invoice, **changes: Any) -> dict[str, Any]:
    """The fields of the form that changes a draft, as a browser sends them."""
    lines = list(draft.lines.order_by("position"))
    values: dict[str, Any] = {"lines-TOTAL_FORMS": len(lines) + 1, "lines-INITIAL_FORMS": len(lines), "note": ""}
    values |= {"discounts-TOTAL_FORMS": 1, "discounts-INITIAL_FORMS": 0}
    for place, line in enumerate(lines):
        row = {"line": line.pk, "name": line.name, "quantity": line.quantity, "price": line.price, "tax_category": ""}
        values |= {f"lines-{place}-{name}": value for name, value in row.items()}
    return values | {"lines-1-unit": "C62"} | changes


# To bill


def test_waiting_visits_are_shown_with_what_they_come_to_and_what_to_look_at(office: Browser, client: Client) -> None:
    bills.a_price_list(client.business)
    bills.a_done_visit(client)
    bills.a_done_visit(client, head={HeadKind.BULL: 1})
    page = get(office, "visits-to-bill")
    assert "€580.00" in page
    assert "Nothing was recorded at the chute" in page
    assert "No price on that day for: bull trimmed" in page


def test_one_button_makes_drafts_of_those_ticked(office: Browser, client: Client) -> None:
    bills.a_price_list(client.business)
    visit, other = bills.a_done_visit(client), bills.a_done_visit(client)
    page = post(office, "visits-to-bill", visits=[visit.pk])
    assert "1 draft is made" in page
    assert [line.visit for line in Invoice.objects.get().lines.all()] == [visit]
    assert str(other.farm) in get(office, "visits-to-bill")


def test_what_was_left_out_is_told(office: Browser, client: Client) -> None:
    bills.a_price_list(client.business)
    visit = bills.a_done_visit(client, head={HeadKind.BULL: 1})
    assert "No price on that day" in post(office, "visits-to-bill", visits=[visit.pk])
    assert "No visit was chosen" in post(office, "visits-to-bill", visits=["9" * 30, "x"])


def test_waiting_visits_are_narrowed(office: Browser, client: Client) -> None:
    bills.a_price_list(client.business)
    bills.a_done_visit(client, farm=make.a_farm(client, name="Earlier"), date=dt.date(2026, 2, 1))
    bills.a_done_visit(client, farm=make.a_farm(client, name="Later"), date=dt.date(2026, 3, 1))
    page = get(office, "visits-to-bill", until="2026-02-28", client=client.pk)
    assert "Earlier" in page
    assert "Later" not in page


# Drafts


def test_a_draft_is_changed_line_by_line(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    tax = bills.a_tax(client.business)
    new = {"lines-1-name": "Waiting", "lines-1-quantity": "1.5", "lines-1-price": "40", "lines-1-unit": "HUR"}
    values = lines_of(draft, **{"lines-0-quantity": "39", "lines-1-tax_category": tax.pk}, **new, note="Thank you")
    page = post(office, "invoice-edit", draft.pk, **values)
    draft.refresh_from_db()
    assert (draft.net_total, draft.note) == (D("625.50"), "Thank you")
    assert "changed by hand" in page
    assert "Waiting" in page


def test_a_line_is_taken_off(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    post(office, "invoice-edit", draft.pk, **lines_of(draft, **{"lines-0-DELETE": "on"}))
    assert draft.lines.count() == 0


def test_a_refused_line_is_said_beside_it_with_all_that_was_typed(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    values = lines_of(draft, **{"lines-0-quantity": "0", "lines-0-name": "Cows of the lower barn"})
    page = post(office, "invoice-edit", draft.pk, **values)
    assert "Not zero, below a million" in page
    assert "Cows of the lower barn" in page
    assert draft.lines.get().quantity == 40


def test_of_a_credit_note_only_the_note_is_changed(office: Browser, client: Client) -> None:
    note = credit_invoice(invoice=bills.an_invoice(client), reason="Miscounted", by=None, now=make.NOW)
    assert "lines-0-name" not in get(office, "invoice-edit", note.pk)
    post(office, "invoice-edit", note.pk, note="Sorry")
    note.refresh_from_db()
    assert note.note == "Sorry"


def test_a_draft_is_dropped_after_asking(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    assert "can be billed again" in get(office, "invoice-drop", draft.pk)
    post(office, "invoice-drop", draft.pk)
    assert not Invoice.objects.exists()


def test_new_prices_are_shown_then_taken(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    client.business.price_lists.get().prices.filter(article="head_cow").update(amount=16)
    assert "this draft would be different" in get(office, "invoice-page", draft.pk)
    page = get(office, "invoice-reprice", draft.pk)
    assert "€580.00" in page
    assert "€640.00" in page
    seen = page.split('name="seen" value="')[1].split('"')[0]
    post(office, "invoice-reprice", draft.pk, seen=seen)
    draft.refresh_from_db()
    assert draft.net_total == 640


def test_a_price_that_is_gone_is_told_on_the_draft(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    client.business.price_lists.get().prices.all().delete()
    assert "cannot be priced now" in get(office, "invoice-page", draft.pk)
    assert "cannot be priced now" in get(office, "invoice-reprice", draft.pk)


# Issued


def test_a_draft_is_issued_on_a_day(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    page = post(office, "invoice-issue", draft.pk, on="2026-03-04", due_on="")
    assert "Issued as 2026-000001" in page
    draft.refresh_from_db()
    assert draft.issued_by is not None


def test_a_refused_day_is_said_in_the_form(office: Browser, client: Client) -> None:
    draft = bills.a_draft(client)
    ahead = (make.TODAY + dt.timedelta(days=2)).isoformat()
    assert "The date lies ahead" in post(office, "invoice-issue", draft.pk, on=ahead)
    assert "cannot be due before" in post(office, "invoice-issue", draft.pk, on="2026-03-04", due_on="2026-03-01")


def test_what_is_issued_has_no_way_to_be_changed(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    for name in ("invoice-edit", "invoice-drop", "invoice-reprice", "invoice-issue"):
        answer = office.get(reverse(name, args=[invoice.pk]))
        assert answer.status_code == HTTPStatus.CONFLICT


def test_many_drafts_are_handed_to_a_worker(office: Browser, business: Business) -> None:
    drafts = [bills.a_draft(make.a_client(business, name=name)) for name in ("Alder", "Beck")]
    assert "€690.20" in get(office, "invoice-issue-many")
    page = post(office, "invoice-issue-many", invoices=[draft.pk for draft in drafts], on="2026-03-04", send="on")
    run = IssueRun.objects.get()
    assert (run.invoices.count(), run.send, run.asked_by is not None) == (2, True, True)
    assert "Issuing the drafts" in page


def test_many_drafts_need_at_least_one(office: Browser, client: Client) -> None:
    bills.a_draft(client)
    page = post(office, "invoice-issue-many", on="2026-03-04")
    assert "This field is required" in page
    assert not IssueRun.objects.exists()


def test_a_run_tells_what_came_of_it(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    draft = bills.a_draft(client)
    post(office, "invoice-issue-many", invoices=[draft.pk], on="2026-03-04")
    run = IssueRun.objects.get()
    assert run.job is not None
    failed = [{"invoice": draft.pk, "client": "Beck", "message": "There is no line on this draft."}]
    run.job.result = {
        "issued": [{"invoice": invoice.pk, "number": invoice.number, "client": "Alder"}],
        "failed": failed,
        "unsent": [],
    }
    run.job.state = "done"
    run.job.save()
    page = get(office, "issue-run-page", run.pk)
    assert "1 invoice is issued" in page
    assert "There is no line on this draft." in page


def test_the_pdf_opens_in_the_browser_and_of_a_draft_too(office: Browser, client: Client) -> None:
    for invoice in (bills.an_invoice(client), bills.a_draft(client)):
        answer = office.get(reverse("invoice-pdf", args=[invoice.pk]))
        assert answer["Content-Type"] == "application/pdf"
        assert answer["Content-Disposition"].startswith("inline; filename=")
        assert answer.content.startswith(b"%PDF")


def test_a_part_is_credited(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    line = invoice.lines.get()
    values = {"how": "parts", "reason": "Miscounted", f"quantity_{line.pk}": "3"}
    page = post(office, "invoice-credit", invoice.pk, **values)
    assert "A draft of the credit note is made" in page
    assert invoice.credit_notes.get().net_total == D("43.50")


def test_the_whole_is_credited(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    post(office, "invoice-credit", invoice.pk, how="whole", reason="Wrong farm")
    assert invoice.credit_notes.get().gross_total == invoice.gross_total


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"quantity": "41"}, "At most 40 is left"),
        ({"amount": "600"}, "At most 580.00 is left"),
        ({"quantity": "1", "amount": "1"}, "not both"),
        ({}, "Say how much of which line"),
    ],
)
def test_a_refused_credit_is_said_beside_the_line(
    office: Browser, client: Client, typed: dict[str, str], says: str
) -> None:
    invoice = bills.an_invoice(client)
    line = invoice.lines.get()
    values = {f"{name}_{line.pk}": value for name, value in typed.items()}
    assert says in post(office, "invoice-credit", invoice.pk, how="parts", reason="Miscounted", **values)
    assert not invoice.credit_notes.exists()


def test_an_invoice_is_sent(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    post(office, "invoice-send", invoice.pk, recipients="a@example.test\nb@example.test")
    assert "on its way" in get(office, "invoice-page", invoice.pk)
    bills.post_what_waits()
    assert [message.to for message in mail.outbox] == [["a@example.test"], ["b@example.test"]]
    assert "handed over" in get(office, "invoice-page", invoice.pk)


def test_a_wrong_address_is_said_in_the_form(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    assert "valid email address" in post(office, "invoice-send", invoice.pk, recipients="alder")


# Lists


def test_invoices_are_listed_and_narrowed(office: Browser, business: Business) -> None:
    alder, beck = (make.a_client(business, name=name) for name in ("Alder", "Beck"))
    bills.an_invoice(alder, on=dt.date(2026, 3, 2), due_on=dt.date(2026, 3, 3))
    bills.a_draft(beck)
    assert "2026-000001" in get(office, "invoice-list")
    assert "2026-000001" in get(office, "invoice-list", standing="overdue", client=alder.pk, first="2026-03-01")
    assert "2026-000001" not in get(office, "invoice-list", standing="draft")
    assert "No such invoice" in get(office, "invoice-list", client=alder.pk, last="2026-03-01")


def test_nonsense_in_a_filter_filters_nothing(office: Browser, client: Client) -> None:
    bills.an_invoice(client)
    assert "2026-000001" in get(office, "invoice-list", standing="x", client="9" * 30, first="soon", page="x")


def test_lists_take_few_queries(office: Browser, business: Business, django_assert_max_num_queries: Any) -> None:
    for number in range(6):
        client = make.a_client(business, name=f"Client {number}")
        bills.an_invoice(client)
        bills.a_draft(client)
        bills.a_done_visit(client)
    for name in ("invoice-list", "invoice-issue-many", "visits-to-bill", "payment-list", "balances", "price-lists"):
        with django_assert_max_num_queries(22):
            get(office, name)


def test_a_new_business_is_told_what_to_do_first(office: Browser) -> None:
    assert "Visits that are done become drafts" in get(office, "invoice-list")
    assert "Every visit is billed" in get(office, "visits-to-bill")
    assert "No drafts" in get(office, "invoice-issue-many")
    assert "No payments yet" in get(office, "payment-list")
    assert "Nothing is open" in get(office, "balances")
    assert "First, a tax category" in get(office, "price-lists")
    assert "ask your accountant" in get(office, "tax-categories")


# Money


def test_a_payment_is_recorded_for_a_client(office: Browser, client: Client) -> None:
    invoice = bills.an_invoice(client)
    assert "Client" in get(office, "payment-add")
    page = get(office, "payment-add", client=client.pk, invoice=invoice.pk)
    assert 'value="690.20"' in page
    address = reverse("payment-add") + f"?client={client.pk}"
    values = {"amount": "700", "received_on": "2026-03-04", "method": "cash", "named_invoices": [invoice.pk]}
    answer = office.post(address, values, follow=True)
    assert "Credit on account" in answer.content.decode()
    assert Payment.objects.get().recorded_by is not None


def test_a_refused_payment_is_said_in_the_form(office: Browser, client: Client) -> None:
    address = reverse("payment-add") + f"?client={client.pk}"
    answer = office.post(address, {"amount": "0.001", "received_on": "2026-03-04", "method": "cash"})
    assert "Give an amount above zero" in answer.content.decode()


def test_a_payment_is_withdrawn_for_a_reason(office: Browser, client: Client) -> None:
    payment = record_payment(client=client, received_on=make.TODAY, amount=D(10), method="cash", by=None, now=make.NOW)
    page = post(office, "payment-withdraw", payment.pk, reason="Other client")
    assert "Other client" in page
    assert "withdrawn already" in post(office, "payment-withdraw", payment.pk, reason="Again")
    assert "withdrawn" in get(office, "payment-list")


def test_credit_on_account_settles_what_is_open(office: Browser, client: Client) -> None:
    record_payment(client=client, received_on=make.TODAY, amount=D(100), method="cash", by=None, now=make.NOW)
    invoice = bills.an_invoice(client)
    assert "Use the credit of €100.00" in get(office, "invoice-page", invoice.pk)
    assert "The credit went to 2026-000001" in post(office, "client-use-credit", client.pk)


def test_balances_come_as_a_sheet_too(office: Browser, business: Business) -> None:
    bills.an_invoice(make.a_client(business, number="C1", name="=Alder"), due_on=make.TODAY)
    assert "€690.20" in get(office, "balances")
    rows = office.get(reverse("balance-sheet")).content.decode("utf-8-sig").splitlines()
    assert rows[0].startswith("Client number,Client,not yet due,1–30 days")
    assert rows[1].startswith("C1,'=Alder,")
    assert rows[1].endswith(",690.20,0,690.20,EUR")


def test_a_sheet_speaks_the_language_of_the_business() -> None:
    business = bills.a_trimming_business(language="de-AT")
    bills.an_invoice(make.a_client(business, number="C1", name="Alder"))
    browser = make.signed_in(make.a_member(business))
    rows = browser.get(reverse("balance-sheet")).content.decode("utf-8-sig").splitlines()
    assert rows[1].startswith("C1;Alder;")
    assert rows[1].endswith(";690,20;0;690,20;EUR")


def test_a_statement_is_shown_for_a_period(office: Browser, client: Client) -> None:
    bills.an_invoice(client)
    assert "Invoice 2026-000001" in get(office, "client-statement", client.pk, first="2026-03-01", last="2026-03-31")
    page = get(office, "client-statement", client.pk, first="2026-03-31", last="2026-03-01")
    assert "The last day lies before the first" in page


# Prices


def test_a_price_list_is_written_and_changed(office: Browser, business: Business) -> None:
    tax = bills.a_tax(business)
    values = {"name": "Prices", "valid_from": "2026-01-01", "amount_head_cow": "14.50", "tax_head_cow": tax.pk}
    assert "14.50" in post(office, "price-list-add", **values)
    row = PriceList.objects.get()
    page = post(office, "price-list-edit", row.pk, **(values | {"amount_head_cow": "15.125"}))
    assert "15.125" in page
    assert 'value="15.125"' in get(office, "price-list-edit", row.pk)


def test_a_new_list_starts_from_one_that_is_there(office: Browser, business: Business) -> None:
    row = bills.a_price_list(business)
    page = get(office, "price-list-add", like=row.pk)
    assert 'value="14.50"' in page
    assert 'value="Prices 2026"' not in page


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"name": "Taken"}, "is used already"),
        ({"valid_to": "2025-01-01"}, "lies before the first"),
        ({"tax_head_cow": ""}, "Choose its tax"),
        ({"amount_head_cow": "1000000"}, "below 1000000"),
    ],
)
def test_a_refused_list_keeps_what_was_typed(
    office: Browser, business: Business, changes: dict[str, str], says: str
) -> None:
    bills.a_price_list(business, name="Taken")
    tax = bills.a_tax(business)
    values = {"name": "Prices", "valid_from": "2026-01-01", "amount_head_cow": "14.50", "tax_head_cow": tax.pk}
    page = post(office, "price-list-add", **(values | changes))
    assert says in page
    assert PriceList.objects.count() == 1


def test_miles_are_asked_for_where_miles_are_driven(client: Client) -> None:
    business = bills.a_trimming_business(units="us")
    bills.a_tax(business)
    page = get(make.signed_in(make.a_member(business)), "price-list-add")
    assert "Travel, per mile" in page
    assert "Travel, per km" not in page


def test_a_list_is_dropped_after_asking(office: Browser, business: Business) -> None:
    row = bills.a_price_list(business)
    assert "made by mistake" in get(office, "price-list-drop", row.pk)
    post(office, "price-list-drop", row.pk)
    assert not PriceList.objects.exists()


def test_a_tax_category_is_written_changed_and_dropped(office: Browser, business: Business) -> None:
    post(office, "tax-category-add", name="VAT 20 %", code="S", rate="20")
    row = TaxCategory.objects.get()
    post(office, "tax-category-edit", row.pk, name="VAT 21 %", code="S", rate="21")
    row.refresh_from_db()
    assert (row.name, row.rate) == ("VAT 21 %", D(21))
    post(office, "tax-category-drop", row.pk)
    assert not TaxCategory.objects.exists()


def test_a_refused_tax_category_says_what_to_do(office: Browser, business: Business) -> None:
    page = post(office, "tax-category-add", name="Exempt", code="E", rate="0")
    assert "Ask your accountant for the wording" in page
    bills.a_price_list(business)
    assert "Prices use this tax category" in post(office, "tax-category-drop", TaxCategory.objects.get().pk)


def test_billing_settings_are_changed(office: Browser, business: Business) -> None:
    assert "a series of their own, CN-" in post(
        office, "billing-settings", credit_prefix="cn-", travel_counts="on", travel_share="head"
    )
    assert "Use at most ten letters" in post(office, "billing-settings", credit_prefix="Ä", travel_share="head")


# Who sees what


def test_a_farms_person_reads_its_own_issued_invoices(client: Client) -> None:
    neighbour = make.a_client(client.business, name="Beck Farm")
    own, draft, foreign = bills.an_invoice(client), bills.a_draft(client), bills.an_invoice(neighbour)
    browser = make.signed_in(make.a_farm_person(client))
    page = get(browser, "invoice-list")
    assert own.number in page  # type: ignore[operator]
    assert foreign.number not in page  # type: ignore[operator]
    assert "€690.20" in page
    assert "Credit this invoice" not in get(browser, "invoice-page", own.pk)
    assert "Invoice 2026-000001" in get(browser, "client-statement", client.pk)
    assert browser.get(reverse("invoice-pdf", args=[own.pk])).status_code == HTTPStatus.OK
    for name, key in (("invoice-page", draft.pk), ("invoice-page", foreign.pk), ("client-statement", neighbour.pk)):
        assert browser.get(reverse(name, args=[key])).status_code == HTTPStatus.NOT_FOUND


def test_a_farms_person_who_may_not_see_invoices_sees_none(client: Client) -> None:
    invoice = bills.an_invoice(client)
    browser = make.signed_in(make.a_farm_person(client, may_see_invoices=False))
    for address in (
        reverse("invoice-list"),
        reverse("invoice-page", args=[invoice.pk]),
        reverse("invoice-pdf", args=[invoice.pk]),
        reverse("client-statement", args=[client.pk]),
    ):
        assert browser.get(address).status_code == HTTPStatus.FORBIDDEN


@pytest.mark.parametrize("name", ["invoice-page", "invoice-pdf", "invoice-credit", "invoice-send"])
def test_a_stranger_finds_nothing(client: Client, name: str) -> None:
    invoice = bills.an_invoice(client)
    stranger = make.signed_in(make.a_member(bills.a_trimming_business(name="Stranger")))
    assert stranger.get(reverse(name, args=[invoice.pk])).status_code == HTTPStatus.NOT_FOUND


@pytest.mark.parametrize("name", ["invoice-list", "visits-to-bill", "payment-list", "price-lists", "balances"])
def test_trimmers_have_nothing_to_do_with_bills(business: Business, name: str) -> None:
    trimmer = make.signed_in(make.a_member(business, Role.TRIMMER))
    assert trimmer.get(reverse(name)).status_code == HTTPStatus.FORBIDDEN
