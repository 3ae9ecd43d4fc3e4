"""Records at the chute: what was found on an animal and what was done. None is lost, none counts twice."""

from __future__ import annotations

import datetime as dt
import uuid
import zoneinfo
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from http import HTTPStatus

from django.db import IntegrityError, transaction
from django.db.models import Case, F, Value, When
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer import wording
from trimmer.errors import Refusal
from trimmer.lesions import CLAWS, FEET, check_finding, lesion_code
from trimmer.locomotion import check_score
from trimmer.models import (
    Animal,
    BlockKind,
    Business,
    ChuteRecord,
    Finding,
    HeadKind,
    Treatment,
    TreatmentKind,
    User,
    Visit,
    VisitState,
)
from trimmer.queries.animals import clean_number
from trimmer.services.animals import find_or_add_animal
from trimmer.services.rechecks import drop_raised_by, follow_records, reopen_closed_by, settle

MOST_MINUTES = Decimal(600)
ON_A_FOOT = frozenset({TreatmentKind.BLOCK, TreatmentKind.WRAP})


@dataclass(frozen=True, slots=True)
class FindingValues:
    """A lesion found: foot, ICAR code, claw and zone where told, M-stage of digital dermatitis where told."""

    foot: str
    lesion: str
    claw: str = ""
    zone: int | None = None
    m_stage: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class TreatmentValues:
    """Something done beyond trimming. Withholding is as the label or the veterinarian says, with a time zone."""

    kind: str
    foot: str = ""
    claw: str = ""
    block_kind: str = ""
    product: str = ""
    batch: str = ""
    milk_withhold_until: dt.datetime | None = None
    meat_withhold_until: dt.datetime | None = None
    note: str = ""


class RecordDiffers(Refusal):
    code = "record_differs"
    message = gettext_lazy("A record with this id is stored already and says something else. Revise that record.")


class AnimalAlreadyRecorded(Refusal):
    code = "animal_already_recorded"
    message = gettext_lazy("Animal %(number)s is recorded on this visit already. Open that record and change it.")


class AnimalOfAnotherFarm(Refusal):
    code = "animal_of_another_farm"
    message = gettext_lazy("This animal belongs to another farm. Choose one of the farm that is visited.")


class VisitIsCancelled(Refusal):
    code = "visit_is_cancelled"
    message = gettext_lazy("This visit was cancelled. Book a new one to record animals.")


class VisitIsLocked(Refusal):
    code = "visit_is_locked"
    message = gettext_lazy("This visit is billed, so its records stand as they are. Withdraw the bill first.")


class RecordValuesRefused(Refusal):
    code = "record_values_refused"
    message = gettext_lazy("Some values cannot be taken. %(first)s")
    status = HTTPStatus.BAD_REQUEST


@dataclass(frozen=True, slots=True)
class RecordContent:
    """What a record says, in one form, so that two can be compared."""

    kind: str
    score: int | None
    scale: str
    feet_trimmed: tuple[str, ...]
    minutes: Decimal | None
    note: str
    findings: tuple[FindingValues, ...]
    treatments: tuple[TreatmentValues, ...]


def record_animal(
    *,
    visit: Visit,
    id: uuid.UUID,
    animal: Animal | str,
    kind: str,
    findings: Sequence[FindingValues] = (),
    treatments: Sequence[TreatmentValues] = (),
    score: int | None = None,
    scale: str = "",
    feet_trimmed: Sequence[str] = (),
    minutes: Decimal | None = None,
    note: str = "",
    recorded_at: dt.datetime,
    by: User | None,
    now: dt.datetime,
) -> ChuteRecord:
    """Store what was found and done on one animal, raise its rechecks and close those it settles.

    ``animal`` is an animal of the farm or the number that was read: an unknown number becomes a new animal. ``id`` is
    made by whoever wrote the record: the same once more changes nothing and gives the record that is there.
    ``recorded_at`` is the writer's clock; a clock that is ahead is put back to ``now``. A booked visit gets under way.

    Raises RecordValuesRefused, RecordDiffers, AnimalAlreadyRecorded, AnimalOfAnotherFarm, VisitIsCancelled,
    VisitIsLocked, AnimalNumberIsMissing.
    """
    content = check_content(
        visit=visit,
        kind=kind,
        findings=findings,
        treatments=treatments,
        score=score,
        scale=scale,
        feet_trimmed=feet_trimmed,
        minutes=minutes,
        note=note,
    )
    with transaction.atomic():
        if stored := _stored(id):
            return _same(stored, visit, animal, content)
        _take_hold(visit)
        if isinstance(animal, str):
            animal = find_or_add_animal(farm=visit.farm, number=animal, now=now)
        if animal.farm_id != visit.farm_id:
            raise AnimalOfAnotherFarm
        record = ChuteRecord(
            id=id, visit=visit, animal=animal, recorded_at=min(recorded_at, now), recorded_by=by, **columns_of(content)
        )
        try:
            with transaction.atomic():
                record.save(force_insert=True)
        except IntegrityError:
            if stored := _stored(id):
                return _same(stored, visit, animal, content)
            raise AnimalAlreadyRecorded(number=animal.number) from None
        _write_rows(record, content)
        follow_records(business=_business(visit), records=[record])
    return record


def revise_record(
    *,
    record: ChuteRecord,
    animal: Animal | str | None = None,
    kind: str,
    findings: Sequence[FindingValues] = (),
    treatments: Sequence[TreatmentValues] = (),
    score: int | None = None,
    scale: str = "",
    feet_trimmed: Sequence[str] = (),
    minutes: Decimal | None = None,
    note: str = "",
    now: dt.datetime,
) -> ChuteRecord:
    """Replace what a record says, also which animal it is about. Its open rechecks follow; closed ones stay.

    Raises what `record_animal` raises, but for RecordDiffers.
    """
    visit = record.visit
    content = check_content(
        visit=visit,
        kind=kind,
        findings=findings,
        treatments=treatments,
        score=score,
        scale=scale,
        feet_trimmed=feet_trimmed,
        minutes=minutes,
        note=note,
    )
    with transaction.atomic():
        _take_hold(visit)
        if isinstance(animal, str):
            animal = find_or_add_animal(farm=visit.farm, number=animal, now=now)
        animal = animal or record.animal
        if animal.farm_id != visit.farm_id:
            raise AnimalOfAnotherFarm
        before = record.animal_id
        if before != animal.pk:
            drop_raised_by(record=record)
        record.animal = animal
        for name, value in columns_of(content).items():
            setattr(record, name, value)
        try:
            with transaction.atomic():
                record.save(force_update=True)
        except IntegrityError:
            raise AnimalAlreadyRecorded(number=animal.number) from None
        record.findings.all().delete()
        record.treatments.all().delete()
        _write_rows(record, content)
        follow_records(business=_business(visit), records=[record])
        if before != animal.pk:
            settle(animal_ids=[before])
    record.refresh_from_db()
    return record


def remove_record(*, record: ChuteRecord) -> None:
    """Take a record away, with the rechecks it raised; those it had closed are open again.

    Raises VisitIsLocked, VisitIsCancelled.
    """
    with transaction.atomic():
        _take_hold(record.visit, start=False)
        animal = record.animal_id
        drop_raised_by(record=record)
        reopen_closed_by(record=record)
        record.delete()
        settle(animal_ids=[animal])


def lock_visit(*, visit: Visit, now: dt.datetime) -> None:
    """The visit is billed: its records stand. Locking twice keeps the first time."""
    Visit.objects.filter(pk=visit.pk, locked_at__isnull=True).update(locked_at=now)
    visit.refresh_from_db(fields=["locked_at"])


def unlock_visit(*, visit: Visit) -> None:
    """The visit is not billed (any more): its records may be changed."""
    Visit.objects.filter(pk=visit.pk).update(locked_at=None)
    visit.refresh_from_db(fields=["locked_at"])


def findings_of(record: ChuteRecord) -> tuple[FindingValues, ...]:
    """A stored record's findings as values."""
    return tuple(
        FindingValues(row.foot, row.lesion, row.claw, row.zone, row.m_stage, row.note) for row in record.findings.all()
    )


def treatments_of(record: ChuteRecord) -> tuple[TreatmentValues, ...]:
    """A stored record's treatments as values."""
    return tuple(
        TreatmentValues(
            kind=row.kind,
            foot=row.foot,
            claw=row.claw,
            block_kind=row.block_kind,
            product=row.product,
            batch=row.batch,
            milk_withhold_until=row.milk_withhold_until,
            meat_withhold_until=row.meat_withhold_until,
            note=row.note,
        )
        for row in record.treatments.all()
    )


def _business(visit: Visit) -> Business:
    return visit.farm.client.business


def _take_hold(visit: Visit, *, start: bool = True) -> None:
    """One UPDATE that goes through only while the visit may be written to, and holds its row until the end: locking
    and cancelling wait for it, or it finds them done. A booked visit gets under way."""
    state = (
        Case(When(state=VisitState.BOOKED, then=Value(VisitState.UNDER_WAY)), default=F("state"))
        if start
        else F("state")
    )
    open_visit = Visit.objects.filter(pk=visit.pk, locked_at__isnull=True).exclude(state=VisitState.CANCELLED)
    held = open_visit.update(state=state)
    visit.refresh_from_db(fields=["state", "locked_at"])
    if not held:
        raise VisitIsLocked if visit.locked_at else VisitIsCancelled


def _stored(key: uuid.UUID) -> ChuteRecord | None:
    return (
        ChuteRecord.objects.filter(pk=key)
        .select_related("animal", "visit")
        .prefetch_related("findings", "treatments")
        .first()
    )


def _same(stored: ChuteRecord, visit: Visit, animal: Animal | str, content: RecordContent) -> ChuteRecord:
    """The stored record, when it says the same. The time it was sent with does not count: a page makes a new one."""
    if isinstance(animal, str):
        same_animal = stored.animal.number.casefold() == clean_number(animal).casefold()
    else:
        same_animal = stored.animal_id == animal.pk
    if stored.visit_id != visit.pk or not same_animal or content_of(stored) != content:
        raise RecordDiffers
    return stored


def content_of(record: ChuteRecord) -> RecordContent:
    """What a stored record says."""
    return RecordContent(
        kind=record.kind,
        score=record.score,
        scale=record.scale,
        feet_trimmed=tuple(record.feet_trimmed),
        minutes=record.minutes,
        note=record.note,
        findings=findings_of(record),
        treatments=treatments_of(record),
    )


def columns_of(content: RecordContent) -> dict[str, object]:
    """What stands in the record's own row: all but findings and treatments."""
    return {
        "kind": content.kind,
        "score": content.score,
        "scale": content.scale,
        "feet_trimmed": list(content.feet_trimmed),
        "minutes": content.minutes,
        "note": content.note,
    }


def _write_rows(record: ChuteRecord, content: RecordContent) -> None:
    Finding.objects.bulk_create(Finding(record=record, **asdict(values)) for values in content.findings)
    Treatment.objects.bulk_create(Treatment(record=record, **asdict(values)) for values in content.treatments)


def check_content(
    *,
    visit: Visit,
    kind: str,
    findings: Sequence[FindingValues] = (),
    treatments: Sequence[TreatmentValues] = (),
    score: int | None = None,
    scale: str = "",
    feet_trimmed: Sequence[str] = (),
    minutes: Decimal | None = None,
    note: str = "",
) -> RecordContent:
    """What a record of the visit is to say, in its one form. Raises RecordValuesRefused, which names every value."""
    wrong: dict[str, str] = {}
    if kind not in HeadKind.values:
        wrong["kind"] = _("Choose what the animal was brought for.")
    if not set(feet_trimmed) <= set(FEET):
        wrong["feet_trimmed"] = _("The feet are LF, RF, LH and RH.")
    if score is not None:
        for problem in check_score(scale, score):
            field, sentence = wording.SCORE_PROBLEMS[problem]
            wrong[field] = str(sentence)
    if minutes is not None and not 0 < minutes <= MOST_MINUTES:
        wrong["minutes"] = _("The minutes are more than 0 and at most 600. Leave them empty if nobody looked.")
    found = tuple(_finding(values, f"findings.{place}", wrong) for place, values in enumerate(findings))
    done = tuple(_treatment(values, visit, f"treatments.{place}", wrong) for place, values in enumerate(treatments))
    if wrong:
        raise RecordValuesRefused(first=next(iter(wrong.values())), fields=wrong)
    return RecordContent(
        kind=str(kind),
        score=score,
        scale="" if score is None else str(scale),
        feet_trimmed=tuple(foot for foot in FEET if foot in feet_trimmed),
        minutes=None if minutes is None else max(_tenths(minutes), Decimal("0.1")),
        note=note.strip(),
        findings=found,
        treatments=done,
    )


def _tenths(minutes: Decimal) -> Decimal:
    return minutes.quantize(Decimal("0.1"), rounding=ROUND_HALF_UP)


def _finding(values: FindingValues, place: str, wrong: dict[str, str]) -> FindingValues:
    values = replace(values, lesion=lesion_code(values.lesion), note=values.note.strip())
    for problem in check_finding(values.lesion, values.m_stage, values.foot, values.claw, values.zone):
        field, sentence = wording.FINDING_PROBLEMS[problem]
        wrong[f"{place}.{field}"] = str(sentence)
    return values


def _treatment(values: TreatmentValues, visit: Visit, place: str, wrong: dict[str, str]) -> TreatmentValues:
    if values.kind not in TreatmentKind.values:
        wrong[f"{place}.kind"] = _("Choose what was done.")
    if values.foot and values.foot not in FEET:
        wrong[f"{place}.foot"] = _("Say on which foot: LF, RF, LH or RH.")
    if values.kind in ON_A_FOOT and not values.foot:
        wrong[f"{place}.foot"] = _("Say on which foot it was put.")
    if values.claw and values.claw not in CLAWS:
        wrong[f"{place}.claw"] = _("The claw is inner or outer.")
    if values.kind == TreatmentKind.BLOCK and not values.claw:
        wrong[f"{place}.claw"] = _("Say on which claw the block was put, inner or outer.")
    if values.block_kind and (values.kind != TreatmentKind.BLOCK or values.block_kind not in BlockKind.values):
        wrong[f"{place}.block_kind"] = _("Wood, flexible or plastic: only a block has a kind.")
    for field in ("milk_withhold_until", "meat_withhold_until"):
        until: dt.datetime | None = getattr(values, field)
        if until and until.astimezone(zoneinfo.ZoneInfo(_business(visit).time_zone)).date() < visit.date:
            wrong[f"{place}.{field}"] = _("This is before the visit. Read the label again.")
    return replace(
        values,
        kind=str(values.kind),
        product=values.product.strip(),
        batch=values.batch.strip(),
        note=values.note.strip(),
    )
