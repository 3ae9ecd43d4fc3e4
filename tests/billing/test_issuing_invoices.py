import datetime as dt
from decimal import Decimal as D
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from pytest_django import DjangoCaptureOnCommitCallbacks

from billing.models import BilledVisit, Invoice, InvoiceFile, InvoiceSeries, Price
from billing.services import documents, issuing
from billing.services.documents import bytes_of, keep_document
from billing.services.drafts import LineValues, NotADraft, revise_draft
from billing.services.issuing import issue_invoice
from tests import make
from tests.billing import bills
from trimmer.models import Business, Client, Visit, VisitState

pytestmark = pytest.mark.django_db


@pytest.fixture
def business() -> Business:
    return bills.a_trimming_business()


@pytest.fixture
def client(business: Business) -> Client:
    return make.a_client(business, number="C7", name="Alder Bank Dairy", city="Untertal")


def issued(draft: Invoice, on: dt.date = make.TODAY, **more: Any) -> Invoice:
    return issue_invoice(invoice=draft, on=on, by=None, now=make.NOW, **more)


def test_an_issued_invoice_has_number_dates_and_reference(client: Client) -> None:
    invoice = issued(bills.a_draft(client))
    invoice.refresh_from_db()
    assert (invoice.state, invoice.number) == ("issued", "2026-000001")
    assert invoice.reference == "RF422026000001"
    assert (invoice.issued_on, invoice.due_on) == (make.TODAY, dt.date(2026, 3, 18))
    assert (invoice.issued_at, invoice.gross_total) == (make.NOW, D("690.20"))


def test_it_keeps_a_copy_of_who_sold_to_whom(business: Business, client: Client) -> None:
    invoice = issued(bills.a_draft(client))
    Business.objects.update(name="Renamed")
    Client.objects.update(name="Renamed", city="Moved")
    invoice.refresh_from_db()
    assert (invoice.seller["name"], invoice.seller["iban"]) == ("Hollin Hoof Care", bills.SOUND["iban"])
    assert (invoice.buyer["name"], invoice.buyer["number"], invoice.buyer["address"]) == (
        "Alder Bank Dairy",
        "C7",
        ["Untertal"],
    )


def test_the_client_may_have_its_own_days_to_pay_and_the_office_its_own_day(client: Client) -> None:
    client.payment_days = 0
    client.save()
    assert issued(bills.a_draft(client)).due_on == make.TODAY
    assert issued(bills.a_draft(client), due_on=dt.date(2026, 4, 1)).due_on == dt.date(2026, 4, 1)


def test_issuing_locks_the_records_of_its_visits(client: Client) -> None:
    draft = bills.a_draft(client)
    issued(draft)
    assert Visit.objects.get().locked_at == make.NOW


def test_numbers_follow_one_another_in_each_year_and_prefix(business: Business, client: Client) -> None:
    last_year = dt.date(2025, 12, 30)
    numbers = [issued(bills.a_draft(client), on=day).number for day in (last_year, make.TODAY, make.TODAY)]
    business.invoice_prefix = "H-"
    business.save()
    client.refresh_from_db()
    numbers.append(issued(bills.a_draft(client)).number)
    assert numbers == ["2025-000001", "2026-000001", "2026-000002", "H-2026-000001"]


def test_two_businesses_count_each_for_itself(client: Client) -> None:
    other = make.a_client(bills.a_trimming_business(name="Stranger"))
    assert issued(bills.a_draft(client)).number == issued(bills.a_draft(other)).number


def test_what_fails_on_the_way_leaves_no_gap(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    draft = bills.a_draft(client)
    with monkeypatch.context() as patched:
        patched.setattr(issuing, "rf_reference", lambda _number: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            issued(draft)
    draft.refresh_from_db()
    assert (draft.state, draft.lines.count(), Visit.objects.get().locked_at) == ("draft", 1, None)
    assert issued(draft).number == "2026-000001"


def test_letters_no_reference_knows_leave_the_number_to_pay_by(business: Business, client: Client) -> None:
    Business.objects.update(invoice_prefix="Ö-")
    client.refresh_from_db()
    invoice = issued(bills.a_draft(client))
    assert (invoice.number, invoice.reference) == ("Ö-2026-000001", "")


def test_a_draft_is_issued_once(client: Client) -> None:
    draft = bills.a_draft(client)
    issued(draft)
    with pytest.raises(NotADraft):
        issued(draft)
    assert InvoiceSeries.objects.get().last == 1


def test_a_draft_without_lines_is_refused(client: Client) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, lines=[])
    with pytest.raises(issuing.NothingOnIt):
        issued(draft)


def test_a_total_below_zero_is_refused(client: Client) -> None:
    draft = bills.a_draft(client)
    off = LineValues("Off", D(-1), D(600), unit="LS", tax_category=bills.a_tax(client.business))
    revise_draft(invoice=draft, lines=[off])
    with pytest.raises(issuing.TotalIsNegative):
        issued(draft)


@pytest.mark.parametrize("field", ["name", "city", "country"])
def test_a_seller_without_name_or_address_is_refused(business: Business, client: Client, field: str) -> None:
    draft = bills.a_draft(client)
    Business.objects.update(**{field: ""})
    with pytest.raises(issuing.SellerIncomplete):
        issued(draft)


def test_a_day_ahead_is_refused(client: Client) -> None:
    with pytest.raises(issuing.DateIsAhead) as refused:
        issued(bills.a_draft(client), on=make.TODAY + dt.timedelta(days=1))
    assert "on" in refused.value.fields


def test_the_day_is_that_of_the_business(client: Client) -> None:
    Business.objects.update(time_zone="Pacific/Auckland")
    client.refresh_from_db()
    late = dt.datetime(2026, 3, 4, 20, 0, tzinfo=dt.UTC)
    invoice = issue_invoice(invoice=bills.a_draft(client), on=dt.date(2026, 3, 5), by=None, now=late)
    assert invoice.issued_on == dt.date(2026, 3, 5)


def test_numbers_follow_the_dates(client: Client) -> None:
    issued(bills.a_draft(client))
    with pytest.raises(issuing.DateBeforeTheLast) as refused:
        issued(bills.a_draft(client), on=make.TODAY - dt.timedelta(days=1))
    assert "4 Mar 2026" in str(refused.value)
    assert InvoiceSeries.objects.get().last == 1


def test_due_before_issued_is_refused(client: Client) -> None:
    with pytest.raises(issuing.DueBeforeIssued):
        issued(bills.a_draft(client), due_on=dt.date(2026, 3, 3))


def test_a_visit_that_was_taken_up_again_is_refused(client: Client) -> None:
    draft = bills.a_draft(client)
    Visit.objects.update(state=VisitState.UNDER_WAY)
    with pytest.raises(issuing.VisitWasTakenUpAgain):
        issued(draft)
    assert InvoiceSeries.objects.filter(last__gt=0).count() == 0


@pytest.mark.parametrize(
    ("business_fields", "client_fields", "tax", "says"),
    [
        ({"tax_id": ""}, {}, {"code": "S", "rate": D(19)}, "Your tax registration"),
        ({}, {}, {"code": "AE", "rate": D(0), "exemption_reason": "x"}, "Reverse charge needs"),
        ({}, {}, {"code": "O", "rate": D(0), "exemption_reason": "x"}, "no tax registration may stand"),
    ],
)
def test_tax_that_does_not_hold_together_is_refused_in_sentences(
    business_fields: dict[str, str], client_fields: dict[str, str], tax: dict[str, Any], says: str
) -> None:
    business = bills.a_trimming_business(**business_fields)
    client = make.a_client(business, **client_fields)
    bills.a_price_list(business, tax=bills.a_tax(business, name="Tax", **tax))
    with pytest.raises(issuing.TaxRulesBroken) as refused:
        issued(bills.a_draft(client))
    assert says in str(refused.value)


def test_every_problem_of_tax_has_its_sentence() -> None:
    from billing.charges.totals import TaxProblem

    assert all(issuing.tax_sentences(TaxProblem))
    assert len(set(issuing.tax_sentences(TaxProblem))) == len(TaxProblem)


def test_reverse_charge_to_a_registered_farm_is_issued_without_tax() -> None:
    business = bills.a_trimming_business()
    client = make.a_client(business, tax_id="DE136695976")
    tax = bills.a_tax(business, name="Reverse charge", code="AE", rate=D(0), exemption_reason="Reverse charge")
    bills.a_price_list(business, tax=tax)
    invoice = issued(bills.a_draft(client))
    group = invoice.taxes.get()
    assert (group.code, group.base, group.tax, group.exemption_reason) == ("AE", D(580), D(0), "Reverse charge")


# What is issued stays


def frozen(invoice: Invoice) -> list[Any]:
    line, tax = invoice.lines.get(), invoice.taxes.get()
    kept = keep_document(invoice=invoice, now=make.NOW)
    return [
        lambda: Invoice.objects.filter(pk=invoice.pk).update(note="Changed"),
        lambda: Invoice.objects.filter(pk=invoice.pk).update(state="draft"),
        lambda: Invoice.objects.filter(pk=invoice.pk)._raw_delete(connection.alias),
        lambda: line.invoice.lines.update(name="Changed"),
        lambda: line.invoice.lines.all().delete(),
        lambda: line.invoice.lines.create(
            position=9, name="More", quantity=1, unit="C62", price=1, net=1, tax_code="S", tax_rate=19
        ),
        lambda: type(tax).objects.update(tax=0),
        lambda: type(tax).objects.all().delete(),
        lambda: InvoiceFile.objects.filter(pk=kept.pk).update(sha256="0" * 64),
        lambda: InvoiceFile.objects.filter(pk=kept.pk).delete(),
        lambda: invoice.billed_visits.all().delete(),
        lambda: invoice.billed_visits.update(invoice=bills.a_draft(invoice.client)),
        lambda: invoice.billed_visits.update(released_at=make.NOW, visit=bills.a_done_visit(invoice.client)),
        lambda: BilledVisit.objects.create(invoice=invoice, visit=bills.a_done_visit(invoice.client)),
        lambda: InvoiceSeries.objects.all().delete(),
    ]


def test_the_database_refuses_to_change_or_drop_what_is_issued(client: Client) -> None:
    invoice = bills.an_invoice(client)
    for change in frozen(invoice):
        with pytest.raises(IntegrityError), transaction.atomic():
            change()
    invoice.refresh_from_db()
    assert (invoice.note, invoice.lines.get().net) == ("", D(580))


def test_the_database_moves_a_line_neither_off_nor_onto_an_issued_invoice(client: Client) -> None:
    invoice, draft = bills.an_invoice(client), bills.a_draft(client)
    with pytest.raises(IntegrityError), transaction.atomic():
        invoice.lines.update(invoice=draft, position=5)
    with pytest.raises(IntegrityError), transaction.atomic():
        draft.lines.update(invoice=invoice, position=5)


def test_a_draft_has_no_file(client: Client) -> None:
    draft = bills.a_draft(client)
    with pytest.raises(IntegrityError), transaction.atomic():
        InvoiceFile.objects.create(invoice=draft, pdf=b"", sha256="", made_at=make.NOW)


def test_a_counter_only_goes_up(client: Client) -> None:
    bills.an_invoice(client)
    with pytest.raises(IntegrityError), transaction.atomic():
        InvoiceSeries.objects.update(last=0)


def test_a_draft_may_be_changed_and_dropped(client: Client) -> None:
    draft = bills.a_draft(client)
    assert Invoice.objects.filter(pk=draft.pk).update(note="Changed") == 1
    assert draft.lines.update(name="Changed") == 1


PAST_ROW_TRIGGERS = {"postgresql": "TRUNCATE {} CASCADE", "sqlite": "INSERT OR REPLACE INTO {0} SELECT * FROM {0}"}


@pytest.mark.parametrize(
    "table", ["invoice", "invoiceline", "invoicetax", "invoicefile", "billedvisit", "invoiceseries"]
)
def test_what_slips_past_row_triggers_is_refused_too(client: Client, table: str) -> None:
    keep_document(invoice=bills.an_invoice(client), now=make.NOW)
    connection.check_constraints()
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(PAST_ROW_TRIGGERS[connection.vendor].format(f"billing_{table}"))


def test_a_row_moved_onto_anothers_key_takes_nothing_issued_out_of_the_way(client: Client) -> None:
    invoice, draft = bills.an_invoice(client), bills.a_draft(client)
    if connection.vendor != "sqlite":
        pytest.skip("only SQLite knows INSERT OR REPLACE")
    columns = "position, name, quantity, unit, price, net, tax_code, tax_name, tax_rate, exemption_reason, source"
    extra = "farm_name, article, credits_id, visit_id, visit_date"
    taking = (
        f"INSERT OR REPLACE INTO billing_invoiceline (id, invoice_id, {columns}, {extra}) "
        f"SELECT %s, %s, {columns}, {extra} FROM billing_invoiceline WHERE invoice_id = %s"
    )
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(taking, [invoice.lines.get().pk, draft.pk, invoice.pk])


def test_a_billed_visit_is_released_once(client: Client) -> None:
    invoice = bills.an_invoice(client)
    assert invoice.billed_visits.update(released_at=make.NOW) == 1
    with pytest.raises(IntegrityError), transaction.atomic():
        invoice.billed_visits.update(released_at=None)


# The document


def test_the_file_is_made_once_the_invoice_is_through(
    client: Client, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        invoice = bills.an_invoice(client)
    kept = InvoiceFile.objects.get()
    assert kept.invoice == invoice
    assert bytes_of(kept).startswith(b"%PDF")


def test_a_missing_file_is_made_at_the_first_call_and_kept(client: Client) -> None:
    invoice = bills.an_invoice(client)
    first = keep_document(invoice=invoice, now=make.NOW)
    Business.objects.update(name="Renamed")
    second = keep_document(invoice=Invoice.objects.get(), now=make.NOW)
    assert first == second
    assert bytes_of(first) == bytes_of(second)


def test_whoever_comes_second_gets_the_first_file(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    invoice = bills.an_invoice(client)
    rendered = documents._rendered

    def meanwhile_another_did(*args: Any) -> bytes:
        monkeypatch.setattr(documents, "_rendered", rendered)
        keep_document(invoice=invoice, now=make.NOW)
        return b"%PDF-late"

    monkeypatch.setattr(documents, "_rendered", meanwhile_another_did)
    assert bytes_of(keep_document(invoice=invoice, now=make.NOW)) != b"%PDF-late"
    assert InvoiceFile.objects.count() == 1


def test_a_damaged_file_is_not_handed_out(client: Client) -> None:
    kept = keep_document(invoice=bills.an_invoice(client), now=make.NOW)
    kept.pdf = b"%PDF-other"
    with pytest.raises(documents.DocumentIsDamaged):
        bytes_of(kept)


def test_the_document_says_what_the_invoice_says(client: Client) -> None:
    invoice = bills.an_invoice(client)
    document = documents.document_of(invoice, today=make.TODAY)
    [group] = document.groups
    [line] = group.lines
    assert (document.number, document.issue_date, document.due_date) == ("2026-000001", "4 Mar 2026", "18 Mar 2026")
    assert (group.date, line.description, line.quantity, line.unit) == ("Wed, 4 Mar 2026", "Cow trimmed", "40", "head")
    assert (line.price, line.net, document.totals.gross) == ("14.50", "580.00", "690.20")
    assert [(tax.label, tax.base, tax.tax) for tax in document.taxes] == [("VAT 19 %", "580.00", "110.20")]
    assert (document.payment.reference, document.payment.iban) == ("RF42 2026 0000 01", "DE89 3704 0044 0532 0130 00")
    assert document.payment.code.startswith("<svg")


def test_the_document_is_made_of_copies_alone(client: Client) -> None:
    invoice = bills.an_invoice(client)
    before = documents.document_of(invoice, today=make.TODAY)
    Business.objects.update(name="Renamed", language="de-AT", iban="")
    Client.objects.update(name="Renamed")
    Price.objects.all().delete()
    assert documents.document_of(Invoice.objects.get(), today=make.TODAY) == before


def test_without_an_iban_or_euros_there_is_no_payment_code() -> None:
    dollars = bills.a_trimming_business(currency="USD")
    no_account = bills.a_trimming_business(iban="")
    for business in (dollars, no_account):
        invoice = bills.an_invoice(make.a_client(business))
        assert documents.document_of(invoice, today=make.TODAY).payment.code == ""


def test_an_account_number_that_is_no_iban_is_printed_as_it_is() -> None:
    business = bills.a_trimming_business(currency="USD", iban="1234567890")
    invoice = bills.an_invoice(make.a_client(business))
    assert documents.document_of(invoice, today=make.TODAY).payment.iban == "1234567890"


def test_a_draft_is_shown_as_one_and_nothing_is_kept(client: Client) -> None:
    draft = bills.a_draft(client)
    assert documents.document_of(draft, today=make.TODAY).draft
    assert documents.preview_document(invoice=draft, today=make.TODAY).startswith(b"%PDF")
    assert not InvoiceFile.objects.exists()


@pytest.mark.parametrize(
    ("name", "rate", "label"),
    [("VAT", "19", "VAT, 19%"), ("VAT 19%", "19", "VAT 19%"), ("", "19", "19%"), ("GST", "9.975", "GST, 9.975%")],
)
def test_a_tax_is_called_by_name_and_rate(name: str, rate: str, label: str) -> None:
    assert documents.tax_label(name, D(rate), "en-GB") == label


@pytest.mark.parametrize(("currency", "net"), [("JPY", "1160"), ("KWD", "1160.000"), ("EUR", "1160.00")])
def test_amounts_have_the_decimals_of_their_currency(currency: str, net: str) -> None:
    business = bills.a_trimming_business(currency=currency, language="en")
    bills.a_price_list(business, {"head_cow": "29"})
    invoice = bills.an_invoice(make.a_client(business))
    assert documents.document_of(invoice, today=make.TODAY).totals.net.replace(",", "") == net
