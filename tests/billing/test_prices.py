from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.prices import (
    ARTICLES,
    HEAD_ARTICLES,
    TRAVEL_ARTICLES,
    TREATMENT_ARTICLES,
    USUAL_UNITS,
    PricedVisit,
    PriceEntry,
    PriceSheet,
    VisitWork,
    distance_in,
    price_visit,
)
from billing.charges.totals import compute_totals

pytestmark = pytest.mark.pure

D = Decimal
DAY = date(2026, 3, 10)


def entry(article: str, price: str, **more: Any) -> PriceEntry:
    return PriceEntry(article, USUAL_UNITS[article], D(price), "S", D(19), **more)


def sheet(key: str = "list", prices: Mapping[str, str] | None = None, **more: object) -> PriceSheet:
    made = PriceSheet(
        key=key,
        name=key.title(),
        valid_from=date(2026, 1, 1),
        valid_to=None,
        client_key=None,
        currency="EUR",
        entries=tuple(entry(article, price) for article, price in (prices or {"head_cow": "14.50"}).items()),
    )
    return replace(made, **more)  # type: ignore[arg-type]


def work(
    head: Mapping[str, int] | None = None, treatments: Mapping[str, int] | None = None, **more: object
) -> VisitWork:
    made = VisitWork("visit", DAY, {"head_cow": 10} if head is None else head, treatments or {})
    return replace(made, **more)  # type: ignore[arg-type]


def priced(done: VisitWork, *sheets: PriceSheet, miles: bool = False, **more: object) -> PricedVisit:
    return price_visit(done, sheets, miles=miles, **more)  # type: ignore[arg-type]


def amounts(visit: PricedVisit) -> list[tuple[str, str, str]]:
    return [(line.article, str(line.quantity), str(line.price)) for line in visit.lines]


FULL = {
    "head_cow": "14.50",
    "treatment_block": "8.00",
    "treatment_wrap": "17.25",
    "hour": "48",
    "set_up": "60",
    "distance_km": "0.85",
}


def test_a_whole_visit_comes_to_the_cent() -> None:
    done = work({"head_cow": 63}, {"treatment_block": 5, "treatment_wrap": 4}, distance_m=27_400, hours=D("0.75"))
    visit = priced(done, sheet(prices=FULL))
    assert amounts(visit) == [
        ("head_cow", "63", "14.50"),
        ("treatment_block", "5", "8.00"),
        ("treatment_wrap", "4", "17.25"),
        ("hour", "0.75", "48"),
        ("set_up", "1", "60"),
        ("distance_km", "27.4", "0.85"),
    ]
    assert compute_totals([line.as_line() for line in visit.lines]).net_total == D("1141.79")
    assert (visit.missing, visit.unmeasured) == ((), ())


def test_a_line_says_where_its_price_came_from() -> None:
    line = priced(work(), sheet("spring", name="Spring 2026")).lines[0]
    assert (line.sheet_key, line.sheet_name) == ("spring", "Spring 2026")
    assert (line.visit_key, line.on, line.unit) == ("visit", DAY, "HEA")


def test_a_line_carries_name_and_exemption_of_its_entry() -> None:
    exempt = PriceEntry("head_cow", "HEA", D(14), "E", D(0), "as the accountant says", "Cow, trimmed")
    line = priced(work(), sheet(entries=(exempt,))).lines[0]
    assert (line.name, line.category, line.rate, line.exemption) == (
        "Cow, trimmed",
        "E",
        D(0),
        "as the accountant says",
    )


@pytest.mark.parametrize(
    ("day", "price"),
    [
        (date(2025, 12, 31), "13.00"),
        (date(2026, 1, 1), "14.50"),
        (date(2026, 6, 30), "14.50"),
        (date(2026, 7, 1), "15.00"),
    ],
)
def test_the_price_is_that_of_the_day_of_the_visit(day: date, price: str) -> None:
    visit = priced(
        work(on=day),
        sheet("old", {"head_cow": "13.00"}, valid_from=date(2025, 1, 1), valid_to=date(2025, 12, 31)),
        sheet("new", {"head_cow": "14.50"}, valid_to=date(2026, 6, 30)),
        sheet("next", {"head_cow": "15.00"}, valid_from=date(2026, 7, 1)),
    )
    assert amounts(visit) == [("head_cow", "10", price)]


def test_of_two_lists_the_one_that_began_later_is_taken() -> None:
    newer = sheet("newer", {"head_cow": "15.00"}, valid_from=date(2026, 3, 1))
    assert priced(work(), newer, sheet("older")).lines[0].sheet_key == "newer"
    assert priced(work(), sheet("older"), newer).lines[0].sheet_key == "newer"


def test_an_agreement_goes_before_the_list_article_by_article() -> None:
    agreement = sheet("agreed", {"head_cow": "12.00"}, client_key="oak", valid_from=date(2025, 1, 1))
    visit = priced(work(treatments={"treatment_block": 1}), agreement, sheet(prices=FULL))
    assert [(line.article, line.sheet_key) for line in visit.lines[:2]] == [
        ("head_cow", "agreed"),
        ("treatment_block", "list"),
    ]


def test_an_agreement_that_has_ended_counts_no_more() -> None:
    agreement = sheet("agreed", {"head_cow": "12.00"}, client_key="oak", valid_to=date(2026, 3, 9))
    assert priced(work(), agreement, sheet()).lines[0].sheet_key == "list"


def test_a_head_without_a_price_is_missing() -> None:
    visit = priced(work({"head_cow": 3, "head_bull": 1, "head_lame": 0}), sheet())
    assert amounts(visit) == [("head_cow", "3", "14.50")]
    assert visit.missing == ("head_bull",)


def test_without_any_sheet_every_head_is_missing() -> None:
    visit = priced(work({"head_recheck": 1, "head_cow": 1}), sheet(valid_from=date(2026, 3, 11)))
    assert (visit.lines, visit.missing) == ((), ("head_cow", "head_recheck"))


def test_a_treatment_without_a_price_is_in_the_price_of_the_head() -> None:
    visit = priced(work(treatments={"treatment_wall_opened": 4}), sheet())
    assert [line.article for line in visit.lines] == ["head_cow"]
    assert visit.missing == ()


def test_a_free_recheck_is_shown_at_nothing() -> None:
    visit = priced(work({"head_recheck": 2}), sheet(prices={"head_recheck": "0.00"}))
    assert amounts(visit) == [("head_recheck", "2", "0.00")]


@pytest.mark.parametrize(
    ("metres", "km", "miles"),
    [(27_400, "27.4", "17.0"), (1_609, "1.6", "1.0"), (49, "0.0", "0.0"), (50, "0.1", "0.0"), (80_467, "80.5", "50.0")],
)
def test_metres_become_kilometres_or_miles_with_one_decimal(metres: int, km: str, miles: str) -> None:
    assert str(distance_in("distance_km", metres)) == km
    assert str(distance_in("distance_mile", metres)) == miles


BOTH = {"distance_km": "0.85", "distance_mile": "1.40"}


@pytest.mark.parametrize(
    ("miles", "prices", "line"),
    [
        (False, BOTH, ("distance_km", "27.4", "0.85")),
        (True, BOTH, ("distance_mile", "17.0", "1.40")),
        (True, {"distance_km": "0.85"}, ("distance_km", "27.4", "0.85")),
    ],
)
def test_distance_is_priced_in_the_unit_of_the_business(
    miles: bool, prices: dict[str, str], line: tuple[str, ...]
) -> None:
    assert amounts(priced(work({}, distance_m=27_400), sheet(prices=prices), miles=miles)) == [line]


def test_a_priced_quantity_that_was_not_recorded_is_named() -> None:
    visit = priced(work(distance_m=None, hours=None), sheet(prices=FULL))
    assert visit.unmeasured == ("hour", "distance_km")


def test_no_distance_and_no_hours_make_no_line() -> None:
    visit = priced(work(distance_m=0, hours=D(0)), sheet(prices=FULL))
    assert [line.article for line in visit.lines] == ["head_cow", "set_up"]
    assert visit.unmeasured == ()


@pytest.mark.parametrize(("minimum", "top_up"), [("150.00", "5.00"), ("145.00", None), ("100.00", None)])
def test_the_minimum_is_reached_by_a_line_of_its_own(minimum: str, top_up: str | None) -> None:
    visit = priced(work(), sheet(prices={"head_cow": "14.50", "minimum": minimum}))
    expected = [("head_cow", "10", "14.50")] + ([("minimum", "1", top_up)] if top_up else [])
    assert amounts(visit) == expected


@pytest.mark.parametrize(("travel_counts", "top_up"), [(False, "55.00"), (True, "14.75")])
def test_travel_counts_towards_the_minimum_only_if_said_so(travel_counts: bool, top_up: str) -> None:
    prices = {"head_cow": "14.50", "call_out": "30", "distance_km": "0.50", "minimum": "200.00"}
    visit = priced(work(distance_m=20_500), sheet(prices=prices), travel_counts=travel_counts)
    assert amounts(visit)[-1] == ("minimum", "1", top_up)


def test_a_visit_without_head_still_reaches_the_minimum() -> None:
    assert amounts(priced(work({}), sheet(prices={"minimum": "90"}))) == [("minimum", "1", "90.00")]


def test_agreements_of_two_clients_are_refused() -> None:
    with pytest.raises(ValueError, match="two clients"):
        priced(work(), sheet("a", client_key="oak"), sheet("b", client_key="elm"))


def test_two_currencies_on_one_day_are_refused() -> None:
    with pytest.raises(ValueError, match="two currencies"):
        priced(work(), sheet("a"), sheet("b", currency="USD"))


def test_a_list_in_another_currency_may_have_ended_before() -> None:
    old = sheet("old", currency="USD", valid_from=date(2025, 1, 1), valid_to=date(2025, 12, 31))
    assert priced(work(), old, sheet()).lines[0].sheet_key == "list"


@pytest.mark.parametrize(
    "change",
    [{"article": "head_goat"}, {"unit": ""}, {"unit": "head"}, {"price": D(-1)}, {"rate": D(0)}, {"category": "Q"}],
)
def test_a_bad_entry_cannot_exist(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"article|unit|price|rate|TaxCategory"):
        replace(entry("head_cow", "1"), **change)  # type: ignore[arg-type]


def test_a_price_is_never_a_float() -> None:
    with pytest.raises(TypeError):
        PriceEntry("head_cow", "HEA", 14.5, "S", D(19))  # type: ignore[arg-type]


@pytest.mark.parametrize("change", [{"valid_to": date(2025, 12, 31)}, {"entries": (entry("minimum", "1"),) * 2}])
def test_a_bad_sheet_cannot_exist(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match="price sheet"):
        sheet(**change)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "error"),
    [
        ({"head": {"cow": 1}}, ValueError),
        ({"head": {"head_cow": -1}}, ValueError),
        ({"head": {"head_cow": 1.5}}, TypeError),
        ({"treatments": {"head_cow": 1}}, ValueError),
        ({"distance_m": -1}, ValueError),
        ({"hours": 1.5}, TypeError),
        ({"hours": D(-1)}, ValueError),
        ({"on": datetime(2026, 3, 10, tzinfo=UTC)}, TypeError),
    ],
)
def test_impossible_work_cannot_exist(change: dict[str, object], error: type[Exception]) -> None:
    with pytest.raises(error):
        work(**change)  # type: ignore[arg-type]


def test_every_article_has_a_usual_unit() -> None:
    assert set(USUAL_UNITS) == set(ARTICLES)


counts = st.integers(min_value=0, max_value=1600)
prices = st.decimals(min_value=0, max_value=200, places=4)


@given(
    st.dictionaries(st.sampled_from(HEAD_ARTICLES), counts),
    st.dictionaries(st.sampled_from(TREATMENT_ARTICLES), counts),
    st.dictionaries(st.sampled_from(ARTICLES), prices),
    st.integers(min_value=0, max_value=300_000),
)
def test_no_head_is_lost_and_the_minimum_is_kept(
    head: dict[str, int], treatments: dict[str, int], price_of: dict[str, Decimal], metres: int
) -> None:
    entries = tuple(replace(entry(article, "0"), price=price) for article, price in price_of.items())
    visit = priced(work(head, treatments, distance_m=metres), sheet(entries=entries))
    billed = {line.article: line.quantity for line in visit.lines}
    assert {article for article, count in head.items() if count} == {*visit.missing} | (
        billed.keys() & {*HEAD_ARTICLES}
    )
    assert all(billed[article] == head[article] for article in billed.keys() & {*HEAD_ARTICLES})
    eligible = [line.as_line().net() for line in visit.lines if line.article not in TRAVEL_ARTICLES]
    assert sum(eligible) >= price_of.get("minimum", D(0)).quantize(D("0.01"), "ROUND_HALF_UP")
