"""Animals read across rows: lists, an animal's history, and what to think of before one is brought to the chute."""

from __future__ import annotations

import datetime as dt
import re
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from django.db.models import Count, Max, Q, QuerySet

from trimmer.access import Seat
from trimmer.cautions import SALICYLIC_ACID_MILK_HOURS, Caution, late_pregnancy, salicylic_acid, withholding
from trimmer.models import Animal, ChuteRecord, Farm, Recheck, Treatment, TreatmentKind

SALICYLIC = "salicyl"
"""Part of a product's name that tells salicylic acid, in the spellings of most languages."""


@dataclass(frozen=True, slots=True)
class Withheld:
    """Milk or meat of one animal that may not be sold yet, as entered; ``ask`` where nothing was and one should ask."""

    animal: Animal
    milk: Caution | None
    meat: Caution | None
    ask: Caution | None
    treatments: tuple[Treatment, ...]

    @property
    def cautions(self) -> tuple[Caution, ...]:
        return tuple(caution for caution in (self.milk, self.meat, self.ask) if caution)


def animals_to_show(seat: Seat, farm: Farm, *, search: str = "", archived: bool = False) -> QuerySet[Animal]:
    """A farm's animals with `rechecks_open` and `last_seen_on`; `search` looks at number, tags and group."""
    animals = Animal.objects.seen_by(seat).filter(farm=farm, archived_at__isnull=not archived)
    for word in search.split():
        animals = animals.filter(
            Q(number__icontains=word)
            | Q(official_tag__icontains=word)
            | Q(transponder__icontains=word)
            | Q(group__icontains=word)
        )
    return animals.annotate(
        rechecks_open=Count("rechecks", filter=Q(rechecks__closed_at__isnull=True), distinct=True),
        last_seen_on=Max("records__visit__date"),
    ).order_by("number", "pk")


def clean_number(number: str) -> str:
    """An animal's number without spaces around it and with single ones inside."""
    return " ".join(number.split())


def animal_with_number(farm: Farm, number: str) -> Animal | None:
    """The farm's current animal with this number; capital and small letters are the same unless two differ by them."""
    number = clean_number(number)
    same = Animal.objects.current().filter(farm=farm, number__iexact=number)
    return min(same, key=lambda animal: animal.number != number, default=None)


def numbers_of(farm: Farm) -> list[str]:
    """The numbers of the farm's current animals, as people sort them."""
    return sorted(Animal.objects.current().filter(farm=farm).values_list("number", flat=True), key=number_order)


def pens_of(farm: Farm) -> list[str]:
    """Groups and pens that the farm's current animals are in."""
    pens = Animal.objects.current().filter(farm=farm).exclude(group="").order_by().values_list("group", flat=True)
    return sorted(pens.distinct(), key=number_order)


def history_of(animal: Animal) -> QuerySet[ChuteRecord]:
    """All records of an animal with what was found, done and raised, the newest first."""
    return (
        ChuteRecord.objects.filter(animal=animal)
        .select_related("visit", "recorded_by")
        .prefetch_related("findings", "treatments", "rechecks_raised")
        .order_by("-visit__date", "-recorded_at")
    )


def open_rechecks_of(animal: Animal) -> QuerySet[Recheck]:
    """What is still to be looked at on an animal, the first to be due first."""
    return Recheck.objects.open().filter(animal=animal).order_by("due_by", "pk")


def withheld(animals: QuerySet[Animal], *, now: dt.datetime) -> list[Withheld]:
    """Which of these animals have milk or meat withheld now, in the order of their numbers. One row an animal."""
    asked_since = now - dt.timedelta(hours=SALICYLIC_ACID_MILK_HOURS)
    found: defaultdict[int, list[Treatment]] = defaultdict(list)
    for treatment in (
        Treatment.objects.filter(record__animal__in=animals)
        .filter(
            Q(milk_withhold_until__gte=now)
            | Q(meat_withhold_until__gte=now)
            | Q(
                kind__in=[TreatmentKind.TOPICAL, TreatmentKind.WRAP],
                product__icontains=SALICYLIC,
                milk_withhold_until__isnull=True,
                record__recorded_at__gte=asked_since,
            )
        )
        .select_related("record__animal__farm", "record__visit")
        .order_by("record__recorded_at", "pk")
    ):
        found[treatment.record.animal_id].append(treatment)
    rows = [_withheld(treatments, now) for treatments in found.values()]
    return sorted(rows, key=lambda row: (row.animal.farm.name, number_order(row.animal.number)))


def cautions_of(animals: Iterable[Animal], *, on: dt.date, now: dt.datetime) -> dict[int, tuple[Caution, ...]]:
    """What to think of before these animals are trimmed on a day: late pregnancy; milk or meat withheld now."""
    animals = list(animals)
    held = {
        row.animal.pk: row.cautions for row in withheld(Animal.objects.filter(pk__in=[a.pk for a in animals]), now=now)
    }
    found: dict[int, tuple[Caution, ...]] = {}
    for animal in animals:
        pregnant = late_pregnancy(due_on=animal.calving_due_on, visit_on=on)
        found[animal.pk] = ((pregnant,) if pregnant else ()) + held.get(animal.pk, ())
    return found


def number_order(number: str) -> tuple[tuple[int, str], ...]:
    """Sorts numbers as people do: 9 before 10, also with letters around them."""
    return tuple((int(part), "") if part.isdecimal() else (-1, part.casefold()) for part in re.split(r"(\d+)", number))


def _withheld(treatments: list[Treatment], now: dt.datetime) -> Withheld:
    milk = max((t.milk_withhold_until for t in treatments if t.milk_withhold_until), default=None)
    meat = max((t.meat_withhold_until for t in treatments if t.meat_withhold_until), default=None)
    unsaid = [t for t in treatments if SALICYLIC in t.product.casefold() and t.milk_withhold_until is None]
    reminders = [salicylic_acid(treated_at=t.record.recorded_at, milk_until=None, now=now) for t in unsaid]
    return Withheld(
        animal=treatments[-1].record.animal,
        milk=withholding(until=milk, now=now, food="milk"),
        meat=withholding(until=meat, now=now, food="meat"),
        ask=next((reminder for reminder in reversed(reminders) if reminder), None),
        treatments=tuple(treatments),
    )
