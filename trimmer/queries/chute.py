"""What one wants to know of an animal while it walks into the chute."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from trimmer.cautions import Caution
from trimmer.lesions import FEET
from trimmer.models import Animal, AnimalClass, ChuteRecord, HeadKind, ListReason, Recheck, Visit
from trimmer.queries.animals import animal_with_number, cautions_of, history_of, open_rechecks_of
from trimmer.queries.trim_lists import ListedAnimal

LAST_RECORDS = 3

KIND_OF_CLASS = {AnimalClass.HEIFER: HeadKind.HEIFER, AnimalClass.BULL: HeadKind.BULL}
KIND_OF_REASON = {ListReason.LAME: HeadKind.LAME, ListReason.RECHECK: HeadKind.RECHECK}


@dataclass(frozen=True, slots=True)
class KnownAnimal:
    """An animal with what is open on it, what to think of, its last records, and its record on this visit if any."""

    animal: Animal
    rechecks: tuple[Recheck, ...]
    cautions: tuple[Caution, ...]
    last_records: tuple[ChuteRecord, ...]
    record: ChuteRecord | None


def known_animal(visit: Visit, number: str, *, now: dt.datetime) -> KnownAnimal | None:
    """The animal with this number at the visited farm; None for one that is on no list yet."""
    animal = animal_with_number(visit.farm, number) if number.strip() else None
    if animal is None:
        return None
    return KnownAnimal(
        animal=animal,
        rechecks=tuple(open_rechecks_of(animal)),
        cautions=cautions_of([animal], on=visit.date, now=now)[animal.pk],
        last_records=tuple(history_of(animal).exclude(visit=visit)[:LAST_RECORDS]),
        record=ChuteRecord.objects.filter(visit=visit, animal=animal).first(),
    )


def usual_kind(animal: Animal | None, listed: ListedAnimal | None) -> str:
    """What an animal is most likely brought for: a lame one, a recheck, else by its class."""
    codes = {reason.code for reason in listed.reasons} if listed else set()
    for reason, kind in KIND_OF_REASON.items():
        if reason in codes:
            return kind.value
    return KIND_OF_CLASS.get(AnimalClass(animal.animal_class), HeadKind.COW).value if animal else HeadKind.COW.value


def usual_feet(kind: str) -> Sequence[str]:
    """Feet ticked to begin with: all four of a routine trim, none of a lame cow or a recheck."""
    return () if kind in {HeadKind.LAME, HeadKind.RECHECK} else FEET
