"""What links show: the visits of a calendar, the links given for a herd."""

from __future__ import annotations

import datetime as dt

from django.db.models import QuerySet

from trimmer.access import OWNER, Seat
from trimmer.models import Farm, VetLink, Visit, VisitState

DAYS_BACK = 60


def visits_of_calendar(seat: Seat, *, today: dt.date) -> list[Visit]:
    """Visits from two months back on: a farm's person those told to the farm, a member those of their crews.

    An owner, or a member of no crew, sees all crews'. What was called off after it was told stays, as called off.
    """
    found = Visit.objects.seen_by(seat).filter(date__gte=today - dt.timedelta(days=DAYS_BACK))
    if seat.client is not None:
        found = found.filter(told_at__isnull=False)
    else:
        found = found.exclude(state=VisitState.CANCELLED)
        crews = seat.user.crews.filter(business=seat.business)
        if seat.role != OWNER and crews.exists():
            found = found.filter(crew__in=crews)
    rows = found.select_related("farm__client__business", "crew").prefetch_related("head")
    return list(rows.order_by("date", "planned_start", "pk"))


def vet_links_of(farm: Farm) -> QuerySet[VetLink]:
    """Links given for a herd, those that work first."""
    return VetLink.objects.filter(farm=farm).select_related("given_by").order_by("withdrawn_at", "-given_at", "-pk")
