"""The admin is for looking: every model can be read, none changed, by whoever is staff and nobody else."""

from __future__ import annotations

import pytest
from django.contrib import admin
from django.test import RequestFactory
from django.urls import reverse

from tests import make
from tests.world import a_world
from trimmer.models import User
from trimmer.services.people import make_token

pytestmark = pytest.mark.django_db

SIGN_IN = "allauth.account.auth_backends.AuthenticationBackend"


def looking() -> make.Browser:
    """A browser signed in as staff."""
    browser = make.Browser()
    browser.force_login(User.objects.create_superuser("staff@example.test"), backend=SIGN_IN)
    return browser


def test_nothing_is_added_changed_or_deleted() -> None:
    request = RequestFactory().get("/")
    request.user = User.objects.create_superuser("staff@example.test")

    for shown in admin.site._registry.values():
        assert not shown.has_add_permission(request)
        assert not shown.has_change_permission(request)
        assert not shown.has_delete_permission(request)
        assert not shown.get_actions(request)
        assert shown.has_view_permission(request)


def test_every_list_and_every_row_can_be_read() -> None:
    a_world()
    browser = looking()
    assert browser.get(reverse("admin:index")).status_code == 200

    for model in admin.site._registry:
        name = f"admin:{model._meta.app_label}_{model._meta.model_name}"
        assert browser.get(reverse(f"{name}_changelist")).status_code == 200
        if row := model._default_manager.first():
            assert browser.get(reverse(f"{name}_change", args=[row.pk])).status_code == 200


def test_a_row_is_not_changed_by_sending_its_form() -> None:
    client = make.a_client(make.a_business())
    address = reverse("admin:trimmer_client_change", args=[client.pk])

    assert looking().post(address, {"name": "Another"}).status_code == 403


def test_hashes_and_passwords_are_not_shown() -> None:
    seat = make.a_member(make.a_business(), password="four cows in a crush")
    token, _secret = make_token(seat=seat, name="Scale", now=make.NOW)
    browser = looking()

    for name, row in (("apitoken", token), ("user", seat.user)):
        page = browser.get(reverse(f"admin:trimmer_{name}_change", args=[row.pk])).content.decode()
        assert token.secret_hash not in page
        assert "argon2" not in page


def test_an_owner_is_no_staff() -> None:
    answer = make.signed_in(make.a_member(make.a_business())).get(reverse("admin:index"), follow=True)

    assert answer.status_code == 403


def test_staff_sign_in_where_everybody_does() -> None:
    answer = make.Browser().get(reverse("admin:index"), follow=True)

    assert answer.redirect_chain[-1][0] == f"{reverse('account_login')}?next={reverse('admin:index')}"
