from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.ageing import Age, OpenItem, age_of, aged, allocated

pytestmark = pytest.mark.pure

D = Decimal
TODAY = date(2026, 3, 31)


def item(key: str, amount: str, days_past_due: int = 0) -> OpenItem:
    return OpenItem(key, TODAY - timedelta(days=days_past_due), D(amount))


@pytest.mark.parametrize(
    ("days", "age"),
    [
        (-14, Age.CURRENT),
        (0, Age.CURRENT),
        (1, Age.DAYS_1_30),
        (30, Age.DAYS_1_30),
        (31, Age.DAYS_31_60),
        (60, Age.DAYS_31_60),
        (61, Age.DAYS_61_90),
        (90, Age.DAYS_61_90),
        (91, Age.OVER_90),
        (4000, Age.OVER_90),
    ],
)
def test_a_debt_ages_by_days_past_due(days: int, age: Age) -> None:
    assert age_of(TODAY - timedelta(days=days), TODAY) is age


def test_a_clients_debt_by_age() -> None:
    debt = aged([item("a", "100.00"), item("b", "50.00", 12), item("c", "7.50", 13), item("d", "1.00", 200)], on=TODAY)
    assert list(debt.by_age.values()) == [D("100.00"), D("57.50"), D(0), D(0), D("1.00")]
    assert (debt.owed, debt.overdue, debt.balance) == (D("158.50"), D("58.50"), D("158.50"))


def test_credit_stands_in_its_own_column() -> None:
    debt = aged([item("a", "100.00", 40)], on=TODAY, credit=D("120.00"))
    assert (debt.by_age[Age.DAYS_31_60], debt.credit, debt.balance) == (D("100.00"), D("120.00"), D("-20.00"))


def test_no_debt_is_nothing_in_every_age() -> None:
    debt = aged([], on=TODAY)
    assert debt.by_age == dict.fromkeys(Age, D(0))
    assert debt.balance == 0


A = OpenItem("A", date(2026, 1, 1), D("100.00"))
B = OpenItem("B", date(2026, 2, 1), D("50.00"))


@pytest.mark.parametrize(
    ("payment", "parts", "credit"),
    [
        ("120.00", (("A", D("100.00")), ("B", D("20.00"))), "0"),
        ("200.00", (("A", D("100.00")), ("B", D("50.00"))), "50.00"),
        ("40.00", (("A", D("40.00")),), "0"),
        ("100.00", (("A", D("100.00")),), "0"),
    ],
)
def test_a_payment_goes_to_the_oldest_due_first(payment: str, parts: object, credit: str) -> None:
    spread = allocated(D(payment), [B, A])
    assert (spread.parts, spread.credit, spread.total) == (parts, D(credit), D(payment))


def test_what_the_payer_named_comes_first() -> None:
    assert allocated(D("60.00"), [A, B], named=["B"]).parts == (("B", D("50.00")), ("A", D("10.00")))


def test_items_of_one_day_go_by_their_key() -> None:
    assert allocated(D(10), [item("2", "10"), item("1", "10")]).parts == (("1", D(10)),)


def test_a_payment_without_a_debt_is_all_credit() -> None:
    assert allocated(D(10), []) == allocated(D(10), [item("settled", "0")])
    assert allocated(D(10), []).credit == 10


@pytest.mark.parametrize("payment", ["0", "-5"])
def test_a_payment_of_nothing_is_refused(payment: str) -> None:
    with pytest.raises(ValueError, match="above zero"):
        allocated(D(payment), [A])


def test_a_named_item_that_is_not_open_is_refused() -> None:
    with pytest.raises(ValueError, match="not open: C"):
        allocated(D(1), [A], named=["C"])


def test_two_items_of_one_key_are_refused() -> None:
    with pytest.raises(ValueError, match="two open items"):
        allocated(D(1), [A, A])


def test_a_negative_open_amount_or_credit_is_refused() -> None:
    with pytest.raises(ValueError, match="negative"):
        item("a", "-1")
    with pytest.raises(ValueError, match="negative"):
        aged([], on=TODAY, credit=D(-1))


def test_amounts_are_never_floats() -> None:
    with pytest.raises(TypeError):
        OpenItem("a", TODAY, 1.0)  # type: ignore[arg-type]
    with pytest.raises(TypeError):
        allocated(1.0, [A])  # type: ignore[arg-type]


debts = st.lists(
    st.tuples(st.decimals(min_value=0, max_value=5000, places=2), st.integers(min_value=-60, max_value=400)),
    max_size=12,
).map(lambda pairs: [item(f"{place:02}", str(amount), days) for place, (amount, days) in enumerate(pairs)])


@given(debts, st.decimals(min_value="0.01", max_value=30_000, places=2))
def test_a_payment_is_spread_whole_and_never_over_what_is_open(items: list[OpenItem], payment: Decimal) -> None:
    spread = allocated(payment, items)
    open_by_key = {one.key: one.amount for one in items}
    assert spread.total == payment
    assert all(0 < amount <= open_by_key[key] for key, amount in spread.parts)
    assert spread.credit == max(D(0), payment - sum(open_by_key.values()))


@given(debts)
def test_ages_add_up_to_the_debt(items: list[OpenItem]) -> None:
    assert aged(items, on=TODAY).owed == sum(one.amount for one in items)
