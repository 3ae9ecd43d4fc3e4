"""The business is founded: people, crews, clients with their farms and herds, prices."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from billing.models import PriceList, TaxCategory
from billing.services.einvoice_settings import keep_e_invoice_settings
from billing.services.prices import PriceValues, keep_billing_settings, keep_price_list, keep_tax_category
from billing.services.reminders import StepValues, keep_steps
from trimmer.management.scenario.valley import FarmFacts, Valley
from trimmer.models import (
    Animal,
    AnimalClass,
    Business,
    Client,
    Crew,
    Farm,
    FarmPerson,
    Membership,
    Role,
    User,
)
from trimmer.services.businesses import found_business
from trimmer.services.clients import add_client
from trimmer.services.crews import add_base, add_crew, add_days_off
from trimmer.services.farms import add_farm

WEEKS_OF_HISTORY = 17
FIRST_NUMBER = 101
WORKING_WEEKDAYS = range(5)
MORNING = dt.time(7)
BIG_HERD, NOT_TOLD = 500, 0.4
"""Of big herds not every calving date is told."""


@dataclass
class Ground:
    """The founded business, and the day on which everything happens."""

    valley: Valley
    today: dt.date
    business: Business
    people: dict[str, User]
    crews: dict[str, Crew] = field(default_factory=dict)
    farms: dict[str, Farm] = field(default_factory=dict)
    clients: dict[str, Client] = field(default_factory=dict)
    herds: dict[str, list[Animal]] = field(default_factory=dict)

    def is_on_hold(self, farm: str) -> bool:
        """Whether the farm's client is put on hold at the end of the history."""
        return any(client.on_hold for client in self.valley.clients if any(one.name == farm for one in client.farms))

    def at(self, day: dt.date, clock: dt.time) -> dt.datetime:
        """The moment the clock of the valley shows `clock` on a day."""
        return dt.datetime.combine(day, clock, tzinfo=ZoneInfo(self.business.time_zone)).astimezone(dt.UTC)

    @property
    def now(self) -> dt.datetime:
        """The moment of the story: today, when the kettle is on."""
        return self.at(self.today, MORNING)

    @property
    def this_monday(self) -> dt.date:
        return self.today - dt.timedelta(days=self.today.weekday())

    @property
    def planned_monday(self) -> dt.date:
        """The week that is planned: the one after this."""
        return self.this_monday + dt.timedelta(weeks=1)

    @property
    def first_day(self) -> dt.date:
        """The Monday on which the history begins."""
        return self.this_monday - dt.timedelta(weeks=WEEKS_OF_HISTORY)

    @property
    def working_day_before(self) -> dt.date:
        """The last working day before today."""
        day = self.today - dt.timedelta(days=1)
        while day.weekday() not in WORKING_WEEKDAYS:
            day -= dt.timedelta(days=1)
        return day


REMINDERS = (
    (10, "Perhaps it was forgotten: the invoices below are past due. Please look at them when you find a minute."),
    (30, "The invoices below are a month past due. Please pay them this week, or call us."),
)
"""Days past due, and what the business says then."""


def found(valley: Valley, today: dt.date) -> Ground:
    """Found the business with everything that stands before the first visit."""
    owner = _person(valley.people["owner"])
    details = dict(valley.business)
    founded_on = today - dt.timedelta(weeks=WEEKS_OF_HISTORY + 1)
    business = found_business(
        owner_email=owner.email, now=dt.datetime.combine(founded_on, MORNING, tzinfo=dt.UTC), **details
    )
    ground = Ground(valley, today, business, {"owner": owner})
    _hire(ground)
    for client in valley.clients:
        row = add_client(business=business, **_with_country(client.details, valley))
        ground.clients[client.number] = row
        for farm in client.farms:
            ground.farms[farm.name] = add_farm(client=row, **_with_country(farm.details, valley))
            ground.herds[farm.name] = _herd(ground, farm, len(ground.herds) + 1)
    _let_farm_in(ground)
    _price(ground)
    keep_steps(business=business, steps=[StepValues(days, text) for days, text in REMINDERS])
    return ground


def _with_country(details: Mapping[str, Any], valley: Valley) -> dict[str, Any]:
    return {"country": valley.business["country"], "region": valley.business["region"], **details}


def _person(told: Mapping[str, str]) -> User:
    return User.objects.create_user(told["email"], told["password"], name=told["name"])


def _hire(ground: Ground) -> None:
    valley, business = ground.valley, ground.business
    for key in ("trimmer", "office"):
        ground.people[key] = _person(valley.people[key])
        Membership.objects.create(user=ground.people[key], business=business, role=Role(valley.people[key]["role"]))
    bases = {key: add_base(business=business, **told) for key, told in valley.bases.items()}
    for key, told in valley.crews.items():
        leave, back = dt.time.fromisoformat(told["leave_from"]), dt.time.fromisoformat(told["back_by"])
        ground.crews[key] = add_crew(
            business=business,
            base=bases[told["base"]],
            name=told["name"],
            members=[ground.people[member] for member in told["members"]],
            longest_day=told["longest_day"],
            hours=[{"weekday": day, "leave_from": leave, "back_by": back} for day in WORKING_WEEKDAYS],
        )
    off = ground.planned_monday + dt.timedelta(days=valley.day_off["weekday"])
    add_days_off(crew=ground.crews[valley.day_off["crew"]], first=off, last=off, note=valley.day_off["note"])


def _let_farm_in(ground: Ground) -> None:
    told = ground.valley.people["farm"]
    ground.people["farm"] = _person(told)
    FarmPerson.objects.create(
        user=ground.people["farm"], client=ground.clients[told["client"]], may_ask=True, may_see_invoices=True
    )


def _herd(ground: Ground, farm: FarmFacts, number: int) -> list[Animal]:
    """The animals of a farm. In one go, as a sheet brings them: numbers and tags are of a kind the checks let pass."""
    chance = random.Random(f"herd of {farm.name}")  # noqa: S311  (a repeatable herd, no secret)
    counts = (
        (AnimalClass.COW, farm.details["milking"]),
        (AnimalClass.DRY, farm.details["dry"]),
        (AnimalClass.HEIFER, farm.details["heifers"]),
    )
    kinds = [kind for kind, count in counts for _ in range(count)]
    chance.shuffle(kinds)
    _make_milking(kinds, [int(number) - FIRST_NUMBER for number in ground.valley.named_at(farm.name)])
    animals = [
        _animal(ground, farm, kind, FIRST_NUMBER + place, f"22{number:03d}{place:07d}", chance)
        for place, kind in enumerate(kinds)
    ]
    return Animal.objects.bulk_create(animals)


def _make_milking(kinds: list[AnimalClass], places: list[int]) -> None:
    """Cows the scenario names by number are in milk: each changes places with one that is."""
    others = iter(place for place, kind in enumerate(kinds) if kind == AnimalClass.COW and place not in places)
    for place in places:
        if kinds[place] != AnimalClass.COW:
            other = next(others)
            kinds[place], kinds[other] = kinds[other], kinds[place]


def _animal(ground: Ground, farm: FarmFacts, kind: AnimalClass, number: int, tag: str, chance: random.Random) -> Animal:
    def days(least: int, most: int) -> dt.timedelta:
        return dt.timedelta(days=chance.randint(least, most))

    today = ground.today
    animal = Animal(
        farm=ground.farms[farm.name],
        number=str(number),
        official_tag=f"IE{tag}",
        transponder=f"372{tag}",
        animal_class=kind,
    )
    if kind == AnimalClass.HEIFER:
        animal.born_on = today - days(200, 760)
        animal.group = "Heifers" if farm.pens else ""
        return animal
    animal.born_on = today - days(900, 3000)
    if kind == AnimalClass.DRY:
        animal.calving_due_on = today + days(4, 55)
        animal.calved_on = animal.calving_due_on - days(380, 440)
        animal.group = "Dry" if farm.pens else ""
        return animal
    animal.group = chance.choice(farm.pens) if farm.pens else ""
    if farm.details["milking"] >= BIG_HERD and chance.random() < NOT_TOLD:
        return animal
    animal.calved_on = today - days(3, 330)
    if (today - animal.calved_on).days > 150:
        animal.calving_due_on = animal.calved_on + days(375, 430)
        animal.dry_off_on = animal.calving_due_on - dt.timedelta(days=60)
    return animal


def _price(ground: Ground) -> None:
    told, business = ground.valley.prices, ground.business
    taxes = {
        row["key"]: keep_tax_category(business=business, name=row["name"], code=row["code"], rate=Decimal(row["rate"]))
        for row in told["tax_categories"]
    }
    month = (ground.today.replace(day=1) - dt.timedelta(days=30 * told["months_since_rise"])).replace(day=1)
    before = {article: [amount, told["prices"][article][1]] for article, amount in told["before"].items()}
    _list(ground, taxes, told["prices"] | before, ground.first_day - dt.timedelta(weeks=30), month)
    _list(ground, taxes, told["prices"], month, None)
    client = ground.clients[told["agreement"]["client"]]
    keep_price_list(
        business=business,
        client=client,
        name=f"Agreed with {client.name}",
        valid_from=ground.first_day,
        prices=_values(told["agreement"]["prices"], taxes),
    )
    keep_billing_settings(business=business, credit_prefix=ground.valley.credit_prefix, travel_counts=False)
    keep_e_invoice_settings(business=business, e_invoices=True, contact=ground.people["office"].name)


def _list(
    ground: Ground,
    taxes: Mapping[str, TaxCategory],
    prices: Mapping[str, list[str]],
    first: dt.date,
    until: dt.date | None,
) -> PriceList:
    return keep_price_list(
        business=ground.business,
        name=f"Prices from {first:%B %Y}",
        valid_from=first,
        valid_to=until - dt.timedelta(days=1) if until else None,
        prices=_values(prices, taxes),
    )


def _values(prices: Mapping[str, list[str]], taxes: Mapping[str, TaxCategory]) -> list[PriceValues]:
    return [PriceValues(article, Decimal(amount), taxes[tax]) for article, (amount, tax) in prices.items()]
