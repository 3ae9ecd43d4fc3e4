"""The trim list of a visit: which animals are to be brought to the chute, and why each."""

from __future__ import annotations

import datetime as dt
from http import HTTPStatus

from django.db import IntegrityError, transaction
from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.utils.translation import gettext_lazy as _

from trimmer.cautions import LATE_PREGNANCY_DAYS
from trimmer.errors import Refusal
from trimmer.models import (
    Animal,
    AnimalClass,
    ChuteRecord,
    LameAnimal,
    ListReason,
    Recheck,
    TrimListEntry,
    User,
    Visit,
    VisitState,
)
from trimmer.queries.animals import animal_with_number, clean_number
from trimmer.rechecks import EARLY_DAYS
from trimmer.services.animals import AnimalNumberIsMissing

MILKING_DAYS = (60, 100)
"""Cows are trimmed at about 60-100 days in milk: Cook (University of Wisconsin-Madison), Ag Proud 22914."""

DAYS_TO_DRY_OFF = (3, 10)
"""3-10 days before dry-off, not on the day and not within four weeks of calving: Bell, AHDB, "Which cows should be on
the trim list?"."""

BY_ITSELF = (ListReason.RECHECK, ListReason.LAME, ListReason.CALVING, ListReason.DRY_OFF)


class VisitIsOver(Refusal):
    code = "visit_is_over"
    message = _("This visit is done or cancelled, so its trim list stands. Use the list of the next visit.")


class AnimalAlreadyPicked(Refusal):
    code = "animal_already_picked"
    message = _("Animal %(number)s is picked for this visit already.")


class NotAPick(Refusal):
    code = "not_a_pick"
    message = _("Only animals that were picked can be taken off. The others are on the list for a reason of their own.")
    status = HTTPStatus.CONFLICT


def draw_up_trim_list(*, visit: Visit, now: dt.datetime) -> list[TrimListEntry]:
    """Put on the visit's list the rechecks due, the animals named lame, and the cows due by calving or dry-off date.

    Drawn up again it follows what changed: entries whose reason is gone are taken off, unless the animal was recorded
    on this visit; picks stay. An animal has one entry a reason. Raises VisitIsOver.
    """
    with transaction.atomic():
        _take_hold(visit)
        wanted = _wanted(visit)
        recorded = set(visit.records.values_list("animal_id", flat=True))
        stored = TrimListEntry.objects.filter(visit=visit, reason__in=BY_ITSELF)
        gone = [
            entry.pk
            for entry in stored
            if (entry.number, entry.reason) not in wanted and entry.animal_id not in recorded
        ]
        TrimListEntry.objects.filter(pk__in=gone).delete()
        TrimListEntry.objects.bulk_create(
            wanted.values(),
            update_conflicts=True,
            unique_fields=["visit", "number", "reason"],
            update_fields=["animal", "note"],
        )
    return list(TrimListEntry.objects.filter(visit=visit))


def pick_animal(*, visit: Visit, number: str, note: str = "", by: User | None) -> TrimListEntry:
    """Put an animal on the list because the farm (or a member) wants it seen, also one that is not known yet.

    Raises AnimalNumberIsMissing, AnimalAlreadyPicked, VisitIsOver.
    """
    number = clean_number(number)
    if not number:
        raise AnimalNumberIsMissing(fields={"number": str(AnimalNumberIsMissing.message)})
    with transaction.atomic():
        _take_hold(visit)
        animal = animal_with_number(visit.farm, number)
        number = animal.number if animal else number
        try:
            with transaction.atomic():
                return TrimListEntry.objects.create(
                    visit=visit,
                    animal=animal,
                    number=number,
                    reason=ListReason.PICKED,
                    note=note.strip(),
                    picked_by=by,
                )
        except IntegrityError:
            raise AnimalAlreadyPicked(number=number) from None


def unpick_animal(*, entry: TrimListEntry) -> None:
    """Take a pick off the list; once it is off, this does nothing. Raises NotAPick, VisitIsOver."""
    if entry.reason != ListReason.PICKED:
        raise NotAPick
    with transaction.atomic():
        _take_hold(entry.visit)
        TrimListEntry.objects.filter(pk=entry.pk).delete()


def _take_hold(visit: Visit) -> None:
    """Two who draw up or pick at once take turns; a visit that is over is left alone."""
    still_on = Visit.objects.filter(pk=visit.pk, state__in=[VisitState.BOOKED, VisitState.UNDER_WAY])
    if not still_on.update(state=F("state")):
        raise VisitIsOver


def _wanted(visit: Visit) -> dict[tuple[str, str], TrimListEntry]:
    found: dict[tuple[str, str], TrimListEntry] = {}

    def put(number: str, animal: Animal | None, reason: ListReason, note: str = "") -> None:
        entry = TrimListEntry(visit=visit, animal=animal, number=number, reason=reason, note=note)
        found.setdefault((number, reason.value), entry)

    for recheck in rechecks_due(visit).select_related("animal"):
        put(recheck.animal.number, recheck.animal, ListReason.RECHECK)
    current = {animal.number.casefold(): animal for animal in Animal.objects.current().filter(farm_id=visit.farm_id)}
    for lame in LameAnimal.objects.filter(request__visits=visit).select_related("animal"):
        animal = lame.animal or current.get(lame.number.casefold())
        put(animal.number if animal else lame.number, animal, ListReason.LAME, lame.note)
    for animal in after_calving(visit):
        put(animal.number, animal, ListReason.CALVING)
    for animal in before_dry_off(visit):
        put(animal.number, animal, ListReason.DRY_OFF)
    return found


def rechecks_due(visit: Visit) -> QuerySet[Recheck]:
    """Open rechecks of the farm that are overdue on the visit's day, or that a look on that day settles."""
    last = visit.date + dt.timedelta(days=EARLY_DAYS)
    return Recheck.objects.open().filter(animal__farm_id=visit.farm_id, due_from__lte=last).order_by("due_by", "pk")


def after_calving(visit: Visit) -> QuerySet[Animal]:
    """Cows 60 to 100 days in milk on the visit's day, not trimmed on another visit since they calved."""
    first, last = (visit.date - dt.timedelta(days=days) for days in reversed(MILKING_DAYS))
    calved = Animal.objects.current().filter(farm_id=visit.farm_id, calved_on__range=(first, last))
    trimmed_since = (
        ChuteRecord.objects.filter(animal=OuterRef("pk"), visit__date__gte=OuterRef("calved_on"))
        .exclude(visit=visit)
        .exclude(feet_trimmed=[])
    )
    return (
        calved.exclude(animal_class__in=[AnimalClass.DRY, AnimalClass.BULL])
        .exclude(Exists(trimmed_since))
        .order_by("calved_on", "pk")
    )


def before_dry_off(visit: Visit) -> QuerySet[Animal]:
    """Cows 3 to 10 days before dry-off on the visit's day, and more than four weeks before calving where known."""
    first, last = (visit.date + dt.timedelta(days=days) for days in DAYS_TO_DRY_OFF)
    too_late = visit.date + dt.timedelta(days=LATE_PREGNANCY_DAYS)
    return (
        Animal.objects.current()
        .filter(Q(calving_due_on__isnull=True) | Q(calving_due_on__gt=too_late), farm_id=visit.farm_id)
        .filter(dry_off_on__range=(first, last))
        .order_by("dry_off_on", "pk")
    )
