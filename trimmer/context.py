"""What the frame of every page needs: where one may go, and who one is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import NoReverseMatch, reverse
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from trimmer.access import FARM, MEMBERS, OFFICE, OWNER, SEATED, TRIMMER, Seat, seats_of


@dataclass(frozen=True)
class Place:
    """An entry of the main navigation, and who sees it."""

    url_name: str
    label: str | Promise
    icon: str
    who: frozenset[str]
    needs: str = ""  # a flag of the seat that must be set for a farm's person
    also: tuple[str, ...] = ()  # beginnings of other addresses that belong to it


PLACES = (
    Place("home", _("Home"), "home", SEATED),
    Place("request-list", _("Requests"), "request", SEATED),
    Place("week-list", _("Weeks"), "week", MEMBERS, also=("proposed-weeks",)),
    Place("outlook", _("Outlook"), "next", MEMBERS),
    Place("pace-estimate", _("Pace"), "clock", MEMBERS, also=("pace", "load-list")),
    Place("visit-list", _("Visits"), "visit", SEATED, also=("records",)),
    Place("recheck-list", _("Rechecks"), "recheck", SEATED, also=("recheck-rules",)),
    Place("client-list", _("Clients"), "client", MEMBERS, also=("farm-people",)),
    Place("farm-list", _("Farms"), "farm", SEATED, also=("animals",)),
    Place(
        "invoice-list",
        _("Invoices"),
        "invoice",
        frozenset({OWNER, OFFICE, FARM}),
        needs="may_see_invoices",
        also=("balances", "issue-runs", "books", "books-files", "reminders", "audit-trail", "earnings"),
    ),
    Place(
        "payment-list", _("Payments"), "payment", frozenset({OWNER, OFFICE}), also=("bank", "bank-files", "bank-lines")
    ),
    Place(
        "price-lists",
        _("Prices"),
        "price",
        frozenset({OWNER, OFFICE}),
        also=(
            "tax-categories",
            "billing-settings",
            "sales-taxes",
            "sales-tax-places",
            "exemption-certificates",
        ),
    ),
    Place("sheet-list", _("Sheets"), "sheet", MEMBERS),
    Place(
        "settings",
        _("Settings"),
        "settings",
        frozenset({OWNER, OFFICE, TRIMMER}),
        also=("people", "members", "invitations", "crews", "days-off", "bases"),
    ),
)


def page_frame(request: HttpRequest) -> dict[str, Any]:
    """Navigation and names for base.html, by the seat of the person."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {}
    seat: Seat | None = getattr(request, "seat", None)
    return {
        "seat": seat,
        "business": seat.business if seat else None,
        "nav_items": [
            item for place in PLACES if seat and _shown(place, seat) and (item := _item(place, request.path))
        ],
        "account_items": _account_items(request, several_seats=len(seats_of(user)) > 1),
        "person_name": str(user),
        "place_name": str(seat.client or seat.business) if seat else "",
    }


def _shown(place: Place, seat: Seat) -> bool:
    if not seat.may(place.who):
        return False
    return seat.is_member or not place.needs or bool(getattr(seat, place.needs))


def _item(place: Place, path: str) -> dict[str, Any] | None:
    try:
        url = reverse(place.url_name)
    except NoReverseMatch:
        return None
    beginnings = (url, *(f"/{part}" for part in place.also)) if url != "/" else ()
    here = any(f"{path}/".startswith(f"{beginning}/") for beginning in beginnings)
    current = "page" if path == url else "true" if here else ""
    return {"url": url, "label": place.label, "icon": place.icon, "current": current}


def _account_items(request: HttpRequest, *, several_seats: bool) -> list[dict[str, Any]]:
    names = [("account", _("My account"), "person"), ("account_logout", _("Sign out"), "leave")]
    if several_seats:
        names.insert(0, ("seat-choose", _("Change place"), "swap"))
    items = []
    for name, label, icon in names:
        try:
            url = reverse(name)
        except NoReverseMatch:
            continue
        items.append({"url": url, "label": label, "icon": icon, "current": "page" if request.path == url else ""})
    return items
