"""What a week is made of: crews, farms, and what asks for a visit."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Max, Prefetch

from trimmer.models import (
    Business,
    Crew,
    DaysOff,
    Farm,
    HeadKind,
    Recheck,
    Urgency,
    Visit,
    VisitHead,
    VisitRequest,
    VisitState,
)
from trimmer.queries.requests import head_left

DAYS = 7


@dataclass
class Ask:
    """Why a farm is to be visited in a week: its requests, its rechecks, or its standing arrangement."""

    farm: Farm
    reason: str  # request, recheck, standing
    head: dict[str, int] = field(default_factory=dict)
    requests: list[VisitRequest] = field(default_factory=list)
    urgency: str = Urgency.ROUTINE
    earliest_on: dt.date | None = None
    latest_on: dt.date | None = None  # hard; only where a farm's other request begins later in the week
    due_on: dt.date | None = None
    weekdays: frozenset[int] = frozenset()

    def add_head(self, head: dict[str, int]) -> None:
        """Count more head by kind."""
        for kind, count in head.items():
            self.head[kind] = self.head.get(kind, 0) + count

    def pull_to(self, due_on: dt.date | None) -> None:
        """The earlier due date stands."""
        if due_on is not None and (self.due_on is None or due_on < self.due_on):
            self.due_on = due_on


def crews_of_week(business: Business, monday: dt.date) -> list[Crew]:
    """Crews that go out at all, with hours and days off of the week at hand."""
    sunday = monday + dt.timedelta(days=DAYS - 1)
    off_then = DaysOff.objects.of(business).filter(first__lte=sunday, last__gte=monday)
    return list(
        Crew.objects.of(business)
        .filter(active=True)
        .select_related("base")
        .prefetch_related("hours", Prefetch("days_off", off_then))
        .order_by("pk")
    )


def booked_in(business: Business, first: dt.date, last: dt.date) -> list[Visit]:
    """Visits that are booked between two days, both included, in the order of their rounds."""
    return list(
        Visit.objects.of(business)
        .to_come()
        .filter(date__range=(first, last))
        .select_related("farm__client", "crew")
        .prefetch_related("head", "requests", "farm__access_windows")
        .order_by("date", "crew", "planned_start", "position", "pk")
    )


def asks_of_week(business: Business, *, monday: dt.date, today: dt.date) -> list[Ask]:
    """What asks for a visit by the Sunday of a week, farm by farm. Farms on hold or archived ask for nothing."""
    sunday = monday + dt.timedelta(days=DAYS - 1)
    farms = {
        farm.pk: farm
        for farm in Farm.objects.of(business)
        .current()
        .filter(client__on_hold=False, client__archived_at__isnull=True)
        .select_related("client")
        .prefetch_related("access_windows")
    }
    asks = _requested(business, farms, sunday)
    rechecks = _rechecks_due(business, farms, sunday)
    asked = {ask.farm.pk for ask in asks}
    for ask in asks:
        _add_rechecks(ask, rechecks.pop(ask.farm.pk, []))
    for farm_id, due in rechecks.items():
        if min(recheck.due_by for recheck in due) <= sunday:
            ask = Ask(farms[farm_id], "recheck")
            _add_rechecks(ask, due)
            asks.append(ask)
    standing = [ask for ask in _standing_due(business, farms, sunday, today) if ask.farm.pk not in asked]
    by_farm = {ask.farm.pk: ask for ask in asks}
    for ask in standing:
        already = by_farm.get(ask.farm.pk)
        if already is None:
            asks.append(ask)
        else:
            already.add_head(ask.head)
            already.pull_to(ask.due_on)
            already.reason = "standing"
    return sorted(asks, key=lambda ask: (ask.farm.pk, ask.earliest_on or monday))


def _requested(business: Business, farms: dict[int, Farm], sunday: dt.date) -> list[Ask]:
    """Requests as asks. Requests of one farm whose days overlap become one visit."""
    waiting = (
        VisitRequest.objects.of(business)
        .waiting()
        .filter(farm__in=farms)
        .prefetch_related("head")
        .order_by("farm", "earliest_on", "due_on", "pk")
    )
    by_farm: dict[int, list[Ask]] = {}
    for request in waiting:
        if request.earliest_on is not None and request.earliest_on > sunday:
            continue
        ask = Ask(
            farms[request.farm_id],
            "request",
            head=head_left(request),
            requests=[request],
            urgency=request.urgency,
            earliest_on=request.earliest_on,
            due_on=request.due_on,
            weekdays=frozenset(request.weekdays),
        )
        same_farm = by_farm.setdefault(request.farm_id, [])
        if not any(_merged(other, ask) for other in same_farm):
            for other in same_farm:
                other.latest_on = other.due_on  # the later visit begins after it, so they never share a day
            same_farm.append(ask)
    return [ask for asks in by_farm.values() for ask in asks]


_URGENCY = {Urgency.ROUTINE.value: 0, Urgency.SOON.value: 1, Urgency.URGENT.value: 2}


def _merged(into: Ask, ask: Ask) -> bool:
    """Add `ask` to `into` if one visit can serve both; False if their days do not meet."""
    if into.due_on and ask.earliest_on and ask.earliest_on > into.due_on:
        return False
    both = (into.weekdays & ask.weekdays) if into.weekdays and ask.weekdays else (into.weekdays | ask.weekdays)
    into.weekdays = both or into.weekdays
    into.add_head(ask.head)
    into.requests += ask.requests
    into.earliest_on = max((day for day in (into.earliest_on, ask.earliest_on) if day), default=None)
    into.pull_to(ask.due_on)
    if _URGENCY[ask.urgency] > _URGENCY[into.urgency]:
        into.urgency = ask.urgency
    return True


def _rechecks_due(business: Business, farms: dict[int, Farm], sunday: dt.date) -> dict[int, list[Recheck]]:
    """Open rechecks that may be done by Sunday, by farm; not those a booked visit will see in time."""
    due: dict[int, list[Recheck]] = {}
    visits = Visit.objects.of(business).to_come().values_list("farm", "date")
    coming: dict[int, list[dt.date]] = {}
    for farm_id, date in visits:
        coming.setdefault(farm_id, []).append(date)
    rechecks = (
        Recheck.objects.of(business)
        .open()
        .filter(due_from__lte=sunday, animal__farm__in=farms, animal__archived_at__isnull=True)
        .select_related("animal")
    )
    for recheck in rechecks:
        farm_id = recheck.animal.farm_id
        seen_anyway = any(recheck.due_from <= date <= max(recheck.due_by, sunday) for date in coming.get(farm_id, ()))
        if not seen_anyway:
            due.setdefault(farm_id, []).append(recheck)
    return due


def _add_rechecks(ask: Ask, rechecks: list[Recheck]) -> None:
    """Count the animals (not the reasons) to be looked at again, and do not let them wait longer than they may."""
    animals = {recheck.animal_id for recheck in rechecks}
    if not animals:
        return
    asked = ask.head.get(HeadKind.RECHECK, 0)
    ask.head[HeadKind.RECHECK] = max(asked, len(animals))
    ask.pull_to(min(recheck.due_by for recheck in rechecks))
    if ask.reason == "recheck":
        ask.earliest_on = min(recheck.due_from for recheck in rechecks)


def _standing_due(business: Business, farms: dict[int, Farm], sunday: dt.date, today: dt.date) -> list[Ask]:
    """Farms visited every so many weeks, whose next visit comes due by Sunday."""
    regular = {pk: farm for pk, farm in farms.items() if farm.visit_interval_weeks}
    last_seen = dict(
        Visit.objects.of(business)
        .standing()
        .filter(farm__in=regular)
        .filter(head__kind=HeadKind.COW)
        .values_list("farm")
        .annotate(last=Max("date"))
    )
    heads = head_of_last_visits(business, regular)
    asks = []
    for pk, farm in regular.items():
        last = last_seen.get(pk)
        due = last + dt.timedelta(weeks=farm.visit_interval_weeks or 0) if last else today
        if due > sunday:
            continue
        head = heads.get(pk) or {HeadKind.COW.value: farm.milking}
        head = {kind: count for kind, count in head.items() if count and kind in {HeadKind.COW, HeadKind.HEIFER}}
        if head:
            asks.append(Ask(farm, "standing", head=head, due_on=due))
    return asks


def head_of_last_visits(business: Business, farms: Iterable[int]) -> dict[int, dict[str, int]]:
    """Routine head of each farm's last finished visit that had any: the best guess at the next."""
    rows = (
        VisitHead.objects.of(business)
        .filter(visit__farm__in=list(farms), visit__state=VisitState.DONE, done__gt=0)
        .filter(kind__in=[HeadKind.COW, HeadKind.HEIFER])
        .order_by("visit__date")
        .values_list("visit__farm", "visit__date", "kind", "done")
    )
    last: dict[int, tuple[dt.date, dict[str, int]]] = {}
    for farm_id, date, kind, done in rows:
        known = last.get(farm_id)
        if known is None or known[0] < date:
            last[farm_id] = (date, {kind: done})
        else:
            known[1][kind] = known[1].get(kind, 0) + done
    return {farm_id: head for farm_id, (_, head) in last.items()}


def last_head_of(business: Business, farm: int) -> dict[str, int]:
    """Head done on a farm's last finished visit, by kind; empty when there was none."""
    visit = (
        Visit.objects.of(business)
        .filter(farm=farm, state=VisitState.DONE, head__done__gt=0)
        .order_by("-date", "-pk")
        .first()
    )
    return {row.kind: row.done for row in visit.head.all() if row.done} if visit else {}
