"""Sign-in rules: people come in by invitation, not by signing up."""

from allauth.account.adapter import DefaultAccountAdapter
from django.http import HttpRequest


class ByInvitationOnly(DefaultAccountAdapter):  # type: ignore[misc]
    """Nobody signs up by themselves: an owner invites members, a business invites its farms' people."""

    def is_open_for_signup(self, request: HttpRequest) -> bool:
        return False
