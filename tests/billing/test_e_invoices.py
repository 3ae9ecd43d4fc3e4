"""E-invoices: made while a document is issued, frozen with it, refused in plain words, and written to a file."""

from __future__ import annotations

import hashlib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection, transaction

from billing.documents.einvoice_cii import read_cii
from billing.documents.einvoice_pdf import NotAHybrid, e_invoice_in
from billing.documents.einvoice_ubl import read_ubl
from billing.frozen_rows import lifted
from billing.models import BillingSettings, ClientBilling, Invoice, InvoiceState, InvoiceXml, Syntax
from billing.services.credits import LineCredit, credit_invoice
from billing.services.documents import DocumentIsDamaged, bytes_of, keep_document
from billing.services.einvoices import EInvoiceRefused, e_invoice_of, mends_of, worked_out, xml_of
from billing.services.issuing import SellerIncomplete, issue_invoice
from tests import make
from tests.billing import bills
from trimmer.models import Client

pytestmark = pytest.mark.django_db

D = Decimal


def a_client(**fields: Any) -> Client:
    """A client of a business in Austria that makes e-invoices."""
    business = bills.a_trimming_business(**({"country": "AT", "email": "office@hooves.example"} | fields))
    BillingSettings.objects.create(business=business, e_invoices=True)
    return make.a_client(business)


def issued(client: Client) -> Invoice:
    return bills.an_invoice(client)


def test_a_business_that_wants_none_is_not_bothered() -> None:
    client = make.a_client(bills.a_trimming_business(tax_id="not a number", country=""))
    with pytest.raises(SellerIncomplete):
        issued(client)
    assert mends_of(Invoice.objects.get()) == []


def test_an_issued_invoice_is_kept_in_both_syntaxes() -> None:
    invoice = issued(a_client())
    kept = {row.syntax: row for row in InvoiceXml.objects.of(invoice.business)}
    assert set(kept) == set(Syntax.values)
    for row in kept.values():
        assert hashlib.sha256(bytes(row.content)).hexdigest() == row.sha256
    assert kept["cii"].rules.startswith("Factur-X EN 16931 1.")
    assert kept["ubl"].rules.startswith("EN 16931 UBL 1.")


def test_both_say_what_the_invoice_says() -> None:
    invoice = issued(a_client())
    says = e_invoice_of(invoice)
    assert read_cii(xml_of(invoice=invoice, syntax=Syntax.CII)) == says
    assert read_ubl(xml_of(invoice=invoice, syntax=Syntax.UBL)) == says
    assert (says.sums.gross_total, says.number, says.due_on) == (D("690.20"), invoice.number, invoice.due_on)
    assert says.lines[0].unit == "HEA"


def test_a_credit_note_is_one_too_and_names_its_invoice() -> None:
    invoice = issued(a_client())
    note = credit_invoice(invoice=invoice, reason="Wrong herd", by=None, now=make.NOW)
    note = issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)
    for read, syntax in ((read_cii, Syntax.CII), (read_ubl, Syntax.UBL)):
        says = read(xml_of(invoice=note, syntax=syntax))
        assert (says.kind, says.credits_number, says.credits_date) == ("381", invoice.number, invoice.issued_on)
        assert (says.sums.gross_total, says.payment, says.due_on) == (D("690.20"), None, None)
        assert str(invoice.number) in says.terms
        assert says.notes == ("Wrong herd",)


def test_credits_of_the_last_cent_are_taken_as_they_were_worked_out() -> None:
    """68.33 at 19 % is 12.9827 twice: 12.98 each would leave a cent of 25.97, so the last credit takes 12.99."""
    client = a_client()
    bills.a_price_list(client.business, {"head_cow": "68.33"})
    invoice = bills.an_invoice(client, head={"cow": 2})
    assert invoice.tax_total == D("25.97")
    [line] = invoice.lines.all()
    taxes = []
    for _part in range(2):
        note = credit_invoice(
            invoice=invoice, parts=[LineCredit(line, quantity=D(1))], reason="Part", by=None, now=make.NOW
        )
        note = issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)
        taxes.append(read_cii(xml_of(invoice=note, syntax=Syntax.CII)).sums.tax_total)
    assert taxes == [D("12.98"), D("12.99")]
    assert [group.tax for note in invoice.credit_notes.order_by("pk") for group in worked_out(note)] == taxes


@pytest.mark.parametrize(
    ("fields", "field", "page"),
    [
        ({"iban": "DE89370400440532013001"}, "IBAN or account", "settings of the business"),
        ({"bic": "NOTABIC"}, "BIC or routing number", "settings of the business"),
        ({"tax_id": "12345675"}, "tax registration of your business", "settings of the business"),
        ({"tax_id": "ATU12345676"}, "tax registration of your business", "settings of the business"),
        ({"currency": "TND"}, "two decimals", "settings of e-invoices"),
    ],
)
def test_an_invoice_that_fails_is_refused_with_field_and_page(fields: dict[str, str], field: str, page: str) -> None:
    client = a_client(**fields)
    with pytest.raises(EInvoiceRefused) as refused:
        issued(client)
    assert field in str(refused.value)
    assert page in str(refused.value)
    draft = Invoice.objects.get()
    assert (draft.state, draft.number) == (InvoiceState.DRAFT, None)
    assert not InvoiceXml.objects.exists()
    assert [mend.text for mend in mends_of(draft)] == [str(refused.value)]


def test_what_is_wrong_with_a_client_is_mended_on_its_page() -> None:
    client = a_client()
    client.tax_id = "ATU00000000"
    client.save()
    ClientBilling.objects.create(client=client, e_address="0123", e_scheme="nonsense"[:4])
    draft = bills.a_draft(client)
    assert [(mend.page, mend.address, mend.key) for mend in mends_of(draft)] == [
        ("page of the client", "client-page", client.pk),
        ("bills of the client", "client-billing", client.pk),
    ]


def test_what_the_official_rules_say_is_told_by_its_rule() -> None:
    client = a_client()
    client.country = "ZZ"
    client.save()
    with pytest.raises(EInvoiceRefused, match="official rules"):
        issued(client)


def test_a_reference_and_an_address_go_with_the_client() -> None:
    client = a_client()
    ClientBilling.objects.create(
        client=client, buyer_reference="Barn 7", e_address="9915:test", e_scheme="9915", register_number="FN 1"
    )
    says = e_invoice_of(issued(client))
    assert (says.buyer_reference, says.buyer.address, says.buyer.scheme) == ("Barn 7", "9915:test", "9915")
    assert says.buyer.register_number == "FN 1"


@pytest.mark.parametrize(
    "change",
    [
        lambda row: InvoiceXml.objects.filter(pk=row.pk).update(content=b"<x/>"),
        lambda row: InvoiceXml.objects.filter(pk=row.pk)._raw_delete("default"),
        lambda row: InvoiceXml.objects.create(invoice=row.invoice, syntax="ubl", content=b"", made_at=make.NOW),
    ],
)
def test_the_database_keeps_it_as_it_is(change: Any) -> None:
    invoice = issued(a_client())
    row = InvoiceXml.objects.get(invoice=invoice, syntax="cii")
    with pytest.raises(DatabaseError), transaction.atomic():
        change(row)


def test_kept_bytes_that_are_damaged_are_not_handed_out() -> None:
    invoice = issued(a_client())
    with lifted(connection):
        InvoiceXml.objects.filter(invoice=invoice, syntax="cii").update(sha256="0" * 64)
    with pytest.raises(DocumentIsDamaged):
        xml_of(invoice=invoice, syntax=Syntax.CII)


@pytest.mark.parametrize("syntax", ["cii", "ubl"])
def test_the_command_writes_the_kept_bytes(tmp_path: Path, syntax: str) -> None:
    invoice = issued(a_client())
    out = tmp_path / "invoice.xml"
    call_command("export_einvoice", invoice.number, "--syntax", syntax, "--out", str(out))
    assert out.read_bytes() == bytes(InvoiceXml.objects.get(invoice=invoice, syntax=syntax).content)


def test_the_command_makes_what_was_not_kept_by_the_same_rules(tmp_path: Path) -> None:
    client = make.a_client(bills.a_trimming_business(country="AT"))
    invoice = issued(client)
    out = tmp_path / "invoice.xml"
    call_command("export_einvoice", invoice.number, "--syntax", "ubl", "--out", str(out))
    assert read_ubl(out.read_bytes()) == e_invoice_of(invoice)
    assert not InvoiceXml.objects.exists()


def test_the_command_says_what_keeps_it_from_writing(tmp_path: Path) -> None:
    invoice = issued(make.a_client(bills.a_trimming_business(iban="DE89370400440532013001")))
    with pytest.raises(CommandError, match="check digits do not fit"):
        call_command("export_einvoice", invoice.number, "--syntax", "cii", "--out", str(tmp_path / "x"))
    with pytest.raises(CommandError, match="nothing is issued"):
        call_command("export_einvoice", "2026-999999", "--out", str(tmp_path / "x"))
    with pytest.raises(CommandError, match="cannot be written"):
        call_command("export_einvoice", invoice.number, "--syntax", "pdf", "--out", str(tmp_path / "no" / "x"))


def test_two_businesses_with_one_number_are_told_apart(tmp_path: Path) -> None:
    first = issued(a_client())
    second = issued(make.a_client(bills.a_trimming_business(name="Other hooves", country="AT")))
    assert first.number == second.number
    out = tmp_path / "x"
    with pytest.raises(CommandError, match="--business"):
        call_command("export_einvoice", first.number, "--out", str(out))
    call_command("export_einvoice", first.number, "--out", str(out), "--business", str(second.business_id))
    assert read_cii(out.read_bytes()).seller.name == "Other hooves"


def test_the_page_carries_the_kept_e_invoice(tmp_path: Path) -> None:
    invoice = issued(a_client())
    pdf = bytes_of(keep_document(invoice=invoice, now=make.NOW))
    assert e_invoice_in(pdf) == xml_of(invoice=invoice, syntax=Syntax.CII)
    out = tmp_path / "invoice.pdf"
    call_command("export_einvoice", invoice.number, "--syntax", "pdf", "--out", str(out))
    assert out.read_bytes() == pdf


def test_the_page_of_a_business_without_e_invoices_carries_none() -> None:
    invoice = issued(make.a_client(bills.a_trimming_business()))
    with pytest.raises(NotAHybrid):
        e_invoice_in(bytes_of(keep_document(invoice=invoice, now=make.NOW)))
