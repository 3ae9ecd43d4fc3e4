"""Setting up a business: its details, its first owner, the rules it starts with."""

from __future__ import annotations

import datetime as dt
from http import HTTPStatus
from typing import TypedDict, Unpack

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from trimmer import standards
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, Membership, RecheckRule, Role, Units, User, Visit
from trimmer.rechecks import DEFAULT_RULES
from trimmer.services.messages import send_message, write_body
from trimmer.services.people import find_person, password_link


class UnknownCountry(Refusal):
    code = "unknown_country"
    message = _("“%(given)s” is no country code. Give the two letters of ISO 3166, such as GB, US or AT.")
    status = HTTPStatus.BAD_REQUEST


class UnknownCurrency(Refusal):
    code = "unknown_currency"
    message = _("“%(given)s” is no currency code. Give the three letters of ISO 4217, such as EUR or USD.")
    status = HTTPStatus.BAD_REQUEST


class UnknownTimeZone(Refusal):
    code = "unknown_time_zone"
    message = _("“%(given)s” is no time zone. Give its name, such as Europe/Dublin or America/Chicago.")
    status = HTTPStatus.BAD_REQUEST


class UnknownLanguage(Refusal):
    code = "unknown_language"
    message = _("“%(given)s” is no language tag. Give one such as en-GB, en-US or de-AT.")
    status = HTTPStatus.BAD_REQUEST


class UnknownUnits(Refusal):
    code = "unknown_units"
    message = _("“%(given)s” are no units. Choose metric or us.")
    status = HTTPStatus.BAD_REQUEST


class BusinessNeedsName(Refusal):
    code = "business_needs_name"
    message = _("A business has a name: farms read it on every message. Give one.")
    status = HTTPStatus.BAD_REQUEST


class OwnerNeedsEmail(Refusal):
    code = "owner_needs_email"
    message = _("“%(given)s” is no e-mail address. Give the one the owner signs in with.")
    status = HTTPStatus.BAD_REQUEST


class CurrencyIsInUse(Refusal):
    code = "currency_is_in_use"
    message = _(
        "Visits were done in %(currency)s: their prices and invoices stay in it. Found another business to work in a "
        "second currency."
    )


class MoreDetails(TypedDict, total=False):
    """What can be said of a business beyond what it is founded with."""

    street: str
    postcode: str
    city: str
    region: str
    email: str
    phone: str
    tax_id: str
    tax_number: str
    register_number: str
    bank_name: str
    iban: str
    bic: str
    payment_days: int
    paper: str
    invoice_prefix: str
    invoice_footer: str


class BusinessDetails(MoreDetails, total=False):
    """What can be said of a business; what is absent stays as it is."""

    name: str
    country: str
    currency: str
    time_zone: str
    units: str
    language: str


@transaction.atomic
def found_business(
    *,
    name: str,
    country: str,
    currency: str,
    time_zone: str,
    units: str,
    language: str,
    owner_email: str,
    owner_name: str = "",
    now: dt.datetime,
    **more: Unpack[MoreDetails],
) -> Business:
    """A new business with its first owner and the recheck rules everyone starts with.

    A person already known by the e-mail address becomes the owner as they are. A new one gets a link by e-mail to
    choose a password.
    """
    business = Business(
        name=name,
        country=country,
        currency=currency,
        time_zone=time_zone,
        units=units,
        language=language,
        **more,
    )
    _check(business)
    _check_email(owner_email)
    business.save()
    owner = find_person(owner_email) or User.objects.create_user(owner_email.strip(), name=owner_name)
    Membership.objects.create(user=owner, business=business, role=Role.OWNER)
    add_default_rules(business=business)
    if not owner.has_usable_password():
        _welcome(business, owner, now)
    return business


@transaction.atomic
def update_business(*, business: Business, **details: Unpack[BusinessDetails]) -> Business:
    """Change what is said of a business."""
    current = Business.objects.select_for_update().get(pk=business.pk)
    wanted = details.get("currency", current.currency)
    if wanted != current.currency and Visit.objects.of(current).done().exists():
        raise CurrencyIsInUse.at("currency", currency=current.currency)
    for field, value in details.items():
        setattr(current, field, value)
    _check(current)
    current.save()
    return current


@transaction.atomic
def add_default_rules(*, business: Business) -> int:
    """Give a business the default recheck rules it does not have yet; its own days stay. Says how many were added."""
    known = set(RecheckRule.objects.of(business).values_list("trigger", "what"))
    added = [
        RecheckRule(
            business=business,
            trigger=rule.trigger,
            what=rule.what,
            from_days=rule.from_days,
            by_days=rule.by_days,
            warn_days=rule.warn_days,
        )
        for rule in DEFAULT_RULES
        if (rule.trigger, rule.what) not in known
    ]
    RecheckRule.objects.bulk_create(added)
    return len(added)


def _welcome(business: Business, owner: User, now: dt.datetime) -> None:
    body = write_body(business=business, template="trimmer/mail/founded.txt", person=owner, link=password_link(owner))
    with business_locale(business):
        subject = gettext("%(business)s is set up: choose your password") % {"business": business.name}
    send_message(
        business=business, client=None, kind="founded", recipients=[owner.email], subject=subject, body=body, now=now
    )


def _check(business: Business) -> None:
    """Refuse what no standard knows."""
    if not business.name.strip():
        raise BusinessNeedsName.at("name")
    checks: tuple[tuple[str, bool, type[Refusal]], ...] = (
        ("country", standards.is_country(business.country), UnknownCountry),
        ("currency", standards.is_currency(business.currency), UnknownCurrency),
        ("time_zone", standards.is_time_zone(business.time_zone), UnknownTimeZone),
        ("units", business.units in Units.values, UnknownUnits),
        ("language", standards.is_language(business.language), UnknownLanguage),
    )
    for field, sound, refusal in checks:
        if not sound:
            raise refusal.at(field, given=getattr(business, field))


def _check_email(address: str) -> None:
    try:
        validate_email(address.strip())
    except ValidationError:
        raise OwnerNeedsEmail.at("owner_email", given=address) from None
