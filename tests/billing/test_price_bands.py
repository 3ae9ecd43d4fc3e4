"""Bands, zones, free rechecks. The bands are worked by hand: up to 40 at 16.00, up to 80 at 14.50, then 13.00."""

import datetime as dt
from decimal import Decimal as D
from typing import Any

import pytest

from billing.charges.prices import Band, PriceEntry, PriceSheet, VisitWork, cheaper_edges, price_visit
from billing.services import prices
from billing.services.prices import BandValues, PriceValues, keep_price_list
from tests import make
from tests.billing import bills
from trimmer.errors import Refusal

BANDS = (Band(D(40), D("14.50")), Band(D(80), D(13)))
DAY = dt.date(2026, 3, 4)


def entry(way: str, article: str = "head_cow", price: str = "16", bands: tuple[Band, ...] = BANDS) -> PriceEntry:
    return PriceEntry(article, "HEA", D(price), "S", D(19), way=way, bands=bands)


def sheet(*entries: PriceEntry, free_days: int | None = None) -> PriceSheet:
    return PriceSheet("1", "Prices", dt.date(2026, 1, 1), None, None, "EUR", entries, free_recheck_days=free_days)


@pytest.mark.pure
@pytest.mark.parametrize(
    ("head", "graduated", "volume"),
    [
        (40, "640.00", "640.00"),
        (41, "654.50", "594.50"),
        (63, "973.50", "913.50"),
        (80, "1220.00", "1160.00"),
        (81, "1233.00", "1053.00"),
        (120, "1740.00", "1560.00"),
    ],
)
def test_graduated_and_volume_bands(head: int, graduated: str, volume: str) -> None:
    assert entry("graduated").amount(D(head)) == D(graduated)
    assert entry("volume").amount(D(head)) == D(volume)


@pytest.mark.pure
def test_graduated_bands_are_a_line_each_that_says_which() -> None:
    visit = price_visit(VisitWork("1", DAY, {"head_cow": 81}, {}), [sheet(entry("graduated"))], miles=False)
    assert [(one.quantity, one.price) for one in visit.lines] == [(D(40), D(16)), (D(40), D("14.50")), (D(1), D(13))]
    assert [one.how.code for one in visit.lines if one.how] == ["graduated"] * 3


@pytest.mark.pure
def test_the_edges_where_more_head_are_cheaper_are_told() -> None:
    first, second = cheaper_edges(entry("volume"))
    assert (first.below, first.amount_below, first.above, first.amount_above) == (D(40), D(640), D(41), D("594.50"))
    assert (first.even, second.even) == (D(45), D(90))
    assert cheaper_edges(entry("graduated")) == ()


@pytest.mark.pure
@pytest.mark.parametrize(
    ("way", "article", "bands"),
    [
        ("zone", "head_cow", BANDS),
        ("volume", "set_up", BANDS),
        ("flat", "head_cow", BANDS),
        ("volume", "head_cow", ()),
        ("volume", "head_cow", BANDS[::-1]),
        ("volume", "head_cow", (Band(D(0), D(1)),)),
        ("volume", "head_cow", (Band(D(1), D(-1)),)),
    ],
)
def test_what_bands_cannot_be(way: str, article: str, bands: tuple[Band, ...]) -> None:
    with pytest.raises(ValueError, match=r"band|negative"):
        entry(way, article, bands=bands)


@pytest.mark.pure
@pytest.mark.parametrize(("metres", "fee"), [(20_000, "15"), (20_100, "25"), (90_000, "40")])
def test_the_call_out_goes_by_zone(metres: int, fee: str) -> None:
    zones = entry("zone", "call_out", "15", (Band(D(20), D(25)), Band(D(50), D(40))))
    [line] = price_visit(VisitWork("1", DAY, {}, {}, from_base_m=metres), [sheet(zones)], miles=False).lines
    assert (line.quantity, line.price) == (D(1), D(fee))


@pytest.mark.pure
def test_a_zone_that_is_not_known_is_told() -> None:
    zones = entry("zone", "call_out", "15", (Band(D(20), D(25)),))
    assert price_visit(VisitWork("1", DAY, {}, {}), [sheet(zones)], miles=False).unmeasured == ("call_out",)


@pytest.mark.pure
def test_rechecks_within_the_days_stand_at_nothing() -> None:
    work = VisitWork("1", DAY, {"head_recheck": 3}, {}, recheck_days=(14, 30, 31))
    recheck = entry("flat", "head_recheck", "9", ())
    lines = price_visit(work, [sheet(recheck, free_days=30)], miles=False).lines
    assert [(one.quantity, one.price) for one in lines] == [(D(2), D(0)), (D(1), D(9))]
    assert [one.quantity for one in price_visit(work, [sheet(recheck)], miles=False).lines] == [D(3)]


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("changes", "refusal"),
    [
        ({"way": "zone", "bands": (BandValues(D(40), D(1)),)}, prices.BandsNotOfArticle),
        ({"way": "volume"}, prices.BandsMissing),
        ({"bands": (BandValues(D(40), D(1)),)}, prices.BandsNotSaid),
        ({"way": "volume", "bands": (BandValues(D(0), D(1)),)}, prices.BandsRefused),
        ({"way": "volume", "bands": (BandValues(D(40), D(-1)),)}, prices.PriceRefused),
    ],
)
def test_bands_that_are_refused(changes: dict[str, object], refusal: type[Refusal]) -> None:
    business = bills.a_trimming_business()
    values = PriceValues("head_cow", D(16), bills.a_tax(business), **changes)  # type: ignore[arg-type]
    with pytest.raises(refusal):
        keep_price_list(business=business, name="Prices", valid_from=DAY, prices=[values])


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("changes", "refusal"),
    [
        ({"discount_percent": D(101), "discount_reason": "x"}, prices.ListDiscountRefused),
        ({"discount_percent": D(3)}, prices.ListDiscountWithoutReason),
    ],
)
def test_discounts_of_a_list_that_are_refused(changes: dict[str, Any], refusal: type[Refusal]) -> None:
    with pytest.raises(refusal):
        bills.a_price_list(bills.a_trimming_business(), **changes)


@pytest.mark.django_db
def test_the_office_types_bands_and_reads_the_warning() -> None:
    business = bills.a_trimming_business()
    tax = bills.a_tax(business)
    office = make.signed_in(make.a_member(business))
    values = {
        "name": "Prices",
        "valid_from": "2026-01-01",
        "amount_head_cow": "16",
        "tax_head_cow": tax.pk,
        "way_head_cow": "volume",
    }
    page = office.post("/price-lists/add", values | {"bands_head_cow": "forty"}, follow=True).content.decode()
    assert "with a semicolon between them" in page
    page = office.post("/price-lists/add", values, follow=True).content.decode()
    assert "Say from where on the price is another" in page
    page = office.post(
        "/price-lists/add", values | {"bands_head_cow": "40: 14.50; 80: 13"}, follow=True
    ).content.decode()
    assert "less than 40 at" in page
    assert "€594.50" in page
