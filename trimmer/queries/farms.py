"""Clients and farms as lists and their own pages need them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from django.db.models import Count, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce

from trimmer.access import Seat
from trimmer.models import (
    AccessWindow,
    Animal,
    Client,
    Farm,
    Recheck,
    Visit,
    VisitRequest,
    VisitState,
    Weekday,
)

RECENT_VISITS = 5


@dataclass(frozen=True, slots=True)
class SuitableDay:
    """A weekday that suits, with its access hours; none means all day."""

    name: str
    windows: tuple[AccessWindow, ...]


@dataclass(frozen=True, slots=True)
class FarmOverview:
    """What happens at a farm: what is to come, what waits, what was done."""

    next_visit: Visit | None
    requests: tuple[VisitRequest, ...]
    recent_visits: tuple[Visit, ...]
    animals: int
    rechecks_due: int
    rechecks_overdue: int


def clients_to_show(seat: Seat, *, search: str = "", archived: bool = False) -> QuerySet[Client]:
    """Clients by name, with `farm_count`; `search` narrows by number, name or town."""
    clients = Client.objects.seen_by(seat).filter(archived_at__isnull=not archived)
    if search:
        clients = clients.filter(
            Q(name__icontains=search)
            | Q(number__iexact=search)
            | Q(city__icontains=search)
            | Q(farms__name__icontains=search)
        ).distinct()
    farms = Farm.objects.filter(client=OuterRef("pk"), archived_at__isnull=True).order_by().values("client")
    return clients.annotate(farm_count=Coalesce(Subquery(farms.annotate(n=Count("pk")).values("n")), 0))


def farms_to_show(
    seat: Seat, *, today: dt.date, search: str = "", archived: bool = False, tier: int | None = None
) -> QuerySet[Farm]:
    """Farms by name with their client, `last_visit_on`, `next_visit_on` and `rechecks_overdue`.

    `search` narrows by farm, client or town.
    """
    farms = Farm.objects.seen_by(seat).filter(archived_at__isnull=not archived).select_related("client")
    if search:
        farms = farms.filter(Q(name__icontains=search) | Q(client__name__icontains=search) | Q(city__icontains=search))
    if tier is not None:
        farms = farms.filter(health_tier=tier)
    visits = Visit.objects.filter(farm=OuterRef("pk")).order_by()
    rechecks = Recheck.objects.open().filter(animal__farm=OuterRef("pk"), animal__archived_at__isnull=True)
    overdue = rechecks.filter(due_by__lt=today).order_by().values("animal__farm").annotate(n=Count("pk"))
    return farms.annotate(
        last_visit_on=Subquery(visits.done().order_by("-date").values("date")[:1]),
        next_visit_on=Subquery(visits.to_come().filter(date__gte=today).order_by("date").values("date")[:1]),
        rechecks_overdue=Coalesce(Subquery(overdue.values("n")), 0),
    )


def farm_with_hours(seat: Seat) -> QuerySet[Farm]:
    """Farms with client, access hours and contacts, for a farm's own page."""
    return Farm.objects.seen_by(seat).select_related("client__business").prefetch_related("access_windows", "contacts")


def suitable_days(farm: Farm) -> list[SuitableDay]:
    """The weekdays that suit a farm, each with its access hours."""
    windows = list(farm.access_windows.all())
    return [
        SuitableDay(str(Weekday(day).label), tuple(window for window in windows if window.weekday == day))
        for day in farm.days_that_suit
    ]


def overview_of(farm: Farm, *, today: dt.date) -> FarmOverview:
    """What is to come, what waits and what was done at a farm."""
    visits = Visit.objects.filter(farm=farm).select_related("crew").prefetch_related("head")
    rechecks = Recheck.objects.open().filter(animal__farm=farm, animal__archived_at__isnull=True)
    counted = rechecks.aggregate(
        due=Count("pk", filter=Q(due_from__lte=today, due_by__gte=today)),
        overdue=Count("pk", filter=Q(due_by__lt=today)),
    )
    return FarmOverview(
        next_visit=_next(visits, today),
        requests=tuple(VisitRequest.objects.waiting().filter(farm=farm).prefetch_related("head")),
        recent_visits=tuple(visits.done().order_by("-date", "-pk")[:RECENT_VISITS]),
        animals=Animal.objects.current().filter(farm=farm).count(),
        rechecks_due=counted["due"],
        rechecks_overdue=counted["overdue"],
    )


def _next(visits: QuerySet[Visit], today: dt.date) -> Visit | None:
    coming = visits.filter(state__in=[VisitState.BOOKED, VisitState.UNDER_WAY], date__gte=today)
    return coming.order_by("date", "planned_start", "pk").first()
