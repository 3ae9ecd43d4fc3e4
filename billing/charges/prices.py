"""From what was done on a visit to priced lines, each saying where its price came from.

Units are codes of UN/ECE Recommendation 20, as EN 16931 asks (BT-130).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from types import MappingProxyType

from billing.charges.share import WHOLE, shared_out
from billing.charges.totals import ZERO, Line, exact, rounded

HEAD_ARTICLES = ("head_cow", "head_heifer", "head_bull", "head_lame", "head_recheck")
"""One head of each class. Every head worked on has a price, be it 0.00: without one it is missing."""

TREATMENT_ARTICLES = (
    "treatment_block",
    "treatment_wrap",
    "treatment_topical",
    "treatment_loose_horn_removed",
    "treatment_wall_opened",
    "treatment_referral",
)
"""What is done beyond trimming. Without a price of its own it is in the price of the head."""

CALL_OUT = "call_out"
DISTANCE_KM = "distance_km"
DISTANCE_MILE = "distance_mile"
SET_UP = "set_up"
MINIMUM = "minimum"
HOUR = "hour"
LATE_CANCELLATION = "late_cancellation"

ARTICLES = (
    *HEAD_ARTICLES,
    *TREATMENT_ARTICLES,
    HOUR,
    SET_UP,
    CALL_OUT,
    DISTANCE_KM,
    DISTANCE_MILE,
    MINIMUM,
    LATE_CANCELLATION,
)
"""Every article, in the order in which a visit's lines come."""

TRAVEL_ARTICLES = frozenset({CALL_OUT, DISTANCE_KM, DISTANCE_MILE})

USUAL_UNITS: Mapping[str, str] = MappingProxyType(
    {
        **dict.fromkeys(HEAD_ARTICLES, "HEA"),
        **dict.fromkeys(TREATMENT_ARTICLES, "C62"),
        HOUR: "HUR",
        SET_UP: "LS",
        CALL_OUT: "LS",
        DISTANCE_KM: "KMT",
        DISTANCE_MILE: "SMI",
        MINIMUM: "LS",
        LATE_CANCELLATION: "LS",
    }
)
"""The usual unit of an article: HEA head, C62 one, HUR hour, LS lump sum, KMT kilometre, SMI statute mile."""

METRES_PER_UNIT: Mapping[str, Decimal] = MappingProxyType(
    {DISTANCE_KM: Decimal(1000), DISTANCE_MILE: Decimal("1609.344")}
)
"""The mile is the international one: 1609.344 m exactly (1959 agreement on the yard)."""

FLAT, VOLUME, GRADUATED, ZONE = "flat", "volume", "graduated", "zone"
"""How the bands of a price are meant: none; all units at the band that is reached; each unit at its own band; a lump
sum by the way from the base."""

BANDED: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        **dict.fromkeys((*HEAD_ARTICLES, *TREATMENT_ARTICLES, HOUR), frozenset({FLAT, VOLUME, GRADUATED})),
        **dict.fromkeys((DISTANCE_KM, DISTANCE_MILE), frozenset({FLAT, VOLUME, GRADUATED})),
        CALL_OUT: frozenset({FLAT, ZONE}),
        **dict.fromkeys((SET_UP, MINIMUM, LATE_CANCELLATION), frozenset({FLAT})),
    }
)
"""Which kinds of bands an article may have."""

RECHECK = "head_recheck"

ONE = Decimal(1)


@dataclass(frozen=True, slots=True)
class Band:
    """Above so many units the price of one is another."""

    above: Decimal
    price: Decimal


@dataclass(frozen=True, slots=True)
class How:
    """How a line was reckoned: a code with its figures, for a sentence."""

    code: str
    figures: Mapping[str, Decimal | int | str]


@dataclass(frozen=True, slots=True)
class PriceEntry:
    """The price of one article: an amount per unit in the sheet's currency, with its tax category and rate in per cent.

    With `bands` (from the lowest on) the price holds for the units below the first of them; `way` says what bands mean.
    `exemption` is the reason printed where no tax is charged (BT-120), `name` what the line is called (BT-153).
    """

    article: str
    unit: str
    price: Decimal
    category: str
    rate: Decimal
    exemption: str = ""
    name: str = ""
    way: str = FLAT
    bands: tuple[Band, ...] = ()

    def __post_init__(self) -> None:
        if self.article not in ARTICLES:
            raise ValueError(f"unknown article {self.article}")
        if not (self.unit.isascii() and self.unit.isalnum() and self.unit == self.unit.upper() and len(self.unit) <= 3):
            raise ValueError(f"{self.unit} is not a unit code")
        Line(ONE, self.price, category=self.category, rate=self.rate)
        if self.way not in BANDED[self.article]:
            raise ValueError(f"{self.article} has no bands of the kind {self.way}")
        if (self.way == FLAT) is bool(self.bands):
            raise ValueError("a price has bands, or is flat")
        starts = [exact(band.above, "above") for band in self.bands]
        if any(start <= 0 for start in starts) or starts != sorted(set(starts)):
            raise ValueError("bands go up, from above nothing")
        if any(exact(band.price, "price") < 0 for band in self.bands):
            raise ValueError("price must not be negative")

    def price_at(self, quantity: Decimal) -> Decimal:
        """The price of the band that a quantity reaches."""
        return next((band.price for band in reversed(self.bands) if quantity > band.above), self.price)

    def parts(self, quantity: Decimal) -> tuple[tuple[Decimal, Decimal], ...]:
        """A quantity as pairs of quantity and price: one, or for graduated bands one for each band it enters."""
        if self.way != GRADUATED:
            return ((quantity, self.price_at(quantity)),)
        edges = (ZERO, *(band.above for band in self.bands if quantity > band.above), quantity)
        prices = (self.price, *(band.price for band in self.bands))
        return tuple((end - start, price) for start, end, price in zip(edges, edges[1:], prices, strict=False))

    def amount(self, quantity: Decimal, places: int = 2) -> Decimal:
        """What a quantity comes to, each part rounded as a line is."""
        return sum((rounded(count * price, places) for count, price in self.parts(quantity)), ZERO)


@dataclass(frozen=True, slots=True)
class CheaperEdge:
    """At the edge of a volume band one more unit makes all of them cheaper: `below` units come to `amount_below`, more
    than `above` units, the next whole one, which come to `amount_above`. From `even` units on it is dearer again."""

    below: Decimal
    amount_below: Decimal
    above: Decimal
    amount_above: Decimal
    even: Decimal


def cheaper_edges(entry: PriceEntry, places: int = 2) -> tuple[CheaperEdge, ...]:
    """The band edges at which more of an article costs less: of volume bands whose price falls, nearly all."""
    if entry.way != VOLUME:
        return ()
    found = []
    for band in entry.bands:
        below = rounded(band.above, 0) if rounded(band.above, 0) <= band.above else rounded(band.above, 0) - 1
        above = below + 1
        before, after = entry.amount(below, places), entry.amount(above, places)
        if below > 0 and after < before:
            even = above
            while entry.amount(even, places) < before and even < 10 * above:
                even += 1
            found.append(CheaperEdge(below, before, above, after, even))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class PriceSheet:
    """A price list, or with a `client_key` that client's agreement. Both end dates count; no `valid_to` is no end.

    `discount` is in per cent off a visit's lines. Of it and `free_recheck_days` None says nothing, 0 says none: so an
    agreement takes back what the list gives.
    """

    key: str
    name: str
    valid_from: date
    valid_to: date | None
    client_key: str | None
    currency: str
    entries: tuple[PriceEntry, ...]
    discount: Decimal | None = None
    discount_reason: str = ""
    free_recheck_days: int | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "entries", tuple(self.entries))
        if self.discount is not None and not 0 <= exact(self.discount, "discount") <= 100:
            raise ValueError("a discount is 0 to 100 per cent")
        if self.valid_to is not None and self.valid_to < self.valid_from:
            raise ValueError("a price sheet ends before it begins")
        if len({entry.article for entry in self.entries}) < len(self.entries):
            raise ValueError("a price sheet has two prices for one article")

    def covers(self, day: date) -> bool:
        """Whether a visit on that day is priced by this sheet."""
        return self.valid_from <= day and (self.valid_to is None or day <= self.valid_to)


@dataclass(frozen=True, slots=True)
class Travel:
    """The travel of a round as it is shared: its metres, every farm's share in thousand millionths (`WHOLE` together),
    and at which place of them this visit stands."""

    metres: int
    shares: tuple[int, ...]
    place: int

    def __post_init__(self) -> None:
        if sum(self.shares) != WHOLE or any(share < 0 for share in self.shares):
            raise ValueError("the shares of a round do not add up")
        if not 0 <= self.place < len(self.shares):
            raise ValueError("no such place in the round")

    @property
    def share(self) -> int:
        return self.shares[self.place]


@dataclass(frozen=True, slots=True)
class VisitWork:
    """What was done on one visit: head by HEAD_ARTICLES, treatments by TREATMENT_ARTICLES, metres driven, hours.

    `distance_m` or `hours` is None where it was not recorded. With `travel` the round is shared, and `distance_m` is
    not looked at. `from_base_m` is the way from the base, for zones. `recheck_days` are, for each head rechecked
    because of earlier work, the days since then. Of a visit `cancelled` late nothing is billed but the fee for that.
    """

    key: str
    on: date
    head: Mapping[str, int]
    treatments: Mapping[str, int]
    distance_m: int | None = None
    hours: Decimal | None = None
    travel: Travel | None = None
    from_base_m: int | None = None
    recheck_days: tuple[int, ...] = ()
    cancelled: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "head", _counted(self.head, HEAD_ARTICLES))
        object.__setattr__(self, "treatments", _counted(self.treatments, TREATMENT_ARTICLES))
        if isinstance(self.on, datetime):
            raise TypeError("a visit is on a date")
        if self.distance_m is not None and exact(self.distance_m, "distance") < 0:
            raise ValueError("distance must not be negative")
        if self.hours is not None and exact(self.hours, "hours") < 0:
            raise ValueError("hours must not be negative")


@dataclass(frozen=True, slots=True)
class ChargeLine:
    """One priced line of a visit, frozen with the sheet its price came from."""

    visit_key: str
    on: date
    article: str
    name: str
    unit: str
    quantity: Decimal
    price: Decimal
    category: str
    rate: Decimal
    exemption: str
    sheet_key: str
    sheet_name: str
    how: How | None = None
    travel: Travel | None = None
    levies: tuple[tuple[str, str], ...] | None = None
    """Sales taxes as pairs of authority and rate, added once the place is known; None where there are none."""

    def as_line(self) -> Line:
        """The line as the totals take it."""
        return Line(self.quantity, self.price, category=self.category, rate=self.rate)


@dataclass(frozen=True, slots=True)
class SheetDiscount:
    """A percentage off a visit's lines, with the sheet that gives it."""

    percent: Decimal
    reason: str
    sheet_key: str
    sheet_name: str


@dataclass(frozen=True, slots=True)
class PricedVisit:
    """A visit's lines in the order of ARTICLES, and what keeps them from being whole.

    `missing` are head classes worked on without a price on that day, or the fee of a late cancellation; `unmeasured`
    are articles that have a price but whose quantity was not recorded. With something missing the top-up to the minimum
    is only a provisional one. The minimum is looked at before the discount.
    """

    lines: tuple[ChargeLine, ...]
    missing: tuple[str, ...] = ()
    unmeasured: tuple[str, ...] = ()
    discount: SheetDiscount | None = None


type _Found = Mapping[str, tuple[PriceSheet, PriceEntry]]


def price_visit(
    work: VisitWork,
    sheets: Iterable[PriceSheet],
    *,
    miles: bool,
    travel_counts: bool = False,
    places: int = 2,
) -> PricedVisit:
    """Price a visit by the sheets that cover its date: the business's lists and the agreements of the visit's client.

    Article by article an agreement goes before a list, and of two lists (or agreements) the one that began later.
    `miles` says which distance price is looked for first. If there is a minimum, the difference to it is a line of its
    own, so the count per head stays true; `travel_counts` says whether call-out and distance count towards it.

    Raises ValueError if the sheets are of two clients, or those that cover the date are in two currencies.
    """
    weakest_first = _sheets_on(work.on, sheets)
    found = {entry.article: (sheet, entry) for sheet in weakest_first for entry in sheet.entries}
    if work.cancelled:
        fee = found.get(LATE_CANCELLATION)
        return PricedVisit((_line(work, fee, ONE),)) if fee else PricedVisit((), missing=(LATE_CANCELLATION,))
    quantities, unmeasured = _quantities(work, found, miles=miles)
    free_days = next((one.free_recheck_days for one in reversed(weakest_first) if one.free_recheck_days is not None), 0)
    lines = []
    for article in ARTICLES:
        if article in TRAVEL_ARTICLES and article in quantities:
            lines.append(_travel_line(work, found[article], quantities[article], miles=miles, places=places))
        elif article == RECHECK and article in quantities:
            lines += _rechecks(work, found[article], quantities[article], free_days)
        elif article in quantities:
            lines += _banded(work, found[article], quantities[article])
    if MINIMUM in found:
        eligible = [line for line in lines if travel_counts or line.article not in TRAVEL_ARTICLES]
        worth = sum((line.as_line().net(places) for line in eligible), ZERO)
        top_up = rounded(found[MINIMUM][1].price, places) - worth
        if top_up > 0:
            lines.append(_line(work, found[MINIMUM], ONE, top_up))
    missing = tuple(article for article in HEAD_ARTICLES if work.head.get(article) and article not in found)
    return PricedVisit(tuple(lines), missing, unmeasured, _discount(weakest_first))


def distance_in(article: str, metres: int) -> Decimal:
    """Metres as kilometres (DISTANCE_KM) or miles (DISTANCE_MILE), to one decimal."""
    return rounded(Decimal(metres) / METRES_PER_UNIT[article], 1)


def _sheets_on(day: date, sheets: Iterable[PriceSheet]) -> list[PriceSheet]:
    """The sheets that cover a day, the one that yields to all others first."""
    given = tuple(sheets)
    if len({sheet.client_key for sheet in given} - {None}) > 1:
        raise ValueError("agreements of two clients for one visit")
    valid = [sheet for sheet in given if sheet.covers(day)]
    if len({sheet.currency for sheet in valid}) > 1:
        raise ValueError("price sheets of one day in two currencies")
    return sorted(valid, key=lambda sheet: (sheet.client_key is not None, sheet.valid_from, sheet.key))


def prices_on(day: date, sheets: Iterable[PriceSheet]) -> dict[str, PriceEntry]:
    """The price of each article on a day."""
    return {entry.article: entry for sheet in _sheets_on(day, sheets) for entry in sheet.entries}


def _discount(weakest_first: Sequence[PriceSheet]) -> SheetDiscount | None:
    for sheet in reversed(weakest_first):
        if sheet.discount is not None:
            return (
                SheetDiscount(sheet.discount, sheet.discount_reason, sheet.key, sheet.name) if sheet.discount else None
            )
    return None


def _quantities(work: VisitWork, found: _Found, *, miles: bool) -> tuple[dict[str, Decimal], tuple[str, ...]]:
    """Quantity by priced article, and the priced articles without one."""
    done = {**work.head, **work.treatments}
    quantities = {article: Decimal(count) for article, count in done.items() if count and article in found}
    quantities |= {article: ONE for article in (SET_UP, CALL_OUT) if article in found}
    unmeasured = []
    if CALL_OUT in found and found[CALL_OUT][1].way == ZONE and work.from_base_m is None:
        del quantities[CALL_OUT]
        unmeasured.append(CALL_OUT)
    if HOUR in found:
        if work.hours is None:
            unmeasured.append(HOUR)
        elif work.hours:
            quantities[HOUR] = work.hours
    distance = _first((DISTANCE_MILE, DISTANCE_KM) if miles else (DISTANCE_KM, DISTANCE_MILE), found)
    if distance is not None:
        metres = work.travel.metres if work.travel else work.distance_m
        if metres is None:
            unmeasured.append(distance)
        elif driven := distance_in(distance, metres):
            quantities[distance] = driven
    return quantities, tuple(unmeasured)


def _travel_line(
    work: VisitWork, source: tuple[PriceSheet, PriceEntry], quantity: Decimal, *, miles: bool, places: int
) -> ChargeLine:
    """Call-out, by zone if it has zones; or the way driven: of a shared round this farm's part of what all of it comes
    to, of a round with one farm or a way of one's own the distance at its price."""
    entry = source[1]
    if entry.article == CALL_OUT:
        if entry.way != ZONE or work.from_base_m is None:
            return _line(work, source, ONE)
        unit = DISTANCE_MILE if miles else DISTANCE_KM
        way = distance_in(unit, work.from_base_m)
        return _line(work, source, ONE, entry.price_at(way), how=How("zone", {"distance": way, "unit": unit}))
    if work.travel is None or work.travel.share == WHOLE:
        parts = entry.parts(quantity)
        if len(parts) == 1:
            how = How("round", {"distance": quantity, "unit": entry.article}) if work.travel else None
            line = _line(work, source, *parts[0], how=how)
            return replace(line, travel=work.travel)
    amount = entry.amount(quantity, places)
    if work.travel is None:
        return replace(_line(work, source, ONE, amount), unit="LS")
    part = shared_out(amount, work.travel.shares, places)[work.travel.place]
    figures: dict[str, Decimal | int | str] = {
        "distance": quantity,
        "unit": entry.article,
        "share": work.travel.share,
        "whole": amount,
    }
    line = _line(work, source, ONE, part, how=How("round_share", figures))
    return replace(line, unit="LS", travel=work.travel)


def _rechecks(
    work: VisitWork, source: tuple[PriceSheet, PriceEntry], quantity: Decimal, free_days: int
) -> list[ChargeLine]:
    """Rechecks within the free days are a line at 0.00, the others are paid for."""
    free = min(Decimal(sum(1 for days in work.recheck_days if days <= free_days)) if free_days else ZERO, quantity)
    lines = [_line(work, source, free, ZERO, how=How("free_recheck", {"days": free_days}))] if free else []
    return lines + (_banded(work, source, quantity - free) if quantity > free else [])


def _banded(work: VisitWork, source: tuple[PriceSheet, PriceEntry], quantity: Decimal) -> list[ChargeLine]:
    entry = source[1]
    if entry.way == VOLUME:
        above = max((band.above for band in entry.bands if quantity > band.above), default=ZERO)
        how = How("volume", {"above": above}) if above else None
        return [_line(work, source, quantity, entry.price_at(quantity), how=how)]
    lines, start = [], ZERO
    for count, price in entry.parts(quantity):
        how = How("graduated", {"first": start, "last": start + count}) if entry.way == GRADUATED else None
        lines.append(_line(work, source, count, price, how=how))
        start += count
    return lines


def _first(articles: Sequence[str], found: _Found) -> str | None:
    return next((article for article in articles if article in found), None)


def _line(
    work: VisitWork,
    source: tuple[PriceSheet, PriceEntry],
    quantity: Decimal,
    price: Decimal | None = None,
    *,
    how: How | None = None,
) -> ChargeLine:
    sheet, entry = source
    return ChargeLine(
        visit_key=work.key,
        on=work.on,
        article=entry.article,
        name=entry.name,
        unit=entry.unit,
        quantity=quantity,
        price=entry.price if price is None else price,
        category=entry.category,
        rate=entry.rate,
        exemption=entry.exemption,
        sheet_key=sheet.key,
        sheet_name=sheet.name,
        how=how,
    )


def _counted(counts: Mapping[str, int], known: Sequence[str]) -> Mapping[str, int]:
    for article, count in counts.items():
        if article not in known:
            raise ValueError(f"unknown article {article}")
        if isinstance(count, bool) or not isinstance(count, int):
            raise TypeError(f"{article} must be a whole number")
        if count < 0:
            raise ValueError(f"{article} must not be negative")
    return MappingProxyType(dict(counts))
