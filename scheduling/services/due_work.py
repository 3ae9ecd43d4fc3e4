"""The outlook: the work of the next half year, week by week, against what crews can do."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Count, Max, Q
from django.utils.translation import gettext_lazy as _

from scheduling.due_work import WEEKS, AnimalDates, Coming, DueFigures, DueWeek, FarmWork, outlook
from scheduling.frequency import visits_per_year
from scheduling.models import PlannerSettings
from scheduling.outlook_models import OutlookSettings
from scheduling.queries import booked_in, head_of_last_visits
from scheduling.services.loading import settings_of
from scheduling.services.pace import PlanningPace, planning_pace
from trimmer.errors import Refusal
from trimmer.models import (
    Animal,
    AnimalClass,
    Business,
    Crew,
    Farm,
    HeadKind,
    Recheck,
    TrimListEntry,
    Visit,
    VisitRequest,
    VisitState,
)
from trimmer.queries.requests import head_left

_SAMPLE = 20
"""Minutes of one head are those of so many, shared out."""


class OutlookFiguresRefused(Refusal):
    code = "outlook_figures_refused"
    message = _("Some figures cannot be taken.")


def outlook_settings_of(business: Business) -> OutlookSettings:
    """The business's figures, or the defaults where it has not set any."""
    return OutlookSettings.objects.of(business).first() or OutlookSettings(business=business)


@transaction.atomic
def keep_outlook_settings(*, business: Business, **figures: Any) -> OutlookSettings:
    """Store the figures given, leaving the others as they are. Refuses impossible ones, by field."""
    settings, _made = OutlookSettings.objects.select_for_update().get_or_create(business=business)
    for name, value in figures.items():
        setattr(settings, name, value)
    try:
        settings.full_clean()
    except ValidationError as error:
        faults = {name: " ".join(texts) for name, texts in error.message_dict.items()}
        raise OutlookFiguresRefused(fields=faults) from error
    settings.save()
    return settings


@dataclass(frozen=True)
class HerdNeed:
    """Visits a herd needs in a year by the formula, and those its arrangement gives; `done` in the year past."""

    farm: Farm
    needed: Decimal
    arranged: Decimal | None
    done: int

    @property
    def short(self) -> bool:
        """The arrangement gives clearly less than the herd needs."""
        return self.arranged is not None and self.arranged < self.needed * Decimal("0.8")


@dataclass(frozen=True)
class Outlook:
    """Weeks, what each herd needs, and how many visits the minutes were learned from (0: they are defaults)."""

    weeks: list[DueWeek]
    herds: list[HerdNeed]
    settings: OutlookSettings
    pace_visits: int

    @property
    def empty(self) -> bool:
        """Nothing is due, and nobody goes out."""
        return not any(week.total_head for week in self.weeks)

    def too_full(self, week: DueWeek) -> bool:
        share = week.share
        return week.total_minutes > 0 and (share is None or share * 100 > self.settings.full_percent)


def outlook_of(*, business: Business, today: dt.date) -> Outlook:
    """The half year that begins with this week, in a fixed number of queries. Writes nothing."""
    settings, planning = outlook_settings_of(business), settings_of(business)
    pace = planning_pace(business)
    farms = list(
        Farm.objects.of(business)
        .current()
        .filter(client__on_hold=False, client__archived_at__isnull=True)
        .select_related("client")
        .order_by("name", "pk")
    )
    monday = today - dt.timedelta(days=today.weekday())
    last = monday + dt.timedelta(weeks=WEEKS) - dt.timedelta(days=1)
    figures = DueFigures(
        factor=float(settings.factor),
        by_formula=settings.by_formula,
        dry_off_days=settings.dry_off_days,
        calving_days=settings.calving_days,
        after_calving_days=settings.after_calving_days,
    )
    crews = Crew.objects.of(business).filter(active=True).prefetch_related("hours", "days_off").order_by("pk")
    capacity = [_capacity(list(crews), planning, monday + dt.timedelta(weeks=n), today) for n in range(WEEKS)]
    works = _works(business, farms, pace, planning, settings, today, last)
    weeks = outlook(works, today=today, capacity=capacity, figures=figures)
    herds = _herds(business, farms, settings, today)
    return Outlook(weeks, herds, settings, pace.estimator.visits if pace else 0)


def _capacity(crews: list[Crew], planning: PlannerSettings, monday: dt.date, today: dt.date) -> float:
    """Minutes crews can be out in a week, lunch not counted; days that are over do not count."""
    days = [monday + dt.timedelta(days=n) for n in range(7)]
    total = 0
    for crew in crews:
        hours = {row.weekday: row for row in crew.hours.all()}
        for day in days:
            row = hours.get(day.weekday())
            if row is None or day < today or any(off.first <= day <= off.last for off in crew.days_off.all()):
                continue
            out = (row.back_by.hour - row.leave_from.hour) * 60 + row.back_by.minute - row.leave_from.minute
            total += max(0, min(out, crew.longest_day) - planning.lunch_minutes)
    return float(total)


def _works(
    business: Business,
    farms: list[Farm],
    pace: PlanningPace | None,
    planning: PlannerSettings,
    settings: OutlookSettings,
    today: dt.date,
    last: dt.date,
) -> list[FarmWork]:
    ids = [farm.pk for farm in farms]
    usual = head_of_last_visits(business, ids)
    seen = dict(
        Visit.objects.of(business)
        .standing()
        .filter(farm__in=ids, head__kind=HeadKind.COW)
        .values_list("farm")
        .annotate(last=Max("date"))
    )
    booked = _booked(business, settings, today, last)
    asked = _asked(business, ids)
    rechecks = _rechecks(business, ids, booked)
    animals = _animals(business, [farm.pk for farm in farms if not farm.visit_interval_weeks])
    coming = float(planning.setup_minutes + settings.drive_minutes)
    return [
        FarmWork(
            farm=farm.pk,
            herd=farm.herd,
            minutes=_minutes(farm, pace, planning),
            visit=coming,
            usual=usual.get(farm.pk) or ({HeadKind.COW.value: farm.milking} if farm.visit_interval_weeks else {}),
            interval_weeks=farm.visit_interval_weeks,
            last_on=seen.get(farm.pk),
            booked=booked.get(farm.pk, ()),
            asked=asked.get(farm.pk, ()),
            rechecks=rechecks.get(farm.pk, ()),
            animals=animals.get(farm.pk, ()),
        )
        for farm in farms
    ]


def _minutes(farm: Farm, pace: PlanningPace | None, planning: PlannerSettings) -> dict[str, float]:
    """Minutes of a head of each kind at a farm."""
    if pace is None:
        return {kind: float(getattr(planning, f"{kind}_minutes")) for kind in HeadKind.values}
    return {kind: pace.work_minutes(farm=farm.pk, head={kind: _SAMPLE}) / _SAMPLE for kind in HeadKind.values}


def _booked(business: Business, settings: OutlookSettings, today: dt.date, last: dt.date) -> dict[int, list[Coming]]:
    by_farm: dict[int, list[Coming]] = defaultdict(list)
    for visit in booked_in(business, today, last):
        head = {row.kind: row.planned for row in visit.head.all() if row.planned}
        minutes = None
        if visit.planned_start and visit.planned_end:
            drive = visit.drive_minutes_planned
            minutes = (visit.planned_end - visit.planned_start).total_seconds() / 60
            minutes += settings.drive_minutes if drive is None else drive
        by_farm[visit.farm_id].append(Coming(visit.date, head, minutes))
    return by_farm


def _asked(business: Business, farms: list[int]) -> dict[int, list[Coming]]:
    by_farm: dict[int, list[Coming]] = defaultdict(list)
    waiting = VisitRequest.objects.of(business).waiting().filter(farm__in=farms).prefetch_related("head")
    begun = set(waiting.filter(visits__state=VisitState.DONE).values_list("pk", flat=True))
    for request in waiting:
        head = head_left(request) if request.pk in begun else {row.kind: row.count for row in request.head.all()}
        by_farm[request.farm_id].append(Coming(request.due_on or request.earliest_on, head))
    return by_farm


def _rechecks(business: Business, farms: list[int], booked: Mapping[int, list[Coming]]) -> dict[int, list[dt.date]]:
    """Last days of open rechecks, one an animal; not those that a booked visit sees in time."""
    last: dict[tuple[int, int], dt.date] = {}
    rows = (
        Recheck.objects.of(business)
        .open()
        .filter(animal__farm__in=farms, animal__archived_at__isnull=True)
        .values_list("animal__farm", "animal", "due_from", "due_by")
    )
    for farm, animal, due_from, due_by in rows:
        if any(coming.on and due_from <= coming.on <= due_by for coming in booked.get(farm, ())):
            continue
        last[farm, animal] = min(due_by, last.get((farm, animal), due_by))
    by_farm: dict[int, list[dt.date]] = defaultdict(list)
    for (farm, _animal), due_by in last.items():
        by_farm[farm].append(due_by)
    return by_farm


def _animals(business: Business, farms: list[int]) -> dict[int, list[AnimalDates]]:
    """Animals with dates, unless a booked visit has them on its list."""
    listed = TrimListEntry.objects.of(business).filter(visit__state=VisitState.BOOKED, animal__isnull=False)
    rows = (
        Animal.objects.of(business)
        .current()
        .filter(farm__in=farms)
        .filter(Q(calved_on__isnull=False) | Q(calving_due_on__isnull=False) | Q(dry_off_on__isnull=False))
        .exclude(pk__in=listed.values("animal"))
        .annotate(trimmed_on=Max("records__visit__date"))
        .values_list("farm", "animal_class", "calved_on", "calving_due_on", "dry_off_on", "trimmed_on")
    )
    by_farm: dict[int, list[AnimalDates]] = defaultdict(list)
    for farm, kind, calved_on, calving_due_on, dry_off_on, trimmed_on in rows:
        by_farm[farm].append(AnimalDates(kind == AnimalClass.HEIFER, calved_on, calving_due_on, dry_off_on, trimmed_on))
    return by_farm


def _herds(business: Business, farms: list[Farm], settings: OutlookSettings, today: dt.date) -> list[HerdNeed]:
    since = today - dt.timedelta(days=365)
    done = dict(
        Visit.objects.of(business)
        .done()
        .filter(date__gt=since, date__lte=today)
        .values_list("farm")
        .annotate(Count("pk"))
    )
    return [
        HerdNeed(
            farm,
            visits_per_year(farm.herd, settings.cows_a_day, settings.factor),
            Decimal(52) / farm.visit_interval_weeks if farm.visit_interval_weeks else None,
            done.get(farm.pk, 0),
        )
        for farm in farms
    ]
