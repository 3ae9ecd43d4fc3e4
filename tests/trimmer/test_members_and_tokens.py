"""Roles, taking people out, and the tokens of their programs: a business is never without an owner."""

from __future__ import annotations

import contextlib
import threading

import pytest
from django.db import connection
from django.urls import reverse

from tests import make
from tests.make import NOW
from trimmer.access import Seat
from trimmer.models import ApiToken, FarmPerson, Membership, Role
from trimmer.secret import hash_secret
from trimmer.services import people
from trimmer.services.people import (
    change_role,
    make_token,
    remove_farm_person,
    remove_member,
    withdraw_token,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner() -> Seat:
    return make.a_member(make.a_business(), name="Ann Hollin")


def membership_of(seat: Seat) -> Membership:
    return Membership.objects.of(seat.business).get(user=seat.user)


def test_the_last_owner_stays_one(owner: Seat) -> None:
    make.a_member(owner.business, Role.OFFICE)

    with pytest.raises(people.LastOwner):
        change_role(membership=membership_of(owner), role=Role.OFFICE)


def test_the_last_owner_is_not_taken_out(owner: Seat) -> None:
    with pytest.raises(people.LastOwner):
        remove_member(membership=membership_of(owner), now=NOW)


def test_an_owner_leaves_when_there_is_another(owner: Seat) -> None:
    make.a_member(owner.business, Role.OWNER)

    remove_member(membership=membership_of(owner), now=NOW)

    assert not Membership.objects.of(owner.business).filter(user=owner.user).exists()


@pytest.mark.django_db(transaction=True)
def test_of_two_owners_who_leave_at_once_one_stays() -> None:
    business = make.a_business()
    places = [membership_of(make.a_member(business)) for _ in range(2)]
    ready = threading.Barrier(2)

    def leave(membership: Membership) -> None:
        ready.wait(timeout=10)
        with contextlib.suppress(people.LastOwner):
            remove_member(membership=membership, now=NOW)
        connection.close()

    leavers = [threading.Thread(target=leave, args=[membership]) for membership in places]
    for leaver in leavers:
        leaver.start()
    for leaver in leavers:
        leaver.join()

    assert Membership.objects.of(business).count() == 1


def test_a_member_becomes_an_owner(owner: Seat) -> None:
    office = make.a_member(owner.business, Role.OFFICE)

    change_role(membership=membership_of(office), role=Role.OWNER)

    assert membership_of(office).role == Role.OWNER


def test_a_role_that_is_none_is_refused(owner: Seat) -> None:
    with pytest.raises(people.UnknownRole):
        change_role(membership=membership_of(owner), role="boss")


def test_whoever_is_taken_out_leaves_crews_and_tokens(owner: Seat) -> None:
    trimmer = make.a_member(owner.business, Role.TRIMMER)
    crew = make.a_crew(owner.business)
    crew.members.add(trimmer.user)
    token, _secret = make_token(seat=trimmer, name="Scale", now=NOW)

    remove_member(membership=membership_of(trimmer), now=NOW)

    assert not crew.members.exists()
    assert ApiToken.objects.get(pk=token.pk).withdrawn_at == NOW


def test_whoever_is_taken_out_of_one_farm_keeps_the_token_for_another(owner: Seat) -> None:
    first = make.a_farm_person(make.a_client(owner.business))
    second = FarmPerson.objects.create(user=first.user, client=make.a_client(owner.business))
    token, _secret = make_token(seat=first, name="Herd list", now=NOW)

    remove_farm_person(person=FarmPerson.objects.get(client=first.client), now=NOW)
    assert ApiToken.objects.get(pk=token.pk).withdrawn_at is None
    remove_farm_person(person=second, now=NOW)

    assert ApiToken.objects.get(pk=token.pk).withdrawn_at == NOW


def test_a_token_is_kept_as_a_hash_only(owner: Seat) -> None:
    token, secret = make_token(seat=owner, name=" Herd list ", now=NOW)

    assert (token.name, token.secret_hash) == ("Herd list", hash_secret(secret))
    assert len(secret) == 43


def test_a_token_has_a_name(owner: Seat) -> None:
    with pytest.raises(people.TokenNeedsName):
        make_token(seat=owner, name=" ", now=NOW)


def test_a_withdrawn_token_lets_no_program_in(owner: Seat) -> None:
    token, secret = make_token(seat=owner, name="Herd list", now=NOW)
    browser = make.Browser(headers={"Authorization": f"Bearer {secret}"})
    assert browser.get(reverse("api-schema")).status_code == 200

    withdraw_token(token=token, now=NOW)

    assert browser.get(reverse("api-schema")).status_code == 401


# Pages


def test_the_owner_changes_a_role_by_the_page(owner: Seat) -> None:
    office = make.a_member(owner.business, Role.OFFICE)

    make.signed_in(owner).post(reverse("member-edit", args=[membership_of(office).pk]), {"role": "trimmer"})

    assert membership_of(office).role == Role.TRIMMER


def test_the_page_says_why_the_last_owner_stays(owner: Seat) -> None:
    answer = make.signed_in(owner).post(reverse("member-remove", args=[membership_of(owner).pk]))

    assert "would be without an owner" in answer.content.decode()


def test_the_office_takes_out_a_farms_person_and_no_colleague(owner: Seat) -> None:
    person = make.a_farm_person(make.a_client(owner.business))
    office = make.signed_in(make.a_member(owner.business, Role.OFFICE))

    office.post(reverse("farm-person-remove", args=[FarmPerson.objects.get().pk]))

    assert not FarmPerson.objects.filter(user=person.user).exists()
    assert office.post(reverse("member-remove", args=[membership_of(owner).pk])).status_code == 403


def test_unticked_is_no_longer_allowed(owner: Seat) -> None:
    make.a_farm_person(make.a_client(owner.business), may_ask=True, may_see_invoices=True)
    place = FarmPerson.objects.get()

    make.signed_in(owner).post(reverse("farm-person-edit", args=[place.pk]), {})

    place.refresh_from_db()
    assert (place.may_ask, place.may_see_invoices) == (False, False)


def test_a_person_of_two_places_changes_between_them(owner: Seat) -> None:
    client = make.a_client(make.a_business(name="Far Trim"))
    place = FarmPerson.objects.create(user=owner.user, client=client)
    browser = make.signed_in(owner)

    answer = browser.post(reverse("seat-choose"), {"seat": f"f{place.pk}"})

    assert answer["Location"] == reverse("home")
    assert browser.get(reverse("people-list")).status_code == 403


def test_nobody_sits_down_in_anothers_place(owner: Seat) -> None:
    other = make.a_member(owner.business, Role.OFFICE)

    answer = make.signed_in(owner).post(reverse("seat-choose"), {"seat": other.key})

    assert answer.status_code == 404


def test_the_account_page_shows_a_new_token_once(owner: Seat) -> None:
    browser = make.signed_in(owner)

    answer = browser.post(reverse("token-make"), {"name": "Herd list"})

    token = ApiToken.objects.get()
    secret = answer.context["secret"]
    assert hash_secret(secret) == token.secret_hash
    assert secret in answer.content.decode()
    assert "no-store" in answer["Cache-Control"]
    assert secret not in browser.get(reverse("account")).content.decode()


def test_one_withdraws_ones_own_tokens_only(owner: Seat) -> None:
    token, _secret = make_token(seat=owner, name="Herd list", now=NOW)
    colleague = make.signed_in(make.a_member(owner.business, Role.OWNER))

    assert colleague.post(reverse("token-withdraw", args=[token.pk])).status_code == 404
    make.signed_in(owner).post(reverse("token-withdraw", args=[token.pk]))

    assert ApiToken.objects.get().withdrawn_at is not None


def test_one_changes_ones_own_name(owner: Seat) -> None:
    make.signed_in(owner).post(reverse("account"), {"name": "Ann Hollin-Reed"})

    owner.user.refresh_from_db()
    assert owner.user.name == "Ann Hollin-Reed"


def test_somebody_without_a_place_is_told_how_to_get_one() -> None:
    browser = make.Browser()
    browser.force_login(make.a_person(), backend="allauth.account.auth_backends.AuthenticationBackend")

    assert "You belong to no business" in browser.get("/").content.decode()
    assert browser.get(reverse("account")).status_code == 200
    assert browser.get(reverse("seat-choose")).status_code == 200
