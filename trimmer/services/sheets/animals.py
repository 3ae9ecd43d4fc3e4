"""The sheet of animals: known by farm and the farm's own number. What the sheet does not name stays."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer import wording
from trimmer.access import MEMBERS
from trimmer.identification import TagCheck, check_official_tag, check_transponder
from trimmer.models import Animal, Business, Farm
from trimmer.services.sheets.comparing import (
    AT_ONCE,
    ByWord,
    Comparison,
    Sheet,
    fields_of,
    fixed,
    found_among,
    plain,
    take,
    told_by,
    value,
    words,
)
from trimmer.services.sheets.kinds import SheetFacts, sheet_kind
from trimmer.services.sheets.places import Places
from trimmer.sheets.layout import Row
from trimmer.sheets.layouts import ANIMALS
from trimmer.sheets.writing import RowValues

ANIMAL_FACTS: Final = (
    words("official_tag", "official_tag"),
    words("transponder", "transponder"),
    words("group", "group"),
    fixed("animal_class", "animal_class"),
    value("born_on", "born_on"),
    value("calved_on", "calved_on"),
    value("calving_due_on", "calving_due_on"),
    value("dry_off_on", "dry_off_on"),
    words("note", "note"),
)


@sheet_kind("animals", title=gettext_lazy("Animals"), who=MEMBERS)
class Animals(SheetFacts):
    """The animals of the farms."""

    layout = ANIMALS

    def compare(self, sheet: Sheet) -> Comparison:
        return _Animals(sheet)

    def rows(
        self, business: Business, *, first: dt.date | None = None, last: dt.date | None = None
    ) -> Iterator[RowValues]:
        """Archived animals, and those of archived farms, are left out."""
        animals = Animal.objects.of(business).current().filter(farm__archived_at__isnull=True)
        animals = animals.select_related("farm__client").order_by("farm__client__number", "farm__name", "number", "pk")
        for animal in animals.iterator():
            yield {
                "client_number": plain(animal.farm.client.number),
                "farm_name": plain(animal.farm.name),
                "number": plain(animal.number),
            } | told_by(ANIMAL_FACTS, animal)


class _Animals(Comparison):
    def __init__(self, sheet: Sheet) -> None:
        super().__init__(sheet)
        self.animals = self.table("animals")
        self._new: list[Animal] = []
        self._changed: list[Animal] = []
        self._fields: set[str] = set()
        places = Places(self, archived=False)
        rows = [(row, farm) for row in sheet.rows if (farm := places.farm_of(row)) is not None]
        known: dict[int, ByWord[Animal]] = {farm.pk: ByWord(()) for _row, farm in rows}
        for animal in found_among(Animal.objects.of(sheet.business).current().order_by("pk"), "farm", known):
            known[animal.farm_id].add(animal.number, animal)
        # The layout looked at tags without knowing the farm's country.
        self.passed_over = frozenset(f"tag_{code}" for code in (*wording.TAG_PROBLEMS, *wording.TAG_WARNINGS))
        said_in: dict[tuple[int, Any], Row] = {}
        for row, farm in rows:
            first = said_in.setdefault((farm.pk, row.values["number"].casefold()), row)
            if first is not row:
                text = _("Row %(first)s is about this animal already. Keep one of them.")
                self.refuse(row, "number", "animal_given_twice", text, first=first.number)
                continue
            animal_there = known[farm.pk].find(row.values["number"])
            animal = animal_there or Animal(farm=farm, number=row.values["number"])
            checks = _tags_of(row, farm)
            said = {**row.values, **{column: check.normalised for column, check in checks.items()}}
            changes = take(ANIMAL_FACTS, animal, said, sheet.given)
            self._judge(row, checks, {column for column, _before, _after in changes})
            if animal_there is None:
                self.animals.note_added(row, animal.number, [fact.column for fact in ANIMAL_FACTS])
                self._new.append(animal)
            elif changes:
                self.animals.note_changed(row, animal.number, changes)
                self._changed.append(animal)
                self._fields.update(fields_of(ANIMAL_FACTS, changes))
            else:
                self.animals.same += 1

    def _judge(self, row: Row, checks: Mapping[str, TagCheck], changed: set[str]) -> None:
        """Refuse what cannot be a tag or transponder, and point out what is doubtful, of those that are new."""
        for column, check in checks.items():
            if column not in changed:
                continue
            for problem in check.problems[:1]:
                self.refuse_text(row, column, f"tag_{problem}", str(wording.TAG_PROBLEMS[problem]))
            for doubt in check.warns:
                self.doubt_text(row, column, f"tag_{doubt}", str(wording.TAG_WARNINGS[doubt]))

    def store(self) -> None:
        Animal.objects.bulk_create(self._new, batch_size=AT_ONCE)
        if self._changed:
            Animal.objects.bulk_update(self._changed, sorted(self._fields), batch_size=AT_ONCE)


def _tags_of(row: Row, farm: Farm) -> dict[str, TagCheck]:
    """What the tags of a row are; one without its country gets that of the farm."""
    country = farm.country or farm.client.country or farm.client.business.country or None
    checks = {}
    if tag := row.values["official_tag"]:
        checks["official_tag"] = check_official_tag(tag, country=country)
    if transponder := row.values["transponder"]:
        checks["transponder"] = check_transponder(transponder)
    return checks
