from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.share import shared_out
from billing.charges.totals import (
    Adjustment,
    CreditTooLarge,
    Line,
    TaxCategory,
    TaxGroup,
    TaxProblem,
    TaxUse,
    Totals,
    check_tax_rules,
    compute_totals,
    credit_totals,
    part_of,
    rounded,
)

pytestmark = pytest.mark.pure

D = Decimal

cents = st.decimals(min_value=-100_000, max_value=100_000, places=2)
taxes = st.sampled_from(
    [("S", D(19)), ("S", D(7)), ("S", D("9.975")), ("Z", D(0)), ("E", D(0)), ("AE", D(0)), ("B", D(22))]
)


@st.composite
def lines(draw: st.DrawFn) -> Line:
    category, rate = draw(taxes)
    return Line(
        draw(st.decimals(min_value=-500, max_value=2000, places=3)),
        draw(st.decimals(min_value=0, max_value=500, places=4)),
        draw(st.sampled_from([D(1), D(3), D(12), D(100)])),
        tuple(draw(st.lists(cents, max_size=2))),
        tuple(draw(st.lists(cents, max_size=2))),
        category=category,
        rate=rate,
    )


@st.composite
def adjustments(draw: st.DrawFn) -> Adjustment:
    category, rate = draw(taxes)
    return Adjustment(draw(cents), draw(st.booleans()), category, rate)


def line(quantity: str, price: str, category: str = "S", rate: str = "19", **more: object) -> Line:
    return Line(D(quantity), D(price), category=category, rate=D(rate), **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("amount", "places", "expected"),
    [
        ("0.125", 2, "0.13"),
        ("10.005", 2, "10.01"),
        ("-0.125", 2, "-0.13"),
        ("-0.001", 2, "0.00"),
        ("0.5", 0, "1"),
        ("1.0005", 3, "1.001"),
        ("12345678901234567890123456789.005", 2, "12345678901234567890123456789.01"),
    ],
)
def test_a_half_goes_away_from_zero(amount: str, places: int, expected: str) -> None:
    assert str(rounded(D(amount), places)) == expected


@pytest.mark.parametrize("wrong", [1.5, True, "1.50", None])
def test_money_that_is_not_a_decimal_is_refused(wrong: object) -> None:
    with pytest.raises(TypeError):
        rounded(wrong)  # type: ignore[arg-type]


@pytest.mark.parametrize("wrong", ["NaN", "Infinity"])
def test_money_that_is_no_number_is_refused(wrong: str) -> None:
    with pytest.raises(ValueError, match="finite"):
        rounded(D(wrong))


@pytest.mark.parametrize("field", ["quantity", "price", "base_quantity", "rate"])
def test_a_line_takes_no_float(field: str) -> None:
    with pytest.raises(TypeError):
        replace(line("1", "1"), **{field: 1.0})  # type: ignore[arg-type]


def test_an_allowance_takes_no_float() -> None:
    with pytest.raises(TypeError):
        line("1", "1", allowances=(0.1,))


def test_whole_numbers_become_decimals() -> None:
    made = Line(2, 3, category="S", rate=19)  # type: ignore[arg-type]
    assert isinstance(made.quantity, D)
    assert made.net() == D("6.00")


def test_a_correction_has_a_negative_quantity_not_a_negative_price() -> None:
    assert line("-2", "14.50").net() == D("-29.00")
    with pytest.raises(ValueError, match="price"):
        line("2", "-14.50")


def test_a_base_quantity_of_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="base quantity"):
        line("1", "1", base_quantity=D(0))


@pytest.mark.parametrize(
    ("category", "rate"), [("S", "0"), ("Z", "5"), ("E", "19"), ("O", "1"), ("S", "-1"), ("X", "1")]
)
def test_a_rate_that_does_not_go_with_its_category_is_refused(category: str, rate: str) -> None:
    with pytest.raises(ValueError, match=r"rate|TaxCategory"):
        line("1", "1", category, rate)
    with pytest.raises(ValueError, match=r"rate|TaxCategory"):
        Adjustment(D(1), True, category, D(rate))


def test_tax_without_a_taxed_category_is_refused() -> None:
    with pytest.raises(ValueError, match="carries no tax"):
        TaxGroup("E", D(0), D(100), D(1))


@pytest.mark.parametrize("wrong", ["line allowance", "adjustment", "paid", "rounding"])
def test_a_given_amount_finer_than_the_currency_is_refused(wrong: str) -> None:
    fine = D("0.001")
    with pytest.raises(ValueError, match="more than 2 decimals"):
        compute_totals(
            [line("1", "1", allowances=(fine,) if wrong == "line allowance" else ())],
            [Adjustment(fine, True, "S", D(19))] if wrong == "adjustment" else [],
            paid=fine if wrong == "paid" else D(0),
            rounding=fine if wrong == "rounding" else D(0),
        )


def test_totals_that_do_not_add_up_cannot_exist() -> None:
    good = compute_totals([line("1", "100")])
    for field in ("line_net_total", "allowance_total", "net_total", "tax_total", "gross_total", "due"):
        with pytest.raises(ValueError, match="do not add up"):
            replace(good, **{field: getattr(good, field) + D("0.01")})


def test_rates_written_differently_are_one_group() -> None:
    totals = compute_totals([line("1", "10", rate="25"), line("1", "10", rate="25.00")])
    assert totals.tax_groups == (TaxGroup("S", D(25), D("20.00"), D("5.00")),)


def test_groups_come_by_category_and_falling_rate() -> None:
    totals = compute_totals([line("1", "1", "E", "0"), line("1", "1", rate="7"), line("1", "1", rate="19")])
    assert [(group.category, group.rate) for group in totals.tax_groups] == [("S", D(19)), ("S", D(7)), ("E", D(0))]


def test_tax_is_rounded_once_per_group_and_not_per_line() -> None:
    totals = compute_totals([line("1", "0.03", rate="20")] * 10)
    assert totals.tax_total == D("0.06")


@pytest.mark.parametrize(("places", "due"), [(0, "1319"), (3, "1317.965")])
def test_currencies_without_and_with_three_decimals(places: int, due: str) -> None:
    assert str(compute_totals([line("1107.534", "1")], places=places).due) == due


def test_an_empty_document_comes_to_nothing() -> None:
    assert compute_totals([]).due == 0


@given(st.lists(lines(), max_size=6), st.lists(adjustments(), max_size=3), cents, cents)
def test_parts_equal_wholes(made: list[Line], extra: list[Adjustment], paid: D, rounding: D) -> None:
    totals = compute_totals(made, extra, paid=paid, rounding=rounding)
    assert sum(totals.line_nets) == totals.line_net_total
    assert sum(group.base for group in totals.tax_groups) == totals.net_total
    assert sum(group.tax for group in totals.tax_groups) == totals.tax_total
    assert totals.due == totals.net_total + totals.tax_total - paid + rounding
    assert all(abs(group.tax - group.base * group.rate / 100) <= D("0.005") for group in totals.tax_groups)
    assert not any(isinstance(value, float) for value in _values(totals))


@given(st.lists(lines(), max_size=6))
def test_the_negative_of_a_document_is_its_mirror(made: list[Line]) -> None:
    mirrored = [
        replace(
            one,
            quantity=-one.quantity,
            allowances=tuple(-a for a in one.allowances),
            charges=tuple(-c for c in one.charges),
        )
        for one in made
    ]
    assert compute_totals(mirrored).due == -compute_totals(made).due


def _values(totals: Totals) -> list[object]:
    groups = [value for group in totals.tax_groups for value in (group.rate, group.base, group.tax)]
    return [totals.due, totals.paid, totals.gross_total, *groups, *totals.line_nets]


FOUR = (D("68.33"), D("68.33"), D("57.50"), D("85.00"))


def test_the_last_of_four_credits_takes_the_remaining_cent() -> None:
    invoice = compute_totals([line("1", str(price), rate="20") for price in FOUR])
    taken: list[TaxGroup] = []
    gross = []
    for price in FOUR:
        credit = credit_totals([line("1", str(price), rate="20")], invoiced=invoice.tax_groups, earlier=taken)
        taken.extend(credit.tax_groups)
        gross.append(credit.gross_total)
    assert gross == [D("82.00"), D("82.00"), D("69.00"), D("101.99")]
    assert sum(gross) == invoice.gross_total


def test_many_small_credits_never_take_more_tax_than_was_billed() -> None:
    invoice = compute_totals([line("10", "0.03", rate="20")])
    taken: list[TaxGroup] = []
    for _ in range(10):
        taken.extend(
            credit_totals([line("1", "0.03", rate="20")], invoiced=invoice.tax_groups, earlier=taken).tax_groups
        )
    assert [group.tax for group in taken] == [D("0.01")] * 6 + [D(0)] * 4


def test_a_credit_over_what_is_left_is_refused() -> None:
    invoice = compute_totals([line("1", "100")])
    former = credit_totals([line("1", "60")], invoiced=invoice.tax_groups)
    with pytest.raises(CreditTooLarge) as refusal:
        credit_totals([line("1", "40.01")], invoiced=invoice.tax_groups, earlier=former.tax_groups)
    assert (refusal.value.category, refusal.value.rate, refusal.value.remaining) == ("S", D(19), D("40.00"))


@pytest.mark.parametrize("wrong", [line("-1", "10"), line("1", "10", rate="7"), line("1", "10", "E", "0")])
def test_a_credit_of_what_was_never_billed_is_refused(wrong: Line) -> None:
    invoice = compute_totals([line("1", "100")])
    with pytest.raises(CreditTooLarge):
        credit_totals([wrong], invoiced=invoice.tax_groups)


@given(st.lists(lines(), min_size=1, max_size=6), st.lists(adjustments(), max_size=2))
def test_crediting_a_whole_invoice_leaves_nothing(made: list[Line], extra: list[Adjustment]) -> None:
    invoice = compute_totals(made, extra)
    credit = credit_totals(made, extra, invoiced=invoice.tax_groups)
    assert credit.gross_total == invoice.gross_total
    assert credit.tax_groups == invoice.tax_groups


@given(
    st.lists(st.decimals(min_value="0.01", max_value=500, places=2), min_size=1, max_size=12),
    st.sampled_from([7, 19, 20]),
)
def test_crediting_line_by_line_leaves_nothing(prices: list[D], rate: int) -> None:
    made = [line("1", str(price), rate=str(rate)) for price in prices]
    invoice = compute_totals(made)
    taken: list[TaxGroup] = []
    for one in made:
        taken.extend(credit_totals([one], invoiced=invoice.tax_groups, earlier=taken).tax_groups)
        assert sum(group.tax for group in taken) <= invoice.tax_total
    assert sum(group.tax for group in taken) == invoice.tax_total


GOOD = {"seller_vat_id": "DE000000000", "buyer_vat_id": "AT000000000"}


@pytest.mark.parametrize(
    ("uses", "parties", "expected"),
    [
        ([TaxUse("S", D(19)), TaxUse("E", D(0), "exempt")], GOOD, []),
        ([TaxUse("S", D(0))], GOOD, [TaxProblem.RATE_MISSING]),
        ([TaxUse("Z", D(5))], GOOD, [TaxProblem.RATE_NOT_ZERO]),
        ([TaxUse("Q", D(5))], GOOD, [TaxProblem.UNKNOWN_CATEGORY]),
        ([TaxUse("E", D(0), " ")], GOOD, [TaxProblem.REASON_MISSING]),
        ([TaxUse("AE", D(0))], GOOD, [TaxProblem.REASON_MISSING]),
        ([TaxUse("O", D(0))], {}, [TaxProblem.REASON_MISSING]),
        ([TaxUse("S", D(19), "exempt")], GOOD, [TaxProblem.REASON_NOT_ALLOWED]),
        (
            [TaxUse("O", D(0), "no tax"), TaxUse("S", D(19))],
            {"seller_tax_number": "1"},
            [TaxProblem.OUTSIDE_SCOPE_MIXED],
        ),
        ([TaxUse("O", D(0), "no tax")], GOOD, [TaxProblem.SELLER_VAT_ID_NOT_ALLOWED]),
        ([TaxUse("B", D(22)), TaxUse("S", D(22))], GOOD, [TaxProblem.SPLIT_PAYMENT_MIXED]),
        ([TaxUse("S", D(19))], {}, [TaxProblem.SELLER_TAX_ID_MISSING]),
        ([TaxUse("S", D(19))], {"seller_tax_number": "12/345"}, []),
        ([TaxUse("G", D(0), "export")], {"seller_tax_number": "12/345"}, [TaxProblem.SELLER_TAX_ID_MISSING]),
        ([TaxUse("AE", D(0), "reverse")], {"seller_vat_id": "DE000000000"}, [TaxProblem.BUYER_VAT_ID_MISSING]),
    ],
)
def test_tax_rules_name_what_they_miss(uses: list[TaxUse], parties: dict[str, str], expected: list[TaxProblem]) -> None:
    assert list(check_tax_rules(uses, **parties)) == expected


def test_every_category_has_a_use_that_passes() -> None:
    for category in TaxCategory:
        taxed = category in {"S", "B"}
        reason = "" if taxed or category == "Z" else "as the accountant says"
        parties = {} if category == "O" else GOOD
        assert check_tax_rules([TaxUse(category, D(19) if taxed else D(0), reason)], **parties) == ()


def test_a_per_cent_is_rounded_like_any_amount() -> None:
    assert part_of(D("1141.79"), D(3)) == D("34.25")


def test_thirds_are_shared_to_the_cent_with_the_earlier_first() -> None:
    assert shared_out(D("100.00"), [1, 1, 1]) == (D("33.34"), D("33.33"), D("33.33"))
    assert shared_out(D("-100.00"), [1, 1, 1]) == (D("-33.34"), D("-33.33"), D("-33.33"))


def test_the_spare_cent_goes_where_most_was_cut() -> None:
    assert shared_out(D("0.05"), [D("1.5"), D("2.5"), 1]) == (D("0.02"), D("0.02"), D("0.01"))


@given(
    cents,
    st.lists(st.decimals(min_value=0, max_value=500, places=3), min_size=1, max_size=15).filter(any),
    st.sampled_from([2, 3]),
)
def test_shares_add_up_and_stay_within_one_unit_of_the_exact_share(total: D, weights: list[D], places: int) -> None:
    parts = shared_out(total, weights, places)
    assert sum(parts) == total
    assert all(
        abs(part - total * weight / sum(weights)) < D(1).scaleb(-places)
        for part, weight in zip(parts, weights, strict=True)
    )
    assert all(not part for part, weight in zip(parts, weights, strict=True) if not weight)


@pytest.mark.parametrize(("total", "weights"), [("1", []), ("1", [0, 0]), ("1", [1, -1]), ("1.001", [1])])
def test_what_cannot_be_shared_is_refused(total: str, weights: list[int]) -> None:
    with pytest.raises(ValueError, match=r"weights|decimals"):
        shared_out(D(total), weights)
