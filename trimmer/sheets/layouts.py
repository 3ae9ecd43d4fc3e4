"""The sheets that can be brought in and taken out: clients and farms, animals, prices, visits with their records.

Keys are those of the facts they become; further titles are understood where a sheet made elsewhere is likely to have
them.
"""

from collections.abc import Callable, Iterator, Mapping
from datetime import date, time
from decimal import Decimal
from itertools import pairwise
from types import MappingProxyType
from typing import Any, Final

from trimmer.lesions import CLAW_NAMES, FEET, FOOT_NAMES, M_STAGES, ZONES, check_finding, is_unusual_zone
from trimmer.locomotion import SCALES, check_score
from trimmer.sheets.layout import Agreement, Choice, Column, Kind, Layout, RowCheck, RowFinding
from trimmer.sheets.sentences import gettext_noop
from trimmer.sheets.values import AccessHours

type Values = Mapping[str, Any]

_HEAD_MOST: Final = Decimal(100_000)


def _check(*columns: str) -> Callable[[Callable[[Values], Iterator[RowFinding]]], RowCheck]:
    """Makes a rule across these columns of a row."""
    return lambda rule: RowCheck(columns, rule)


# --- columns of several sheets ----------------------------------------------------------------------------------------


def _client_number(help_text: str, *, required: bool) -> Column:
    return Column(
        key="client_number",
        title=gettext_noop("Client number"),
        kind=Kind.CODE,
        required=required,
        help=help_text,
        example="1001",
        max_length=20,
        aliases=("Client no", "Client id", "Customer number", "Customer no", "Kundennummer", "Kunden-Nr", "No client"),
    )


def _farm_name(help_text: str, *, required: bool) -> Column:
    return Column(
        key="farm_name",
        title=gettext_noop("Farm"),
        kind=Kind.TEXT,
        required=required,
        help=help_text,
        example="Upper Mill",
        max_length=120,
        aliases=("Farm", "Name of farm", "Betrieb", "Hof", "Ferme", "Exploitation"),
    )


def _address(
    whose: str, titles: tuple[str, str, str, str, str], help_text: str, example: tuple[str, ...]
) -> list[Column]:
    """Street, postcode, town, region and country of a client or a farm."""
    parts = ("street", "postcode", "city", "region", "country")
    lengths = (200, 20, 100, 100, 2)
    kinds = (Kind.TEXT, Kind.CODE, Kind.TEXT, Kind.TEXT, Kind.COUNTRY)
    return [
        Column(
            key=f"{whose}_{part}",
            title=title,
            kind=kind,
            help=help_text if part == "street" else _COUNTRY_HELP if part == "country" else "",
            example=value or None,
            max_length=length,
            aliases=_ADDRESS_ALIASES[part] if whose == "client" else (),
        )
        for part, title, kind, length, value in zip(parts, titles, kinds, lengths, example, strict=True)
    ]


_COUNTRY_HELP: Final = gettext_noop("Its name or its two letters (ISO 3166).")
_ADDRESS_ALIASES: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "street": ("Street", "Address", "Straße", "Rue", "Adresse"),
        "postcode": ("Postcode", "Postal code", "Zip", "Zip code", "PLZ", "Code postal"),
        "city": ("Town", "City", "Ort", "Ville"),
        "region": ("Region", "State", "County", "Province", "Bundesland"),
        "country": ("Country", "Land", "Pays"),
    }
)


def _number(key: str, title: str, help_text: str, example: int, aliases: tuple[str, ...], most: Decimal) -> Column:
    return Column(
        key=key,
        title=title,
        kind=Kind.INTEGER,
        help=help_text,
        example=example,
        aliases=aliases,
        minimum=Decimal(0),
        maximum=most,
    )


# --- clients and farms ------------------------------------------------------------------------------------------------

_CLIENT_FIELDS: Final = (
    "client_name",
    "client_street",
    "client_postcode",
    "client_city",
    "client_region",
    "client_country",
    "client_email",
    "client_phone",
    "client_tax_id",
    "payment_days",
    "on_hold",
    "client_note",
)
_FARM_FIELDS: Final = (
    "farm_street",
    "farm_postcode",
    "farm_city",
    "farm_region",
    "farm_country",
    "latitude",
    "longitude",
    "barn",
    "milking",
    "dry",
    "heifers",
    "health_tier",
    "days_that_suit",
    "access_hours",
    "lock_up_hours",
    "visit_interval_weeks",
    "chute_kind_needed",
    "handling_notes",
    "access_notes",
)


@_check("farm_name", "contact_name", *_FARM_FIELDS)
def _farm_has_a_name(row: Values) -> Iterator[RowFinding]:
    if row["farm_name"] is None and any(row[key] is not None for key in ("contact_name", *_FARM_FIELDS)):
        yield RowFinding("farm_name", "farm_name_missing")


@_check("latitude", "longitude")
def _place_is_whole(row: Values) -> Iterator[RowFinding]:
    latitude, longitude = row["latitude"], row["longitude"]
    if (latitude is None) != (longitude is None):
        yield RowFinding("latitude" if latitude is None else "longitude", "half_a_place")
    elif latitude is not None and latitude == longitude == 0:
        yield RowFinding("latitude", "place_is_null_island", warning=True)


@_check("contact_name", "contact_phone", "contact_email")
def _contact_has_a_name(row: Values) -> Iterator[RowFinding]:
    if row["contact_name"] is None and (row["contact_phone"] is not None or row["contact_email"] is not None):
        yield RowFinding("contact_name", "contact_name_missing")


CLIENTS_AND_FARMS: Final = Layout(
    kind="clients_and_farms",
    title=gettext_noop("Clients and farms"),
    columns=(
        _client_number(
            gettext_noop(
                "Your own number of who pays. A client with several farms takes a row for each; what is said of the"
                " client must be alike in all of them."
            ),
            required=True,
        ),
        Column(
            key="client_name",
            title=gettext_noop("Client"),
            kind=Kind.TEXT,
            required=True,
            help=gettext_noop("Who pays, as on the invoice."),
            example="Marsh & Daughters",
            max_length=120,
            aliases=("Client name", "Customer", "Customer name", "Name", "Kunde", "Kundenname", "Nom du client"),
        ),
        *_address(
            "client",
            (
                gettext_noop("Client street"),
                gettext_noop("Client postcode"),
                gettext_noop("Client town"),
                gettext_noop("Client region"),
                gettext_noop("Client country"),
            ),
            gettext_noop("The address on the invoice."),
            ("3 Tannery Row", "ZZ1 4AB", "Lower Dale", "", "GB"),
        ),
        Column(
            key="client_email",
            title=gettext_noop("Client e-mail"),
            kind=Kind.EMAIL,
            help=gettext_noop("Where invoices are sent to."),
            example="office@marsh.example",
            aliases=("E-mail", "Mail"),
        ),
        Column(
            key="client_phone",
            title=gettext_noop("Client phone"),
            kind=Kind.CODE,
            help="",
            example="+44 1632 960100",
            max_length=40,
            aliases=("Phone", "Telephone", "Telefon", "Téléphone"),
        ),
        Column(
            key="client_tax_id",
            title=gettext_noop("Tax registration"),
            kind=Kind.CODE,
            help=gettext_noop("VAT id or another tax number of the client."),
            example=None,
            max_length=40,
            aliases=("VAT id", "VAT number", "Tax id", "UID", "USt-IdNr", "No TVA"),
        ),
        _number("payment_days", gettext_noop("Days to pay"), gettext_noop("Empty: as usual."), 14, (), Decimal(365)),
        Column(
            key="on_hold",
            title=gettext_noop("On hold"),
            kind=Kind.YES_NO,
            help=gettext_noop("Yes: no new visits are proposed."),
            example=False,
        ),
        Column(
            key="client_note",
            title=gettext_noop("Client note"),
            kind=Kind.NOTES,
            help="",
            example=None,
            max_length=20_000,
        ),
        _farm_name(gettext_noop("The name of the farm. Empty only for a client without one."), required=False),
        *_address(
            "farm",
            (
                gettext_noop("Farm street"),
                gettext_noop("Farm postcode"),
                gettext_noop("Farm town"),
                gettext_noop("Farm region"),
                gettext_noop("Farm country"),
            ),
            gettext_noop("Where the cows are."),
            ("Mill Lane", "ZZ1 9XY", "Upper Dale", "", "GB"),
        ),
        Column(
            key="latitude",
            title=gettext_noop("Latitude"),
            kind=Kind.LATITUDE,
            help=gettext_noop("Degrees north, such as 54.1234, of the place where the chute is set up."),
            example=Decimal("54.1234000"),
            aliases=("Lat",),
        ),
        Column(
            key="longitude",
            title=gettext_noop("Longitude"),
            kind=Kind.LONGITUDE,
            help=gettext_noop("Degrees east; west of Greenwich with a minus."),
            example=Decimal("-2.5678000"),
            aliases=("Lon", "Long", "Lng"),
        ),
        Column(
            key="barn",
            title=gettext_noop("Barn"),
            kind=Kind.CHOICE,
            help="",
            example="free_stall",
            choices=(
                Choice("free_stall", gettext_noop("free stall"), ("cubicles", "loose housing", "Laufstall")),
                Choice("tie_stall", gettext_noop("tie stall"), ("Anbindestall",)),
                Choice("other", gettext_noop("other")),
            ),
        ),
        _number(
            "milking",
            gettext_noop("Milking cows"),
            gettext_noop("Head of cows in milk."),
            120,
            ("Milking", "Cows", "Milchkühe"),
            _HEAD_MOST,
        ),
        _number("dry", gettext_noop("Dry cows"), gettext_noop("Head."), 18, ("Dry", "Trockensteher"), _HEAD_MOST),
        _number("heifers", gettext_noop("Heifers"), gettext_noop("Head."), 35, ("Kalbinnen", "Färsen"), _HEAD_MOST),
        Column(
            key="health_tier",
            title=gettext_noop("Health tier"),
            kind=Kind.CHOICE,
            help=gettext_noop(
                "How clean the herd is: 0 the cleanest to 3 the last visit of the day. A round goes from 0 upwards."
            ),
            example="1",
            choices=(
                Choice("0", "0", ("clean",)),
                Choice("1", "1", ("usual",)),
                Choice("2", "2", ("infectious",)),
                Choice("3", "3", ("last",)),
            ),
        ),
        Column(
            key="days_that_suit",
            title=gettext_noop("Days that suit"),
            kind=Kind.WEEKDAYS,
            help=gettext_noop("Such as Mon-Fri, or Tue, Thu."),
            example=(0, 1, 2, 3, 4),
            aliases=("Days",),
        ),
        Column(
            key="access_hours",
            title=gettext_noop("Access hours"),
            kind=Kind.ACCESS_HOURS,
            help=gettext_noop(
                "When the crew may work, by weekday: Mon-Fri 06:00-11:00, 13:00-17:00; Sat 08:00-12:00. Empty: at any"
                " time."
            ),
            example=(AccessHours(0, time(6), time(11)), AccessHours(0, time(13), time(17))),
            aliases=("Hours",),
        ),
        Column(
            key="lock_up_hours",
            title=gettext_noop("Lock-up limit"),
            kind=Kind.DECIMAL,
            help=gettext_noop("How many hours cows may wait away from feed and bedding."),
            example=Decimal("2.5"),
            aliases=("Lock-up hours", "Lock-up limit (hours)"),
            minimum=Decimal("0.25"),
            maximum=Decimal(24),
            places=2,
        ),
        Column(
            key="visit_interval_weeks",
            title=gettext_noop("Weeks between visits"),
            kind=Kind.INTEGER,
            help=gettext_noop("A standing arrangement. Empty: on request only."),
            example=8,
            aliases=("Visit interval", "Visit interval weeks", "Interval"),
            minimum=Decimal(1),
            maximum=Decimal(104),
        ),
        Column(
            key="chute_kind_needed",
            title=gettext_noop("Chute needed"),
            kind=Kind.CHOICE,
            help=gettext_noop("Empty: either will do."),
            example=None,
            choices=(
                Choice("stand_up", gettext_noop("stand-up chute"), ("stand up",)),
                Choice("tilt_table", gettext_noop("tilt table"), ("tilt",)),
            ),
        ),
        Column(
            key="handling_notes",
            title=gettext_noop("Handling notes"),
            kind=Kind.NOTES,
            help=gettext_noop("What a crew should know about the cows and the place."),
            example=None,
            max_length=20_000,
        ),
        Column(
            key="access_notes",
            title=gettext_noop("Access notes"),
            kind=Kind.NOTES,
            help=gettext_noop("How to get there with the chute."),
            example=None,
            max_length=20_000,
        ),
        Column(
            key="contact_name",
            title=gettext_noop("Contact"),
            kind=Kind.TEXT,
            help=gettext_noop("Somebody at the farm. Further contacts take a row each, with the farm's name again."),
            example="Ann Marsh",
            max_length=120,
            aliases=("Contact person", "Ansprechpartner"),
        ),
        Column(
            key="contact_phone",
            title=gettext_noop("Contact's phone"),
            kind=Kind.CODE,
            help="",
            example="+44 7700 900123",
            max_length=40,
        ),
        Column(
            key="contact_email",
            title=gettext_noop("Contact's e-mail"),
            kind=Kind.EMAIL,
            help="",
            example="ann@marsh.example",
        ),
        Column(
            key="contact_job",
            title=gettext_noop("Contact's job"),
            kind=Kind.TEXT,
            help=gettext_noop("What the contact does at the farm."),
            example=None,
            max_length=80,
        ),
        Column(
            key="contact_told",
            title=gettext_noop("Contact is told"),
            kind=Kind.YES_NO,
            help=gettext_noop("Yes: is told of visits by e-mail."),
            example=True,
        ),
    ),
    key_columns=("client_number", "farm_name", "contact_name"),
    checks=(_farm_has_a_name, _place_is_whole, _contact_has_a_name),
    agreements=(
        Agreement(gettext_noop("client"), ("client_number",), _CLIENT_FIELDS),
        Agreement(gettext_noop("farm"), ("client_number", "farm_name"), _FARM_FIELDS),
    ),
)


# --- animals ----------------------------------------------------------------------------------------------------------


@_check("animal_class", "born_on", "calved_on", "calving_due_on", "dry_off_on")
def _dates_of_a_life_are_in_order(row: Values) -> Iterator[RowFinding]:
    born, calved, due, dry = (row[key] for key in ("born_on", "calved_on", "calving_due_on", "dry_off_on"))
    if born is not None and calved is not None and calved <= born:
        yield RowFinding("calved_on", "born_after_calving")
    if calved is not None and due is not None and due <= calved:
        yield RowFinding("calving_due_on", "due_before_last_calving")
    if due is not None and dry is not None and dry >= due:
        yield RowFinding("dry_off_on", "dry_off_after_due", warning=True)
    if row["animal_class"] == "bull":
        for key in ("calved_on", "calving_due_on"):
            if row[key] is not None:
                yield RowFinding(key, "bull_calves", warning=True)


def _day(key: str, title: str, help_text: str, example: date | None, aliases: tuple[str, ...], *, past: bool) -> Column:
    return Column(key=key, title=title, kind=Kind.DATE, help=help_text, example=example, aliases=aliases, past=past)


ANIMALS: Final = Layout(
    kind="animals",
    title=gettext_noop("Animals"),
    columns=(
        _client_number(gettext_noop("The number of the client the farm belongs to."), required=True),
        _farm_name(gettext_noop("Empty only if the client has one farm."), required=False),
        Column(
            key="number",
            title=gettext_noop("Number"),
            kind=Kind.CODE,
            required=True,
            help=gettext_noop("The farm's own number of the animal, as it is read on the collar or the tag."),
            example="217",
            max_length=20,
            aliases=("Animal", "Animal number", "Cow", "Cow number", "Herd number", "Nummer", "Stallnummer", "Numéro"),
        ),
        Column(
            key="official_tag",
            title=gettext_noop("Official tag"),
            kind=Kind.TAG,
            help=gettext_noop("Country and number, such as UK230011200123. A doubtful one is kept and pointed out."),
            example="UK230011200123",
            max_length=24,
            aliases=("Ear tag", "Eartag", "Tag", "Ohrmarke", "Boucle"),
        ),
        Column(
            key="transponder",
            title=gettext_noop("Transponder"),
            kind=Kind.TRANSPONDER,
            help=gettext_noop("The 15 digits of ISO 11784. Give the column the format Text."),
            example="840003123456789",
            max_length=24,
            aliases=("EID", "RFID", "Electronic id"),
        ),
        Column(
            key="group",
            title=gettext_noop("Group or pen"),
            kind=Kind.CODE,
            help=gettext_noop("Where the animal is found."),
            example="Pen 3",
            max_length=40,
            aliases=("Group", "Pen", "Gruppe", "Lot"),
        ),
        Column(
            key="animal_class",
            title=gettext_noop("Class"),
            kind=Kind.CHOICE,
            help=gettext_noop("Empty: a cow."),
            example="cow",
            choices=(
                Choice("cow", gettext_noop("milking cow"), ("cow", "milking", "Kuh", "vache")),
                Choice("dry", gettext_noop("dry cow"), ("dry", "trocken", "tarie")),
                Choice("heifer", gettext_noop("heifer"), ("Kalbin", "Färse", "génisse")),
                Choice("bull", gettext_noop("bull"), ("Stier", "Bulle", "taureau")),
            ),
        ),
        _day("born_on", gettext_noop("Born"), "", date(2022, 3, 14), ("Born on", "Birth", "Date of birth"), past=True),
        _day(
            "calved_on",
            gettext_noop("Last calved"),
            "",
            date(2026, 1, 20),
            ("Calved", "Calved on", "Last calving"),
            past=True,
        ),
        _day(
            "calving_due_on",
            gettext_noop("Expected calving"),
            gettext_noop("Within four weeks of it a trim is cautioned against."),
            date(2027, 1, 25),
            ("Due", "Calving due", "Due date"),
            past=False,
        ),
        _day(
            "dry_off_on",
            gettext_noop("Planned dry-off"),
            gettext_noop("Cows are put on the trim list before it."),
            date(2026, 11, 26),
            ("Dry off", "Dry-off", "Dry-off date"),
            past=False,
        ),
        Column(
            key="note",
            title=gettext_noop("Note"),
            kind=Kind.TEXT,
            help="",
            example=None,
            max_length=300,
            aliases=("Notes", "Remark"),
        ),
    ),
    key_columns=("client_number", "farm_name", "number"),
    once=("official_tag", "transponder"),
    checks=(_dates_of_a_life_are_in_order,),
)


# --- prices -----------------------------------------------------------------------------------------------------------

_UNITS: Final = (
    Choice("HEA", gettext_noop("head"), ("per head", "Stück", "tête")),
    Choice("C62", gettext_noop("each"), ("piece", "one")),
    Choice("HUR", gettext_noop("hour"), ("h", "hours")),
    Choice("LS", gettext_noop("lump sum"), ("flat", "pauschal")),
    Choice("KMT", gettext_noop("km"), ("kilometre", "kilometer")),
    Choice("SMI", gettext_noop("mile"), ("mi", "miles")),
)
_ARTICLES: Final = (
    ("HEA", Choice("head_cow", gettext_noop("cow trimmed"), ("cow",))),
    ("HEA", Choice("head_heifer", gettext_noop("heifer trimmed"), ("heifer",))),
    ("HEA", Choice("head_bull", gettext_noop("bull trimmed"), ("bull",))),
    ("HEA", Choice("head_lame", gettext_noop("lame cow treated"), ("lame cow", "lame"))),
    ("HEA", Choice("head_recheck", gettext_noop("recheck"))),
    ("C62", Choice("treatment_block", gettext_noop("block"))),
    ("C62", Choice("treatment_wrap", gettext_noop("wrap"))),
    ("C62", Choice("treatment_topical", gettext_noop("topical product"), ("topical",))),
    ("C62", Choice("treatment_loose_horn_removed", gettext_noop("loose horn removed"))),
    ("C62", Choice("treatment_wall_opened", gettext_noop("wall opened"))),
    ("C62", Choice("treatment_referral", gettext_noop("referral to the veterinarian"), ("referral",))),
    ("HUR", Choice("hour", gettext_noop("hour at the chute"))),
    ("LS", Choice("set_up", gettext_noop("set-up"))),
    ("LS", Choice("call_out", gettext_noop("call-out"))),
    ("KMT", Choice("distance_km", gettext_noop("travel, per km"))),
    ("SMI", Choice("distance_mile", gettext_noop("travel, per mile"))),
    ("LS", Choice("minimum", gettext_noop("minimum for a visit"))),
    ("LS", Choice("late_cancellation", gettext_noop("visit cancelled late"))),
)
UNIT_OF_ARTICLE: Final[Mapping[str, str]] = MappingProxyType({choice.value: unit for unit, choice in _ARTICLES})
"""Article -> its unit (UN/ECE Recommendation 20)."""


@_check("valid_from", "valid_to")
def _list_ends_after_it_begins(row: Values) -> Iterator[RowFinding]:
    if row["valid_from"] is not None and row["valid_to"] is not None and row["valid_to"] < row["valid_from"]:
        yield RowFinding("valid_to", "ends_before_it_begins")


@_check("article", "unit")
def _unit_is_the_articles(row: Values) -> Iterator[RowFinding]:
    unit = UNIT_OF_ARTICLE.get(row["article"])
    if row["unit"] is not None and unit is not None and row["unit"] != unit:
        yield RowFinding("unit", "unit_not_of_article", {"article": row["article"], "unit": unit})


@_check("tax_code", "tax_rate")
def _rate_goes_with_the_category(row: Values) -> Iterator[RowFinding]:
    code, rate = row["tax_code"], row["tax_rate"]
    if code == "S" and not rate:
        yield RowFinding("tax_rate", "tax_rate_missing")
    elif code not in (None, "S") and rate:
        yield RowFinding("tax_rate", "tax_rate_not_zero", {"code": code})


PRICES: Final = Layout(
    kind="prices",
    title=gettext_noop("Price list"),
    columns=(
        Column(
            key="list_name",
            title=gettext_noop("List"),
            kind=Kind.TEXT,
            required=True,
            help=gettext_noop("The name of the price list; the same in all of its rows."),
            example="Prices 2026",
            max_length=80,
            aliases=("List name", "Price list", "Preisliste"),
        ),
        Column(
            key="valid_from",
            title=gettext_noop("Valid from"),
            kind=Kind.DATE,
            required=True,
            help=gettext_noop("The first day it holds. The date of the visit counts."),
            example=date(2026, 1, 1),
            aliases=("From", "Gültig ab"),
        ),
        Column(
            key="valid_to",
            title=gettext_noop("Valid to"),
            kind=Kind.DATE,
            help=gettext_noop("The last day it holds. Empty: until further notice."),
            example=None,
            aliases=("To", "Until", "Gültig bis"),
        ),
        _client_number(gettext_noop("Of an agreement with one client. Empty: the list is for all."), required=False),
        Column(
            key="article",
            title=gettext_noop("Article"),
            kind=Kind.CHOICE,
            required=True,
            help=gettext_noop("What the price is for."),
            example="head_cow",
            choices=tuple(choice for _, choice in _ARTICLES),
            aliases=("Artikel",),
        ),
        Column(
            key="amount",
            title=gettext_noop("Price"),
            kind=Kind.MONEY,
            required=True,
            help=gettext_noop("For one unit, before tax."),
            example=Decimal("14.50"),
            minimum=Decimal(0),
            maximum=Decimal(99_999_999),
            places=4,
            aliases=("Amount", "Unit price", "Preis", "Prix"),
        ),
        Column(
            key="unit",
            title=gettext_noop("Unit"),
            kind=Kind.CHOICE,
            help=gettext_noop("Each article has one unit; it may be left out."),
            example="HEA",
            choices=_UNITS,
            aliases=("Einheit", "Unité"),
        ),
        Column(
            key="tax_category",
            title=gettext_noop("Tax category"),
            kind=Kind.TEXT,
            required=True,
            help=gettext_noop("The name of one of your tax categories. Which is right, your accountant knows."),
            example="Standard",
            max_length=60,
            aliases=("Tax", "VAT category"),
        ),
        Column(
            key="tax_code",
            title=gettext_noop("Tax code"),
            kind=Kind.CHOICE,
            help=gettext_noop("Category of EN 16931. Needed where the tax category is new."),
            example="S",
            choices=(
                Choice("S", "S", ("taxed",)),
                Choice("Z", "Z", ("zero rated",)),
                Choice("E", "E", ("exempt",)),
                Choice("AE", "AE", ("reverse charge",)),
                Choice("O", "O", ("not subject to tax",)),
            ),
        ),
        Column(
            key="tax_rate",
            title=gettext_noop("Tax rate"),
            kind=Kind.PERCENT,
            help=gettext_noop("In percent. Needed where the tax category is new and taxed."),
            example=Decimal(20),
            minimum=Decimal(0),
            maximum=Decimal(100),
            places=3,
            aliases=("Rate", "VAT rate", "VAT"),
        ),
        Column(
            key="tax_text",
            title=gettext_noop("Tax text"),
            kind=Kind.TEXT,
            help=gettext_noop("What the invoice says where no tax is charged."),
            example=None,
            max_length=300,
        ),
    ),
    key_columns=("list_name", "article"),
    checks=(_list_ends_after_it_begins, _unit_is_the_articles, _rate_goes_with_the_category),
    agreements=(
        Agreement(gettext_noop("price list"), ("list_name",), ("valid_from", "valid_to", "client_number")),
        Agreement(gettext_noop("tax category"), ("tax_category",), ("tax_code", "tax_rate", "tax_text")),
    ),
)


# --- visits and records -----------------------------------------------------------------------------------------------

_HOURS_OF_A_VISIT: Final = ("arrived", "first_head_in", "last_head_out", "left")
_OF_A_VISIT: Final = (*_HOURS_OF_A_VISIT, "billed")
_OF_A_RECORD: Final = ("work", "score", "scale", "feet_trimmed", "minutes", "note")
_COLUMN_OF_FINDING_PROBLEM: Final[Mapping[str, str]] = MappingProxyType(
    {"m_stage_only_for_dd": "m_stage", "claw_missing": "claw", "claw_not_in_this_zone": "claw"}
)
_VISIT_TITLES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "arrived": gettext_noop("Arrived"),
        "first_head_in": gettext_noop("First head in"),
        "last_head_out": gettext_noop("Last head out"),
        "left": gettext_noop("Left"),
    }
)


@_check(*_HOURS_OF_A_VISIT)
def _hours_are_in_order(row: Values) -> Iterator[RowFinding]:
    told = [key for key in _HOURS_OF_A_VISIT if row[key] is not None]
    for earlier, later in pairwise(told):
        if row[later] < row[earlier]:
            yield RowFinding(later, "times_out_of_order", {"later": later, "earlier": earlier})


@_check("score", "scale")
def _score_has_its_scale(row: Values) -> Iterator[RowFinding]:
    score, scale = row["score"], row["scale"]
    if score is not None and scale is None:
        yield RowFinding("scale", "scale_missing")
    elif score is None and scale is not None:
        yield RowFinding("score", "score_missing")
    elif score is not None and check_score(scale, score):
        yield RowFinding("score", "score_not_on_scale")


@_check("foot", "claw", "zone", "lesion", "m_stage")
def _finding_is_sound(row: Values) -> Iterator[RowFinding]:
    lesion, m_stage, foot, claw = row["lesion"], row["m_stage"], row["foot"], row["claw"]
    zone = None if row["zone"] is None else int(row["zone"])
    if lesion is None:
        if zone is not None or m_stage is not None:
            yield RowFinding("lesion", "lesion_missing")
        return
    if foot is None:
        yield RowFinding("foot", "foot_missing")
    for problem in check_finding(lesion, m_stage, foot or FEET[0], claw, zone):
        yield RowFinding(_COLUMN_OF_FINDING_PROBLEM[problem], problem)
    if zone is not None and is_unusual_zone(lesion, zone):
        yield RowFinding("zone", "zone_unusual", {"lesion": lesion, "zone": zone}, warning=True)


PUT_ON_A_FOOT: Final = frozenset({"block", "wrap"})
"""Treatments that need their foot."""


@_check("foot", "claw", "treatment", "block_kind", "product", "batch", "milk_withhold_until", "meat_withhold_until")
def _treatment_is_sound(row: Values) -> Iterator[RowFinding]:
    treatment = row["treatment"]
    details = ("block_kind", "product", "batch", "milk_withhold_until", "meat_withhold_until")
    if treatment is None:
        if any(row[key] is not None for key in details):
            yield RowFinding("treatment", "treatment_missing")
        return
    if row["block_kind"] is not None and treatment != "block":
        yield RowFinding("block_kind", "block_kind_without_block")
    if treatment in PUT_ON_A_FOOT and row["foot"] is None:
        yield RowFinding("foot", "treated_foot_missing")
    if treatment == "block" and row["claw"] is None:
        yield RowFinding("claw", "block_claw_missing")


@_check("visit_date", "milk_withhold_until", "meat_withhold_until")
def _withholding_ends_after_the_visit(row: Values) -> Iterator[RowFinding]:
    for key in ("milk_withhold_until", "meat_withhold_until"):
        until = row[key]
        if until is not None and row["visit_date"] is not None and _day_of(until) < row["visit_date"]:
            yield RowFinding(key, "withheld_until_before_visit")


def _day_of(moment: Any) -> date:
    day: date = moment.date() if hasattr(moment, "date") else moment
    return day


def _clock(key: str, example: time, aliases: tuple[str, ...] = ()) -> Column:
    return Column(
        key=key,
        title=_VISIT_TITLES[key],
        kind=Kind.TIME,
        help=gettext_noop("Time of your own clock; the same in all rows of the visit, or in its first row only."),
        example=example,
        aliases=aliases,
    )


VISITS_AND_RECORDS: Final = Layout(
    kind="visits_and_records",
    title=gettext_noop("Visits and records"),
    columns=(
        Column(
            key="visit_date",
            title=gettext_noop("Visit date"),
            kind=Kind.DATE,
            required=True,
            help=gettext_noop(
                "The day of the visit. One row for each animal; one more for each further lesion or treatment."
            ),
            example=date(2026, 2, 17),
            past=True,
            aliases=("Date", "Datum", "Visit"),
        ),
        Column(
            key="crew",
            title=gettext_noop("Crew"),
            kind=Kind.TEXT,
            help=gettext_noop("The name of the crew that came. Empty only if you have one crew."),
            example="North",
            max_length=80,
        ),
        _client_number(gettext_noop("The number of the client the farm belongs to."), required=True),
        _farm_name(gettext_noop("Empty only if the client has one farm."), required=False),
        _clock("arrived", time(7, 30)),
        _clock("first_head_in", time(8, 0)),
        _clock("last_head_out", time(11, 40)),
        _clock("left", time(12, 15)),
        Column(
            key="billed",
            title=gettext_noop("Billed"),
            kind=Kind.YES_NO,
            help=gettext_noop("Yes: the visit is billed already, so it does not wait to be billed here."),
            example=True,
            aliases=("Invoiced", "Verrechnet", "Facturé"),
        ),
        Column(
            key="number",
            title=gettext_noop("Number"),
            kind=Kind.CODE,
            required=True,
            help=gettext_noop("The farm's own number of the animal."),
            example="217",
            max_length=20,
            aliases=("Animal", "Animal number", "Cow", "Cow number", "Herd number", "Nummer", "Stallnummer", "Numéro"),
        ),
        Column(
            key="work",
            title=gettext_noop("Kind of work"),
            kind=Kind.CHOICE,
            help=gettext_noop("What is charged per head. Empty: a cow, routine trim."),
            example="cow",
            choices=(
                Choice("cow", gettext_noop("cow, routine trim"), ("cow", "trim", "routine", "Kuh")),
                Choice("heifer", gettext_noop("heifer")),
                Choice("bull", gettext_noop("bull")),
                Choice("lame", gettext_noop("lame cow"), ("lame",)),
                Choice("recheck", gettext_noop("recheck")),
            ),
            aliases=("Work",),
        ),
        Column(
            key="score",
            title=gettext_noop("Locomotion score"),
            kind=Kind.INTEGER,
            help=gettext_noop("How the cow walks, on the scale of the next column."),
            example=3,
            minimum=Decimal(0),
            maximum=Decimal(5),
            aliases=("Score", "Mobility score"),
        ),
        Column(
            key="scale",
            title=gettext_noop("Scale"),
            kind=Kind.CHOICE,
            help=gettext_noop("The scale of the score; a 3 on one is not a 3 on the other."),
            example="sprecher_1_5",
            choices=tuple(
                Choice(scale.key, scale.name, (scale.key.split("_")[0], f"{scale.values[0]}-{scale.values[-1]}"))
                for scale in SCALES.values()
            ),
        ),
        Column(
            key="feet_trimmed",
            title=gettext_noop("Trimmed"),
            kind=Kind.FEET,
            help=gettext_noop("Feet trimmed: LF, RF, LH, RH, also all, hind, front or none. Yes means all four."),
            example=FEET,
            aliases=("Feet trimmed",),
        ),
        Column(
            key="foot",
            title=gettext_noop("Foot"),
            kind=Kind.CHOICE,
            help=gettext_noop("LF left fore, RF right fore, LH left hind, RH right hind."),
            example="LH",
            choices=tuple(
                Choice(foot, foot, (FOOT_NAMES[foot], FOOT_NAMES[foot].replace("fore", "front"))) for foot in FEET
            ),
        ),
        Column(
            key="claw",
            title=gettext_noop("Claw"),
            kind=Kind.CHOICE,
            help=gettext_noop("Inner (medial) or outer (lateral). Empty for what lies between the claws."),
            example="outer",
            choices=(
                Choice("inner", gettext_noop("inner"), (CLAW_NAMES["inner"], "medial")),
                Choice("outer", gettext_noop("outer"), (CLAW_NAMES["outer"], "lateral")),
            ),
        ),
        Column(
            key="zone",
            title=gettext_noop("Zone"),
            kind=Kind.CHOICE,
            help=gettext_noop("0 to 12 of the international foot map."),
            example="4",
            choices=tuple(Choice(str(zone), str(zone)) for zone in ZONES),
        ),
        Column(
            key="lesion",
            title=gettext_noop("Lesion"),
            kind=Kind.LESION,
            help=gettext_noop("Code of the ICAR Claw Health Atlas, such as SU or WLF. Empty: none found."),
            example="SU",
            aliases=("Lesion code", "Diagnosis"),
        ),
        Column(
            key="m_stage",
            title=gettext_noop("M-stage"),
            kind=Kind.CHOICE,
            help=gettext_noop("Of digital dermatitis (DD) only."),
            example=None,
            choices=tuple(Choice(stage, stage) for stage in M_STAGES),
        ),
        Column(
            key="treatment",
            title=gettext_noop("Treatment"),
            kind=Kind.CHOICE,
            help=gettext_noop("What was done on this foot beyond trimming."),
            example="block",
            choices=(
                Choice("loose_horn_removed", gettext_noop("loose horn removed"), ("loose horn",)),
                Choice("wall_opened", gettext_noop("wall opened")),
                Choice("block", gettext_noop("block")),
                Choice("block_removed", gettext_noop("block removed"), ("block off",)),
                Choice("wrap", gettext_noop("wrap")),
                Choice("wrap_removed", gettext_noop("wrap removed"), ("wrap off",)),
                Choice("topical", gettext_noop("topical product"), ("topical",)),
                Choice("referral", gettext_noop("referred to the veterinarian"), ("referral", "vet")),
            ),
        ),
        Column(
            key="block_kind",
            title=gettext_noop("Block kind"),
            kind=Kind.CHOICE,
            help="",
            example="wood",
            choices=(
                Choice("wood", gettext_noop("wood")),
                Choice("flexible", gettext_noop("rubber or foam, flexible"), ("flexible", "rubber", "foam")),
                Choice("plastic", gettext_noop("plastic shoe"), ("plastic", "shoe")),
            ),
            aliases=("Block",),
        ),
        Column(
            key="product",
            title=gettext_noop("Product"),
            kind=Kind.TEXT,
            help=gettext_noop("As on the label."),
            example=None,
            max_length=120,
        ),
        Column(
            key="batch",
            title=gettext_noop("Batch"),
            kind=Kind.CODE,
            help=gettext_noop("As on the label."),
            example=None,
            max_length=60,
            aliases=("Batch number", "Lot number"),
        ),
        Column(
            key="milk_withhold_until",
            title=gettext_noop("Milk withheld until"),
            kind=Kind.MOMENT,
            help=gettext_noop("As the label or the veterinarian says, with the time if there is one."),
            example=None,
            aliases=("Milk withhold until",),
        ),
        Column(
            key="meat_withhold_until",
            title=gettext_noop("Meat withheld until"),
            kind=Kind.MOMENT,
            help=gettext_noop("As the label or the veterinarian says, with the time if there is one."),
            example=None,
            aliases=("Meat withhold until",),
        ),
        Column(
            key="minutes",
            title=gettext_noop("Minutes"),
            kind=Kind.MINUTES,
            help=gettext_noop("How long the animal was in the chute."),
            example=Decimal("12.5"),
            minimum=Decimal("0.1"),
            maximum=Decimal(600),
            places=1,
        ),
        Column(
            key="note",
            title=gettext_noop("Note"),
            kind=Kind.TEXT,
            help=gettext_noop("About the animal on this visit."),
            example=None,
            max_length=300,
            aliases=("Notes", "Remark"),
        ),
    ),
    key_columns=(
        "visit_date",
        "crew",
        "client_number",
        "farm_name",
        "number",
        "foot",
        "claw",
        "zone",
        "lesion",
        "m_stage",
        "treatment",
        "product",
        "batch",
    ),
    checks=(
        _hours_are_in_order,
        _score_has_its_scale,
        _finding_is_sound,
        _treatment_is_sound,
        _withholding_ends_after_the_visit,
    ),
    agreements=(
        Agreement(gettext_noop("visit"), ("visit_date", "crew", "client_number", "farm_name"), _OF_A_VISIT),
        Agreement(
            gettext_noop("animal on this visit"),
            ("visit_date", "crew", "client_number", "farm_name", "number"),
            _OF_A_RECORD,
        ),
    ),
)

LAYOUTS: Final[Mapping[str, Layout]] = MappingProxyType(
    {layout.kind: layout for layout in (CLIENTS_AND_FARMS, ANIMALS, PRICES, VISITS_AND_RECORDS)}
)
"""Kind -> layout, in the order in which they are best brought in."""
