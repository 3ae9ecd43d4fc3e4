"""Searching over everything: a farm, a client, an animal's tag, a telephone number, an invoice.

Each app adds what it can find (`searches`); a finder gets the seat and what was typed, and shows nothing that the seat
may not see.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from django.db.models import Q
from django.urls import reverse
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from trimmer.access import Seat
from trimmer.models import Animal, Client, Contact, Farm

MOST_OF_A_KIND: Final = 12
SHORTEST: Final = 2
FEWEST_DIGITS: Final = 5
"""From here on a number may be a telephone's: fewer digits stand in too many."""

SAME_END: Final = 7


@dataclass(frozen=True, slots=True)
class Hit:
    """One thing found: what it is called, a line that tells it from others, and its page."""

    title: str
    detail: str
    url: str


type Finder = Callable[[Seat, str], list[Hit]]

_finders: list[tuple[str | Promise, Finder]] = []


def searches(kind: str | Promise) -> Callable[[Finder], Finder]:
    """Add a finder under the name of what it finds; in the order the apps are loaded."""

    def add(finder: Finder) -> Finder:
        _finders.append((kind, finder))
        return finder

    return add


def search(seat: Seat, typed: str) -> list[tuple[str | Promise, list[Hit]]]:
    """What was found, by kind, at most a dozen of each; nothing for less than two characters."""
    typed = " ".join(typed.split())
    if len(typed) < SHORTEST:
        return []
    found = [(kind, finder(seat, typed)) for kind, finder in _finders]
    return [(kind, hits) for kind, hits in found if hits]


def digits_of(text: str) -> str:
    """The digits of a telephone number without what differs in writing: +353 (0)64 is found as 064 and as 64."""
    return re.sub(r"\D", "", text.replace("(0)", "")).lstrip("0")


def _same_number(typed: str, kept: str) -> bool:
    """A part of the number kept, or the same end where one of the two has the country before it."""
    return typed in kept or (min(len(typed), len(kept)) >= SAME_END and typed[-SAME_END:] == kept[-SAME_END:])


def all_words(typed: str, *fields: str) -> Q:
    """A condition: each word stands in one of the fields."""
    condition = Q()
    for word in typed.split():
        anywhere = Q()
        for field in fields:
            anywhere |= Q(**{f"{field}__icontains": word})
        condition &= anywhere
    return condition


@searches(_("Farms"))
def _farms(seat: Seat, typed: str) -> list[Hit]:
    rows = Farm.objects.current().seen_by(seat).select_related("client")
    found = rows.filter(all_words(typed, "name", "client__name", "client__number", "city", "street", "postcode"))
    return [
        Hit(farm.name, ", ".join(filter(None, [farm.client.name, farm.city])), reverse("farm-page", args=[farm.pk]))
        for farm in found.order_by("name", "pk")[:MOST_OF_A_KIND]
    ]


@searches(_("Clients"))
def _clients(seat: Seat, typed: str) -> list[Hit]:
    if not seat.is_member:
        return []
    found = Client.objects.current().of(seat.business).filter(all_words(typed, "name", "number", "email", "city"))
    return [
        Hit(client.name, client.number, reverse("client-page", args=[client.pk]))
        for client in found.order_by("name", "pk")[:MOST_OF_A_KIND]
    ]


@searches(_("Animals"))
def _animals(seat: Seat, typed: str) -> list[Hit]:
    compact = typed.replace(" ", "")
    named = Q(number__iexact=typed) | Q(official_tag__icontains=compact) | Q(transponder__icontains=compact)
    found = Animal.objects.current().seen_by(seat).filter(named, farm__archived_at__isnull=True)
    rows = found.select_related("farm").order_by("farm__name", "number", "pk")
    return [
        Hit(
            animal.number,
            ", ".join(filter(None, [animal.farm.name, animal.official_tag or animal.transponder])),
            reverse("animal-page", args=[animal.pk]),
        )
        for animal in rows[:MOST_OF_A_KIND]
    ]


@searches(_("Telephone"))
def _telephones(seat: Seat, typed: str) -> list[Hit]:
    wanted = digits_of(typed)
    if not seat.is_member or len(wanted) < FEWEST_DIGITS or not re.fullmatch(r"[\d\s+()/.\-]+", typed):
        return []
    contacts = Contact.objects.of(seat.business).exclude(phone="").filter(farm__archived_at__isnull=True)
    clients = Client.objects.current().of(seat.business).exclude(phone="")
    hits = [
        Hit(contact.phone, f"{contact.name}, {contact.farm.name}", reverse("farm-page", args=[contact.farm_id]))
        for contact in contacts.select_related("farm").order_by("farm__name", "pk")
        if _same_number(wanted, digits_of(contact.phone))
    ]
    hits += [
        Hit(client.phone, client.name, reverse("client-page", args=[client.pk]))
        for client in clients.order_by("name", "pk")
        if _same_number(wanted, digits_of(client.phone))
    ]
    return hits[:MOST_OF_A_KIND]
