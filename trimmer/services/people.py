"""People: invited by e-mail, let in once, given a role, taken out again; and the tokens of their programs."""

from __future__ import annotations

import datetime as dt
from http import HTTPStatus
from typing import Final

from allauth.account.forms import default_token_generator
from allauth.account.utils import user_pk_to_url_str
from django.conf import settings
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer.access import Seat, business_locale, farm_seat, member_seat, seats_of
from trimmer.errors import Refusal
from trimmer.models import (
    ApiToken,
    Business,
    BusinessQuerySet,
    Client,
    Crew,
    FarmPerson,
    Invitation,
    Membership,
    Role,
    User,
)
from trimmer.secret import hash_secret, new_secret
from trimmer.services.messages import send_message, write_body

DAYS_TO_ACCEPT: Final = 14


class AlreadyMember(Refusal):
    code = "already_member"
    message = gettext_lazy("%(email)s already works here. Change the role in the list of people instead.")


class AlreadyFarmPerson(Refusal):
    code = "already_farm_person"
    message = gettext_lazy(
        "%(email)s already belongs to %(client)s. Change what they may in the list of people instead."
    )


class ClientIsArchived(Refusal):
    code = "client_is_archived"
    message = gettext_lazy("%(client)s is archived. Bring the client back first.")


class UnknownRole(Refusal):
    code = "unknown_role"
    message = gettext_lazy("“%(given)s” is no role here. Choose owner, trimmer or office.")
    status = HTTPStatus.BAD_REQUEST


class InvitationNotKnown(Refusal):
    code = "invitation_not_known"
    message = gettext_lazy("This link lets nobody in: it was withdrawn, or is not complete. Ask for a new invitation.")
    status = HTTPStatus.NOT_FOUND


class InvitationUsed(Refusal):
    code = "invitation_used"
    message = gettext_lazy("This link was used already: it works once. Sign in with the e-mail address it was sent to.")
    status = HTTPStatus.GONE


class InvitationExpired(Refusal):
    code = "invitation_expired"
    message = gettext_lazy("This link is too old. Ask for a new invitation.")
    status = HTTPStatus.GONE


class InvitationAccepted(Refusal):
    code = "invitation_accepted"
    message = gettext_lazy("%(email)s has come in already. Take the person out of the list of people instead.")


class SignInFirst(Refusal):
    code = "sign_in_first"
    message = gettext_lazy("%(email)s is known here. Sign in with that address, then open the link again.")
    status = HTTPStatus.FORBIDDEN


class SignOutFirst(Refusal):
    code = "sign_out_first"
    message = gettext_lazy("This invitation is for %(email)s, and you are signed in as somebody else. Sign out first.")
    status = HTTPStatus.FORBIDDEN


class PersonNeedsName(Refusal):
    code = "person_needs_name"
    message = gettext_lazy("Give your name: the others read it beside what you did.")
    status = HTTPStatus.BAD_REQUEST


class PasswordTooWeak(Refusal):
    code = "password_too_weak"
    message = gettext_lazy("%(why)s")
    status = HTTPStatus.BAD_REQUEST


class LastOwner(Refusal):
    code = "last_owner"
    message = gettext_lazy("%(business)s would be without an owner. Make somebody else an owner first.")


class TokenNeedsName(Refusal):
    code = "token_needs_name"
    message = gettext_lazy("Name the program that will use the token, so that you know which one to withdraw.")
    status = HTTPStatus.BAD_REQUEST


def find_person(email: str) -> User | None:
    """The person known by an e-mail address, whatever its case."""
    return User.objects.filter(email__iexact=email.strip()).first()


def password_link(person: User) -> str:
    """An address at which a person chooses a password; it works once and for as long as a password reset does."""
    names = {"uidb36": user_pk_to_url_str(person), "key": default_token_generator.make_token(person)}
    return settings.SITE_URL + reverse("account_reset_password_from_key", kwargs=names)


@transaction.atomic
def invite_member(*, business: Business, email: str, role: str, by: User, now: dt.datetime) -> Invitation:
    """Invite somebody to work in a business. An earlier invitation of the same address to it no longer works."""
    if role not in Role.values:
        raise UnknownRole.at("role", given=role)
    if Membership.objects.of(business).filter(user__email__iexact=email.strip()).exists():
        raise AlreadyMember.at("email", email=email.strip())
    return _invite(Invitation(business=business, email=email.strip(), role=role), by, now)


@transaction.atomic
def invite_farm_person(
    *, client: Client, email: str, may_ask: bool = True, may_see_invoices: bool = False, by: User, now: dt.datetime
) -> Invitation:
    """Invite somebody of a client's farms. An earlier invitation of the same address to them no longer works."""
    if client.archived_at is not None:
        raise ClientIsArchived(client=client)
    if FarmPerson.objects.filter(client=client, user__email__iexact=email.strip()).exists():
        raise AlreadyFarmPerson.at("email", email=email.strip(), client=client)
    invitation = Invitation(
        business=client.business,
        email=email.strip(),
        client=client,
        may_ask=may_ask,
        may_see_invoices=may_see_invoices,
    )
    return _invite(invitation, by, now)


def send_invitation_again(*, invitation: Invitation, by: User, now: dt.datetime) -> Invitation:
    """Invite the same person to the same place once more, with a new link; the old one no longer works."""
    if invitation.accepted_at is not None:
        raise InvitationAccepted(email=invitation.email)
    if invitation.client is None:
        return invite_member(business=invitation.business, email=invitation.email, role=invitation.role, by=by, now=now)
    return invite_farm_person(
        client=invitation.client,
        email=invitation.email,
        may_ask=invitation.may_ask,
        may_see_invoices=invitation.may_see_invoices,
        by=by,
        now=now,
    )


@transaction.atomic
def withdraw_invitation(*, invitation: Invitation) -> None:
    """Make the link of an invitation work no longer."""
    gone, _rows = Invitation.objects.filter(pk=invitation.pk, accepted_at__isnull=True).delete()
    if not gone:
        raise InvitationAccepted(email=invitation.email)


def open_invitation(*, secret: str, now: dt.datetime) -> Invitation:
    """The invitation a link belongs to, if it still lets somebody in."""
    invitation = Invitation.objects.select_related("business", "client").filter(secret_hash=hash_secret(secret)).first()
    if invitation is None or (invitation.client is not None and invitation.client.archived_at is not None):
        raise InvitationNotKnown
    if invitation.accepted_at is not None:
        raise InvitationUsed
    if invitation.expires_at <= now:
        raise InvitationExpired
    return invitation


def check_guest(*, invitation: Invitation, by: User | None) -> User | None:
    """The known person an invitation is for; None when it makes a new one. Refuses whoever else is signed in."""
    person = find_person(invitation.email)
    if person is not None and by != person:
        raise SignInFirst(email=invitation.email)
    if person is None and by is not None:
        raise SignOutFirst(email=invitation.email)
    return person


@transaction.atomic
def accept_invitation(*, secret: str, by: User | None, name: str = "", password: str = "", now: dt.datetime) -> Seat:
    """Let an invited person in and say where they sit. `name` and `password` are a new person's.

    Of two who send the same link at once, the one whose UPDATE comes first is let in.
    """
    invitation = open_invitation(secret=secret, now=now)
    person = check_guest(invitation=invitation, by=by)
    taken = Invitation.objects.filter(pk=invitation.pk, accepted_at__isnull=True).update(accepted_at=now)
    if not taken:
        raise InvitationUsed
    return _seat(invitation, person or _new_person(invitation.email, name, password))


@transaction.atomic
def change_role(*, membership: Membership, role: str) -> Membership:
    """Give a member another role. A business is never without an owner."""
    if role not in Role.values:
        raise UnknownRole.at("role", given=role)
    if role != Role.OWNER:
        _keep_an_owner(membership)
    membership.role = role
    membership.save(update_fields=["role"])
    return membership


@transaction.atomic
def remove_member(*, membership: Membership, now: dt.datetime) -> None:
    """Take a member out of a business, its crews, and withdraw the tokens their programs used there."""
    _keep_an_owner(membership)
    person, business = membership.user, membership.business
    for crew in Crew.objects.of(business).filter(members=person):
        crew.members.remove(person)
    membership.delete()
    _live_tokens(person, business).update(withdrawn_at=now)


@transaction.atomic
def remove_farm_person(*, person: FarmPerson, now: dt.datetime) -> None:
    """Take a person out of a client's farms, and withdraw their programs' tokens if they sit nowhere else there."""
    user, business = person.user, person.client.business
    person.delete()
    if all(seat.business != business for seat in seats_of(user)):
        _live_tokens(user, business).update(withdrawn_at=now)


@transaction.atomic
def make_token(*, seat: Seat, name: str, now: dt.datetime) -> tuple[ApiToken, str]:
    """A token for a program that acts as this person in this business, and its secret, which is not kept."""
    if not name.strip():
        raise TokenNeedsName.at("name")
    secret = new_secret()
    token = ApiToken.objects.create(
        business=seat.business, user=seat.user, name=name.strip(), secret_hash=hash_secret(secret), made_at=now
    )
    return token, secret


@transaction.atomic
def withdraw_token(*, token: ApiToken, now: dt.datetime) -> None:
    """Make a token work no longer. Done once: a later withdrawal does not change the time of the first."""
    ApiToken.objects.filter(pk=token.pk, withdrawn_at__isnull=True).update(withdrawn_at=now)


def _invite(invitation: Invitation, by: User, now: dt.datetime) -> Invitation:
    business = invitation.business
    Invitation.objects.of(business).filter(
        email__iexact=invitation.email, client=invitation.client, accepted_at__isnull=True
    ).delete()
    secret = new_secret()
    invitation.secret_hash = hash_secret(secret)
    invitation.invited_by = by
    invitation.sent_at = now
    invitation.expires_at = now + dt.timedelta(days=DAYS_TO_ACCEPT)
    invitation.save()
    with business_locale(business):
        subject = _("%(business)s invites you") % {"business": business.name}
    link = settings.SITE_URL + reverse("invitation-accept", args=[secret])
    body = write_body(
        business=business, template="trimmer/mail/invitation.txt", invitation=invitation, by=by, link=link
    )
    send_message(
        business=business,
        client=invitation.client,
        kind="invitation",
        recipients=[invitation.email],
        subject=subject,
        body=body,
        now=now,
    )
    return invitation


def _new_person(email: str, name: str, password: str) -> User:
    if not name.strip():
        raise PersonNeedsName.at("name")
    person = User(email=email, name=name.strip())
    try:
        validate_password(password, person)
    except ValidationError as weak:
        raise PasswordTooWeak.at("password", why=" ".join(weak.messages)) from None
    try:
        with transaction.atomic():
            return User.objects.create_user(email, password, name=name.strip())
    except IntegrityError:  # another invitation of the same address was accepted at the same moment
        raise SignInFirst(email=email) from None


def _seat(invitation: Invitation, person: User) -> Seat:
    """Somebody who sits there already keeps their role; a farm's person may from now on what the invitation says."""
    if invitation.client is None:
        membership, _made = Membership.objects.get_or_create(
            user=person, business=invitation.business, defaults={"role": invitation.role}
        )
        return member_seat(membership)
    may = {"may_ask": invitation.may_ask, "may_see_invoices": invitation.may_see_invoices}
    place, _made = FarmPerson.objects.update_or_create(user=person, client=invitation.client, defaults=may)
    return farm_seat(place)


def _keep_an_owner(membership: Membership) -> None:
    """Refuse to lose the last owner. The lock on the business lets two owners not leave at the same moment."""
    business = Business.objects.select_for_update().get(pk=membership.business_id)
    others = Membership.objects.of(business).filter(role=Role.OWNER).exclude(pk=membership.pk)
    if not others.exists():
        raise LastOwner(business=business)


def _live_tokens(person: User, business: Business) -> BusinessQuerySet[ApiToken]:
    return ApiToken.objects.of(business).filter(user=person, withdrawn_at__isnull=True)
