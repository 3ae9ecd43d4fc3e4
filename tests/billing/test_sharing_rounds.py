"""The travel of a round on bills: parts that make the whole, said on the line, frozen by the first invoice."""

import datetime as dt
from decimal import Decimal as D
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from billing.charges.prices import PriceEntry, PriceSheet, Travel, VisitWork, price_visit
from billing.charges.share import WHOLE, Trip, Way, in_parts, shapley, trip_shares
from billing.models import Invoice, SharedRound, TravelShare
from billing.services.drafts import draft_invoices, look_at_prices, reprice_draft
from billing.services.issuing import issue_invoice
from billing.services.prices import WayOfSharingUnknown, keep_billing_settings
from billing.services.travel import RoundWasSharedAnew
from tests import make
from tests.billing import bills
from trimmer.models import Business, Crew, Visit
from trimmer.queries import distances as seam
from trimmer.queries.distances import Distances

KM = 1000
OUT = (40, 45, 60, 12)
BETWEEN = ((0, 10, 28, 38), (10, 0, 22, 42), (28, 22, 0, 55), (38, 42, 55, 0))
HEAD = (120, 15, 60, 8)
"""Our own worked round, 0-A-B-C-D-0: 139 km at 0.85 are 118.15 (tests/published/test_sharing_a_trip.py)."""


def amounts(shares: tuple[Fraction, ...]) -> tuple[D, ...]:
    kept = in_parts(shares)
    sheet = PriceSheet(
        "1", "P", dt.date(2026, 1, 1), None, None, "EUR", (PriceEntry("distance_km", "KMT", D("0.85"), "S", D(19)),)
    )
    return tuple(
        price_visit(
            VisitWork("1", dt.date(2026, 3, 4), {}, {}, travel=Travel(139 * KM, kept, place)), [sheet], miles=False
        )
        .lines[0]
        .as_line()
        .net()
        for place in range(len(kept))
    )


@pytest.mark.pure
@pytest.mark.parametrize(
    ("way", "parts"),
    [
        (Way.EQUAL, ("29.54", "29.54", "29.54", "29.53")),
        (Way.HEAD, ("69.84", "8.73", "34.92", "4.66")),
        (Way.ALONE, ("30.10", "33.87", "45.15", "9.03")),
        (Way.SHAPLEY, ("24.93", "28.62", "54.54", "10.06")),
    ],
)
def test_the_worked_round_on_the_bills(way: Way, parts: tuple[str, ...]) -> None:
    assert amounts(trip_shares(Trip(OUT, BETWEEN), way, HEAD)) == tuple(map(D, parts))


@pytest.mark.pure
def test_by_zones_the_fees_are_the_weights() -> None:
    assert trip_shares(Trip((1, 2), ((0, 1), (1, 0))), Way.ZONES, (), (15, 45)) == (Fraction(1, 4), Fraction(3, 4))


@pytest.mark.pure
def test_the_way_back_may_differ() -> None:
    """Worked by hand: out 10 and 20, back 30 and 5, from the first to the second 4, the other way 50. The tours are
    10 + 4 + 5 = 19 and 20 + 50 + 30 = 100; alone 40 and 25; so the first adds -6 or 40, the second -21 or 25."""
    trip = Trip((10, 20), ((0, 4), (50, 0)), (30, 5))
    assert trip.alone() == (40, 25)
    assert trip.groups() == (0, 40, 25, 19)
    assert shapley(trip.groups()) == (Fraction(17), Fraction(2))


@pytest.mark.pure
@given(st.lists(st.integers(0, 10**6), min_size=1, max_size=9).filter(any))
def test_the_parts_of_a_round_are_the_round(weights: list[int]) -> None:
    shares = tuple(Fraction(one, sum(weights)) for one in weights)
    assert sum(in_parts(shares)) == WHOLE
    assert sum(amounts(shares)) == D("118.15")


# On invoices


def worked(*, crew: Crew, farms: list[object]) -> Distances:
    """The worked round in metres, its farms in the order of their names."""
    places = ["ABCD".index(farm.name) for farm in farms]  # type: ignore[attr-defined]
    out = tuple(one * KM for one in OUT)
    return Distances(out, out, tuple(tuple(one * KM for one in row) for row in BETWEEN)).of(places)


@pytest.fixture
def round_(db: None, monkeypatch: pytest.MonkeyPatch) -> list[Visit]:
    """Four farms of four clients on one day, nothing planned or noted of the ways."""
    monkeypatch.setitem(seam._reckoner, "path", f"{__name__}.worked")
    business = bills.a_trimming_business()
    crew = make.a_crew(business)
    bills.a_price_list(business, {"head_cow": "10", "distance_km": "0.85"})
    return [
        bills.a_done_visit(
            client := make.a_client(business, name=f"Client {name}"),
            farm=make.a_farm(client, name=name),
            crew=crew,
            position=place,
            head={"cow": head},
        )
        for place, (name, head) in enumerate(zip("ABCD", HEAD, strict=True))
    ]


def drafts_of(visits: list[Visit]) -> list[Invoice]:
    business = visits[0].farm.client.business
    made = draft_invoices(business=business, visits=visits, by=None, now=make.NOW).drafts
    return sorted(made, key=lambda draft: draft.client.name)


def travel(drafts: list[Invoice]) -> list[D]:
    return [draft.lines.get(article="distance_km").net for draft in drafts]


def choose(business: Business, way: str) -> None:
    keep_billing_settings(business=business, credit_prefix="", travel_counts=False, travel_share=way)


def issued(draft: Invoice) -> Invoice:
    return issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)


@pytest.mark.parametrize(
    ("way", "parts"),
    [
        ("alone", ["30.10", "33.87", "45.15", "9.03"]),
        ("head", ["69.84", "8.73", "34.92", "4.66"]),
        ("shapley", ["24.93", "28.62", "54.54", "10.06"]),
        ("zones", ["30.10", "33.87", "45.15", "9.03"]),  # there are none: by what each would cost alone
    ],
)
def test_a_round_is_shared_as_the_business_chose(round_: list[Visit], way: str, parts: list[str]) -> None:
    choose(round_[0].farm.client.business, way)
    assert travel(drafts_of(round_)) == list(map(D, parts))


def test_the_line_says_how(round_: list[Visit]) -> None:
    line = drafts_of(round_)[0].lines.get(article="distance_km")
    assert line.detail == "round of 139 km, your share 25.5% of €118.15"
    assert (line.quantity, line.unit, line.round_m) == (D(1), "LS", 139_000)


def test_what_is_driven_goes_before_what_is_reckoned(round_: list[Visit]) -> None:
    Visit.objects.filter(pk=round_[0].pk).update(distance_driven_m=41_000)
    assert drafts_of(round_)[0].lines.get(article="distance_km").round_m == 140_000


def test_the_first_invoice_freezes_the_round(round_: list[Visit]) -> None:
    drafts = drafts_of(round_)
    first = issued(drafts[0])
    kept = SharedRound.objects.get()
    assert (kept.frozen_by, kept.metres, kept.way) == (first, 139_000, "alone")
    choose(first.business, TravelShare.EQUAL)
    round_[3].farm.visits.update(state="cancelled", cancelled_at=make.NOW)
    assert look_at_prices(invoice=drafts[1]).changes == ()
    assert travel([first, *(issued(draft) for draft in drafts[1:3])]) == [D("30.10"), D("33.87"), D("45.15")]


def test_a_draft_of_a_round_shared_anew_is_priced_anew_first(round_: list[Visit]) -> None:
    [early] = drafts_of(round_[:1])
    choose(early.business, TravelShare.EQUAL)
    [late] = drafts_of(round_[1:2])
    issued(late)
    with pytest.raises(RoundWasSharedAnew):
        issued(early)
    reprice_draft(invoice=early, seen=look_at_prices(invoice=early).mark)
    assert travel([issued(early)]) == [D("29.54")]


def test_a_round_of_one_farm_is_the_whole_way(round_: list[Visit]) -> None:
    Visit.objects.exclude(pk=round_[0].pk).update(state="cancelled", cancelled_at=make.NOW)
    [draft] = drafts_of(round_[:1])
    line = draft.lines.get(article="distance_km")
    assert (line.quantity, line.price, line.net, line.detail) == (D(80), D("0.85"), D(68), "round of 80 km")


def test_an_unknown_way_of_sharing_is_refused(round_: list[Visit]) -> None:
    with pytest.raises(WayOfSharingUnknown):
        choose(round_[0].farm.client.business, "by_dice")


def test_the_planner_tells_the_ways(db: None) -> None:
    business = bills.a_trimming_business()
    client = make.a_client(business)
    farms = [make.a_farm(client), make.a_farm(client, latitude=47.2)]
    found = seam.distances(crew=make.a_crew(business), farms=farms)
    assert found is not None
    assert 0 < found.from_base[0] < found.from_base[1]
    assert found.between[0][0] == 0
    assert (
        seam.distances(crew=make.a_crew(business), farms=[make.a_farm(client, latitude=None, longitude=None)]) is None
    )
