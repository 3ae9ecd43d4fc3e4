"""Animals put on a farm's list, changed, archived; and found by the number that is read at the chute."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from http import HTTPStatus

from django.db import IntegrityError, transaction
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from trimmer import wording
from trimmer.errors import Refusal
from trimmer.identification import TagCheck, check_official_tag, check_transponder
from trimmer.models import Animal, AnimalClass, Farm
from trimmer.queries.animals import animal_with_number, clean_number
from trimmer.showing import show_day, to_local


@dataclass(frozen=True, slots=True)
class AnimalValues:
    """What is known of an animal. ``number`` is the farm's own."""

    number: str
    official_tag: str = ""
    transponder: str = ""
    animal_class: str = AnimalClass.COW
    group: str = ""
    born_on: dt.date | None = None
    calved_on: dt.date | None = None
    calving_due_on: dt.date | None = None
    dry_off_on: dt.date | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class TagCaution:
    """A tag or transponder that was stored but should be looked at again: the field, a code and its sentence."""

    field: str
    code: str

    def __str__(self) -> str:
        return str(wording.TAG_WARNINGS[self.code])


@dataclass(frozen=True, slots=True)
class StoredAnimal:
    """An animal as stored, with what is doubtful about its numbers."""

    animal: Animal
    cautions: tuple[TagCaution, ...] = ()


class AnimalNumberIsMissing(Refusal):
    code = "animal_number_is_missing"
    message = _("Give the animal's number.")
    status = HTTPStatus.BAD_REQUEST


class AnimalNumberIsTaken(Refusal):
    code = "animal_number_is_taken"
    message = _("Number %(number)s is already on this farm's list. Open that animal, or give another number.")


class TagCannotBe(Refusal):
    code = "tag_cannot_be"
    message = _("A number cannot be what it should be. %(first)s")
    status = HTTPStatus.BAD_REQUEST


def add_animal(*, farm: Farm, values: AnimalValues) -> StoredAnimal:
    """Put an animal on the farm's list. A doubtful tag is stored and comes back as a caution; an impossible one is
    refused.

    Raises AnimalNumberIsMissing, AnimalNumberIsTaken, TagCannotBe.
    """
    values, cautions = _checked(values, farm)
    animal = Animal(farm=farm, **asdict(values))
    _store(animal)
    return StoredAnimal(animal, cautions)


def change_animal(*, animal: Animal, values: AnimalValues) -> StoredAnimal:
    """Change what is known of an animal. Raises what `add_animal` raises."""
    values, cautions = _checked(values, animal.farm)
    changed = asdict(values)
    for name, value in changed.items():
        setattr(animal, name, value)
    _store(animal, only=list(changed))
    return StoredAnimal(animal, cautions)


def archive_animal(*, animal: Animal, now: dt.datetime) -> None:
    """Take an animal that left the herd off the lists. Its records stay; its open rechecks wait for nobody."""
    Animal.objects.filter(pk=animal.pk, archived_at__isnull=True).update(archived_at=now)
    animal.refresh_from_db(fields=["archived_at"])


def bring_back_animal(*, animal: Animal) -> None:
    """Put an archived animal on the list again. Raises AnimalNumberIsTaken when another has its number by now."""
    animal.archived_at = None
    _store(animal, only=["archived_at"])


def find_or_add_animal(*, farm: Farm, number: str, now: dt.datetime) -> Animal:
    """The farm's animal with this number; when there is none, a new one: a cow not on the list is never lost.

    Capital and small letters are the same. A number of an archived animal is taken for a new one, as numbers are
    used again. Raises AnimalNumberIsMissing.
    """
    number = clean_number(number)
    if not number:
        raise AnimalNumberIsMissing(fields={"number": str(AnimalNumberIsMissing.message)})
    if found := animal_with_number(farm, number):
        return found
    business = farm.client.business
    day = show_day(to_local(now, business.time_zone).date(), business.language, weekday=False)
    note = gettext("First seen at the chute on %(day)s.") % {"day": day}
    try:
        with transaction.atomic():
            return Animal.objects.create(farm=farm, number=number, note=note)
    except IntegrityError:
        return Animal.objects.current().get(farm=farm, number=number)


def _checked(values: AnimalValues, farm: Farm) -> tuple[AnimalValues, tuple[TagCaution, ...]]:
    number = clean_number(values.number)
    if not number:
        raise AnimalNumberIsMissing(fields={"number": str(AnimalNumberIsMissing.message)})
    country = farm.country or farm.client.country or farm.client.business.country
    checks: dict[str, Callable[[str], TagCheck]] = {
        "official_tag": lambda text: check_official_tag(text, country=country or None),
        "transponder": check_transponder,
    }
    found = {field: check(text) for field, check in checks.items() if (text := getattr(values, field).strip())}
    wrong = {field: str(wording.TAG_PROBLEMS[tag.problems[0]]) for field, tag in found.items() if tag.is_refused}
    if wrong:
        raise TagCannotBe(first=next(iter(wrong.values())), fields=wrong)
    return (
        replace(
            values,
            number=number,
            group=" ".join(values.group.split()),
            note=values.note.strip(),
            official_tag=found["official_tag"].normalised if "official_tag" in found else "",
            transponder=found["transponder"].normalised if "transponder" in found else "",
        ),
        tuple(TagCaution(field, code) for field, tag in found.items() for code in tag.warns),
    )


def _store(animal: Animal, only: list[str] | None = None) -> None:
    try:
        with transaction.atomic():
            animal.save(update_fields=only)
    except IntegrityError:
        taken = AnimalNumberIsTaken(number=animal.number)
        taken.fields["number"] = str(taken)
        raise taken from None
