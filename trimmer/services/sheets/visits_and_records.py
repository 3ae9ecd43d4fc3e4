"""The sheet of past visits with their records: a visit is known by farm, crew and date, a record by visit and animal.

What the sheet does not name stays: other visits, other animals of a visit. Of an animal it does name, lesions and
treatments become those of the sheet.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer.access import MEMBERS
from trimmer.lesions import FEET
from trimmer.models import (
    Animal,
    Business,
    ChuteRecord,
    Crew,
    Farm,
    Finding,
    Treatment,
    Visit,
    VisitHead,
    VisitState,
)
from trimmer.services.rechecks import follow_records, rules_of, settle
from trimmer.services.sheets.comparing import (
    AT_ONCE,
    ByWord,
    Cells,
    Comparison,
    Fact,
    Sheet,
    fields_of,
    fixed,
    found_among,
    plain,
    row_saying,
    take,
    told_by,
    value,
    words,
)
from trimmer.services.sheets.kinds import SheetFacts, sheet_kind
from trimmer.services.sheets.places import Places
from trimmer.services.visits import CLOCKS_DIFFER, complete_visit
from trimmer.sheets.layout import Row, settled
from trimmer.sheets.layouts import VISITS_AND_RECORDS
from trimmer.sheets.writing import RowValues
from trimmer.showing import show_day, to_local

OVERDUE_DAYS: Final = 60
"""Rechecks whose last day lies so many days back are still raised; older ones are history and would flood the list."""

HOURS: Final = (
    ("arrived", "arrived_at"),
    ("first_head_in", "first_head_at"),
    ("last_head_out", "last_head_at"),
    ("left", "left_at"),
)
RECORD_FACTS: Final = (
    fixed("work", "kind"),
    value("score", "score"),
    words("scale", "scale"),
    Fact("feet_trimmed", "feet_trimmed", lambda row: tuple(f for f in FEET if f in row.feet_trimmed) or None, [], list),
    value("minutes", "minutes"),
    words("note", "note"),
)


@dataclass(frozen=True, slots=True)
class _Part:
    """A column that says something of a lesion or treatment, and the field it becomes."""

    column: str
    field: str
    empty: Any = ""
    write: Callable[[Any], Any] = lambda value: value


FINDING_PARTS: Final = (
    _Part("foot", "foot"),
    _Part("claw", "claw"),
    _Part("zone", "zone", None, int),
    _Part("lesion", "lesion"),
    _Part("m_stage", "m_stage"),
)
TREATMENT_PARTS: Final = (
    _Part("treatment", "kind"),
    _Part("foot", "foot"),
    _Part("claw", "claw"),
    _Part("block_kind", "block_kind"),
    _Part("product", "product"),
    _Part("batch", "batch"),
)
WITHHELD: Final = ("milk_withhold_until", "meat_withhold_until")
TOLD: Final = ("lesion", "foot", "claw", "zone", "treatment", "milk_withhold_until", "score", "feet_trimmed", "minutes")
"""Columns by which a record is shown before it is stored."""


@sheet_kind("visits_and_records", title=gettext_lazy("Visits and records"), who=MEMBERS, by_day=True)
class VisitsAndRecords(SheetFacts):
    """Past visits, the animals seen on them, what was found and what was done."""

    layout = VISITS_AND_RECORDS

    def compare(self, sheet: Sheet) -> Comparison:
        return _Visits(sheet)

    def rows(
        self, business: Business, *, first: dt.date | None = None, last: dt.date | None = None
    ) -> Iterator[RowValues]:
        """Visits that are done, with their records; a visit without any record is not told."""
        zone = zoneinfo.ZoneInfo(business.time_zone)
        records = (
            ChuteRecord.objects.of(business)
            .filter(visit__state=VisitState.DONE)
            .select_related("visit__crew", "visit__farm__client", "animal")
            .prefetch_related("findings", "treatments")
            .order_by("visit__date", "visit__crew__name", "visit", "recorded_at", "pk")
        )
        if first is not None:
            records = records.filter(visit__date__gte=first)
        if last is not None:
            records = records.filter(visit__date__lte=last)
        for record in records.iterator(chunk_size=AT_ONCE):
            visit = record.visit
            said = {
                "visit_date": visit.date,
                "crew": plain(visit.crew.name),
                "client_number": plain(visit.farm.client.number),
                "farm_name": plain(visit.farm.name),
                "number": plain(record.animal.number),
                "billed": _is_billed(visit),
                **{column: _clock(visit, name, business.time_zone) for column, name in HOURS},
                **told_by(RECORD_FACTS, record),
            }
            yield from ({**said, **row} for row in _rows_of(record, zone))


def _rows_of(record: ChuteRecord, zone: dt.tzinfo) -> list[dict[str, Any]]:
    """A row for each lesion with a treatment of the same claw, and for each that is left over; one at least."""
    rows: list[dict[str, Any]] = []
    treatments = list(record.treatments.all())
    for finding in record.findings.all():
        row = {part.column: getattr(finding, part.field) for part in FINDING_PARTS}
        row["zone"] = None if finding.zone is None else str(finding.zone)
        same = next((one for one in treatments if (one.foot, one.claw) == (finding.foot, finding.claw)), None)
        if same is not None:
            treatments.remove(same)
            row |= _treated(same, zone)
        rows.append(row)
    rows += [_treated(treatment, zone) for treatment in treatments]
    return [{column: None if said == "" else said for column, said in row.items()} for row in rows] or [{}]


def _treated(treatment: Treatment, zone: dt.tzinfo) -> dict[str, Any]:
    row = {part.column: plain(getattr(treatment, part.field)) for part in TREATMENT_PARTS}
    return row | {name: _moment(getattr(treatment, name), zone) for name in WITHHELD}


def _moment(until: dt.datetime | None, zone: dt.tzinfo) -> dt.datetime | None:
    """A moment on the business's clock, to the second, as a sheet holds it."""
    return None if until is None else until.astimezone(zone).replace(tzinfo=None, microsecond=0)


def _clock(visit: Visit, name: str, zone: str) -> dt.time | None:
    """One of the visit's times on the business's clock, to the minute; none where it fell on another day."""
    moment: dt.datetime | None = getattr(visit, name)
    if moment is None or to_local(moment, zone).date() != visit.date:
        return None
    return to_local(moment, zone).time().replace(second=0, microsecond=0, tzinfo=None)


def _is_billed(visit: Visit) -> bool:
    """Billed here, so that its records stand, or before it was known here."""
    return visit.billed_elsewhere or visit.locked_at is not None


type _Key = tuple[int, int, dt.date]


@dataclass(slots=True)
class _Day:
    """A visit as the sheet tells it: its rows, and by number those of each animal."""

    farm: Farm
    crew: Crew
    date: dt.date
    rows: list[Row] = field(default_factory=list)
    animals: dict[str, list[Row]] = field(default_factory=dict)


class _Visits(Comparison):
    def __init__(self, sheet: Sheet) -> None:
        super().__init__(sheet)
        self.visits = self.table("visits")
        self.animals = self.table("animals")
        self.records = self.table("records")
        self._zone = zoneinfo.ZoneInfo(sheet.business.time_zone)
        self._new_visits: list[Visit] = []
        self._changed_visits: list[tuple[Visit, list[str]]] = []
        self._to_complete: list[Visit] = []
        self._new_animals: list[Animal] = []
        self._new_records: list[ChuteRecord] = []
        self._changed_records: list[ChuteRecord] = []
        self._followed: list[ChuteRecord] = []
        self._settling: list[Animal] = []
        self._due_since = sheet.today - dt.timedelta(days=OVERDUE_DAYS)
        longest = max((rule.by_days for rule in rules_of(sheet.business)), default=0)
        self._raising_since = self._due_since - dt.timedelta(days=longest)
        self._fields: set[str] = set()
        self._new_findings: list[Finding] = []
        self._new_treatments: list[Treatment] = []
        self._gone_findings: list[int] = []
        self._gone_treatments: list[int] = []
        self._head: list[tuple[Visit, Counter[str], Counter[str]]] = []
        self._facts = [fact for fact in RECORD_FACTS if fact.column in sheet.given]
        days = self._gather()
        stored = self._stored_visits(days)
        self._records = self._stored_records(stored.values())
        self._known, self._archived = self._stored_animals({day.farm.pk for day in days.values()})
        for key, day in days.items():
            self._compare_visit(day, stored.get(key))
        self._add_notes()

    def store(self) -> None:
        Visit.objects.bulk_create(self._new_visits, batch_size=AT_ONCE)
        for visit, fields in self._changed_visits:
            visit.save(update_fields=fields)
        Animal.objects.bulk_create(self._new_animals, batch_size=AT_ONCE)
        ChuteRecord.objects.bulk_create(self._new_records, batch_size=AT_ONCE)
        if self._changed_records and self._fields:
            ChuteRecord.objects.bulk_update(self._changed_records, sorted(self._fields), batch_size=AT_ONCE)
        for gone, rows in ((self._gone_findings, Finding.objects), (self._gone_treatments, Treatment.objects)):
            for some in _by_chunks(gone):
                rows.filter(pk__in=some).delete()
        Finding.objects.bulk_create(self._new_findings, batch_size=AT_ONCE)
        Treatment.objects.bulk_create(self._new_treatments, batch_size=AT_ONCE)
        self._count_head()
        for visit in self._to_complete:
            complete_visit(visit=visit, head_done=None, by=self.sheet.by, now=self.sheet.now)
        followed = sorted(self._followed, key=lambda record: record.animal_id)
        for records in _by_chunks(followed):
            follow_records(business=self.sheet.business, records=records, due_since=self._due_since)
        for animals in _by_chunks(sorted({animal.pk for animal in self._settling})):
            settle(animal_ids=animals)

    def _add_notes(self) -> None:
        if any(not visit.billed_elsewhere for visit in self._new_visits):
            text = _(
                "Visits that are added count as done and wait to be billed, unless the column “%(title)s” says yes."
            )
            self.notes.append(text % {"title": self.sheet.title("billed")})
        if self._to_complete:
            self.notes.append(_("Visits that were booked or under way count as done from then on."))
        if self._settling:
            day = show_day(self._due_since, self.sheet.business.language, weekday=False)
            self.notes.append(_("Rechecks that were due before %(day)s are not raised any more.") % {"day": day})

    def _count_head(self) -> None:
        """Head are counted by the records; where the crew counted more than was recorded, its count stands until the
        records pass it."""
        new = {id(visit) for visit in self._new_visits}
        made = [
            VisitHead(visit=visit, kind=kind, done=count)
            for visit, _before, after in self._head
            if id(visit) in new
            for kind, count in after.items()
        ]
        VisitHead.objects.bulk_create(made, batch_size=AT_ONCE)
        for visit, before, after in self._head:
            for kind in () if id(visit) in new else {*before, *after}:
                if before[kind] == after[kind]:
                    continue
                head, _made = VisitHead.objects.get_or_create(visit=visit, kind=kind)
                head.done = after[kind] if head.done <= before[kind] else max(head.done, after[kind])
                head.save(update_fields=["done"])

    # what the rows are about

    def _gather(self) -> dict[_Key, _Day]:
        places = Places(self, archived=True)
        crews = list(Crew.objects.of(self.sheet.business).order_by("pk"))
        by_name = ByWord((crew.name, crew) for crew in crews)
        days: dict[_Key, _Day] = {}
        for row in self.sheet.rows:
            farm = places.farm_of(row)
            crew = self._crew_of(row, crews, by_name)
            if farm is None or crew is None:
                continue
            date = row.values["visit_date"]
            day = days.setdefault((farm.pk, crew.pk, date), _Day(farm, crew, date))
            day.rows.append(row)
            day.animals.setdefault(row.values["number"].casefold(), []).append(row)
        return days

    def _crew_of(self, row: Row, crews: Sequence[Crew], by_name: ByWord[Crew]) -> Crew | None:
        name = row.values["crew"]
        names = ", ".join(plain(crew.name) for crew in crews) or "–"
        if name is None:
            current = [crew for crew in crews if crew.active]
            if len(current) == 1:
                return current[0]
            self.refuse(row, "crew", "crew_not_named", _("Say which crew came: %(crews)s."), crews=names)
            return None
        crew = by_name.find(name)
        if crew is None:
            text = _("There is no crew called “%(value)s”. There is: %(crews)s.")
            self.refuse(row, "crew", "crew_unknown", text, crews=names)
        return crew

    # what is stored of it

    def _stored_visits(self, days: Mapping[_Key, _Day]) -> dict[_Key, Visit]:
        if not days:
            return {}
        dates = [day.date for day in days.values()]
        visits = Visit.objects.of(self.sheet.business).standing().filter(date__range=(min(dates), max(dates)))
        if self.sheet.storing:
            visits = visits.select_for_update(of=("self",), no_key=True)
        by_farm = {day.farm.pk: day.farm for day in days.values()}
        found: dict[_Key, Visit] = {}
        for visit in found_among(visits.order_by("pk"), "farm", by_farm):
            visit.farm = by_farm[visit.farm_id]
            key = (visit.farm_id, visit.crew_id, visit.date)
            if key in days:
                found[key] = visit
        return found

    def _stored_records(self, visits: Iterable[Visit]) -> dict[int, dict[str, ChuteRecord]]:
        by_key = {visit.pk: visit for visit in visits}
        found: dict[int, dict[str, ChuteRecord]] = defaultdict(dict)
        for some in _by_chunks(list(by_key)):
            rows = ChuteRecord.objects.filter(visit__in=some).select_related("animal").order_by("animal__archived_at")
            for record in rows.prefetch_related("findings", "treatments"):
                record.visit = by_key[record.visit_id]
                number = plain(record.animal.number).casefold()
                if record.animal.archived_at is None:
                    found[record.visit_id][number] = record
                else:
                    found[record.visit_id].setdefault(number, record)
        return found

    def _stored_animals(self, farms: set[int]) -> tuple[dict[int, ByWord[Animal]], dict[tuple[int, str], list[Animal]]]:
        known: dict[int, ByWord[Animal]] = {farm: ByWord(()) for farm in farms}
        archived: dict[tuple[int, str], list[Animal]] = defaultdict(list)
        for animal in found_among(Animal.objects.of(self.sheet.business).order_by("pk"), "farm", farms):
            if animal.archived_at is None:
                known[animal.farm_id].add(animal.number, animal)
            else:
                archived[animal.farm_id, plain(animal.number).casefold()].append(animal)
        return known, archived

    # one visit

    def _compare_visit(self, day: _Day, visit: Visit | None) -> None:
        sheet = self.sheet
        is_new = visit is None
        if visit is None:
            visit = Visit(farm=day.farm, crew=day.crew, date=day.date, state=VisitState.DONE, booked_by=sheet.by)
        changes = self._take_hours(visit, day) + self._take_billed(visit, day)
        to_complete = visit.state not in {VisitState.DONE, VisitState.CANCELLED}
        if to_complete and (visit.first_head_at is None) != (visit.last_head_at is None):
            column = "first_head_in" if visit.first_head_at is None else "last_head_out"
            text = _("Say when the first head went in and when the last came out, or neither.")
            self.refuse(row_saying(day.rows, column), column, "times_incomplete", text)
        name = f"{plain(day.farm.name)}, {sheet.text('visit_date', day.date)}"
        if is_new:
            self.visits.note_added(day.rows[0], name, [*(column for column, _name in HOURS), "billed"])
            self._new_visits.append(visit)
        elif changes or to_complete:
            self._refuse_if_locked(visit, day.rows[0])
            self.visits.note_changed(day.rows[0], name, changes)
            if to_complete:
                self._to_complete.append(visit)
            if changes:
                names = {**dict(HOURS), "billed": "billed_elsewhere"}
                self._changed_visits.append((visit, [names[column] for column, _before, _after in changes]))
        else:
            self.visits.same += 1
        recorded = self._records.get(visit.pk, {}) if visit.pk else {}
        before = Counter(str(record.kind) for record in recorded.values())
        after = before.copy()
        for place, rows in enumerate(day.animals.values()):
            self._compare_record(visit, rows, place, after)
        if not to_complete:
            self._head.append((visit, before, after))

    def _take_hours(self, visit: Visit, day: _Day) -> Cells:
        zone = self.sheet.business.time_zone
        said = settled(day.rows, [*(column for column, _name in HOURS), "billed"])
        changes: Cells = []
        for column, name in HOURS:
            before = _clock(visit, name, zone)
            if said[column] is None:
                continue  # a time that was noted is a fact: an empty cell does not take it away
            after = said[column].replace(second=0, microsecond=0)
            if after != before:
                moment = self._at(day.date, after)
                if moment > self.sheet.now + CLOCKS_DIFFER:
                    text = _("This is yet to come. Correct the time or the date.")
                    self.refuse(row_saying(day.rows, column), column, "time_to_come", text)
                setattr(visit, name, moment)
                changes.append((column, before, after))
        told = [(column, moment) for column, name in HOURS if (moment := getattr(visit, name)) is not None]
        for (earlier, first), (later, second) in pairwise(told):
            if changes and second < first:
                text = _("“%(later)s” is before “%(earlier)s”, with the times that are stored. Correct one of them.")
                column = later if any(changed == later for changed, _before, _after in changes) else earlier
                titles = {"later": self.sheet.title(later), "earlier": self.sheet.title(earlier)}
                self.refuse(row_saying(day.rows, column), column, "times_do_not_fit", text, **titles)
        return changes

    def _take_billed(self, visit: Visit, day: _Day) -> Cells:
        """Whether it waits to be billed. What is billed here stays so; an empty cell says nothing."""
        billed: bool | None = settled(day.rows, ["billed"])["billed"]
        before = _is_billed(visit)
        if billed is None or billed == before:
            return []
        visit.billed_elsewhere = billed
        return [("billed", before, billed)]

    def _at(self, date: dt.date, clock: dt.time) -> dt.datetime:
        return dt.datetime.combine(date, clock, tzinfo=self._zone).astimezone(dt.UTC)

    def _refuse_if_locked(self, visit: Visit, row: Row) -> None:
        if visit.locked_at is not None:
            text = _("This visit is billed, so its records stand as they are. Leave the row out, or put back what was.")
            self.refuse(row, "visit_date", "visit_is_locked", text)

    # one animal on it

    def _compare_record(self, visit: Visit, rows: Sequence[Row], place: int, head: Counter[str]) -> None:
        number = rows[0].values["number"]
        said = settled(rows, [fact.column for fact in RECORD_FACTS])
        if said["feet_trimmed"] == ():
            said["feet_trimmed"] = None
        record = self._records.get(visit.pk, {}).get(number.casefold()) if visit.pk else None
        is_new = record is None
        if record is None:
            record = ChuteRecord(visit=visit, animal=self._animal(visit, rows[0]), recorded_by=self.sheet.by)
            start = visit.first_head_at or visit.arrived_at or self._at(visit.date, dt.time(12))
            record.recorded_at = min(start + dt.timedelta(seconds=place), self.sheet.now)
        kind_before = "" if is_new else record.kind
        changes = take(self._facts, record, said, self.sheet.given)
        lesions = self._take_findings(record, rows, is_new=is_new)
        treatments = self._take_treatments(record, rows, is_new=is_new)
        name = f"{number}, {plain(visit.farm.name)}, {self.sheet.text('visit_date', visit.date)}"
        if is_new:
            self.records.note_added(rows[0], name, TOLD)
            self._new_records.append(record)
        elif changes or lesions or treatments:
            self.records.note_changed(rows[0], name, changes + lesions + treatments)
            self._changed_records.append(record)
            self._fields.update(fields_of(RECORD_FACTS, changes))
        else:
            self.records.same += 1
            return
        self._refuse_if_locked(visit, rows[0])
        if kind_before != record.kind:
            head[str(record.kind)] += 1
            if kind_before:
                head[str(kind_before)] -= 1
        if visit.date >= self._raising_since or not is_new:
            self._followed.append(record)
        else:
            self._settling.append(record.animal)

    def _animal(self, visit: Visit, row: Row) -> Animal:
        """The animal that had the number on that day; when there is none, a new one."""
        number = row.values["number"]
        if known := self._known[visit.farm_id].find(number):
            return known
        gone = [
            animal
            for animal in self._archived.get((visit.farm_id, number.casefold()), ())
            if animal.archived_at and to_local(animal.archived_at, self.sheet.business.time_zone).date() >= visit.date
        ]
        if gone:
            return min(gone, key=lambda animal: (animal.archived_at, animal.pk))
        note = _("First seen at the chute on %(day)s.") % {"day": f"{visit.date:%Y-%m-%d}"}
        animal = Animal(farm=visit.farm, number=number, note=note)
        self._known[visit.farm_id].add(number, animal)
        self._new_animals.append(animal)
        self.animals.note_added(row, f"{number}, {plain(visit.farm.name)}")
        return animal

    def _take_findings(self, record: ChuteRecord, rows: Sequence[Row], *, is_new: bool) -> Cells:
        """Make the lesions those of the sheet. Only what the file has columns for counts."""
        if "lesion" not in self.sheet.given:
            return []
        said = _said((row for row in rows if row.values["lesion"] is not None), FINDING_PARTS)
        told = [part.field for part in FINDING_PARTS if part.column in self.sheet.given]
        stored = [] if is_new else list(record.findings.all())
        gone, new = _difference(stored, said, told, _alike)
        self._gone_findings += [finding.pk for finding in gone]
        self._new_findings += [Finding(record=record, **values) for values in new]
        before, after = [one.lesion for one in gone], [values["lesion"] for values in new]
        return [("lesion", *_first_that_differs(before, after))] if gone or new else []

    def _take_treatments(self, record: ChuteRecord, rows: Sequence[Row], *, is_new: bool) -> Cells:
        """Make the treatments those of the sheet, as `_take_findings` does."""
        if "treatment" not in self.sheet.given:
            return []
        parts = (*TREATMENT_PARTS, *(_Part(name, name, None, self._until) for name in WITHHELD))
        said = _said((row for row in rows if row.values["treatment"] is not None), parts)
        told = [part.field for part in parts if part.column in self.sheet.given]
        stored = [] if is_new else list(record.treatments.all())
        gone, new = _difference(stored, said, told, self._alike_moments)
        self._gone_treatments += [treatment.pk for treatment in gone]
        self._new_treatments += [Treatment(record=record, **values) for values in new]
        before, after = [one.kind for one in gone], [values["kind"] for values in new]
        return [("treatment", *_first_that_differs(before, after))] if gone or new else []

    def _alike_moments(self, value: Any) -> Any:
        """As `_alike`; moments by the business's clock, which is what a sheet can say of them."""
        return _moment(value, self._zone) if isinstance(value, dt.datetime) else _alike(value)

    def _until(self, until: dt.date) -> dt.datetime:
        """A moment of the business's clock; a day without a time counts to its end."""
        if isinstance(until, dt.datetime):
            return until.replace(tzinfo=self._zone).astimezone(dt.UTC)
        return self._at(until, dt.time(23, 59))


def _said(rows: Iterable[Row], parts: Sequence[_Part]) -> list[dict[str, Any]]:
    """What rows say of lesions or treatments, each thing once."""
    said: dict[tuple[Any, ...], dict[str, Any]] = {}
    for row in rows:
        values = {
            part.field: part.empty if (cell := row.values[part.column]) is None else part.write(cell) for part in parts
        }
        said.setdefault(tuple(values.values()), values)
    return list(said.values())


def _difference[M: Finding | Treatment](
    stored: Sequence[M], said: Sequence[dict[str, Any]], told: Sequence[str], alike: Callable[[Any], Any]
) -> tuple[list[M], list[dict[str, Any]]]:
    """What is stored and not said, and what is said and not stored; alike is what is alike in the fields told of."""
    if not stored:
        return [], list(said)
    wanted = [tuple(alike(values[name]) for name in told) for values in said]
    there = [tuple(alike(getattr(row, name)) for name in told) for row in stored]
    gone = [row for row, key in zip(stored, there, strict=True) if key not in wanted]
    return gone, [values for values, key in zip(said, wanted, strict=True) if key not in there]


def _alike(value: Any) -> Any:
    return plain(value) if isinstance(value, str) else value


def _first_that_differs(before: Sequence[str], after: Sequence[str]) -> tuple[str | None, str | None]:
    return (before[0] if before else None, after[0] if after else None)


def _by_chunks[T](things: Sequence[T]) -> Iterator[Sequence[T]]:
    for start in range(0, len(things), AT_ONCE):
        yield things[start : start + AT_ONCE]
