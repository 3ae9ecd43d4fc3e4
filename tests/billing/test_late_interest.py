"""Simple interest on what is late. Figures worked by hand."""

import datetime as dt
from decimal import Decimal as D

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.interest import Count, Rate, late_interest

pytestmark = pytest.mark.pure

DUE = dt.date(2026, 4, 13)
RATES = [Rate(dt.date(2026, 1, 1), D("10.15")), Rate(dt.date(2026, 7, 1), D("10.00"))]


def days(number: int) -> dt.date:
    return DUE + dt.timedelta(days=number)


@pytest.mark.parametrize(
    ("until", "count", "rates", "comes_to"),
    [
        (days(69), Count.DAYS_365, RATES, "25.29"),  # 1317.97 x 10.15 % x 69 / 365 = 25.2887
        (days(99), Count.DAYS_365, RATES, "36.18"),  # 79 days at 10.15 %, 20 at 10 %: 28.9537 + 7.2217
        (days(69), Count.DAYS_360, RATES, "25.64"),  # 1317.97 x 10.15 % x 69 / 360 = 25.6399
        (dt.date(2026, 7, 1), Count.FULL_MONTHS, [Rate(dt.date(2026, 1, 1), D("1.5"))], "39.54"),  # two full months
        (dt.date(2026, 6, 13), Count.FULL_MONTHS, [Rate(dt.date(2026, 1, 1), D("1.5"))], "39.54"),
        (dt.date(2026, 6, 12), Count.FULL_MONTHS, [Rate(dt.date(2026, 1, 1), D("1.5"))], "19.77"),
        (DUE, Count.DAYS_365, RATES, "0"),
        (days(69), Count.DAYS_365, [], "0"),
        (days(69), Count.DAYS_365, [Rate(dt.date(2026, 12, 1), D(9))], "0"),
    ],
)
def test_interest_comes_to_the_worked_figure(until: dt.date, count: Count, rates: list[Rate], comes_to: str) -> None:
    assert late_interest(D("1317.97"), due=DUE, until=until, rates=rates, count=count) == D(comes_to)


def test_a_month_ends_where_it_can() -> None:
    rates = [Rate(dt.date(2026, 1, 1), D(1))]
    end = {"due": dt.date(2026, 1, 31), "rates": rates, "count": Count.FULL_MONTHS}
    assert late_interest(D(100), until=dt.date(2026, 2, 27), **end) == 0  # type: ignore[arg-type]
    assert late_interest(D(100), until=dt.date(2026, 2, 28), **end) == 1  # type: ignore[arg-type]


def test_nothing_open_bears_nothing() -> None:
    assert late_interest(D(0), due=DUE, until=days(9), rates=RATES, count=Count.DAYS_365) == 0


def test_a_negative_rate_is_no_rate() -> None:
    with pytest.raises(ValueError, match="negative"):
        Rate(DUE, D(-1))


@given(st.integers(0, 900), st.integers(0, 900), st.sampled_from(Count))
def test_later_is_never_cheaper(one: int, other: int, count: Count) -> None:
    first, last = sorted((one, other))
    early = late_interest(D("1317.97"), due=DUE, until=days(first), rates=RATES, count=count)
    assert early <= late_interest(D("1317.97"), due=DUE, until=days(last), rates=RATES, count=count)
