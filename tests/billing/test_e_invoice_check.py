"""Our own check of an e-invoice, and the two syntaxes saying the same."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from billing.charges.totals import TaxGroup
from billing.documents.einvoice import EInvoice, printable
from billing.documents.einvoice_check import Fault, FaultKind, find_faults, is_vat_id
from billing.documents.einvoice_cii import read_cii, write_cii
from billing.documents.einvoice_ubl import read_ubl, write_ubl
from billing.documents.einvoice_xml import NotAnEInvoice
from tests.billing.made_invoices import made_invoices

pytestmark = pytest.mark.pure

D = Decimal
MADE = [invoice for invoice, _totals in made_invoices(60)]
PLAIN = next(one for one in MADE if (one.currency, one.kind) == ("EUR", "380") and one.due_on and one.taxes[0].tax > 1)


def kinds(invoice: EInvoice) -> list[tuple[FaultKind, str]]:
    return [(fault.kind, fault.where) for fault in find_faults(invoice)]


@pytest.mark.parametrize(("write", "read"), [(write_cii, read_cii), (write_ubl, read_ubl)])
def test_what_is_written_reads_back_equal(
    write: Callable[[EInvoice], bytes], read: Callable[[bytes], EInvoice]
) -> None:
    assert [read(write(one)) for one in MADE] == MADE


def test_the_same_invoice_gives_the_same_bytes() -> None:
    assert (write_cii(PLAIN), write_ubl(PLAIN)) == (write_cii(replace(PLAIN)), write_ubl(replace(PLAIN)))


def test_nothing_is_found_in_what_is_right() -> None:
    assert [find_faults(one) for one in MADE] == [()] * len(MADE)


def lined(**change: Any) -> Callable[[EInvoice], EInvoice]:
    return lambda one: replace(one, lines=(replace(one.lines[0], **change), *one.lines[1:]))


def summed(**change: Any) -> Callable[[EInvoice], EInvoice]:
    return lambda one: replace(one, sums=replace(one.sums, **change))


def sold(**change: Any) -> Callable[[EInvoice], EInvoice]:
    return lambda one: replace(one, seller=replace(one.seller, **change))


def bought(**change: Any) -> Callable[[EInvoice], EInvoice]:
    return lambda one: replace(one, buyer=replace(one.buyer, **change))


def paid(**change: Any) -> Callable[[EInvoice], EInvoice]:
    return lambda one: replace(one, payment=replace(one.payment, **change))  # type: ignore[type-var]


@pytest.mark.parametrize(
    ("spoil", "kind", "where"),
    [
        (lambda one: replace(one, number=""), FaultKind.MISSING, "number"),
        (lambda one: replace(one, kind="999"), FaultKind.MISSING, "kind"),
        (lambda one: replace(one, currency="EURO"), FaultKind.MISSING, "currency"),
        (lambda one: replace(one, currency="TND"), FaultKind.CURRENCY_TOO_FINE, "currency"),
        (lined(name=" "), FaultKind.MISSING, "lines.0.name"),
        (lined(unit=""), FaultKind.MISSING, "lines.0.unit"),
        (lined(price=D(-1)), FaultKind.NEGATIVE, "lines.0.price"),
        (lambda one: lined(net=one.lines[0].net + D("0.01"))(one), FaultKind.LINE_NET, "lines.0.net"),
        (lined(first=dt.date(2026, 3, 5), last=dt.date(2026, 3, 4)), FaultKind.PERIOD, "lines.0.period"),
        (lined(net=D("0.001")), FaultKind.TOO_MANY_DECIMALS, "lines.0.net"),
        (sold(name=""), FaultKind.MISSING, "seller.name"),
        (sold(city=""), FaultKind.MISSING, "seller.city"),
        (sold(country=""), FaultKind.MISSING, "seller.country"),
        (sold(country="AUT"), FaultKind.COUNTRY, "seller.country"),
        (sold(vat_id="12345675"), FaultKind.VAT_ID, "seller.vat_id"),
        (sold(vat_id="ATU12345674"), FaultKind.VAT_ID, "seller.vat_id"),
        (sold(vat_id="", register_number="", key="", tax_number="1"), FaultKind.MISSING, "seller.key"),
        (sold(scheme=""), FaultKind.ADDRESS, "seller.address"),
        (bought(address="no address", scheme="EM"), FaultKind.ADDRESS, "buyer.address"),
        (bought(name=""), FaultKind.MISSING, "buyer.name"),
        (bought(country=""), FaultKind.MISSING, "buyer.country"),
        (paid(account=""), FaultKind.ACCOUNT, "payment.account"),
        (paid(account="DE88370400440532013000"), FaultKind.ACCOUNT, "payment.account"),
        (paid(account="37040044"), FaultKind.ACCOUNT, "payment.account"),
        (paid(bic="COBADEFFXX"), FaultKind.BANK, "payment.bic"),
        (paid(reference="RF19539007547034"), FaultKind.REFERENCE, "payment.reference"),
        (lambda one: replace(one, due_on=None, terms=""), FaultKind.NO_DUE_DATE, "due_on"),
        (lambda one: replace(one, due_on=dt.date(2026, 3, 3)), FaultKind.DUE_TOO_EARLY, "due_on"),
        (lambda one: replace(one, kind="381", credits_number=""), FaultKind.CREDITED_MISSING, "credits_number"),
        (lambda one: summed(due=one.sums.due + D("0.01"))(one), FaultKind.SUM, "sums.due"),
        (lambda one: summed(tax_total=one.sums.tax_total - 1)(one), FaultKind.SUM, "sums.tax_total"),
        (lambda one: summed(line_net_total=one.sums.line_net_total + 1)(one), FaultKind.SUM, "sums.line_net_total"),
        (lambda one: replace(one, taxes=()), FaultKind.BASE, "taxes"),
        (lambda one: replace(one, taxes=(*one.taxes, one.taxes[0])), FaultKind.BASE, f"taxes.{len(PLAIN.taxes)}.base"),
        (lambda one: replace(one, first=dt.date(2026, 3, 5), last=dt.date(2026, 3, 4)), FaultKind.PERIOD, "period"),
        (lambda one: replace(one, deliver_country="Austria"), FaultKind.COUNTRY, "deliver_country"),
    ],
)
def test_what_is_wrong_is_found_where_it_is(spoil: Callable[[EInvoice], EInvoice], kind: FaultKind, where: str) -> None:
    assert (kind, where) in kinds(spoil(PLAIN))


def test_two_lines_of_one_key_are_found() -> None:
    twice = replace(PLAIN, lines=(PLAIN.lines[0], PLAIN.lines[0]))
    assert (FaultKind.KEY_TWICE, "lines") in kinds(twice)


def test_a_document_without_lines_is_found() -> None:
    assert (FaultKind.MISSING, "lines") in kinds(replace(PLAIN, lines=()))


def test_a_document_below_zero_is_found() -> None:
    assert (FaultKind.NEGATIVE, "sums.gross_total") in kinds(summed(gross_total=D(-1))(PLAIN))


def test_a_discount_that_is_not_its_percentage_and_has_no_reason_is_found() -> None:
    invoice = next(one for one in MADE if one.adjustments and one.adjustments[0].percent)
    changed = replace(invoice.adjustments[0], percent=D(50), reason="")
    found = kinds(replace(invoice, adjustments=(changed, *invoice.adjustments[1:])))
    assert (FaultKind.PERCENT, "adjustments.0.amount") in found
    assert (FaultKind.REASON_MISSING, "adjustments.0") in found


@pytest.mark.parametrize(
    ("category", "change"),
    [
        ("E", lambda one: replace(one, taxes=tuple(replace(tax, reason="") for tax in one.taxes))),
        ("AE", lambda one: replace(one, buyer=replace(one.buyer, vat_id=""))),
        ("O", lambda one: replace(one, seller=replace(one.seller, vat_id="ATU12345675"))),
        ("G", lambda one: replace(one, seller=replace(one.seller, vat_id=""))),
    ],
)
def test_what_a_category_demands_is_missed(category: str, change: Callable[[EInvoice], EInvoice]) -> None:
    invoice = next(one for one in MADE if {tax.category for tax in one.taxes} == {category})
    assert FaultKind.TAX_RULE in [fault.kind for fault in find_faults(change(invoice))]


def test_a_supply_across_a_border_says_where_and_when() -> None:
    invoice = next(one for one in MADE if {tax.category for tax in one.taxes} == {"K"})
    bare = replace(invoice, deliver_country="", delivered_on=None, first=None, last=None)
    assert kinds(bare) == [(FaultKind.MISSING, "deliver_country"), (FaultKind.MISSING, "delivered_on")]


def test_a_tax_worked_out_beforehand_is_the_one_that_must_stand() -> None:
    """The last credit of an invoice takes the remaining cent: right by the credit, a cent off by the rate."""
    tax = PLAIN.taxes[0]
    cent = D("0.01")
    sums = PLAIN.sums
    moved = replace(
        PLAIN,
        taxes=(replace(tax, tax=tax.tax + cent), *PLAIN.taxes[1:]),
        sums=replace(sums, tax_total=sums.tax_total + cent, gross_total=sums.gross_total + cent, due=sums.due + cent),
    )
    worked_out = [TaxGroup(one.category, one.rate, one.base, one.tax) for one in moved.taxes]
    assert find_faults(moved, taxes=worked_out) == ()
    assert find_faults(moved) == (Fault(FaultKind.TAX, "taxes.0.tax", str(tax.tax + cent), str(tax.tax)),)


@pytest.mark.parametrize(
    ("number", "right"),
    [
        ("ATU12345675", True),
        ("ATU12345674", False),
        ("DE136695976", True),
        ("GB980780684", True),
        ("GB802311781", False),
        ("EL094259216", True),
        ("CHE123456788", True),
        ("NO995525828MVA", True),
        ("136695976", False),
        ("AT", False),
    ],
)
def test_a_vat_id_has_the_letters_and_digits_of_its_country(number: str, right: bool) -> None:
    """Numbers from python-stdnum's documentation; of countries it does not know, only the letters are looked at."""
    assert is_vat_id(number) is right


def test_texts_are_made_fit_for_xml() -> None:
    assert printable(" a\x00b\r\nc\td\u0001\ud800 ") == "ab\nc d"


def test_no_float_gets_into_an_e_invoice() -> None:
    with pytest.raises(TypeError):
        lined(quantity=1.5)(PLAIN)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (b'format="102">20260304<', b'format="102">4 March<'),
        (b"DuePayableAmount", b"DuePayableAmounts"),
        (b"<ram:LineTotalAmount>", b"<ram:LineTotalAmount>x"),
        (b"<ram:LineTotalAmount>", b"<ram:LineTotalAmount>NaN</ram:LineTotalAmount><ram:LineTotalAmount>"),
    ],
)
def test_a_file_that_makes_no_sense_is_refused(old: bytes, new: bytes) -> None:
    content = write_cii(PLAIN)
    assert old in content
    with pytest.raises(NotAnEInvoice):
        read_cii(content.replace(old, new))


def test_ubl_that_is_something_else_is_refused() -> None:
    with pytest.raises(NotAnEInvoice):
        read_ubl(write_cii(PLAIN))
    with pytest.raises(NotAnEInvoice):
        read_ubl(write_ubl(PLAIN).replace(b"2026-03-04</cbc:IssueDate", b"soon</cbc:IssueDate"))
