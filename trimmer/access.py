"""Who sits where, and who may. Closed by default: a page that does not say who may see it is refused to everyone."""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from http import HTTPStatus
from typing import Any, Concatenate, Final, Protocol, cast

from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone, translation
from django.utils.http import url_has_allowed_host_and_scheme

from trimmer.errors import Refusal
from trimmer.models import Business, Client, FarmPerson, Membership, Role, User

OWNER: Final = "owner"
TRIMMER: Final = "trimmer"
OFFICE: Final = "office"
FARM: Final = "farm"
ANYONE: Final = "anyone"  # also without signing in
SIGNED_IN: Final = "signed_in"  # any signed-in person, wherever they sit

MEMBERS: Final = frozenset({OWNER, TRIMMER, OFFICE})
SEATED: Final = MEMBERS | {FARM}

SEAT_KEY = "seat"  # in the session: "m<membership id>" or "f<farm person id>"


@dataclass(frozen=True)
class Seat:
    """The place from which a person acts: a role in one business, or one client's farms."""

    user: User
    business: Business
    role: str
    client: Client | None = None
    may_ask: bool = False
    may_see_invoices: bool = False
    key: str = ""

    @property
    def is_member(self) -> bool:
        """Works in the business (is not a farm's person)."""
        return self.client is None

    def may(self, who: frozenset[str]) -> bool:
        """Whether this seat is among `who`."""
        return self.role in who or SIGNED_IN in who or ANYONE in who


class SeatedRequest(HttpRequest):
    """A request whose person sits somewhere (what `may` hands to a view)."""

    seat: Seat
    user: User


def member_seat(membership: Membership) -> Seat:
    """The seat of a member of a business."""
    return Seat(membership.user, membership.business, membership.role, key=f"m{membership.pk}")


def farm_seat(person: FarmPerson) -> Seat:
    """The seat of a farm's person."""
    return Seat(
        person.user,
        person.client.business,
        FARM,
        client=person.client,
        may_ask=person.may_ask,
        may_see_invoices=person.may_see_invoices,
        key=f"f{person.pk}",
    )


def seats_of(user: User) -> list[Seat]:
    """All places of a person: businesses first (owner, then others), then farms."""
    order = {Role.OWNER.value: 0, Role.TRIMMER.value: 1, Role.OFFICE.value: 2}
    members = sorted(user.memberships.select_related("business", "user"), key=lambda m: (order[m.role], m.pk))
    farms = user.farm_places.filter(client__archived_at__isnull=True).select_related("client__business", "user")
    return [member_seat(m) for m in members] + [farm_seat(p) for p in farms.order_by("pk")]


def choose_seat(user: User, wanted: str | None) -> Seat | None:
    """The wanted seat if the person has it, else their first; None for somebody who sits nowhere."""
    seats = seats_of(user)
    return next((seat for seat in seats if seat.key == wanted), seats[0] if seats else None)


class SeatMiddleware:
    """Finds the seat of a signed-in person and turns on the language and time zone of its business."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        seat = None
        if request.user.is_authenticated:
            seat = choose_seat(request.user, request.session.get(SEAT_KEY))
        request.seat = seat  # type: ignore[attr-defined]
        if seat is None:
            return self.get_response(request)
        with business_locale(seat.business):
            return self.get_response(request)


class business_locale:  # noqa: N801  (a context manager, read like a word)
    """Language and time zone of a business, for as long as the block lasts."""

    def __init__(self, business: Business) -> None:
        self.business = business

    def __enter__(self) -> None:
        self._language = translation.get_language()
        self._zone = timezone.get_current_timezone()
        translation.activate(self.business.language.lower())
        timezone.activate(zoneinfo.ZoneInfo(self.business.time_zone))

    def __exit__(self, *_: object) -> None:
        if self._language:
            translation.activate(self._language)
        timezone.activate(self._zone)


class _Says(Protocol):
    who: frozenset[str]


def may[**P, R: HttpResponseBase](
    *roles: str,
) -> Callable[[Callable[Concatenate[SeatedRequest, P], R]], Callable[Concatenate[HttpRequest, P], HttpResponseBase]]:
    """Say who may open a page: `@may(OWNER, OFFICE)`, `@may(*MEMBERS)`, `@may(ANYONE)`.

    Nobody signed in is sent to sign in; the wrong role gets 403. What the page then shows starts from `request.seat`.
    """
    who = frozenset(roles)
    if not who <= SEATED | {ANYONE, SIGNED_IN} or not who:
        raise ValueError(f"unknown roles: {roles}")

    def dress(
        view: Callable[Concatenate[SeatedRequest, P], R],
    ) -> Callable[Concatenate[HttpRequest, P], HttpResponseBase]:
        @wraps(view)
        def guarded(request: HttpRequest, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
            if ANYONE not in who:
                if not request.user.is_authenticated:
                    return redirect_to_login(request.get_full_path())
                if SIGNED_IN not in who:
                    seat: Seat | None = getattr(request, "seat", None)
                    if seat is None or not seat.may(who):
                        raise PermissionDenied
            return view(cast(SeatedRequest, request), *args, **kwargs)

        cast(_Says, guarded).who = who
        return cast(Callable[Concatenate[HttpRequest, P], HttpResponseBase], guarded)

    return dress


class RefusalMiddleware:
    """A refusal that a page did not handle itself: said as a message on the page one came from, nothing lost."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if not isinstance(exception, Refusal):
            return None
        back = request.headers.get("Referer", "")
        same_site = url_has_allowed_host_and_scheme(back, {request.get_host()}, require_https=request.is_secure())
        if request.method == "POST" and same_site and not request.headers.get("HX-Request"):
            messages.error(request, str(exception))
            return redirect(back)
        status = exception.status if exception.status >= HTTPStatus.BAD_REQUEST else HTTPStatus.CONFLICT
        return render(request, "refused.html", {"refusal": exception}, status=status)


def said_who(view: Any) -> frozenset[str] | None:
    """Whom a page lets in, by its own word; None when it does not say."""
    return getattr(view, "who", None)
