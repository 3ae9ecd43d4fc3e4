"""Which invoice a line of the bank may settle, and how sure that is. The rules are common practice."""

import datetime as dt
from decimal import Decimal as D
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.bank.matching import EarlierPayment, Ground, OpenInvoice, Proposal, Sureness, propose, same_name
from billing.bank.statement import BankLine
from billing.documents.reference import rf_reference

pytestmark = pytest.mark.pure

DAY = dt.date(2026, 3, 4)


def a_line(amount: str = "100.00", **fields: Any) -> BankLine:
    return BankLine(account="IE29", booked_on=DAY, amount=D(amount), currency=fields.pop("currency", "EUR"), **fields)


def an_item(number: str = "2026-000123", amount: str = "100.00", **fields: Any) -> OpenInvoice:
    usual: dict[str, Any] = {
        "key": number,
        "client": "carrow",
        "client_name": "Carrow Dairy Ltd",
        "reference": rf_reference(number),
        "due": DAY,
        "currency": "EUR",
    }
    return OpenInvoice(number=number, amount=D(amount), **(usual | fields))


def proposed(line: BankLine, *items: OpenInvoice, earlier: tuple[EarlierPayment, ...] = ()) -> Proposal:
    return propose([("line", line)], items, earlier)["line"]


@pytest.mark.parametrize(
    "wrote", ["RF462026000123", "rf46 2026 0001 23", "Inv RF46 2026 000123 thanks", "RF46-2026-000123"]
)
def test_a_creditor_reference_with_the_exact_amount_is_sure(wrote: str) -> None:
    found = proposed(a_line(text=wrote), an_item(), an_item("2026-000124"))
    assert (found.sureness, found.ground, found.parts) == (
        Sureness.SURE,
        Ground.REFERENCE_AND_AMOUNT,
        (("2026-000123", D(100)),),
    )


def test_a_reference_with_a_wrong_digit_proves_nothing() -> None:
    assert proposed(a_line("55.00", text="RF472026000123"), an_item()).ground is Ground.NOTHING


def test_a_reference_with_another_amount_is_only_likely_and_the_rest_is_credit() -> None:
    found = proposed(a_line("130.00", references=("RF462026000123",)), an_item())
    assert (found.sureness, found.ground, found.parts) == (
        Sureness.LIKELY,
        Ground.REFERENCE,
        (("2026-000123", D(100)),),
    )


def test_two_references_whose_invoices_make_the_amount_are_sure() -> None:
    line = a_line("150.00", references=(rf_reference("2026-000123"), rf_reference("2026-000124")))
    found = proposed(line, an_item("2026-000124", "50.00"), an_item())
    assert found.sureness is Sureness.SURE
    assert sorted(found.parts) == [("2026-000123", D(100)), ("2026-000124", D(50))]


@pytest.mark.parametrize(
    ("wrote", "ground"),
    [
        ("invoice 2026-000123", Ground.NUMBER_AND_AMOUNT),
        ("2026/000123", Ground.NUMBER_AND_AMOUNT),
        ("2026000123.", Ground.NUMBER_AND_AMOUNT),
        ("12026-0001234", Ground.AMOUNT),
    ],
)
def test_a_number_counts_when_it_stands_by_itself(wrote: str, ground: Ground) -> None:
    assert proposed(a_line(text=wrote), an_item()).ground is ground


def test_a_name_with_the_amount_of_one_invoice_is_likely() -> None:
    found = proposed(a_line(payer="CARROW DAIRY"), an_item(), an_item("2026-000124", "60.00"))
    assert (found.sureness, found.ground, found.parts) == (
        Sureness.LIKELY,
        Ground.NAME_AND_AMOUNT,
        (("2026-000123", D(100)),),
    )


def test_a_name_with_the_sum_of_some_invoices_is_likely() -> None:
    found = proposed(a_line("160.00", payer="Carrow Dairy"), an_item(), an_item("2026-000124", "60.00"))
    assert (found.ground, len(found.parts)) == (Ground.NAME_AND_SUM, 2)


def test_two_invoices_of_the_same_amount_are_for_a_person() -> None:
    found = proposed(a_line(payer="Carrow Dairy"), an_item(), an_item("2026-000124"))
    assert (found.sureness, found.ground) == (Sureness.OPEN, Ground.NAME)


def test_an_account_paid_from_before_tells_the_client() -> None:
    item = an_item(accounts=frozenset({"IE64"}))
    assert proposed(a_line(payer="M. Keane", payer_account="IE64"), item).ground is Ground.ACCOUNT_AND_AMOUNT


def test_references_of_two_clients_are_for_a_person() -> None:
    line = a_line("200.00", references=(rf_reference("2026-000123"), rf_reference("2026-000124")))
    found = proposed(line, an_item(), an_item("2026-000124", client="lough", client_name="Lough Farm"))
    assert found.sureness is Sureness.OPEN


def test_money_in_another_currency_settles_nothing() -> None:
    assert proposed(a_line(currency="GBP", text="RF462026000123"), an_item()).ground is Ground.NOTHING


def test_one_invoice_is_not_proposed_for_two_lines() -> None:
    lines = [("by name", a_line(payer="Carrow Dairy")), ("by reference", a_line(text="RF462026000123"))]
    found = propose(lines, [an_item()])
    assert found["by reference"].sureness is Sureness.SURE
    assert found["by name"].parts == ()


def test_money_that_went_out_is_left_alone() -> None:
    assert proposed(a_line("-100.00", text="RF462026000123"), an_item()).ground is Ground.NOTHING


def test_a_returned_debit_finds_the_payment_it_takes_back() -> None:
    payments = tuple(
        EarlierPayment(key=key, amount=D(100), received_on=DAY, end_to_end=key) for key in ("E2E-8", "E2E-9")
    )
    found = proposed(a_line("-100.00", returned=True, end_to_end="E2E-9"), earlier=payments)
    assert (found.sureness, found.payment) == (Sureness.SURE, "E2E-9")


def test_a_return_that_fits_no_payment_is_for_a_person() -> None:
    found = proposed(
        a_line("-100.00", returned=True), earlier=(EarlierPayment(key="1", amount=D(90), received_on=DAY),)
    )
    assert (found.sureness, found.ground, found.payment) == (Sureness.OPEN, Ground.RETURNED, None)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("CARROW DAIRY LTD", "Carrow Dairy", True),
        ("Dairy Carrow", "Carrow Dairy Ltd", True),
        ("Carrow Dairy M. Keane", "Carrow Dairy", True),
        ("Carrow", "Carrow Dairy", False),
        ("Sørby Gård", "SORBY GARD", False),
        ("Müller & Söhne GmbH", "MULLER SOHNE", True),
        ("Ltd", "Co", False),
        ("", "Carrow", False),
    ],
)
def test_names_are_compared_by_their_words(one: str, other: str, same: bool) -> None:
    assert same_name(one, other) is same


CENTS = st.integers(1, 40_000).map(lambda cents: D(cents) / 100)


@given(st.lists(CENTS, min_size=1, max_size=6), CENTS, st.booleans())
def test_parts_never_exceed_the_line_or_what_is_open(amounts: list[D], paid: D, named: bool) -> None:
    items = [an_item(f"2026-{place:06}", str(amount)) for place, amount in enumerate(amounts)]
    line = a_line(str(paid), payer="Carrow Dairy", text=items[0].reference if named else "")
    found = proposed(line, *items)
    open_by = {item.key: item.amount for item in items}
    assert sum(part for _, part in found.parts) <= paid
    assert all(0 < part <= open_by[key] for key, part in found.parts)
    if found.sureness is Sureness.SURE:
        assert sum(part for _, part in found.parts) == paid
