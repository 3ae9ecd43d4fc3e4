"""Rechecks read across rows: who must be seen again, the overdue first."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from django.db.models import OuterRef, QuerySet, Subquery, Value
from django.db.models.functions import Coalesce

from trimmer import rechecks
from trimmer.access import Seat
from trimmer.models import Farm, Recheck, Visit, VisitState

type Show = Literal["open", "overdue", "week", "closed"]

type RecheckState = rechecks.State | Literal["closed"]

SHOWS: Final[tuple[Show, ...]] = ("open", "overdue", "week", "closed")
STATES: Final[tuple[RecheckState, ...]] = ("waiting", "warned", "due", "overdue", "closed")


@dataclass(frozen=True, slots=True)
class RecheckRow:
    """A recheck with its state on the day, and the day of the farm's next visit, where one is booked."""

    recheck: Recheck
    state: RecheckState
    next_visit_on: dt.date | None


def rechecks_to_show(seat: Seat, *, today: dt.date, farm: Farm | None = None, show: Show = "open") -> QuerySet[Recheck]:
    """Rechecks a seat may see, the first to be due (so the overdue) first, with `next_visit_on` of the farm.

    ``show``: all open ones, the overdue, those whose window touches this week, or the closed (the latest first).
    """
    found = Recheck.objects.seen_by(seat).select_related("animal__farm", "raised_by__visit", "closed_by_record__visit")
    if farm is not None:
        found = found.filter(animal__farm=farm)
    if show == "closed":
        return found.filter(closed_at__isnull=False).annotate(next_visit_on=_next_visit(today)).order_by("-closed_at")
    found = found.open()
    if show == "overdue":
        found = found.filter(due_by__lt=today)
    if show == "week":
        monday = today - dt.timedelta(days=today.weekday())
        found = found.filter(due_from__lte=monday + dt.timedelta(days=6), due_by__gte=monday)
    return found.annotate(next_visit_on=_next_visit(today)).order_by("due_by", "due_from", "animal__farm__name", "pk")


def count_overdue(seat: Seat, *, today: dt.date) -> int:
    """How many rechecks a seat may see are overdue."""
    return Recheck.objects.seen_by(seat).open().filter(due_by__lt=today).count()


def as_rows(found: Iterable[Recheck], *, today: dt.date) -> list[RecheckRow]:
    """Rechecks with their state on the day."""
    return [RecheckRow(recheck, state_of(recheck, today), getattr(recheck, "next_visit_on", None)) for recheck in found]


def state_of(recheck: Recheck, today: dt.date) -> RecheckState:
    """Where a recheck stands on a day."""
    if recheck.closed_at is not None:
        return "closed"
    return rechecks.state(recheck.due_from, recheck.due_by, today, warn_from=recheck.warn_from)


def _next_visit(today: dt.date) -> Subquery:
    """The day of a farm's next visit; the one that raised the recheck, under way still, is not a next one."""
    coming = Visit.objects.filter(
        farm=OuterRef("animal__farm"), date__gte=today, state__in=[VisitState.BOOKED, VisitState.UNDER_WAY]
    )
    others = coming.exclude(pk=Coalesce(OuterRef("raised_by__visit"), Value(0)))
    return Subquery(others.order_by("date").values("date")[:1])
