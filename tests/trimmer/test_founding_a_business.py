"""Founding a business and changing its details: the owner comes in, the rules are there, nonsense is refused."""

from __future__ import annotations

import io
from typing import Any

import pytest
from django.core import mail
from django.core.management import CommandError, call_command
from pytest_django import DjangoCaptureOnCommitCallbacks

from tests import make
from trimmer.errors import Refusal
from trimmer.models import Business, RecheckRule, Role, User, VisitState
from trimmer.rechecks import DEFAULT_RULES
from trimmer.services import businesses
from trimmer.services.businesses import add_default_rules, found_business, update_business

pytestmark = pytest.mark.django_db

DETAILS: dict[str, Any] = {
    "name": "Hollin Hoof Care",
    "country": "IE",
    "currency": "EUR",
    "time_zone": "Europe/Dublin",
    "units": "metric",
    "language": "en-IE",
    "owner_email": "Ann@hollin.test",
    "owner_name": "Ann Hollin",
    "now": make.NOW,
}


def test_the_founder_is_its_owner() -> None:
    business = found_business(**DETAILS)

    member = business.memberships.get()
    assert (member.user.email, member.user.name, member.role) == ("ann@hollin.test", "Ann Hollin", Role.OWNER)


def test_it_starts_with_the_default_recheck_rules() -> None:
    business = found_business(**DETAILS)

    rules = RecheckRule.objects.of(business).values_list("trigger", "what", "from_days", "by_days", "warn_days")
    assert list(rules) == [(r.trigger, r.what, r.from_days, r.by_days, r.warn_days) for r in DEFAULT_RULES]


def test_rules_added_again_change_none_of_its_own() -> None:
    business = found_business(**DETAILS)
    RecheckRule.objects.of(business).filter(trigger="wrap").update(by_days=4)
    RecheckRule.objects.of(business).filter(trigger="toe_ulcer").delete()

    assert add_default_rules(business=business) == 2
    assert RecheckRule.objects.of(business).get(trigger="wrap").by_days == 4


def test_a_new_owner_gets_a_link_to_choose_a_password(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        found_business(**DETAILS)

    (message,) = mail.outbox
    assert message.to == ["ann@hollin.test"]
    assert "/accounts/password/reset/key/" in message.body


def test_a_known_person_becomes_owner_as_they_are(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    ann = make.a_person("ann@hollin.test", name="Ann", password="a long one, really")

    with django_capture_on_commit_callbacks(execute=True):
        business = found_business(**DETAILS)

    assert business.memberships.get().user == ann
    assert User.objects.get().name == "Ann"
    assert mail.outbox == []


REFUSED = [
    ("country", "Ireland", businesses.UnknownCountry),
    ("country", "EU", businesses.UnknownCountry),
    ("currency", "EUX", businesses.UnknownCurrency),
    ("currency", "XAU", businesses.UnknownCurrency),
    ("time_zone", "Dublin", businesses.UnknownTimeZone),
    ("time_zone", "../etc/passwd", businesses.UnknownTimeZone),
    ("units", "imperial", businesses.UnknownUnits),
    ("language", "english", businesses.UnknownLanguage),
    ("language", "de_AT", businesses.UnknownLanguage),
    ("name", "  ", businesses.BusinessNeedsName),
    ("owner_email", "ann", businesses.OwnerNeedsEmail),
]


@pytest.mark.parametrize(("field", "value", "refusal"), REFUSED)
def test_what_no_standard_knows_is_refused(field: str, value: str, refusal: type[Refusal]) -> None:
    with pytest.raises(refusal) as refused:
        found_business(**(DETAILS | {field: value}))

    assert list(refused.value.fields) == [field]
    assert not Business.objects.exists()


def test_details_change_one_by_one() -> None:
    business = make.a_business(city="Hollin")

    update_business(business=business, phone="+353 1 555 0100", currency="GBP")

    business.refresh_from_db()
    assert (business.phone, business.currency, business.city) == ("+353 1 555 0100", "GBP", "Hollin")


def test_the_currency_stays_once_a_visit_was_done() -> None:
    business = make.a_business()
    farm = make.a_farm(make.a_client(business))
    make.a_visit(farm, make.a_crew(business), state=VisitState.DONE)

    with pytest.raises(businesses.CurrencyIsInUse):
        update_business(business=business, currency="GBP")


COMMAND = [
    "found_business",
    "Hollin Hoof Care",
    "--owner-email=ann@hollin.test",
    "--country=IE",
    "--currency=EUR",
    "--time-zone=Europe/Dublin",
]


def test_the_command_says_how_the_owner_comes_in() -> None:
    out = io.StringIO()

    call_command(*COMMAND, stdout=out)

    link = out.getvalue().split()[-1].removeprefix("http://localhost:8000")
    assert make.Browser().get(link, follow=True).status_code == 200


def test_the_command_says_what_is_refused() -> None:
    with pytest.raises(CommandError, match="no country code"):
        call_command(*COMMAND, "--country=Ireland")
