"""Farms, where the cows are: added, changed with their access hours and contacts, archived and brought back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from decimal import Decimal
from http import HTTPStatus
from itertools import pairwise
from math import isfinite
from typing import Final, NotRequired, TypedDict, Unpack

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_lazy as _

from trimmer import standards
from trimmer.distance import haversine_metres
from trimmer.errors import Refusal
from trimmer.models import (
    AccessWindow,
    Base,
    Client,
    Contact,
    Farm,
    Visit,
    VisitRequest,
    VisitState,
    Weekday,
)
from trimmer.services.businesses import UnknownCountry
from trimmer.showing import show_day

FARTHEST_METRES: Final = 500_000
"""A farm farther from every base than this is worth a second look at its position."""

FARTHEST_GATE_METRES: Final = 10_000
"""A gate farther from its farm than this is a slip of the hand."""

LIMITS: Final[dict[str, tuple[int | Decimal, int | Decimal]]] = {
    "milking": (0, 100_000),
    "dry": (0, 100_000),
    "heifers": (0, 100_000),
    "health_tier": (0, 3),
    "lock_up_hours": (Decimal("0.25"), 24),
    "visit_interval_weeks": (1, 104),
}
"""Least and most of each figure of a farm."""


class FarmNameIsTaken(Refusal):
    code = "farm_name_is_taken"
    message = _("%(client)s has a farm called %(name)s already. Give this one another name.")


class FarmNeedsName(Refusal):
    code = "farm_needs_name"
    message = _("Give the farm a name: it stands on the day sheet.")
    status = HTTPStatus.BAD_REQUEST


class FigureIsOutOfRange(Refusal):
    code = "figure_is_out_of_range"
    message = _("“%(label)s” must be from %(least)s to %(most)s.")
    status = HTTPStatus.BAD_REQUEST


class PositionIsHalf(Refusal):
    code = "position_is_half"
    message = _("Give both latitude and longitude, or neither.")
    status = HTTPStatus.BAD_REQUEST


class PositionIsNowhere(Refusal):
    code = "position_is_nowhere"
    message = _("%(latitude)s, %(longitude)s is no place on earth: latitude goes to 90 degrees, longitude to 180.")
    status = HTTPStatus.BAD_REQUEST


class PositionIsSwapped(Refusal):
    code = "position_is_swapped"
    message = _(
        "Latitude cannot be %(latitude)s: it goes to 90 degrees. Latitude and longitude seem to have changed places."
    )
    status = HTTPStatus.BAD_REQUEST


class PositionIsZero(Refusal):
    code = "position_is_zero"
    message = _("0, 0 lies in the sea off Africa. Leave the position empty until you know it.")
    status = HTTPStatus.BAD_REQUEST


class GateIsFarAway(Refusal):
    code = "gate_is_far_away"
    message = _(
        "This gate lies %(metres)s m from %(farm)s; at most %(most)s m are taken. Correct one of the positions."
    )
    status = HTTPStatus.BAD_REQUEST


class NoDaySuits(Refusal):
    code = "no_day_suits"
    message = _("Choose at least one day on which a visit suits.")
    status = HTTPStatus.BAD_REQUEST


class UnknownWeekday(Refusal):
    code = "unknown_weekday"
    message = _("Weekdays are numbered 0 (Monday) to 6 (Sunday).")
    status = HTTPStatus.BAD_REQUEST


class WindowEndsBeforeItBegins(Refusal):
    code = "window_ends_before_it_begins"
    message = _("%(day)s: access hours end after they begin. Correct one of the two times.")
    status = HTTPStatus.BAD_REQUEST


class WindowsOverlap(Refusal):
    code = "windows_overlap"
    message = _("%(day)s: two access hours overlap. Make one of them, or set them apart.")
    status = HTTPStatus.BAD_REQUEST


class WindowOnUnsuitableDay(Refusal):
    code = "window_on_unsuitable_day"
    message = _("%(day)s has access hours but is not among the days that suit. Tick the day, or take the hours away.")
    status = HTTPStatus.BAD_REQUEST


class ContactNeedsName(Refusal):
    code = "contact_needs_name"
    message = _("Give each contact a name.")
    status = HTTPStatus.BAD_REQUEST


class ContactCannotBeTold(Refusal):
    code = "contact_cannot_be_told"
    message = _("%(name)s is to be told of visits by e-mail but has no address. Give one, or untick it.")
    status = HTTPStatus.BAD_REQUEST


class ClientIsAnothers(Refusal):
    code = "client_is_unknown"
    message = _("This client is not known here.")
    status = HTTPStatus.BAD_REQUEST


class ClientIsInArchive(Refusal):
    code = "client_is_archived"
    message = _("%(client)s is archived. Bring the client back first.")


class VisitsAreBooked(Refusal):
    code = "visits_are_booked"
    message = _("A visit to %(farm)s is booked for %(date)s. Cancel or complete it first, then archive.")


class RequestsAreWaiting(Refusal):
    code = "requests_are_waiting"
    message = _("%(farm)s waits for a visit it asked for. Decline the request first, then archive.")


class WindowDetails(TypedDict):
    """Access hours (local clock) on a weekday, 0 = Monday."""

    weekday: int
    opens: dt.time
    closes: dt.time


class ContactDetails(TypedDict):
    """Somebody to call or write to. Told of visits: unless said otherwise, whoever has an e-mail address."""

    name: str
    phone: NotRequired[str]
    email: NotRequired[str]
    job: NotRequired[str]
    told_of_visits: NotRequired[bool]


class FarmDetails(TypedDict, total=False):
    """What can be said of a farm; what is absent stays as it is. Lists replace what was there."""

    name: str
    street: str
    postcode: str
    city: str
    region: str
    country: str
    latitude: float | None
    longitude: float | None
    gate_latitude: float | None
    gate_longitude: float | None
    barn: str
    milking: int
    dry: int
    heifers: int
    health_tier: int
    days_that_suit: list[int]
    lock_up_hours: Decimal
    chute_kind_needed: str
    handling_notes: str
    access_notes: str
    visit_interval_weeks: int | None
    access_windows: Sequence[WindowDetails]
    contacts: Sequence[ContactDetails]


@transaction.atomic
def add_farm(*, client: Client, **details: Unpack[FarmDetails]) -> Farm:
    """A new farm of a client."""
    if client.archived_at is not None:
        raise ClientIsInArchive.at("client", client=client)
    return _store(Farm(client=client), details)


@transaction.atomic
def update_farm(*, farm: Farm, client: Client | None = None, **details: Unpack[FarmDetails]) -> Farm:
    """Change what is said of a farm, also who pays for it (another client of the same business)."""
    if client is not None and client != farm.client:
        if client.business_id != farm.client.business_id:
            raise ClientIsAnothers.at("client")
        if client.archived_at is not None:
            raise ClientIsInArchive.at("client", client=client)
        farm.client = client
    return _store(farm, details)


@transaction.atomic
def archive_farm(*, farm: Farm, now: dt.datetime) -> Farm:
    """Put a farm away: kept with its records, no longer visited. Refused while visits are booked or requests wait."""
    refuse_open_work([farm])
    Farm.objects.filter(pk=farm.pk, archived_at__isnull=True).update(archived_at=now)
    farm.refresh_from_db(fields=["archived_at"])
    return farm


@transaction.atomic
def restore_farm(*, farm: Farm) -> Farm:
    """Bring a farm back."""
    if farm.client.archived_at is not None:
        raise ClientIsInArchive(client=farm.client)
    Farm.objects.filter(pk=farm.pk).update(archived_at=None)
    farm.refresh_from_db(fields=["archived_at"])
    return farm


def refuse_open_work(farms: Iterable[Farm]) -> None:
    """Refuse to put farms away that somebody is about to visit, or that wait for an answer.

    Locks the farms: a booking that is being stored at this moment is waited for and seen.
    """
    locked = Farm.objects.select_for_update(of=("self",)).filter(pk__in=[farm.pk for farm in farms])
    keys = [farm.pk for farm in locked.order_by("pk")]
    going = Visit.objects.filter(farm__in=keys, state__in=[VisitState.BOOKED, VisitState.UNDER_WAY])
    visit = going.select_related("farm__client__business").order_by("date").first()
    if visit is not None:
        language = visit.farm.client.business.language
        raise VisitsAreBooked(farm=visit.farm, date=show_day(visit.date, language))
    waiting = VisitRequest.objects.waiting().filter(farm__in=keys).select_related("farm").first()
    if waiting is not None:
        raise RequestsAreWaiting(farm=waiting.farm)


def check_position(latitude: float | None, longitude: float | None, *, field: str = "") -> None:
    """Refuse what cannot be a place where people keep cows; decimal degrees (WGS 84). field: what the names of the two
    fields begin with."""
    if latitude is None and longitude is None:
        return
    if latitude is None or longitude is None:
        raise PositionIsHalf.at(f"{field}longitude" if longitude is None else f"{field}latitude")
    given = {"latitude": latitude, "longitude": longitude}
    if not (isfinite(latitude) and isfinite(longitude)) or abs(longitude) > 180:
        raise PositionIsNowhere.at(f"{field}longitude", **given)
    if abs(latitude) > 90:
        refusal = PositionIsSwapped if abs(longitude) <= 90 and abs(latitude) <= 180 else PositionIsNowhere
        raise refusal.at(f"{field}latitude", **given)
    if latitude == 0 and longitude == 0:
        raise PositionIsZero.at(f"{field}latitude")


def check_gate(farm: Farm) -> None:
    """Refuse a gate that is no place, or that lies so far from the farm that it must be another's."""
    check_position(farm.gate_latitude, farm.gate_longitude, field="gate_")
    if None in (farm.gate_latitude, farm.gate_longitude, farm.latitude, farm.longitude):
        return
    away = haversine_metres(farm.latitude, farm.longitude, farm.gate_latitude, farm.gate_longitude)  # type: ignore[arg-type]
    if away > FARTHEST_GATE_METRES:
        raise GateIsFarAway.at("gate_latitude", farm=farm, metres=round(away), most=FARTHEST_GATE_METRES)


def check_farm(*, farm: Farm, windows: Sequence[WindowDetails], contacts: Sequence[ContactDetails]) -> None:
    """Refuse what a farm, its access hours and contacts cannot be, stored or about to be. Sorts the days that suit."""
    _check(farm)
    _check_windows(farm, windows)
    _check_contacts(contacts)


def metres_to_nearest_base(*, farm: Farm) -> int | None:
    """As the crow flies, in metres; None when farm or bases have no position yet."""
    if farm.latitude is None or farm.longitude is None:
        return None
    bases = Base.objects.of(farm.client.business).values_list("latitude", "longitude")
    away = [haversine_metres(farm.latitude, farm.longitude, *position) for position in bases]
    return round(min(away)) if away else None


def _store(farm: Farm, details: FarmDetails) -> Farm:
    rest = dict(details)
    windows = details.get("access_windows")
    contacts = details.get("contacts")
    for field in rest.keys() - {"access_windows", "contacts"}:
        setattr(farm, field, rest[field])
    check_farm(farm=farm, windows=_windows_of(farm) if windows is None else windows, contacts=contacts or ())
    try:
        with transaction.atomic():
            farm.save()
    except IntegrityError:
        raise FarmNameIsTaken.at("name", client=farm.client, name=farm.name) from None
    if windows is not None:
        farm.access_windows.all().delete()
        AccessWindow.objects.bulk_create(AccessWindow(farm=farm, **window) for window in windows)
    if contacts is not None:
        farm.contacts.all().delete()
        Contact.objects.bulk_create(
            Contact(farm=farm, **({"told_of_visits": bool(contact.get("email"))} | contact)) for contact in contacts
        )
    return farm


def _check(farm: Farm) -> None:
    if not farm.name.strip():
        raise FarmNeedsName.at("name")
    if farm.country and not standards.is_country(farm.country):
        raise UnknownCountry.at("country", given=farm.country)
    for field, (least, most) in LIMITS.items():
        value = getattr(farm, field)
        if value is not None and not least <= value <= most:
            label = getattr(Farm._meta.get_field(field), "verbose_name", field)
            raise FigureIsOutOfRange.at(field, label=label, least=least, most=most)
    check_position(farm.latitude, farm.longitude)
    check_gate(farm)
    farm.days_that_suit = sorted(set(farm.days_that_suit))
    if not farm.days_that_suit:
        raise NoDaySuits.at("days_that_suit")
    if not set(farm.days_that_suit) <= set(Weekday.values):
        raise UnknownWeekday.at("days_that_suit")


def _check_windows(farm: Farm, windows: Sequence[WindowDetails]) -> None:
    for window in windows:
        if window["weekday"] not in Weekday.values:
            raise UnknownWeekday.at("access_windows")
        day = Weekday(window["weekday"]).label
        if window["closes"] <= window["opens"]:
            raise WindowEndsBeforeItBegins.at("access_windows", day=day)
        if window["weekday"] not in farm.days_that_suit:
            raise WindowOnUnsuitableDay.at("access_windows", day=day)
    for earlier, later in pairwise(sorted(windows, key=lambda window: (window["weekday"], window["opens"]))):
        if earlier["weekday"] == later["weekday"] and later["opens"] < earlier["closes"]:
            raise WindowsOverlap.at("access_windows", day=Weekday(later["weekday"]).label)


def _check_contacts(contacts: Sequence[ContactDetails]) -> None:
    for contact in contacts:
        if not contact["name"].strip():
            raise ContactNeedsName.at("contacts")
        if contact.get("told_of_visits") and not contact.get("email"):
            raise ContactCannotBeTold.at("contacts", name=contact["name"])


def _windows_of(farm: Farm) -> list[WindowDetails]:
    """The access hours a stored farm has; a new one has none."""
    if farm._state.adding:
        return []
    return [
        WindowDetails(weekday=window.weekday, opens=window.opens, closes=window.closes)
        for window in farm.access_windows.all()
    ]
