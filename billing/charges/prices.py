"""From what was done on a visit to priced lines, each saying where its price came from.

Units are codes of UN/ECE Recommendation 20, as EN 16931 asks (BT-130).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from types import MappingProxyType

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

ARTICLES = (*HEAD_ARTICLES, *TREATMENT_ARTICLES, HOUR, SET_UP, CALL_OUT, DISTANCE_KM, DISTANCE_MILE, MINIMUM)
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
    }
)
"""The usual unit of an article: HEA head, C62 one, HUR hour, LS lump sum, KMT kilometre, SMI statute mile."""

METRES_PER_UNIT: Mapping[str, Decimal] = MappingProxyType(
    {DISTANCE_KM: Decimal(1000), DISTANCE_MILE: Decimal("1609.344")}
)
"""The mile is the international one: 1609.344 m exactly (1959 agreement on the yard)."""

ONE = Decimal(1)


@dataclass(frozen=True, slots=True)
class PriceEntry:
    """The price of one article: an amount per unit in the sheet's currency, with its tax category and rate in per cent.

    `exemption` is the reason printed where no tax is charged (BT-120), `name` what the line is called (BT-153).
    """

    article: str
    unit: str
    price: Decimal
    category: str
    rate: Decimal
    exemption: str = ""
    name: str = ""

    def __post_init__(self) -> None:
        if self.article not in ARTICLES:
            raise ValueError(f"unknown article {self.article}")
        if not (self.unit.isascii() and self.unit.isalnum() and self.unit == self.unit.upper() and len(self.unit) <= 3):
            raise ValueError(f"{self.unit} is not a unit code")
        Line(ONE, self.price, category=self.category, rate=self.rate)


@dataclass(frozen=True, slots=True)
class PriceSheet:
    """A price list, or with a `client_key` that client's agreement. Both end dates count; no `valid_to` is no end."""

    key: str
    name: str
    valid_from: date
    valid_to: date | None
    client_key: str | None
    currency: str
    entries: tuple[PriceEntry, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "entries", tuple(self.entries))
        if self.valid_to is not None and self.valid_to < self.valid_from:
            raise ValueError("a price sheet ends before it begins")
        if len({entry.article for entry in self.entries}) < len(self.entries):
            raise ValueError("a price sheet has two prices for one article")

    def covers(self, day: date) -> bool:
        """Whether a visit on that day is priced by this sheet."""
        return self.valid_from <= day and (self.valid_to is None or day <= self.valid_to)


@dataclass(frozen=True, slots=True)
class VisitWork:
    """What was done on one visit: head by HEAD_ARTICLES, treatments by TREATMENT_ARTICLES, metres driven, hours.

    `distance_m` or `hours` is None where it was not recorded.
    """

    key: str
    on: date
    head: Mapping[str, int]
    treatments: Mapping[str, int]
    distance_m: int | None = None
    hours: Decimal | None = None

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
    levies: tuple[tuple[str, str], ...] | None = None
    """Sales taxes as pairs of authority and rate, added once the place is known; None where there are none."""

    def as_line(self) -> Line:
        """The line as the totals take it."""
        return Line(self.quantity, self.price, category=self.category, rate=self.rate)


@dataclass(frozen=True, slots=True)
class PricedVisit:
    """A visit's lines in the order of ARTICLES, and what keeps them from being whole.

    `missing` are head classes worked on without a price on that day; `unmeasured` are articles that have a price but
    whose quantity was not recorded. With something missing the top-up to the minimum is only a provisional one.
    """

    lines: tuple[ChargeLine, ...]
    missing: tuple[str, ...] = ()
    unmeasured: tuple[str, ...] = ()


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
    found = _prices_on(work.on, sheets)
    quantities, unmeasured = _quantities(work, found, miles=miles)
    lines = [_line(work, found[article], quantities[article]) for article in ARTICLES if article in quantities]
    if MINIMUM in found:
        eligible = [line for line in lines if travel_counts or line.article not in TRAVEL_ARTICLES]
        worth = sum((line.as_line().net(places) for line in eligible), ZERO)
        top_up = rounded(found[MINIMUM][1].price, places) - worth
        if top_up > 0:
            lines.append(_line(work, found[MINIMUM], ONE, top_up))
    missing = tuple(article for article in HEAD_ARTICLES if work.head.get(article) and article not in found)
    return PricedVisit(tuple(lines), missing, unmeasured)


def distance_in(article: str, metres: int) -> Decimal:
    """Metres as kilometres (DISTANCE_KM) or miles (DISTANCE_MILE), to one decimal."""
    return rounded(Decimal(metres) / METRES_PER_UNIT[article], 1)


def _prices_on(day: date, sheets: Iterable[PriceSheet]) -> _Found:
    given = tuple(sheets)
    if len({sheet.client_key for sheet in given} - {None}) > 1:
        raise ValueError("agreements of two clients for one visit")
    valid = [sheet for sheet in given if sheet.covers(day)]
    if len({sheet.currency for sheet in valid}) > 1:
        raise ValueError("price sheets of one day in two currencies")
    weakest_first = sorted(valid, key=lambda sheet: (sheet.client_key is not None, sheet.valid_from, sheet.key))
    return {entry.article: (sheet, entry) for sheet in weakest_first for entry in sheet.entries}


def _quantities(work: VisitWork, found: _Found, *, miles: bool) -> tuple[dict[str, Decimal], tuple[str, ...]]:
    """Quantity by priced article, and the priced articles without one."""
    done = {**work.head, **work.treatments}
    quantities = {article: Decimal(count) for article, count in done.items() if count and article in found}
    quantities |= {article: ONE for article in (SET_UP, CALL_OUT) if article in found}
    unmeasured = []
    if HOUR in found:
        if work.hours is None:
            unmeasured.append(HOUR)
        elif work.hours:
            quantities[HOUR] = work.hours
    distance = _first((DISTANCE_MILE, DISTANCE_KM) if miles else (DISTANCE_KM, DISTANCE_MILE), found)
    if distance is not None:
        if work.distance_m is None:
            unmeasured.append(distance)
        elif driven := distance_in(distance, work.distance_m):
            quantities[distance] = driven
    return quantities, tuple(unmeasured)


def _first(articles: Sequence[str], found: _Found) -> str | None:
    return next((article for article in articles if article in found), None)


def _line(
    work: VisitWork, source: tuple[PriceSheet, PriceEntry], quantity: Decimal, price: Decimal | None = None
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
