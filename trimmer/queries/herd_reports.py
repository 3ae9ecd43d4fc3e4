"""The herd report of a farm: its records and rechecks handed to the arithmetic, and the same records as a table."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass

from django.db.models import Q
from django.utils import timezone

from trimmer.herd_report import Due, HerdReport, Seen, report_on
from trimmer.models import Animal, ChuteRecord, Farm, Finding, Recheck

YEAR = dt.timedelta(days=366)

COLUMNS = (
    "date",
    "record",
    "animal",
    "official_tag",
    "kind",
    "lesion",
    "foot",
    "claw",
    "zone",
    "m_stage",
)
"""What a row of the table holds: one lesion of one record; a record without any has one row with them empty."""


@dataclass(frozen=True, slots=True)
class FarmReport:
    """A report with the animals it names."""

    report: HerdReport
    animals: dict[int, Animal]


def herd_report_of(farm: Farm, *, first: dt.date, last: dt.date, today: dt.date) -> FarmReport:
    """What was found in the herd of a farm from `first` to `last`, both included."""
    earliest = min(first - (last - first) - dt.timedelta(days=1), last - YEAR)
    report = report_on(
        seen_at(farm, first=earliest, last=last), _due_at(farm, first, last), first=first, last=last, today=today
    )
    animals = Animal.objects.filter(farm=farm).in_bulk([each.animal for each in report.returning])
    return FarmReport(report, animals)


def seen_at(farm: Farm, *, first: dt.date, last: dt.date) -> list[Seen]:
    """Every animal that came to the chute of a farm's visits, with what was found."""
    records = ChuteRecord.objects.filter(visit__farm=farm, visit__date__range=(first, last)).order_by(
        "visit__date", "pk"
    )
    lesions: dict[object, set[str]] = {}
    for record, lesion in Finding.objects.filter(record__in=records.order_by()).values_list("record", "lesion"):
        lesions.setdefault(record, set()).add(lesion)
    return [
        Seen(animal, day, frozenset(lesions.get(pk, ())))
        for pk, animal, day in records.values_list("pk", "animal", "visit__date")
    ]


def _due_at(farm: Farm, first: dt.date, last: dt.date) -> list[Due]:
    rows = Recheck.objects.filter(
        Q(animal__archived_at__isnull=True) | Q(closed_at__isnull=False),
        animal__farm=farm,
        due_by__range=(first, last),
    )
    due = []
    for recheck in rows.select_related("closed_by_record__visit"):
        seen_on = recheck.closed_by_record.visit.date if recheck.closed_by_record else None
        closed_on = timezone.localdate(recheck.closed_at) if recheck.closed_at else None
        due.append(Due(recheck.due_by, seen_on or closed_on, told=seen_on is None))
    return due


def record_rows(farm: Farm, *, first: dt.date, last: dt.date) -> Iterator[dict[str, str]]:
    """The records of a period as rows of `COLUMNS`, texts only, in the order the animals came."""
    records = (
        ChuteRecord.objects.filter(visit__farm=farm, visit__date__range=(first, last))
        .select_related("visit", "animal")
        .prefetch_related("findings")
        .order_by("visit__date", "recorded_at", "pk")
    )
    for record in records:
        row = {
            "date": record.visit.date.isoformat(),
            "record": str(record.pk),
            "animal": record.animal.number,
            "official_tag": record.animal.official_tag,
            "kind": record.kind,
        }
        for finding in record.findings.all():
            yield row | {
                "lesion": finding.lesion,
                "foot": finding.foot,
                "claw": finding.claw,
                "zone": "" if finding.zone is None else str(finding.zone),
                "m_stage": finding.m_stage,
            }
        if not record.findings.all():
            yield row | dict.fromkeys(COLUMNS[5:], "")
