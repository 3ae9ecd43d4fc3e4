"""Links that let somebody in: to sign in once, to a calendar, and the veterinarian to a herd's report."""

from __future__ import annotations

import datetime as dt
from http import HTTPStatus
from typing import Final

from django.conf import settings
from django.db import transaction
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer.access import Seat, business_locale, seats_of
from trimmer.errors import Refusal
from trimmer.models import CalendarLink, Farm, SignInLink, User, VetLink
from trimmer.secret import hash_secret, new_secret
from trimmer.services.messages import send_message, write_body
from trimmer.services.people import find_person

MINUTES_TO_SIGN_IN: Final = 20
LINKS_AN_HOUR: Final = 5


class LinkNotKnown(Refusal):
    code = "link_not_known"
    message = gettext_lazy("This link is not known: it was withdrawn, changed, or is not complete. Ask for a new one.")
    status = HTTPStatus.NOT_FOUND


class LinkUsed(Refusal):
    code = "link_used"
    message = gettext_lazy("This link was used already: it works once. Ask for a new one.")
    status = HTTPStatus.GONE


class LinkExpired(Refusal):
    code = "link_expired"
    message = gettext_lazy("This link is too old: it works for 20 minutes. Ask for a new one.")
    status = HTTPStatus.GONE


class VetNeedsName(Refusal):
    code = "vet_needs_name"
    message = gettext_lazy("Name the veterinarian or the practice, so that you know whose link to withdraw.")
    status = HTTPStatus.BAD_REQUEST


@transaction.atomic
def send_sign_in_link(*, email: str, now: dt.datetime) -> None:
    """E-mail a link that signs a person in once within 20 minutes; at most five an hour for one person.

    The answer is the same whether or not somebody is known by the address, so nobody can find out who is. Of links sent
    before, none works any more.
    """
    person = find_person(email)
    seats = seats_of(person) if person is not None and person.is_active else []
    if person is None or not seats:
        return
    User.objects.select_for_update().get(pk=person.pk)
    links = SignInLink.objects.filter(user=person)
    if links.filter(made_at__gt=now - dt.timedelta(hours=1)).count() >= LINKS_AN_HOUR:
        return
    links.filter(used_at__isnull=True, expires_at__gt=now).update(expires_at=now)
    secret = new_secret()
    until = now + dt.timedelta(minutes=MINUTES_TO_SIGN_IN)
    SignInLink.objects.create(user=person, secret_hash=hash_secret(secret), made_at=now, expires_at=until)
    business = seats[0].business
    with business_locale(business):
        subject = _("Your link to sign in to Trimround")
    body = write_body(
        business=business,
        template="trimmer/mail/sign_in_link.txt",
        link=settings.SITE_URL + reverse("sign-in-link-open", kwargs={"secret": secret}),
        until=until,
    )
    send_message(
        business=business,
        client=seats[0].client,
        kind="sign_in_link",
        recipients=[person.email],
        subject=subject,
        body=body,
        now=now,
    )


def open_sign_in_link(*, secret: str, now: dt.datetime) -> SignInLink:
    """The link, if it still signs somebody in."""
    link = SignInLink.objects.select_related("user").filter(secret_hash=hash_secret(secret)).first()
    if link is None or not link.user.is_active:
        raise LinkNotKnown
    if link.used_at is not None:
        raise LinkUsed
    if link.expires_at <= now:
        raise LinkExpired
    return link


@transaction.atomic
def use_sign_in_link(*, secret: str, now: dt.datetime) -> User:
    """The person a link signs in. Of two who open it at once, the one whose UPDATE comes first is let in."""
    link = open_sign_in_link(secret=secret, now=now)
    if not SignInLink.objects.filter(pk=link.pk, used_at__isnull=True).update(used_at=now):
        raise LinkUsed
    return link.user


@transaction.atomic
def change_calendar_address(*, seat: Seat, now: dt.datetime) -> str:
    """A new private address for the calendar of a place; the one before works no longer."""
    secret = new_secret()
    CalendarLink.objects.update_or_create(
        business=seat.business,
        user=seat.user,
        client=seat.client,
        defaults={"secret_hash": hash_secret(secret), "made_at": now},
    )
    return settings.SITE_URL + reverse("calendar-feed", kwargs={"secret": secret})


def seat_of_calendar(*, secret: str) -> Seat:
    """The place whose calendar an address shows. Refuses once the person no longer sits there."""
    link = CalendarLink.objects.select_related("user").filter(secret_hash=hash_secret(secret)).first()
    seats = seats_of(link.user) if link is not None and link.user.is_active else []
    for seat in seats:
        place = (seat.business.pk, seat.client.pk if seat.client else None)
        if link is not None and place == (link.business_id, link.client_id):
            return seat
    raise LinkNotKnown


@transaction.atomic
def give_vet_link(*, farm: Farm, name: str, by: User, now: dt.datetime) -> tuple[VetLink, str]:
    """A link for a herd's veterinarian, and the address it is read at: shown this once, kept only as a hash."""
    name = " ".join(name.split())
    if not name:
        raise VetNeedsName.at("name")
    secret = new_secret()
    link = VetLink.objects.create(farm=farm, name=name, secret_hash=hash_secret(secret), given_by=by, given_at=now)
    return link, settings.SITE_URL + reverse("vet-report", kwargs={"secret": secret})


def withdraw_vet_link(*, link: VetLink, now: dt.datetime) -> None:
    """Make a veterinarian's link work no longer; withdrawing it twice changes nothing."""
    VetLink.objects.filter(pk=link.pk, withdrawn_at__isnull=True).update(withdrawn_at=now)


def open_vet_link(*, secret: str, now: dt.datetime) -> VetLink:
    """The link, if it was not withdrawn and its farm is still worked with. Notes that it was opened."""
    links = VetLink.objects.filter(
        withdrawn_at__isnull=True, farm__archived_at__isnull=True, farm__client__archived_at__isnull=True
    )
    link = links.select_related("farm__client__business").filter(secret_hash=hash_secret(secret)).first()
    if link is None:
        raise LinkNotKnown
    VetLink.objects.filter(pk=link.pk).update(opened_at=now)
    return link
