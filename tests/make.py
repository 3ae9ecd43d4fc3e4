"""Makes objects for tests, with fixed values that a test overrides where it cares."""

from __future__ import annotations

import datetime as dt
from itertools import count
from typing import Any

from django.test import Client as Browser

from trimmer.access import Seat, farm_seat, member_seat
from trimmer.models import (
    Animal,
    Base,
    Business,
    ChuteRecord,
    Client,
    Crew,
    Farm,
    FarmPerson,
    HeadKind,
    Membership,
    RequestHead,
    Role,
    User,
    Visit,
    VisitHead,
    VisitRequest,
    WorkingHours,
)

TODAY = dt.date(2026, 3, 4)  # a Wednesday
NOW = dt.datetime(2026, 3, 4, 9, 0, tzinfo=dt.UTC)

_number = count(1)


def a_business(**fields: Any) -> Business:
    values = {"name": "Hollin Hoof Care", "country": "IE", "currency": "EUR", "language": "en-GB"} | fields
    return Business.objects.create(**values)


def a_person(email: str = "", **fields: Any) -> User:
    return User.objects.create_user(email or f"person{next(_number)}@example.test", **fields)


def a_member(business: Business, role: str = Role.OWNER, **fields: Any) -> Seat:
    """A person of a business, as the seat they act from."""
    return member_seat(Membership.objects.create(user=a_person(**fields), business=business, role=role))


def a_farm_person(client: Client, *, may_ask: bool = True, may_see_invoices: bool = True, **fields: Any) -> Seat:
    """A person of a client's farms, as the seat they act from."""
    return farm_seat(
        FarmPerson.objects.create(
            user=a_person(**fields), client=client, may_ask=may_ask, may_see_invoices=may_see_invoices
        )
    )


def signed_in(seat: Seat) -> Browser:
    """A browser (Django's test client) signed in as the person of this seat."""
    browser = Browser()
    browser.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return browser


def a_base(business: Business, **fields: Any) -> Base:
    values = {"name": f"Yard {next(_number)}", "latitude": 47.10, "longitude": 9.50} | fields
    return Base.objects.create(business=business, **values)


def a_crew(business: Business, *, weekdays: tuple[int, ...] = (0, 1, 2, 3, 4), **fields: Any) -> Crew:
    """A crew that goes out 07:00-17:00 on `weekdays`."""
    base = fields.pop("base", None) or a_base(business)
    crew = Crew.objects.create(business=business, base=base, **({"name": f"Crew {next(_number)}"} | fields))
    for weekday in weekdays:
        WorkingHours.objects.create(crew=crew, weekday=weekday, leave_from=dt.time(7), back_by=dt.time(17))
    return crew


def a_client(business: Business, **fields: Any) -> Client:
    values = {"number": f"C{next(_number)}", "name": "Alder Bank Dairy", "email": "alder@example.test"} | fields
    return Client.objects.create(business=business, **values)


def a_farm(client: Client, **fields: Any) -> Farm:
    values = {"name": f"Farm {next(_number)}", "latitude": 47.15, "longitude": 9.52, "milking": 60, "dry": 10} | fields
    return Farm.objects.create(client=client, **values)


def an_animal(farm: Farm, **fields: Any) -> Animal:
    return Animal.objects.create(farm=farm, **({"number": str(next(_number))} | fields))


def a_request(farm: Farm, *, head: dict[str, int] | None = None, **fields: Any) -> VisitRequest:
    request = VisitRequest.objects.create(farm=farm, **({"asked_at": NOW} | fields))
    for kind, number in (head or {HeadKind.COW: 40}).items():
        RequestHead.objects.create(request=request, kind=kind, count=number)
    return request


def a_visit(farm: Farm, crew: Crew, *, head: dict[str, int] | None = None, **fields: Any) -> Visit:
    visit = Visit.objects.create(farm=farm, crew=crew, **({"date": TODAY} | fields))
    for kind, number in (head or {}).items():
        VisitHead.objects.create(visit=visit, kind=kind, planned=number)
    return visit


def a_record(visit: Visit, animal: Animal, **fields: Any) -> ChuteRecord:
    values = {"recorded_at": NOW, "feet_trimmed": ["LF", "RF", "LH", "RH"]} | fields
    return ChuteRecord.objects.create(visit=visit, animal=animal, **values)
