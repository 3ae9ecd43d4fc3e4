from http import HTTPStatus

import pytest
from django.apps import apps
from django.test import Client as Browser
from django.urls import reverse

from billing.models import Invoice
from billing.services.documents import keep_document
from tests import make
from tests.billing import bills
from trimmer.models import User

pytestmark = pytest.mark.django_db


def staff() -> Browser:
    browser = Browser()
    person = User.objects.create_superuser("staff@example.test")
    browser.force_login(person, backend="allauth.account.auth_backends.AuthenticationBackend")
    return browser


def test_every_row_of_bills_can_be_looked_at() -> None:
    invoice = bills.an_invoice(make.a_client(bills.a_trimming_business()))
    kept = keep_document(invoice=invoice, now=make.NOW)
    browser = staff()
    for model in apps.get_app_config("billing").get_models():
        name = model._meta.model_name
        assert browser.get(reverse(f"admin:billing_{name}_changelist")).status_code == HTTPStatus.OK
    for row in (invoice, kept):
        page = browser.get(reverse(f"admin:billing_{row._meta.model_name}_change", args=[row.pk]))
        assert page.status_code == HTTPStatus.OK
        assert b"%PDF" not in page.content


def test_nothing_is_changed_there() -> None:
    invoice = bills.an_invoice(make.a_client(bills.a_trimming_business()))
    browser = staff()
    for name in ("change", "delete"):
        answer = browser.post(reverse(f"admin:billing_invoice_{name}", args=[invoice.pk]), {"note": "x", "post": "yes"})
        assert answer.status_code == HTTPStatus.FORBIDDEN
    assert Invoice.objects.get().note == ""
