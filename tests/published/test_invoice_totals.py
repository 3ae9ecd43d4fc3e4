"""Totals against figures that were worked out by others.

`fixtures/invoices/official_examples.json` holds the figures of the examples published with the EN 16931 validation
rules (CEN/TC 434, release 1.3.16) and with Peppol BIS Billing 3.0; each case names the file it comes from.
"""

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from billing.charges.totals import Adjustment, Line, Totals, compute_totals, part_of

pytestmark = [pytest.mark.pure, pytest.mark.published]

D = Decimal

EXAMPLES = Path(__file__).parents[2] / "fixtures" / "invoices" / "official_examples.json"
CASES: list[dict[str, Any]] = json.loads(EXAMPLES.read_text(encoding="utf-8"))["cases"]


def _line(given: dict[str, Any]) -> Line:
    return Line(
        D(given["qty"]),
        D(given["price"]),
        D(given["base"]),
        tuple(map(D, given["allow"])),
        tuple(map(D, given["charge"])),
        category=given["cat"],
        rate=D(given["rate"] or 0),
    )


def _totals(case: dict[str, Any]) -> Totals:
    return compute_totals(
        [_line(given) for given in case["lines"]],
        [Adjustment(D(one["amount"]), one["charge"], one["cat"], D(one["rate"] or 0)) for one in case["doc_ac"]],
        paid=D(case["totals"]["BT-113"] or 0),
        rounding=D(case["totals"]["BT-114"] or 0),
    )


def test_all_published_examples_are_here() -> None:
    assert len(CASES) == 47
    assert sum(len(case["lines"]) for case in CASES) == 110


@pytest.mark.parametrize("case", CASES, ids=[case["source"].rpartition("/")[2] for case in CASES])
def test_published_example_comes_out_to_the_cent(case: dict[str, Any]) -> None:
    totals = _totals(case)
    expected = case["totals"]
    assert list(totals.line_nets) == [D(line["net"]) for line in case["lines"]]
    assert totals.line_net_total == D(expected["BT-106"])
    assert totals.allowance_total == D(expected["BT-107"] or 0)
    assert totals.charge_total == D(expected["BT-108"] or 0)
    assert totals.net_total == D(expected["BT-109"])
    assert totals.tax_total == D(expected["BT-110"] or 0)
    assert totals.gross_total == D(expected["BT-112"])
    assert totals.due == D(expected["BT-115"])
    assert {(group.category, group.rate, group.base, group.tax) for group in totals.tax_groups} == {
        (row["cat"], D(row["rate"] or 0), D(row["base"]), D(row["tax"])) for row in case["vat"]
    }


def taxed(quantity: str, price: str, rate: str, base: str = "1", allow: str = "0", charge: str = "0") -> Line:
    return Line(D(quantity), D(price), D(base), (D(allow),), (D(charge),), category="S", rate=D(rate))


def free(quantity: str, price: str, category: str, base: str = "1") -> Line:
    return Line(D(quantity), D(price), D(base), category=category, rate=D(0))


def off(amount: str, rate: str = "25") -> Adjustment:
    return Adjustment(D(amount), False, "S", D(rate))


def on(amount: str, rate: str = "25") -> Adjustment:
    return Adjustment(D(amount), True, "S", D(rate))


# Copied by hand from the published files, apart from the fixture: lines, adjustments, paid, rounding, then tax, due.
PICKED = {
    "Peppol BIS Billing 3.0, rules/examples/base-example.xml": (
        [taxed("7", "400", "25"), taxed("-3", "500", "25")], [on("25")], "0", "0", "331.25", "1656.25",
    ),
    "Peppol BIS Billing 3.0, rules/examples/Vat-category-S.xml": (
        [taxed("10", "400", "25"), taxed("10", "200", "15"), taxed("10", "90", "25")], [on("200"), off("100")],
        "0", "0", "1550", "8550",
    ),
    "Peppol BIS Billing 3.0, rules/examples/Allowance-example.xml": (
        [taxed("10", "410", "25", allow="101", charge="1"), free("10", "200", "E", "2"),
         taxed("10", "100", "25", allow="101", charge="1")],
        [on("200"), off("200")], "1000", "0", "1225", "6125",
    ),
    "CEN/TC 434, ubl/examples/sample-discount-price.xml": (
        [taxed("100", "0.1212", "25")], [], "0", "0", "3.03", "15.15",
    ),
    "CEN/TC 434, BIS_Billing_30-Resor_Taxi.xml": (
        [taxed("4.2", "23.14", "6", charge="33"), taxed("4.4", "25.09", "6", charge="33"),
         taxed("29.5", "13.52", "6", allow="0.13", charge="35")],
        [], "0", "0.26", "42.44", "750",
    ),
    "CEN/TC 434, BIS_Billing_30-Elhandel.xml": (
        [taxed("1701", "0.3492", "25"), free("1", "50", "E")], [], "0", "-0.49", "148.50", "792",
    ),
    "CEN/TC 434, BIS_Billing_30-Kreditering, original": (
        [taxed("2000", "10", "25", "2", "300", "500"), taxed("-800", "4", "25", "5")], [off("1912"), on("1020")],
        "834.90", "-0.10", "2167", "10000",
    ),
    "CEN/TC 434, BIS_Billing_30-Kreditering, negative invoice": (
        [taxed("-2000", "10", "25", "2", "-300", "-500"), taxed("800", "4", "25", "5")], [off("-1912"), on("-1020")],
        "-834.90", "0.10", "-2167", "-10000",
    ),
    "CEN/TC 434, ubl/examples/ubl-tc434-example5.xml": (
        [taxed("1000", "1.00", "25", "1", "100", "100"), taxed("100", "5.00", "25"), taxed("500", "5.00", "12")],
        [off("150"), on("150")], "2337.50", "0", "675", "2337.50",
    ),
    "CEN/TC 434, BIS_Billing_30-OmvandSkattskyldighet.xml": (
        [free("28", "4500", "AE"), free("28", "500", "AE")], [], "0", "0", "0", "140000",
    ),
    "CEN/TC 434, ubl/examples/BIS3_Invoice_positive.XML": (
        [taxed("1", "625743.54", "25")], [], "0", "0", "156435.89", "782179.43",
    ),
    "CEN/TC 434, ubl/examples/BIS3_Invoice_negativ.XML: -156435.885 goes away from zero": (
        [taxed("-1", "625743.54", "25")], [], "0", "0", "-156435.89", "-782179.43",
    ),
    "itplr-kosit/validator-configuration-xrechnung issue 74: 1446.375": (
        [taxed("1", "7612.50", "19")], [], "0", "0", "1446.38", "9058.88",
    ),
    "itplr-kosit/validator-configuration-xrechnung issue 74: -1446.375": (
        [taxed("-1", "7612.50", "19")], [], "0", "0", "-1446.38", "-9058.88",
    ),
}  # fmt: skip


@pytest.mark.parametrize("source", PICKED)
def test_picked_example_comes_out_to_the_cent(source: str) -> None:
    made, extra, paid, rounding, tax, due = PICKED[source]
    totals = compute_totals(made, extra, paid=D(paid), rounding=D(rounding))
    assert (totals.tax_total, totals.due) == (D(tax), D(due))


def test_tax_on_the_net_sum_not_on_each_line() -> None:
    """EN 16931 BR-CO-17, at 5 x 84.03 net and 19 %: 79.83 by the sum, 5 x 15.97 = 79.85 by the line."""
    totals = compute_totals([taxed("1", "84.03", "19")] * 5)
    assert (totals.tax_total, totals.gross_total) == (D("79.83"), D("499.98"))


VISIT = [("63", "14.50"), ("5", "8.00"), ("4", "17.25"), ("1", "60"), ("27.4", "0.85"), ("0.75", "48")]


def test_a_farm_visit_worked_by_hand() -> None:
    """Own worked figures, by the formulas of EN 16931: see the table at the head of `billing/charges/totals.py`."""
    made = [taxed(quantity, price, "19") for quantity, price in VISIT]
    totals = compute_totals(made, [off("34.25", "19")])
    assert totals.line_nets == tuple(map(D, ["913.50", "40.00", "69.00", "60.00", "23.29", "36.00"]))
    assert (totals.line_net_total, totals.net_total) == (D("1141.79"), D("1107.54"))
    assert (totals.tax_total, totals.due) == (D("210.43"), D("1317.97"))


def test_a_farm_visit_with_two_rates_worked_by_hand() -> None:
    """The same visit with the blocks at 7 %: 3 % off each rate, 33.05 of 1101.79 and 1.20 of 40.00."""
    made = [taxed(quantity, price, "7" if price == "8.00" else "19") for quantity, price in VISIT]
    totals = compute_totals(made, [off(str(part_of(D("1101.79"), D(3))), "19"), off("1.20", "7")])
    assert totals.net_total == D("1107.54")
    assert [(group.base, group.tax) for group in totals.tax_groups] == [
        (D("1068.74"), D("203.06")),
        (D("38.80"), D("2.72")),
    ]


@pytest.mark.parametrize(
    ("price", "rate", "tax"), [("10.05", "7.5", "0.75"), ("9.93", "7.5", "0.74"), ("14.90", "5", "0.75")]
)
def test_sales_tax_rounds_up_from_half_a_cent(price: str, rate: str, tax: str) -> None:
    """Streamlined Sales and Use Tax Agreement, section 324: up when the third decimal is above four (from memory)."""
    assert compute_totals([taxed("1", price, rate)]).tax_total == D(tax)


def test_sales_tax_on_the_invoice_total_with_three_decimals_of_rate() -> None:
    """Excise Tax Act (Canada), section 165.2: half a cent or more counts as a cent (from memory)."""
    assert compute_totals([taxed("1", "100.00", "9.975")]).tax_total == D("9.98")
