"""Signing in to the API: by the browser's session, or by a token in `Authorization: Bearer ...`."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _
from rest_framework.authentication import BaseAuthentication, SessionAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from trimmer.access import seats_of
from trimmer.models import ApiToken, User
from trimmer.secret import hash_secret


class TokenSignIn(BaseAuthentication):
    """`Authorization: Bearer <token>`; the token names its person and business."""

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        parts = get_authorization_header(request).split()
        if not parts or parts[0].lower() != b"bearer":
            return None
        if len(parts) != 2:
            raise AuthenticationFailed(_("Send the token as `Authorization: Bearer <token>`."))
        token = (
            ApiToken.objects.filter(secret_hash=hash_secret(parts[1].decode("latin-1")), withdrawn_at__isnull=True)
            .select_related("user", "business")
            .first()
        )
        if token is None or not token.user.is_active:
            raise AuthenticationFailed(_("This token is not valid. Make a new one in your account."))
        seat = next((seat for seat in seats_of(token.user) if seat.business == token.business), None)
        if seat is None:
            raise AuthenticationFailed(_("The person of this token no longer belongs to its business."))
        request._request.seat = seat  # type: ignore[attr-defined]
        return token.user, token

    def authenticate_header(self, request: Request) -> str:
        return "Bearer"


class SessionSignIn(SessionAuthentication):
    """The browser's session, with its CSRF check."""
