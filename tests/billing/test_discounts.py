"""Discounts are allowances, on a line or under the lines; a unit price is never bent for them."""

from decimal import Decimal as D

import pytest
from django.db import DatabaseError, transaction
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.discounts import Discount, DiscountTooLarge, allowances_of, given_back
from billing.charges.totals import Adjustment, Line, TaxGroup, compute_totals, credit_totals
from billing.documents.einvoice_check import find_faults
from billing.documents.einvoice_rules import Syntax as RuleSyntax
from billing.documents.einvoice_rules import failures
from billing.models import Invoice, InvoiceAllowance, Syntax
from billing.services.amounts import DiscountExceedsLines
from billing.services.credits import LineCredit, credit_invoice, lines_left
from billing.services.documents import document_of
from billing.services.drafts import (
    DiscountRefused,
    DiscountValues,
    LineRefused,
    LineValues,
    draft_invoices,
    drop_draft,
    look_at_prices,
    reprice_draft,
    revise_draft,
)
from billing.services.einvoices import e_invoice_of, worked_out, written
from billing.services.issuing import issue_invoice
from tests import make
from tests.billing import bills
from trimmer.models import Business, Client


def line(quantity: str, price: str, rate: str = "19") -> Line:
    return Line(D(quantity), D(price), category="S" if D(rate) else "Z", rate=D(rate))


WORKED = [
    line("63", "14.50"),
    line("5", "8.00"),
    line("4", "17.25"),
    line("1", "60"),
    line("27.4", "0.85"),
    line("0.75", "48"),
]
"""Worked by hand at the top of billing/charges/totals.py: 1141.79 less 3 % (34.25) are 1107.54, with 19 % 1317.97."""


@pytest.mark.pure
def test_three_per_cent_of_the_worked_visit() -> None:
    [off] = allowances_of(WORKED, [Discount(percent=D(3))])
    assert (off.base, off.amount) == (D("1141.79"), D("34.25"))
    assert compute_totals(WORKED, [Adjustment(off.amount, False, "S", D(19))]).gross_total == D("1317.97")


@pytest.mark.pure
def test_the_worked_visit_with_blocks_at_another_rate() -> None:
    """Worked by hand, the blocks at 7 %: 33.05 of 1101.79 and 1.20 of 40.00; 19 % of 1068.74 are 203.06 and
    7 % of 38.80 are 2.72. An allowance is rounded in each tax: BG-20 asks for one amount a category and rate."""
    lines = [WORKED[0], line("5", "8.00", "7"), *WORKED[2:]]
    found = allowances_of(lines, [Discount(percent=D(3))])
    assert [(one.rate, one.base, one.amount) for one in found] == [
        (D(19), D("1101.79"), D("33.05")),
        (D(7), D("40.00"), D("1.20")),
    ]
    totals = compute_totals(lines, [Adjustment(one.amount, False, "S", one.rate) for one in found])
    assert (totals.net_total, totals.gross_total) == (D("1107.54"), D("1313.32"))


@pytest.mark.pure
def test_the_worked_visit_with_goods_at_another_rate_and_the_discount_off_the_work_alone() -> None:
    """Worked by hand: 69.00 of goods at 7 %, 3 % off the 1072.79 of work: 1109.61, tax 202.55, together 1312.16."""
    lines = [*WORKED[:2], line("4", "17.25", "7"), *WORKED[3:]]
    work = frozenset({0, 1, 3, 4, 5})
    [off] = allowances_of(lines, [Discount(percent=D(3), lines=work)])
    assert (off.base, off.amount) == (D("1072.79"), D("32.18"))
    totals = compute_totals(lines, [Adjustment(off.amount, False, "S", D(19))])
    assert (totals.net_total, totals.tax_total, totals.gross_total) == (D("1109.61"), D("202.55"), D("1312.16"))


@pytest.mark.pure
def test_an_amount_is_shared_out_by_tax_to_the_cent() -> None:
    lines = [line("1", "100", "19"), line("1", "50", "7"), line("1", "50", "0")]
    found = allowances_of(lines, [Discount(amount=D("10.01"))])
    assert [one.amount for one in found] == [D("5.01"), D("2.50"), D("2.50")]


@pytest.mark.pure
def test_more_than_there_is_cannot_be_taken_off() -> None:
    with pytest.raises(DiscountTooLarge) as refused:
        allowances_of([line("1", "10")], [Discount(percent=D(60)), Discount(amount=D(5))])
    assert (refused.value.discount, refused.value.most) == (1, D(4))


@pytest.mark.pure
@pytest.mark.parametrize(
    ("percent", "amount"), [(None, None), (D(1), D(1)), (D(0), None), (D(101), None), (None, D(0))]
)
def test_what_a_discount_cannot_be(percent: D | None, amount: D | None) -> None:
    with pytest.raises(ValueError, match=r"discount|percentage"):
        Discount(percent, amount)


CENTS = st.integers(1, 500_000).map(lambda cents: D(cents) / 100)
RATES = st.sampled_from(["19", "7", "0"])


@pytest.mark.pure
@given(st.lists(st.tuples(CENTS, RATES), min_size=1, max_size=6), st.data())
def test_the_parts_of_an_amount_are_the_amount(rows: list[tuple[D, str]], data: st.DataObject) -> None:
    lines = [line("1", str(price), rate) for price, rate in rows]
    whole = sum(price for price, _rate in rows)
    amount = data.draw(st.integers(1, int(whole * 100))) * D("0.01")
    found = allowances_of(lines, [Discount(amount=amount)])
    assert sum(one.amount for one in found) == amount
    assert all(one.amount <= one.base for one in found)


@pytest.mark.pure
@given(st.lists(CENTS, min_size=1, max_size=8), st.integers(1, 100_000), st.permutations(range(8)))
def test_credits_of_every_line_in_any_order_give_a_discount_back_to_the_cent(
    nets: list[D], thousandths: int, order: list[int]
) -> None:
    lines = [line("1", str(net)) for net in nets]
    found = allowances_of(lines, [Discount(percent=D(thousandths) / 1000)])
    if not found:
        return
    [off] = found
    credited = back = D(0)
    for place in (one for one in order if one < len(nets)):
        part = given_back(off.amount, off.base, credited=credited, now=nets[place], earlier=back)
        assert 0 <= part <= nets[place]
        credited, back = credited + nets[place], back + part
    assert back == off.amount


@pytest.mark.pure
@given(st.lists(CENTS, min_size=1, max_size=6), st.integers(1, 100_000))
def test_credit_then_invoice_again_is_neutral(nets: list[D], thousandths: int) -> None:
    lines = [line("1", str(net)) for net in nets]
    off = [
        Adjustment(one.amount, False, one.category, one.rate)
        for one in allowances_of(lines, [Discount(percent=D(thousandths) / 1000)])
    ]
    invoiced = compute_totals(lines, off)
    taken: list[TaxGroup] = []
    net = tax = D(0)
    whole = credit_totals(lines, off, invoiced=invoiced.tax_groups)
    assert (whole.net_total, whole.tax_total) == (invoiced.net_total, invoiced.tax_total)
    discount, base, credited, back = sum((one.amount for one in off), D(0)), sum(nets, D(0)), D(0), D(0)
    for one in lines:
        part = given_back(discount, base, credited=credited, now=one.net(), earlier=back)
        credited, back = credited + one.net(), back + part
        step = credit_totals([one], [Adjustment(part, False, "S", D(19))], invoiced=invoiced.tax_groups, earlier=taken)
        taken += step.tax_groups
        net, tax = net + step.net_total, tax + step.tax_total
    assert (net, tax) == (invoiced.net_total, invoiced.tax_total)
    assert compute_totals(lines, off) == invoiced


# What is stored


@pytest.fixture
def business(db: None) -> Business:
    return bills.a_trimming_business()


@pytest.fixture
def client(business: Business) -> Client:
    return make.a_client(business, city="Alderton", country="IE", tax_id="IE6388047V")


def discounts_of(invoice: Invoice) -> list[tuple[str, D | None, D]]:
    return list(invoice.allowances.order_by("pk").values_list("reason", "percent", "amount"))


def revised(draft: Invoice, *discounts: DiscountValues) -> Invoice:
    return revise_draft(invoice=draft, discounts=discounts)


def issued(draft: Invoice) -> Invoice:
    return issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)


def test_a_lists_discount_comes_onto_its_visits_alone(business: Business, client: Client) -> None:
    bills.a_price_list(business, discount_percent=D(3), discount_reason="Many cows")
    bills.a_done_visit(client)
    [draft] = draft_invoices(business=business, by=None, now=make.NOW).drafts
    [discount] = draft.discounts.all()
    assert (discount.reason, discount.source, len(discount.visits)) == ("Many cows", "Prices 2026", 1)
    assert discounts_of(draft) == [("Many cows", D(3), D("17.40"))]
    assert [row.price for row in draft.lines.all()] == [D("14.50")]
    assert (draft.net_total, draft.tax_total, draft.gross_total) == (D("562.60"), D("106.89"), D("669.49"))


def test_an_agreement_takes_a_lists_discount_back(business: Business, client: Client) -> None:
    bills.a_price_list(business, discount_percent=D(3), discount_reason="Many cows")
    bills.a_price_list(business, {"head_cow": "13"}, client=client, name="Alder Bank", discount_percent=D(0))
    assert discounts_of(bills.a_draft(client)) == []


def test_a_discount_by_hand_is_worked_out_and_frozen(client: Client) -> None:
    invoice = issued(revised(bills.a_draft(client), DiscountValues("Goodwill", amount=D("80.00"))))
    assert (invoice.net_total, invoice.gross_total) == (D("500.00"), D("595.00"))
    with pytest.raises(DatabaseError), transaction.atomic():
        invoice.allowances.update(amount=D(1))
    with pytest.raises(DatabaseError), transaction.atomic():
        invoice.discounts.update(reason="other")


def test_a_discount_follows_the_lines(client: Client) -> None:
    draft = revised(bills.a_draft(client), DiscountValues("Goodwill", percent=D(10)))
    [row] = draft.lines.all()
    revise_draft(invoice=draft, lines=[LineValues(row.name, D(20), row.price, line=row.pk)])
    assert discounts_of(draft) == [("Goodwill", D(10), D("29.00"))]


@pytest.mark.parametrize(
    ("values", "field"),
    [
        (DiscountValues("Why"), "percent"),
        (DiscountValues("Why", percent=D(5), amount=D(5)), "amount"),
        (DiscountValues("Why", percent=D(101)), "percent"),
        (DiscountValues("Why", amount=D("0.001")), "amount"),
        (DiscountValues(" ", percent=D(5)), "reason"),
        (DiscountValues("Why", percent=D(5), discount=999_999_999), "discount"),
    ],
)
def test_a_discount_that_cannot_be_taken(client: Client, values: DiscountValues, field: str) -> None:
    with pytest.raises(DiscountRefused) as refused:
        revised(bills.a_draft(client), values)
    assert list(refused.value.fields) == [f"discounts.0.{field}"]


def test_a_discount_beyond_the_lines_is_refused(client: Client) -> None:
    with pytest.raises(DiscountExceedsLines, match="Goodwill"):
        revised(bills.a_draft(client), DiscountValues("Goodwill", amount=D("580.01")))


def test_a_discount_on_a_line_leaves_its_price(client: Client) -> None:
    draft = bills.a_draft(client)
    [row] = draft.lines.all()
    off = LineValues(row.name, row.quantity, row.price, line=row.pk, percent=D(5), reason="Wet cows")
    revise_draft(invoice=draft, lines=[off])
    row.refresh_from_db()
    draft.refresh_from_db()
    assert (row.price, row.allowance, row.net, draft.net_total) == (D("14.50"), D("29.00"), D(551), D(551))


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"amount": D(600), "reason": "x"}, "amount"),
        ({"percent": D(5)}, "reason"),
        ({"percent": D(5), "reason": "x", "quantity": D(-1)}, "amount"),
    ],
)
def test_a_discount_on_a_line_that_cannot_be_taken(client: Client, changes: dict[str, D], field: str) -> None:
    draft = bills.a_draft(client)
    [row] = draft.lines.all()
    values = {"name": row.name, "quantity": row.quantity, "price": row.price, "line": row.pk} | changes
    with pytest.raises(LineRefused) as refused:
        revise_draft(invoice=draft, lines=[LineValues(**values)])  # type: ignore[arg-type]
    assert list(refused.value.fields) == [f"lines.0.{field}"]


def test_the_whole_credited_takes_every_discount_back(business: Business, client: Client) -> None:
    draft = revised(bills.a_draft(client), DiscountValues("Goodwill", percent=D("7.5")))
    [row] = draft.lines.all()
    revise_draft(
        invoice=draft, lines=[LineValues(row.name, D(41), row.price, line=row.pk, amount=D("3.33"), reason="Wet cows")]
    )
    invoice = issued(draft)
    note = issued(credit_invoice(invoice=invoice, reason="Wrong farm", by=None, now=make.NOW))
    for name in ("net_total", "tax_total", "gross_total"):
        assert getattr(note, name) == getattr(Invoice.objects.get(pk=invoice.pk), name)
    assert all(one.gone for one in lines_left(invoice))
    [again] = draft_invoices(business=business, by=None, now=make.NOW).drafts
    assert again.billed_visits.count() == 1


def test_credits_in_parts_give_the_discount_back_in_parts(client: Client) -> None:
    invoice = issued(revised(bills.a_draft(client, head={"cow": 3}), DiscountValues("Goodwill", percent=D(10))))
    [row] = invoice.lines.all()
    nets = []
    for _ in range(3):
        note = credit_invoice(
            invoice=invoice, parts=[LineCredit(row, quantity=D(1))], reason="One less", by=None, now=make.NOW
        )
        nets.append(issued(note).net_total)
    assert sum(nets) == invoice.net_total == D("39.15")
    assert InvoiceAllowance.objects.filter(credits__invoice=invoice).count() == 3


def test_a_dropped_draft_leaves_no_discount(client: Client) -> None:
    draft = revised(bills.a_draft(client), DiscountValues("Goodwill", percent=D(10)))
    drop_draft(invoice=draft)
    assert not InvoiceAllowance.objects.exists()


def test_pricing_anew_shows_a_lists_new_discount_and_keeps_one_by_hand(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    draft = revised(bills.a_draft(client), DiscountValues("Goodwill", amount=D(10)))
    same = look_at_prices(invoice=draft)
    assert (same.changes, same.discounts) == ((), ())
    business.price_lists.update(discount_percent=D(5), discount_reason="Spring")
    seen = look_at_prices(invoice=draft)
    assert [(one.reason, one.before, one.after) for one in seen.discounts] == [("Spring", None, D(5))]
    assert (seen.net_before, seen.net_after) == (D(570), D(541))
    reprice_draft(invoice=draft, seen=seen.mark)
    draft.refresh_from_db()
    assert draft.net_total == D(541)
    assert sorted(discounts_of(draft)) == [("Goodwill", None, D(10)), ("Spring", D(5), D(29))]


def test_the_page_says_what_is_taken_off(client: Client) -> None:
    draft = revised(bills.a_draft(client), DiscountValues("Goodwill", percent=D(10)))
    totals = document_of(draft, today=make.TODAY).totals
    assert totals.adjustments == (("Goodwill: 10% of 580.00 (taxed at 19%)", "-58.00"),)
    assert (totals.line_net, totals.net) == ("580.00", "522.00")


@pytest.mark.parametrize("syntax", list(Syntax))
def test_the_e_invoice_carries_discounts_and_our_check_and_the_official_rules_find_nothing(
    client: Client, syntax: Syntax
) -> None:
    draft = revised(
        bills.a_draft(client), DiscountValues("Goodwill", percent=D(10)), DiscountValues("Cash", amount=D(1))
    )
    [row] = draft.lines.all()
    revise_draft(
        invoice=draft, lines=[LineValues(row.name, row.quantity, row.price, line=row.pk, percent=D(5), reason="Wet")]
    )
    invoice = issued(draft)
    note = issued(
        credit_invoice(
            invoice=invoice,
            parts=[LineCredit(row, quantity=D(7))],
            reason="Seven less",
            by=None,
            now=make.NOW,
        )
    )
    for document in (invoice, note):
        seen = e_invoice_of(document)
        assert seen.sums.allowance_total > 0
        assert not find_faults(seen, taxes=worked_out(document))
        assert not failures(written(seen, syntax), RuleSyntax(syntax))
