"""Sales taxes of several authorities: dated, freed by certificates, rounded each, together or by the line."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.sales_tax import Certificate, Levy, RatesOverlap, Rounding, SalesRate, Sold, levy_on, sales_taxes
from billing.charges.totals import Line, TaxGroup, compute_totals

pytestmark = pytest.mark.pure

D = Decimal
NEW_YEAR = dt.date(2026, 1, 1)
DAY = dt.date(2026, 3, 4)
STATE = SalesRate("State", D(4), NEW_YEAR)
COUNTY = SalesRate("County", D("1.25"), NEW_YEAR)
CITY = SalesRate("City", D("0.5"), NEW_YEAR)
US = (STATE, COUNTY, CITY)
GST, QST = SalesRate("GST", D(5), NEW_YEAR), SalesRate("QST", D("9.975"), NEW_YEAR)


def taxes(net: str, rates: tuple[SalesRate, ...], rounding: Rounding = Rounding.EACH) -> list[D]:
    levy = levy_on(Sold.WORK, DAY, rates)
    return [one.tax for one in sales_taxes([(levy, D(net))], rounding).by_authority]


def test_each_authority_gets_its_own_rounded_tax() -> None:
    """Worked by hand: see the table at the head of the module."""
    assert taxes("1141.79", US) == [D("45.67"), D("14.27"), D("5.71")]
    assert taxes("1141.79", (GST, QST)) == [D("57.09"), D("113.89")]


def test_taxes_taken_together_are_rounded_once_and_shared() -> None:
    """0.10 at 4, 1.25 and 0.5 %: 0.00575 is 0.01, which the largest rate gets; each by itself it would be nothing."""
    assert taxes("1141.79", US, Rounding.TOGETHER) == [D("45.67"), D("14.27"), D("5.71")]
    assert taxes("0.10", US, Rounding.TOGETHER) == [D("0.01"), D("0.00"), D("0.00")]
    assert taxes("0.10", US) == [D("0.00")] * 3


@pytest.mark.parametrize(
    ("net", "rate", "tax"), [("10.05", "7.5", "0.75"), ("9.93", "7.5", "0.74"), ("14.90", "5", "0.75")]
)
@pytest.mark.parametrize("rounding", Rounding)
def test_half_a_cent_goes_up(net: str, rate: str, tax: str, rounding: Rounding) -> None:
    """SSUTA section 324: up when the third decimal is above four (from memory)."""
    assert taxes(net, (SalesRate("State", D(rate), NEW_YEAR),), rounding) == [D(tax)]


def test_by_the_line_each_line_is_rounded() -> None:
    """Twice 0.10 at 5.75 % is 0.0115, a cent; line by line it is two."""
    levy = levy_on(Sold.WORK, DAY, US)
    rows = [(levy, D("0.10")), (levy, D("0.10"))]
    assert sales_taxes(rows, Rounding.LINE).total == D("0.02")
    assert sales_taxes(rows, Rounding.TOGETHER).total == D("0.01")


def test_the_rate_of_the_day_counts() -> None:
    old = SalesRate("State", D(4), NEW_YEAR, dt.date(2026, 3, 3))
    new = SalesRate("State", D("4.5"), dt.date(2026, 3, 4))
    assert levy_on(Sold.WORK, dt.date(2026, 3, 3), (old, new)).rate == D(4)
    assert levy_on(Sold.WORK, dt.date(2026, 3, 4), (old, new)).rate == D("4.5")
    assert levy_on(Sold.WORK, dt.date(2025, 12, 31), (old, new)).rates == ()


def test_two_rates_of_one_authority_on_one_day_are_refused() -> None:
    with pytest.raises(RatesOverlap):
        levy_on(Sold.WORK, DAY, (STATE, SalesRate("State", D(5), NEW_YEAR)))


def test_work_and_goods_are_taxed_apart() -> None:
    goods = SalesRate("State", D(6), NEW_YEAR, of=frozenset({Sold.GOODS}))
    assert levy_on(Sold.WORK, DAY, (goods,)).category == "E"
    assert levy_on(Sold.GOODS, DAY, (goods,)).category == "S"


@pytest.mark.parametrize(
    ("certificate", "freed"),
    [
        (Certificate("F-1", NEW_YEAR), {"State", "County", "City"}),
        (Certificate("F-1", NEW_YEAR, authorities=frozenset({"State"})), {"State"}),
        (Certificate("F-1", NEW_YEAR, dt.date(2026, 3, 3)), set()),
        (Certificate("F-1", dt.date(2026, 3, 5)), set()),
        (Certificate("F-1", NEW_YEAR, of=frozenset({Sold.GOODS})), set()),
    ],
)
def test_a_certificate_frees_from_what_it_names_while_it_holds(certificate: Certificate, freed: set[str]) -> None:
    levy = levy_on(Sold.WORK, DAY, US, (certificate,))
    assert {"State", "County", "City"} - {one.authority for one in levy.rates} == freed
    assert levy.certificates == (("F-1",) if freed else ())


def test_a_freed_line_stands_beside_a_taxed_one() -> None:
    free = levy_on(Sold.WORK, DAY, US, (Certificate("F-1", NEW_YEAR),))
    taxed = levy_on(Sold.WORK, DAY, US)
    found = sales_taxes([(free, D(100)), (taxed, D(200))])
    assert dict(found.by_group) == {("E", D(0)): D(0), ("S", D("5.75")): D("11.50")}
    assert [(one.base, one.tax) for one in found.by_authority] == [(D(200), D(8)), (D(200), D("2.5")), (D(200), D(1))]


def test_the_totals_take_the_taxes_as_they_were_worked_out() -> None:
    """Canada: 10.10 at 5 % and at 9.975 % is 0.51 and 1.01, where 14.975 % at once would be 1.51."""
    levy = levy_on(Sold.WORK, DAY, (GST, QST))
    line = Line(D(1), D("10.10"), category=levy.category, rate=levy.rate)
    found = sales_taxes([(levy, line.net())])
    totals = compute_totals([line], taxes=found.by_group)
    assert [one.tax for one in found.by_authority] == [D("0.51"), D("1.01")]
    assert totals.tax_groups == (TaxGroup("S", D("14.975"), D("10.10"), D("1.52")),)
    assert totals.gross_total == D("11.62")


def test_a_group_without_its_tax_is_refused() -> None:
    line = Line(D(1), D(10), category="S", rate=D(5))
    with pytest.raises(ValueError, match="worked out"):
        compute_totals([line], taxes={})


@given(
    st.lists(
        st.tuples(st.sampled_from([US, US[:2], (GST, QST), ()]), st.integers(-(10**7), 10**7)), min_size=1, max_size=8
    ),
    st.sampled_from(list(Rounding)),
)
def test_the_parts_make_the_whole(rows: list[tuple[tuple[SalesRate, ...], int]], rounding: Rounding) -> None:
    nets = [(Levy(rates), D(cents).scaleb(-2)) for rates, cents in rows]
    found = sales_taxes(nets, rounding)
    lines = [Line(D(1) if net >= 0 else D(-1), abs(net), category=levy.category, rate=levy.rate) for levy, net in nets]
    totals = compute_totals(lines, taxes=found.by_group)
    assert totals.tax_total == found.total == sum(one.tax for one in found.by_authority)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: SalesRate("", D(5), NEW_YEAR),
        lambda: SalesRate("State", D(0), NEW_YEAR),
        lambda: SalesRate("State", D(101), NEW_YEAR),
        lambda: SalesRate("State", D(5), DAY, NEW_YEAR),
        lambda: SalesRate("State", D(5), NEW_YEAR, of=frozenset()),
        lambda: Certificate(" ", NEW_YEAR),
        lambda: Certificate("F-1", DAY, NEW_YEAR),
    ],
)
def test_what_makes_no_sense_cannot_exist(wrong) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=r".+"):
        wrong()


def test_a_rate_takes_no_float() -> None:
    with pytest.raises(TypeError):
        SalesRate("State", 4.5, NEW_YEAR)  # type: ignore[arg-type]
