"""Records read across rows: a visit's records, and the work done on visits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Count, QuerySet

from trimmer.access import Seat
from trimmer.models import Business, ChuteRecord, Farm, Treatment, Visit

MOST_PRODUCTS = 40


@dataclass(frozen=True, slots=True)
class WorkDone:
    """What was done on a visit: head by kind (each animal once) and treatments by kind, as codes."""

    head: dict[str, int] = field(default_factory=dict)
    treatments: dict[str, int] = field(default_factory=dict)

    @property
    def head_count(self) -> int:
        return sum(self.head.values())


def work_done(visit_ids: Iterable[int]) -> dict[int, WorkDone]:
    """Work done on each of the visits, counted from their records; a visit without any has an empty count."""
    done = {visit_id: WorkDone() for visit_id in visit_ids}
    records = ChuteRecord.objects.filter(visit__in=done).order_by()
    for visit_id, kind, count in records.values_list("visit_id", "kind").annotate(Count("animal", distinct=True)):
        done[visit_id].head[kind] = count
    treatments = Treatment.objects.filter(record__visit__in=done).order_by()
    for visit_id, kind, count in treatments.values_list("record__visit_id", "kind").annotate(Count("pk")):
        done[visit_id].treatments[kind] = count
    return done


def records_of(visit: Visit) -> QuerySet[ChuteRecord]:
    """A visit's records with what was found, done and raised, in the order the animals came."""
    return (
        ChuteRecord.objects.filter(visit=visit)
        .select_related("animal", "visit", "recorded_by")
        .prefetch_related("findings", "treatments", "rechecks_raised")
        .order_by("recorded_at", "pk")
    )


def records_at(farm: Farm, *, first: dt.date, last: dt.date) -> QuerySet[ChuteRecord]:
    """Records of a farm's visits from the first to the last day with what was found and done, the newest first."""
    return (
        ChuteRecord.objects.filter(visit__farm=farm, visit__date__range=(first, last))
        .select_related("animal", "visit")
        .prefetch_related("findings", "treatments")
        .order_by("-visit__date", "-recorded_at", "pk")
    )


def records_to_show(seat: Seat) -> QuerySet[ChuteRecord]:
    """Records a seat may see, the newest first."""
    return (
        ChuteRecord.objects.seen_by(seat)
        .select_related("animal", "visit__farm__client__business", "recorded_by")
        .prefetch_related("findings", "treatments", "rechecks_raised__animal")
        .order_by("-visit__date", "-recorded_at", "pk")
    )


def products_used(business: Business) -> list[str]:
    """Products that the business wrote down before, the most used first."""
    used = Treatment.objects.of(business).exclude(product="").order_by().values("product").annotate(times=Count("pk"))
    return list(used.order_by("-times", "product").values_list("product", flat=True)[:MOST_PRODUCTS])
