"""Visits read across rows: rounds, day sheets, what waits for somebody, and what speaks against a booking."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from django.db.models import F, Prefetch, QuerySet, Sum
from django.db.models.functions import Coalesce

from trimmer.access import Seat
from trimmer.models import Business, Crew, DaysOff, Farm, Visit, VisitHead, VisitState, WorkingHours
from trimmer.models.visits import VisitQuerySet
from trimmer.showing import to_local

BookingCaution = Literal[
    "crew_is_off",
    "crew_does_not_work",
    "outside_working_hours",
    "day_does_not_suit",
    "outside_access_hours",
    "client_on_hold",
    "other_chute_needed",
    "crew_is_elsewhere",
]


@dataclass(frozen=True, slots=True)
class Round:
    """A crew's visits of one day, in order."""

    date: dt.date
    crew: Crew
    visits: tuple[Visit, ...]

    @property
    def head(self) -> int:
        """Head planned on all its visits."""
        return sum(visit.head_planned for visit in self.visits)  # type: ignore[attr-defined]


def visits_to_show(seat: Seat) -> VisitQuerySet:
    """Visits a seat may see, with farm, crew and head, in the order they are driven; `head_planned` and `head_done`
    are sums."""
    return (
        Visit.objects.seen_by(seat)
        .select_related("farm__client__business", "crew")
        .prefetch_related(Prefetch("head", VisitHead.objects.order_by("pk")))
        .annotate(head_planned=Coalesce(Sum("head__planned"), 0), head_done=Coalesce(Sum("head__done"), 0))
        .order_by("date", "crew__name", F("planned_start").asc(nulls_last=True), "position", "pk")
    )


def rounds(visits: Iterable[Visit]) -> list[Round]:
    """Visits (ordered as `visits_to_show` gives them) as rounds."""
    return [
        Round(date, next(iter(found)).crew, tuple(found))
        for (date, _crew), group in groupby(visits, key=lambda visit: (visit.date, visit.crew_id))
        for found in [list(group)]
    ]


def left_unfinished(business: Business, *, today: dt.date) -> QuerySet[Visit]:
    """Visits of past days that were neither completed nor cancelled."""
    return Visit.objects.of(business).filter(date__lt=today, state__in=[VisitState.BOOKED, VisitState.UNDER_WAY])


def booking_cautions(
    *, farm: Farm, crew: Crew, date: dt.date, start: dt.datetime, end: dt.datetime, leaving_out: Visit | None = None
) -> list[BookingCaution]:
    """What a person should think of before booking: nothing here refuses. Codes, the weightiest first."""
    zone = farm.client.business.time_zone
    begins, ends = to_local(start, zone).time(), to_local(end, zone).time()
    found: list[BookingCaution] = []
    if DaysOff.objects.filter(crew=crew, first__lte=date, last__gte=date).exists():
        found.append("crew_is_off")
    hours = WorkingHours.objects.filter(crew=crew, weekday=date.weekday()).first()
    if hours is None:
        found.append("crew_does_not_work")
    elif begins < hours.leave_from or ends > hours.back_by:
        found.append("outside_working_hours")
    if farm.days_that_suit and date.weekday() not in farm.days_that_suit:
        found.append("day_does_not_suit")
    windows = [window for window in farm.access_windows.all() if window.weekday == date.weekday()]
    if windows and not any(window.opens <= begins and ends <= window.closes for window in windows):
        found.append("outside_access_hours")
    if farm.client.on_hold:
        found.append("client_on_hold")
    if farm.chute_kind_needed and farm.chute_kind_needed != crew.chute_kind:
        found.append("other_chute_needed")
    others = Visit.objects.standing().filter(crew=crew, planned_start__lt=end, planned_end__gt=start)
    if leaving_out is not None:
        others = others.exclude(pk=leaving_out.pk)
    if others.exists():
        found.append("crew_is_elsewhere")
    return found
