"""Who may use an operation of the API. Closed by default: an operation that does not say who may is refused."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from trimmer.access import ANYONE, SIGNED_IN, Seat

if TYPE_CHECKING:
    from rest_framework.views import APIView

type Who = frozenset[str] | Mapping[str, frozenset[str]]


def said_who(view: Any, action: str | None) -> frozenset[str]:
    """Whom an operation lets in: `view.who`, either for all its operations or by action. Empty: nobody."""
    who: Who = getattr(view, "who", frozenset())
    if isinstance(who, Mapping):
        return who.get(action or "", frozenset())
    return who


class ByRole(BasePermission):
    """Lets in the roles that the view names in `who`; nobody where it names none."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        who = said_who(view, getattr(view, "action", None))
        if ANYONE in who:
            return True
        if not request.user.is_authenticated:
            return False
        if SIGNED_IN in who:
            return True
        seat = seat_of(request)
        return seat is not None and seat.may(who)


def seat_of(request: Request) -> Seat | None:
    """The seat the signed-in person acts from."""
    return getattr(request._request, "seat", None)
