import datetime as dt
from collections.abc import Iterator
from decimal import Decimal as D
from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.urls import reverse
from rest_framework.test import APIClient

from billing.models import Invoice, IssueRun, Payment, PriceList, TaxCategory
from billing.services.credits import credit_invoice
from tests import make
from tests.billing import bills
from trimmer.access import Seat
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
def office(business: Business) -> APIClient:
    return caller(make.a_member(business, Role.OFFICE))


def caller(seat: Seat) -> APIClient:
    api = APIClient()
    api.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return api


def address(name: str, *args: Any) -> str:
    return reverse(f"api-{name}", args=args)


def said(answer: Any, status: HTTPStatus = HTTPStatus.OK) -> Any:
    assert answer.status_code == status, answer.content
    return answer.json()


def refused(answer: Any, code: str, status: HTTPStatus = HTTPStatus.CONFLICT) -> Any:
    body = said(answer, status)
    assert body["code"] == code
    assert body["message"]
    return body


# Prices


def test_tax_categories_are_kept(office: APIClient) -> None:
    values = {"name": "VAT 20 %", "code": "S", "rate": "20"}
    made = said(office.post(address("tax-category-list"), values), HTTPStatus.CREATED)
    kept = {"name": "VAT 20 %", "code": "S", "rate": "20.000", "exemption_reason": "", "sales_tax": ""}
    assert made == {"id": made["id"]} | kept
    changed = said(office.put(address("tax-category-detail", made["id"]), values | {"rate": "21"}))
    assert changed["rate"] == "21.000"
    assert office.delete(address("tax-category-detail", made["id"])).status_code == HTTPStatus.NO_CONTENT
    assert not TaxCategory.objects.exists()


def test_a_refused_tax_category_names_the_field(office: APIClient) -> None:
    answer = office.post(address("tax-category-list"), {"name": "Exempt", "code": "E"})
    body = refused(answer, "exemption_text_missing", HTTPStatus.BAD_REQUEST)
    assert list(body["fields"]) == ["exemption_reason"]


def test_price_lists_are_kept(office: APIClient, business: Business, client: Client) -> None:
    tax = bills.a_tax(business)
    price = {"article": "head_cow", "amount": "14.50", "tax_category": tax.pk}
    values = {"name": "Prices", "valid_from": "2026-01-01", "prices": [price]}
    made = said(office.post(address("price-list-list"), values), HTTPStatus.CREATED)
    assert made["prices"] == [
        {"article": "head_cow", "amount": "14.5000", "tax_category": tax.pk, "way": "flat", "bands": []}
    ]
    changed = said(office.put(address("price-list-detail", made["id"]), values | {"client": client.pk}))
    assert changed["client"] == client.pk
    assert len(said(office.get(address("price-list-list"), {"valid_on": "2025-12-31"}))["results"]) == 0
    assert office.delete(address("price-list-detail", made["id"])).status_code == HTTPStatus.NO_CONTENT
    assert not PriceList.objects.exists()


def test_a_price_takes_no_tax_of_another_business(office: APIClient) -> None:
    foreign = bills.a_tax(make.a_business(name="Stranger"))
    price = {"article": "head_cow", "amount": "14.50", "tax_category": foreign.pk}
    answer = office.post(address("price-list-list"), {"name": "Prices", "valid_from": "2026-01-01", "prices": [price]})
    body = refused(answer, "invalid_values", HTTPStatus.BAD_REQUEST)
    assert list(body["fields"]) == ["prices.0.tax_category"]


# From visit to invoice


def test_waiting_visits_are_listed_priced(office: APIClient, client: Client) -> None:
    bills.a_price_list(client.business)
    visit = bills.a_done_visit(client)
    bills.a_done_visit(client, head={HeadKind.BULL: 1})
    [first, second] = said(office.get(address("visit-to-bill-list"), {"client": client.pk}))["results"]
    assert (first["visit"], first["net"], first["ready"]) == (visit.pk, "580.00", True)
    assert first["charges"][0]["quantity"] == "40.0000"
    assert [caution["code"] for caution in first["cautions"]] == ["no_records"]
    assert [obstacle["code"] for obstacle in second["obstacles"]] == ["price_missing"]


def test_drafts_are_made_and_what_is_left_out_is_told(office: APIClient, client: Client) -> None:
    bills.a_price_list(client.business)
    good, bad = bills.a_done_visit(client), bills.a_done_visit(client, head={HeadKind.BULL: 1})
    body = said(office.post(address("invoice-list"), {"visits": [good.pk, bad.pk]}), HTTPStatus.CREATED)
    [draft] = body["drafts"]
    assert (draft["standing"], draft["gross_total"], draft["lines"][0]["net"]) == ("draft", "690.20", "580.00")
    assert draft["taxes"][0]["tax"] == "110.20"
    assert [(out["visit"], out["because"][0]["code"]) for out in body["left_out"]] == [(bad.pk, "price_missing")]


def test_the_same_write_twice_drafts_once(office: APIClient, client: Client) -> None:
    bills.a_price_list(client.business)
    bills.a_done_visit(client)
    first, second = (
        said(office.post(address("invoice-list"), {}, headers={"Idempotency-Key": "k1"}), HTTPStatus.CREATED)
        for _ in range(2)
    )
    assert first == second
    assert len(first["drafts"]) == 1


def test_a_draft_is_revised(office: APIClient, client: Client) -> None:
    draft = bills.a_draft(client)
    line = draft.lines.get()
    tax = bills.a_tax(client.business)
    lines = [
        {"line": line.pk, "name": line.name, "quantity": "39", "price": "14.50"},
        {"name": "Waiting", "quantity": "1", "unit": "HUR", "price": "40", "tax_category": tax.pk},
    ]
    body = said(office.patch(address("invoice-detail", draft.pk), {"note": "Thanks", "lines": lines}))
    assert (body["net_total"], body["note"], len(body["lines"])) == ("605.50", "Thanks", 2)
    answer = office.patch(address("invoice-detail", draft.pk), {"lines": [lines[0] | {"quantity": "0"}]})
    assert list(refused(answer, "line_refused", HTTPStatus.BAD_REQUEST)["fields"]) == ["lines.0.quantity"]


def test_a_draft_is_dropped(office: APIClient, client: Client) -> None:
    draft = bills.a_draft(client)
    assert office.delete(address("invoice-detail", draft.pk)).status_code == HTTPStatus.NO_CONTENT
    assert not Invoice.objects.exists()


def test_a_draft_is_priced_anew_as_it_was_looked_at(office: APIClient, client: Client) -> None:
    draft = bills.a_draft(client)
    client.business.price_lists.get().prices.filter(article="head_cow").update(amount=16)
    difference = said(office.get(address("invoice-repricing", draft.pk)))
    assert (difference["net_before"], difference["net_after"]) == ("580.00", "640.00")
    refused(office.post(address("invoice-reprice", draft.pk), {"seen": "other"}), "prices_moved")
    body = said(office.post(address("invoice-reprice", draft.pk), {"seen": difference["mark"]}))
    assert body["net_total"] == "640.00"


def test_a_draft_is_issued_once(office: APIClient, client: Client) -> None:
    draft = bills.a_draft(client)
    body = said(office.post(address("invoice-issue", draft.pk), {"on": "2026-03-04", "due_on": "2026-03-31"}))
    assert (body["number"], body["due_on"], body["reference"]) == ("2026-000001", "2026-03-31", "RF422026000001")
    refused(office.post(address("invoice-issue", draft.pk), {"on": "2026-03-04"}), "not_a_draft")


def test_an_issued_invoice_is_credited_in_part(office: APIClient, client: Client) -> None:
    invoice = bills.an_invoice(client)
    line = invoice.lines.get()
    part = {"line": line.pk, "quantity": "3"}
    body = said(
        office.post(address("invoice-credit", invoice.pk), {"reason": "Miscounted", "parts": [part]}),
        HTTPStatus.CREATED,
    )
    assert (body["kind"], body["state"], body["net_total"], body["credits"]) == ("381", "draft", "43.50", invoice.pk)
    refused(office.post(address("invoice-credit", invoice.pk), {"reason": "Again"}), "credit_draft_waits")


def test_a_credit_of_a_line_of_another_invoice_is_refused(office: APIClient, client: Client) -> None:
    invoice, other = bills.an_invoice(client), bills.an_invoice(client)
    part = {"line": other.lines.get().pk}
    answer = office.post(address("invoice-credit", invoice.pk), {"reason": "Miscounted", "parts": [part]})
    assert list(refused(answer, "credit_refused", HTTPStatus.BAD_REQUEST)["fields"]) == ["parts.0.line"]


def test_the_pdf_comes_as_bytes(office: APIClient, client: Client) -> None:
    for invoice in (bills.an_invoice(client), bills.a_draft(client)):
        answer = office.get(address("invoice-pdf", invoice.pk), headers={"Accept": "application/pdf"})
        assert answer["Content-Type"] == "application/pdf"
        assert answer.content.startswith(b"%PDF")


def test_an_invoice_is_sent(office: APIClient, client: Client) -> None:
    invoice = bills.an_invoice(client)
    [sent] = said(office.post(address("invoice-send", invoice.pk), {}))
    assert (sent["recipient"], sent["state"], sent["failed"]) == ("alder@example.test", "queued", True)
    bills.post_what_waits()
    assert len(mail.outbox) == 1
    refused(office.post(address("invoice-send", bills.a_draft(client).pk), {}), "not_issued_yet")


def test_drafts_are_issued_together(office: APIClient, client: Client) -> None:
    draft = bills.a_draft(client)
    body = said(
        office.post(address("issue-run-list"), {"invoices": [draft.pk], "on": "2026-03-04"}), HTTPStatus.CREATED
    )
    assert (body["state"], body["invoices"]) == ("waiting", [draft.pk])
    assert said(office.get(address("issue-run-detail", IssueRun.objects.get().pk)))["progress"] == 0


def test_invoices_are_narrowed_by_how_they_stand(office: APIClient, client: Client) -> None:
    bills.an_invoice(client, on=dt.date(2026, 3, 2), due_on=dt.date(2026, 3, 3))
    bills.a_draft(client)
    [row] = said(office.get(address("invoice-list"), {"standing": "overdue"}))["results"]
    assert (row["open_amount"], row["settled"], "lines" in row) == ("690.20", "0.00", False)


def test_a_list_of_invoices_takes_few_queries(
    office: APIClient, business: Business, django_assert_max_num_queries: Any
) -> None:
    for _ in range(5):
        bills.an_invoice(make.a_client(business))
    with django_assert_max_num_queries(10):
        said(office.get(address("invoice-list")))


# Money


def test_a_payment_is_recorded_and_withdrawn(office: APIClient, client: Client) -> None:
    invoice = bills.an_invoice(client)
    values = {
        "client": client.pk,
        "received_on": "2026-03-04",
        "amount": "700",
        "method": "transfer",
        "named_invoices": [invoice.pk],
    }
    body = said(office.post(address("payment-list"), values), HTTPStatus.CREATED)
    assert (body["amount"], body["allocations"][0]["amount"]) == ("700.00", "690.20")
    undone = said(office.post(address("payment-withdraw", body["id"]), {"reason": "Other client"}))
    assert (undone["withdrawn_reason"], undone["allocations"]) == ("Other client", [])
    answer = office.post(address("payment-withdraw", body["id"]), {"reason": "Again"})
    refused(answer, "payment_is_withdrawn")
    assert len(said(office.get(address("payment-list"), {"withdrawn": "true"}))["results"]) == 1
    assert said(office.get(address("payment-list"), {"withdrawn": "false"}))["results"] == []


def test_a_payment_names_no_invoice_of_another_business(office: APIClient, client: Client) -> None:
    foreign = bills.an_invoice(make.a_client(bills.a_trimming_business(name="Stranger")))
    values = {"client": client.pk, "received_on": "2026-03-04", "amount": "1", "method": "cash"}
    answer = office.post(address("payment-list"), values | {"named_invoices": [foreign.pk]})
    refused(answer, "invalid_values", HTTPStatus.BAD_REQUEST)
    assert not Payment.objects.exists()


def test_balances_are_told_by_age(office: APIClient, client: Client) -> None:
    bills.an_invoice(client)
    body = said(office.get(address("balances")))
    [row] = body["clients"]
    assert (row["client"], row["ageing"]["owed"], row["ageing"]["credit"]) == (client.pk, "690.20", "0.00")
    assert set(row["ageing"]["by_age"]) == {"current", "days_1_30", "days_31_60", "days_61_90", "over_90"}
    assert (body["total"]["balance"], body["currency"]) == ("690.20", "EUR")


def test_a_statement_is_told_for_a_period(office: APIClient, client: Client) -> None:
    invoice = bills.an_invoice(client)
    body = said(office.get(address("client-statement", client.pk), {"first": "2026-03-01", "last": "2026-03-31"}))
    assert [(line["invoice"], line["amount"]) for line in body["lines"]] == [(invoice.pk, "690.20")]
    answer = office.get(address("client-statement", client.pk), {"first": "soon"})
    refused(answer, "invalid_values", HTTPStatus.BAD_REQUEST)


def test_credit_on_account_is_used(office: APIClient, client: Client) -> None:
    invoice = bills.an_invoice(client)
    values = {"client": client.pk, "received_on": "2026-03-04", "amount": "690.20", "method": "cash"}
    said(office.post(address("payment-list"), values), HTTPStatus.CREATED)
    note = credit_invoice(invoice=invoice, reason="All", by=None, now=make.NOW)
    said(office.post(address("invoice-issue", note.pk), {"on": "2026-03-04"}))
    refused(office.post(address("client-use-credit", client.pk)), "no_credit")
    draft = bills.a_draft(client, head={HeadKind.COW: 10})
    said(office.post(address("invoice-issue", draft.pk), {"on": "2026-03-04"}))
    [used] = said(office.post(address("client-use-credit", client.pk)))
    assert (used["credit_note"], D(used["amount"])) == (note.pk, D("172.55"))


# Who may


def test_a_farms_person_reads_its_own_issued_invoices(client: Client) -> None:
    own, draft = bills.an_invoice(client), bills.a_draft(client)
    foreign = bills.an_invoice(make.a_client(client.business))
    api = caller(make.a_farm_person(client))
    assert [row["id"] for row in said(api.get(address("invoice-list")))["results"]] == [own.pk]
    assert said(api.get(address("balances")))["total"]["owed"] == "690.20"
    for invoice in (draft, foreign):
        refused(api.get(address("invoice-detail", invoice.pk)), "not_found", HTTPStatus.NOT_FOUND)
    refused(api.post(address("invoice-credit", own.pk), {}), "permission_denied", HTTPStatus.FORBIDDEN)


def test_a_farms_person_who_may_not_see_invoices_is_refused(client: Client) -> None:
    invoice = bills.an_invoice(client)
    api = caller(make.a_farm_person(client, may_see_invoices=False))
    for path in (
        address("invoice-list"),
        address("invoice-pdf", invoice.pk),
        address("balances"),
        address("client-statement", client.pk),
    ):
        refused(api.get(path), "permission_denied", HTTPStatus.FORBIDDEN)


def test_a_stranger_finds_nothing(client: Client) -> None:
    invoice = bills.an_invoice(client)
    api = caller(make.a_member(bills.a_trimming_business(name="Stranger")))
    for path in (address("invoice-detail", invoice.pk), address("client-statement", client.pk)):
        refused(api.get(path), "not_found", HTTPStatus.NOT_FOUND)
    assert said(api.get(address("invoice-list")))["results"] == []


def test_trimmers_have_nothing_to_do_with_bills(business: Business) -> None:
    api = caller(make.a_member(business, Role.TRIMMER))
    for name in ("invoice-list", "visit-to-bill-list", "payment-list", "price-list-list", "balances"):
        refused(api.get(address(name)), "permission_denied", HTTPStatus.FORBIDDEN)


# Nonsense


@pytest.mark.parametrize("name", ["invoice-list", "payment-list", "price-list-list", "visit-to-bill-list"])
def test_a_key_that_no_database_holds_is_refused(office: APIClient, name: str) -> None:
    refused(office.get(address(name), {"client": "9" * 40}), "invalid_values", HTTPStatus.BAD_REQUEST)


def test_a_part_that_is_nothing_is_refused(office: APIClient, client: Client) -> None:
    invoice = bills.an_invoice(client)
    for parts in ([None], [], [{"line": "x"}]):
        answer = office.post(address("invoice-credit", invoice.pk), {"reason": "x", "parts": parts})
        refused(answer, "invalid_values", HTTPStatus.BAD_REQUEST)
