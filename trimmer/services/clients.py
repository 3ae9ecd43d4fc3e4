"""Clients, who pay: added with a number, changed, archived with their farms, and brought back."""

from __future__ import annotations

import datetime as dt
import re
from http import HTTPStatus
from typing import TypedDict, Unpack

from django.db import IntegrityError, transaction
from django.utils.translation import gettext_lazy as _

from trimmer import standards
from trimmer.errors import Refusal
from trimmer.models import Business, Client, Farm
from trimmer.services.businesses import UnknownCountry
from trimmer.services.farms import refuse_open_work


class ClientNumberIsTaken(Refusal):
    code = "client_number_is_taken"
    message = _("Client number %(number)s is taken. Choose another, or leave it empty to get the next one.")


class ClientNeedsName(Refusal):
    code = "client_needs_name"
    message = _("Give the client a name: it stands on the invoices.")
    status = HTTPStatus.BAD_REQUEST


class ClientDetails(TypedDict, total=False):
    """What can be said of a client; what is absent stays as it is."""

    number: str
    name: str
    street: str
    postcode: str
    city: str
    region: str
    country: str
    email: str
    phone: str
    tax_id: str
    payment_days: int | None
    on_hold: bool
    note: str


@transaction.atomic
def add_client(*, business: Business, **details: Unpack[ClientDetails]) -> Client:
    """A new client. Without a number it gets the next one: whoever adds one at the same moment waits for this."""
    Business.objects.select_for_update().get(pk=business.pk)
    client = Client(business=business)
    return _store(client, details)


@transaction.atomic
def update_client(*, client: Client, **details: Unpack[ClientDetails]) -> Client:
    """Change what is said of a client. An emptied number becomes the next one."""
    Business.objects.select_for_update().get(pk=client.business_id)
    return _store(client, details)


@transaction.atomic
def archive_client(*, client: Client, now: dt.datetime) -> Client:
    """Put a client and its farms away: kept with records and invoices, no longer worked with.

    Refused while visits are booked or requests wait.
    """
    refuse_open_work(client.farms.all())
    archived = Client.objects.filter(pk=client.pk, archived_at__isnull=True).update(archived_at=now)
    if archived:
        Farm.objects.filter(client=client).current().update(archived_at=now)
    client.refresh_from_db(fields=["archived_at"])
    return client


@transaction.atomic
def restore_client(*, client: Client) -> Client:
    """Bring a client back, with the farms that were put away together with it."""
    if client.archived_at is not None:
        Farm.objects.filter(client=client, archived_at=client.archived_at).update(archived_at=None)
        Client.objects.filter(pk=client.pk).update(archived_at=None)
    client.refresh_from_db(fields=["archived_at"])
    return client


def next_client_number(business: Business) -> str:
    """The number after the highest of the kind that was given last: C009 after it C010, 1041 after it 1042."""
    numbers = list(Client.objects.of(business).order_by("-pk").values_list("number", flat=True))
    latest = next((found for number in numbers if (found := re.fullmatch(r"(.*?)([0-9]+)", number))), None)
    if latest is None:
        return "1"
    alike = re.compile(re.escape(latest[1]) + r"([0-9]+)")
    highest = max(int(found[1]) for number in numbers if (found := alike.fullmatch(number)))
    return f"{latest[1]}{highest + 1:0{len(latest[2])}d}"


def check_client(*, client: Client) -> None:
    """Refuse what cannot be said of a client, stored or about to be."""
    if not client.name.strip():
        raise ClientNeedsName.at("name")
    if client.country and not standards.is_country(client.country):
        raise UnknownCountry.at("country", given=client.country)


def _store(client: Client, details: ClientDetails) -> Client:
    for field, value in details.items():
        setattr(client, field, value)
    client.number = client.number.strip() or next_client_number(client.business)
    check_client(client=client)
    try:
        with transaction.atomic():
            client.save()
    except IntegrityError:
        raise ClientNumberIsTaken.at("number", number=client.number) from None
    return client
