"""The trim list of a visit as it is read: by pen, each animal once, with every reason and what to think of."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from trimmer import wording
from trimmer.cautions import Caution
from trimmer.models import Animal, Business, ChuteRecord, LameAnimal, ListReason, Recheck, TrimListEntry, Visit
from trimmer.queries.animals import cautions_of, number_order
from trimmer.rechecks import EARLY_DAYS
from trimmer.showing import show_day


@dataclass(frozen=True, slots=True)
class Reason:
    """Why an animal is on the list: a code of `ListReason` and the details, one sentence each."""

    code: str
    details: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        return str(ListReason(self.code).label)


@dataclass(frozen=True, slots=True)
class ListedAnimal:
    """An animal on the list. ``animal`` is None for a number that is on no list yet; ``pick`` can be taken off."""

    number: str
    animal: Animal | None
    pen: str
    reasons: tuple[Reason, ...]
    cautions: tuple[Caution, ...]
    pick: TrimListEntry | None
    record: ChuteRecord | None


@dataclass(frozen=True, slots=True)
class Pen:
    """The animals of one pen; no name where none was told."""

    name: str
    animals: tuple[ListedAnimal, ...]


@dataclass(frozen=True, slots=True)
class TrimList:
    """All pens of a visit's list."""

    pens: tuple[Pen, ...]

    @property
    def animals(self) -> tuple[ListedAnimal, ...]:
        return tuple(animal for pen in self.pens for animal in pen.animals)

    def animal(self, number: str) -> ListedAnimal | None:
        """The animal with this number, if it is on the list."""
        return next((row for row in self.animals if row.number.casefold() == number.casefold()), None)

    @property
    def waiting(self) -> tuple[ListedAnimal, ...]:
        """Those not recorded yet."""
        return tuple(animal for animal in self.animals if animal.record is None)


def trim_list_of(visit: Visit, *, now: dt.datetime) -> TrimList:
    """The visit's list as stored, by pen and number. Six queries however long it is."""
    entries = list(TrimListEntry.objects.filter(visit=visit).select_related("animal", "picked_by"))
    known = _known_animals(visit, entries)
    by_number: defaultdict[str, list[TrimListEntry]] = defaultdict(list)
    for entry in entries:
        animal = known.get(entry.number.casefold())
        by_number[animal.number if animal else entry.number].append(entry)
    animals = {animal.pk: animal for animal in known.values()}
    cautions = cautions_of(animals.values(), on=visit.date, now=now)
    records = {record.animal_id: record for record in ChuteRecord.objects.filter(visit=visit)}
    details = _Details(visit)
    pens: defaultdict[str, list[ListedAnimal]] = defaultdict(list)
    for number, listed in by_number.items():
        animal = known.get(number.casefold())
        row = ListedAnimal(
            number=number,
            animal=animal,
            pen=animal.group if animal else "",
            reasons=tuple(Reason(entry.reason, details.of(entry, animal)) for entry in listed),
            cautions=cautions[animal.pk] if animal else (),
            pick=next((entry for entry in listed if entry.reason == ListReason.PICKED), None),
            record=records.get(animal.pk) if animal else None,
        )
        pens[row.pen].append(row)
    return TrimList(
        tuple(
            Pen(name, tuple(sorted(rows, key=lambda row: number_order(row.number))))
            for name, rows in sorted(pens.items(), key=lambda pen: (not pen[0], number_order(pen[0])))
        )
    )


def _known_animals(visit: Visit, entries: list[TrimListEntry]) -> dict[str, Animal]:
    """Animals by number as on the list; a number picked before its animal was known finds it now."""
    known = {entry.number.casefold(): entry.animal for entry in entries if entry.animal}
    unknown = [entry.number for entry in entries if entry.number.casefold() not in known]
    if unknown:
        for animal in Animal.objects.current().filter(farm_id=visit.farm_id, number__in=unknown):
            known[animal.number.casefold()] = animal
    return known


class _Details:
    """What is behind the reasons of a list, read once."""

    def __init__(self, visit: Visit) -> None:
        self.visit = visit
        self.business: Business = visit.farm.client.business
        self.rechecks: defaultdict[int, list[Recheck]] = defaultdict(list)
        for recheck in (
            Recheck.objects.filter(animal__trim_list_entries__visit=visit)
            .select_related("closed_by_record")
            .distinct()
            .order_by("due_by", "pk")
        ):
            if recheck.closed_at is None or getattr(recheck.closed_by_record, "visit_id", None) == visit.pk:
                self.rechecks[recheck.animal_id].append(recheck)
        self.lame: defaultdict[str, list[LameAnimal]] = defaultdict(list)
        for lame in LameAnimal.objects.filter(request__visits=visit).select_related("animal"):
            self.lame[(lame.animal.number if lame.animal else lame.number).casefold()].append(lame)

    def of(self, entry: TrimListEntry, animal: Animal | None) -> tuple[str, ...]:
        match entry.reason:
            case ListReason.RECHECK if animal:
                return tuple(self._recheck(recheck) for recheck in self.rechecks[animal.pk] if self._is_due(recheck))
            case ListReason.LAME:
                return tuple(filter(None, map(self._lame, self.lame[entry.number.casefold()])))
            case ListReason.CALVING if animal and animal.calved_on:
                days = (self.visit.date - animal.calved_on).days
                return (ngettext("%(days)s day in milk", "%(days)s days in milk", days) % {"days": days},)
            case ListReason.DRY_OFF if animal and animal.dry_off_on:
                return (_("dry-off on %(day)s") % {"day": self._day(animal.dry_off_on)},)
        return (entry.note,) if entry.note else ()

    def _is_due(self, recheck: Recheck) -> bool:
        return recheck.due_from <= self.visit.date + dt.timedelta(days=EARLY_DAYS)

    def _recheck(self, recheck: Recheck) -> str:
        words = {"what": wording.to_do(recheck), "day": self._day(recheck.due_by)}
        sentence = _("%(what)s (by %(day)s)") % words
        return f"{sentence}: {recheck.note}" if recheck.note else sentence

    def _lame(self, lame: LameAnimal) -> str:
        return ", ".join(filter(None, [wording.score_with_scale(lame.score, lame.scale), lame.note]))

    def _day(self, day: dt.date) -> str:
        return show_day(day, self.business.language, year=False)
