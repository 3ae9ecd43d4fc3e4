"""Inviting people and letting them in: by a link that works once, for two weeks, for the person it was sent to."""

from __future__ import annotations

import datetime as dt
import re

import pytest
from django.core import mail
from django.core.cache import cache
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries, DjangoCaptureOnCommitCallbacks

from tests import make
from tests.make import NOW
from trimmer.access import FARM, SEAT_KEY, Seat
from trimmer.models import Client, Invitation, Membership, Role, User
from trimmer.secret import hash_secret
from trimmer.services import people
from trimmer.services.people import (
    accept_invitation,
    invite_farm_person,
    invite_member,
    send_invitation_again,
    withdraw_invitation,
)

pytestmark = pytest.mark.django_db

PASSWORD = "four cows in a crush"


@pytest.fixture
def owner() -> Seat:
    return make.a_member(make.a_business(), name="Ann Hollin")


@pytest.fixture
def client(owner: Seat) -> Client:
    return make.a_client(owner.business)


@pytest.fixture(autouse=True)
def _no_tries_counted() -> None:
    cache.clear()


def known_secret(invitation: Invitation, secret: str = "s" * 43) -> str:
    """Give an invitation a secret the test knows, as if it were the one in the e-mail."""
    Invitation.objects.filter(pk=invitation.pk).update(secret_hash=hash_secret(secret))
    return secret


def invited_member(owner: Seat, email: str = "ben@hollin.test", role: str = Role.OFFICE) -> str:
    return known_secret(invite_member(business=owner.business, email=email, role=role, by=owner.user, now=NOW))


def invited_farm_person(owner: Seat, client: Client, email: str = "cora@alder.test", **may: bool) -> str:
    return known_secret(invite_farm_person(client=client, email=email, by=owner.user, now=NOW, **may))


def come_in(secret: str, by: User | None = None, **changes: object) -> Seat:
    values = {"name": "Ben", "password": PASSWORD, "now": NOW} | changes
    return accept_invitation(secret=secret, by=by, **values)  # type: ignore[arg-type]


# Sending


def test_the_link_goes_out_by_e_mail_and_only_its_hash_is_kept(
    owner: Seat, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        invitation = invite_member(
            business=owner.business, email="ben@hollin.test", role=Role.OFFICE, by=owner.user, now=NOW
        )

    found = re.search(r"/invitations/(\S{43})\s", str(mail.outbox[0].body))
    assert found is not None
    assert hash_secret(found[1]) == invitation.secret_hash
    assert mail.outbox[0].subject == "Hollin Hoof Care invites you"
    assert "Ann Hollin" in mail.outbox[0].body


def test_a_new_invitation_makes_the_old_link_useless(owner: Seat) -> None:
    first = invited_member(owner)

    send_invitation_again(invitation=Invitation.objects.get(), by=owner.user, now=NOW)

    assert Invitation.objects.count() == 1
    with pytest.raises(people.InvitationNotKnown):
        come_in(first)


def test_sent_again_a_farms_invitation_lets_do_the_same(owner: Seat, client: Client) -> None:
    invited_farm_person(owner, client, may_ask=False, may_see_invoices=True)

    again = send_invitation_again(invitation=Invitation.objects.get(), by=owner.user, now=NOW)

    assert (again.client, again.may_ask, again.may_see_invoices) == (client, False, True)


def test_a_member_is_not_invited_again(owner: Seat) -> None:
    with pytest.raises(people.AlreadyMember):
        invited_member(owner, email=owner.user.email.upper())


def test_a_farms_person_is_not_invited_to_it_again(owner: Seat, client: Client) -> None:
    person = make.a_farm_person(client)

    with pytest.raises(people.AlreadyFarmPerson):
        invited_farm_person(owner, client, email=person.user.email)


def test_nobody_is_invited_to_an_archived_client(owner: Seat) -> None:
    with pytest.raises(people.ClientIsArchived):
        invited_farm_person(owner, make.a_client(owner.business, archived_at=NOW))


def test_nobody_is_invited_to_a_role_that_is_none(owner: Seat) -> None:
    with pytest.raises(people.UnknownRole):
        invited_member(owner, role="boss")


# Coming in


def test_a_new_person_comes_in_with_a_name_and_a_password(owner: Seat) -> None:
    seat = come_in(invited_member(owner))

    assert (seat.business, seat.role, seat.user.name) == (owner.business, Role.OFFICE, "Ben")
    assert seat.user.check_password(PASSWORD)


def test_a_farms_person_may_what_the_invitation_says(owner: Seat, client: Client) -> None:
    seat = come_in(invited_farm_person(owner, client, may_ask=False, may_see_invoices=True))

    assert (seat.role, seat.client, seat.may_ask, seat.may_see_invoices) == (FARM, client, False, True)


def test_a_known_person_joins_as_they_are(owner: Seat) -> None:
    ben = make.a_person("ben@hollin.test", name="Benedict")

    seat = come_in(invited_member(owner), by=ben)

    assert seat.user.name == "Benedict"
    assert User.objects.filter(email__startswith="ben").count() == 1


def test_a_known_person_must_sign_in_as_that_address(owner: Seat) -> None:
    make.a_person("ben@hollin.test")
    secret = invited_member(owner)

    for somebody in (None, owner.user):
        with pytest.raises(people.SignInFirst):
            come_in(secret, by=somebody)


def test_nobody_accepts_for_somebody_new(owner: Seat) -> None:
    with pytest.raises(people.SignOutFirst):
        come_in(invited_member(owner), by=owner.user)


def test_a_link_works_once(owner: Seat) -> None:
    secret = invited_member(owner)
    ben = come_in(secret).user

    with pytest.raises(people.InvitationUsed):
        come_in(secret, by=ben)


def test_of_two_at_once_the_first_is_let_in(owner: Seat, monkeypatch: pytest.MonkeyPatch) -> None:
    secret = invited_member(owner)
    stale = people.open_invitation(secret=secret, now=NOW)
    come_in(secret)
    monkeypatch.setattr(people, "open_invitation", lambda **_: stale)

    with pytest.raises(people.InvitationUsed):
        come_in(secret, by=User.objects.get(email="ben@hollin.test"))


def test_a_link_works_for_two_weeks(owner: Seat) -> None:
    secret = invited_member(owner)

    with pytest.raises(people.InvitationExpired):
        come_in(secret, now=NOW + dt.timedelta(days=14))
    assert come_in(secret, now=NOW + dt.timedelta(days=14, seconds=-1))


def test_a_withdrawn_link_lets_nobody_in(owner: Seat) -> None:
    secret = invited_member(owner)
    withdraw_invitation(invitation=Invitation.objects.get())

    with pytest.raises(people.InvitationNotKnown):
        come_in(secret)


def test_an_accepted_invitation_is_not_withdrawn_or_sent_again(owner: Seat) -> None:
    come_in(invited_member(owner))
    invitation = Invitation.objects.get()

    with pytest.raises(people.InvitationAccepted):
        withdraw_invitation(invitation=invitation)
    with pytest.raises(people.InvitationAccepted):
        send_invitation_again(invitation=invitation, by=owner.user, now=NOW)


def test_a_link_to_a_client_archived_meanwhile_lets_nobody_in(owner: Seat, client: Client) -> None:
    secret = invited_farm_person(owner, client)
    Client.objects.filter(pk=client.pk).update(archived_at=NOW)

    with pytest.raises(people.InvitationNotKnown):
        come_in(secret)


def test_a_weak_password_is_refused_and_the_link_still_works(owner: Seat) -> None:
    secret = invited_member(owner)

    with pytest.raises(people.PasswordTooWeak) as refused:
        come_in(secret, password="cow")

    assert "at least 10 characters" in refused.value.fields["password"]
    assert come_in(secret)


def test_a_new_person_has_a_name(owner: Seat) -> None:
    with pytest.raises(people.PersonNeedsName):
        come_in(invited_member(owner), name=" ")


def test_a_member_who_is_let_in_twice_keeps_the_first_role(owner: Seat) -> None:
    secret = invited_member(owner, role=Role.OFFICE)
    ben = make.a_person("ben@hollin.test")
    Membership.objects.create(user=ben, business=owner.business, role=Role.OWNER)

    assert come_in(secret, by=ben).role == Role.OWNER


# Pages


def test_the_page_makes_the_person_and_signs_them_in(owner: Seat) -> None:
    browser = make.Browser()
    address = reverse("invitation-accept", args=[invited_now(owner)])
    assert browser.get(address).status_code == 200

    form = {"name": "Ben", "password": PASSWORD, "password_again": PASSWORD}
    answer = browser.post(address, form)

    assert answer["Location"] == reverse("home")
    membership = Membership.objects.get(user__email="ben@hollin.test")
    assert browser.session[SEAT_KEY] == f"m{membership.pk}"


def test_the_page_refuses_two_passwords_that_differ(owner: Seat) -> None:
    address = reverse("invitation-accept", args=[invited_now(owner)])

    answer = make.Browser().post(address, {"name": "Ben", "password": PASSWORD, "password_again": "another"})

    assert "The two passwords differ" in answer.content.decode()
    assert not User.objects.filter(email="ben@hollin.test").exists()


def test_the_page_of_a_known_person_leads_to_signing_in(owner: Seat) -> None:
    make.a_person("ben@hollin.test")
    address = reverse("invitation-accept", args=[invited_now(owner)])

    answer = make.Browser().get(address)

    assert answer.status_code == 403
    assert f"{reverse('account_login')}?next={address}" in answer.content.decode()


def test_the_page_of_a_link_that_is_none_says_so() -> None:
    answer = make.Browser().get(reverse("invitation-accept", args=["x" * 43]))

    assert answer.status_code == 404
    assert "does not let you in" in answer.content.decode()


def test_links_are_not_tried_without_end() -> None:
    browser = make.Browser()
    address = reverse("invitation-accept", args=["x" * 43])

    answers = [browser.get(address).status_code for _ in range(62)]  # a minute may turn in between

    assert 429 in answers


def invited_now(owner: Seat) -> str:
    """An invitation that is valid on the clock of the page."""
    secret = invited_member(owner)
    Invitation.objects.update(expires_at=dt.datetime(2999, 1, 1, tzinfo=dt.UTC))
    return secret


def test_the_owner_invites_by_the_page(owner: Seat) -> None:
    make.signed_in(owner).post(reverse("member-invite"), {"email": "ben@hollin.test", "role": "trimmer"})

    assert Invitation.objects.of(owner.business).get().role == Role.TRIMMER


def test_the_office_invites_a_farms_person_and_no_colleague(owner: Seat, client: Client) -> None:
    office = make.signed_in(make.a_member(owner.business, Role.OFFICE))

    office.post(reverse("farm-person-invite", args=[client.pk]), {"email": "cora@alder.test", "may_ask": "on"})

    assert Invitation.objects.get().client == client
    assert office.get(reverse("member-invite")).status_code == 403


def test_a_refused_invitation_is_said_beside_what_was_typed(owner: Seat) -> None:
    answer = make.signed_in(owner).post(reverse("member-invite"), {"email": owner.user.email, "role": "trimmer"})

    page = answer.content.decode()
    assert "already works here" in page
    assert owner.user.email in page


def test_an_invitation_is_sent_again_and_withdrawn_by_the_page(owner: Seat) -> None:
    invited_member(owner)
    browser = make.signed_in(owner)

    browser.post(reverse("invitation-again", args=[Invitation.objects.get().pk]))
    assert Invitation.objects.count() == 1
    browser.post(reverse("invitation-withdraw", args=[Invitation.objects.get().pk]))

    assert not Invitation.objects.exists()


def test_another_business_is_not_touched(owner: Seat) -> None:
    stranger = make.signed_in(make.a_member(make.a_business(name="Far Trim")))
    invited_member(owner)

    for name, pk in [
        ("invitation-again", Invitation.objects.get().pk),
        ("invitation-withdraw", Invitation.objects.get().pk),
        ("member-remove", Membership.objects.of(owner.business).get().pk),
        ("member-edit", Membership.objects.of(owner.business).get().pk),
    ]:
        assert stranger.post(reverse(name, args=[pk])).status_code == 404


def test_a_list_of_many_people_takes_few_queries(
    owner: Seat, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(5):
        make.a_farm_person(make.a_client(owner.business))
        make.a_member(owner.business, Role.TRIMMER)
    invited_member(owner)
    browser = make.signed_in(owner)

    with django_assert_max_num_queries(14):
        answer = browser.get(reverse("people-list"))

    assert answer.content.decode().count("@example.test") >= 10
