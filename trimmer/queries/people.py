"""People of a business, as lists need them."""

from __future__ import annotations

from django.db.models import OuterRef, Q, QuerySet, Subquery

from trimmer.access import Seat
from trimmer.models import BusinessQuerySet, FarmPerson, Invitation, Membership, SentMessage


def members_of(seat: Seat) -> BusinessQuerySet[Membership]:
    """Who works in the business, with their names and crews."""
    return Membership.objects.seen_by(seat).select_related("user").order_by("user__name", "user__email")


def farm_people_of(seat: Seat, search: str = "") -> BusinessQuerySet[FarmPerson]:
    """Farms' people by client; `search` narrows by name, e-mail or client."""
    people = FarmPerson.objects.seen_by(seat).select_related("user", "client").order_by("client__name", "user__email")
    if search:
        people = people.filter(
            Q(user__name__icontains=search) | Q(user__email__icontains=search) | Q(client__name__icontains=search)
        )
    return people


def waiting_invitations(seat: Seat) -> QuerySet[Invitation]:
    """Invitations nobody accepted yet; `mail_failed` on each says that its e-mail did not leave."""
    mails = SentMessage.objects.of(seat.business).filter(
        kind="invitation", recipient=OuterRef("email"), sent_at=OuterRef("sent_at")
    )
    return (
        Invitation.objects.seen_by(seat)
        .filter(accepted_at__isnull=True)
        .select_related("client", "invited_by")
        .annotate(mail_failed=Subquery(mails.values("failed")[:1]))
        .order_by("-sent_at", "-pk")
    )
