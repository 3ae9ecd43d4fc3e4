"""The booked week as the planner sees it when something happened: visits the farms were told of, which may move at a
price, and of what waits only what was named."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from django.db.models import F

from scheduling import planner
from scheduling.models import PlannerSettings, ProposedStop
from scheduling.queries import DAYS, Ask, asks_of_week, booked_in, crews_of_week
from scheduling.services.driving import drive_week
from scheduling.services.ground import Ground, JobFacts
from scheduling.services.loading import ask_job, clock_minute, keyed, make_week, settings_of
from scheduling.services.pace import PlanningPace, planning_pace
from scheduling.services.travel import off_the_roads
from trimmer.models import Business, Urgency, Visit

URGENCIES: Final = [urgency.value for urgency in Urgency]


@dataclass(frozen=True)
class ToldVisit:
    """Where a booked visit stands: crew, day of the week, and start and end in minutes of the day."""

    crew: int
    day: int
    start: int
    end: int


@dataclass(frozen=True)
class Standing:
    """The ground of a booked week, and where its visits stand, by job; those that are called off among `called_off`."""

    ground: Ground | None
    told: Mapping[str, ToldVisit]
    plan: planner.Plan
    travel_source: str


def load_standing(
    *,
    business: Business,
    monday: dt.date,
    today: dt.date,
    requests: Collection[int] = (),
    called_off: Collection[int] = (),
    off: Collection[tuple[int, dt.date]] = (),
    longer: Mapping[int, int] | None = None,
) -> Standing:
    """Read the booked visits of the days after `today`. requests: which of those that wait come in; called_off:
    visits that do not take place; off: (crew, date) that do not go out; longer: minutes more, by visit."""
    settings = settings_of(business)
    crews = crews_of_week(business, monday)
    first_day = max(0, (today - monday).days + 1)
    visits = _movable(business, monday, first_day)
    zone = zoneinfo.ZoneInfo(business.time_zone)
    told = {key: _told(visit, monday, zone) for key, visit in visits.items()}
    staying = {key: visit for key, visit in visits.items() if visit.pk not in called_off}
    asks = _asks(business, monday, today, requests)
    longer = longer or {}
    pace = planning_pace(business)
    lunches = _with_lunch(visits.values())
    jobs = [
        _visit_job(
            *(key, visit, told[key], settings, monday, first_day, pace),
            lunch=settings.lunch_minutes if visit.pk in lunches else 0,
            longer=longer.get(visit.pk, 0),
        )
        for key, visit in staying.items()
    ]
    jobs += [ask_job(key, ask, settings, monday, first_day, pace) for key, ask in asks.items()]
    farms = [visit.farm for visit in staying.values()] + [ask.farm for ask in asks.values()]
    driving = drive_week(business=business, crews=crews, farms=farms)
    week = make_week(crews, jobs, driving, settings, monday, first_day)
    facts = {key: _visit_facts(visit) for key, visit in staying.items()}
    facts |= {key: _ask_facts(ask) for key, ask in asks.items()}
    ground = None if week is None else Ground(_without_crews(week, off, monday), facts)
    return Standing(ground, told, _plan(told, {job.id: job.work for job in jobs}), driving.source)


def _movable(business: Business, monday: dt.date, first_day: int) -> dict[str, Visit]:
    """Booked visits that have hours and a crew that goes out, by job."""
    if first_day >= DAYS:
        return {}
    booked = booked_in(business, monday + dt.timedelta(days=first_day), monday + dt.timedelta(days=DAYS - 1))
    return {
        f"visit-{visit.pk}": visit
        for visit in booked
        if visit.planned_start and visit.planned_end and visit.crew.active and visit.farm.position
    }


def _asks(business: Business, monday: dt.date, today: dt.date, requests: Collection[int]) -> dict[str, Ask]:
    if not requests:
        return {}
    asks = asks_of_week(business, monday=monday, today=today)
    off = off_the_roads(business=business, farms=[ask.farm for ask in asks])
    return {
        key: ask
        for key, ask in keyed(asks).items()
        if ask.farm.position and ask.farm.pk not in off and any(request.pk in requests for request in ask.requests)
    }


def _told(visit: Visit, monday: dt.date, zone: zoneinfo.ZoneInfo) -> ToldVisit:
    assert visit.planned_start is not None  # noqa: S101  (chosen so by the caller)
    assert visit.planned_end is not None  # noqa: S101
    start = clock_minute(visit.planned_start, visit.date, zone)
    return ToldVisit(
        visit.crew_id, (visit.date - monday).days, start, clock_minute(visit.planned_end, visit.date, zone)
    )


def _with_lunch(visits: Iterable[Visit]) -> set[int]:
    """Visits whose hours, as they were planned, hold the crew's lunch."""
    stops = ProposedStop.objects.filter(
        visit__in=[visit.pk for visit in visits],
        start_at=F("visit__planned_start"),
        end_at=F("visit__planned_end"),
        round__lunch_at__gte=F("start_at"),
        round__lunch_at__lt=F("end_at"),
    )
    return set(stops.values_list("visit", flat=True))


def _visit_job(
    key: str,
    visit: Visit,
    told: ToldVisit,
    settings: PlannerSettings,
    monday: dt.date,
    first_day: int,
    pace: PlanningPace | None,
    *,
    lunch: int,
    longer: int,
) -> planner.Job:
    """A booked visit as a job that may move: as its farm asks for it, and as long as it was planned, without the
    `lunch` in it, also where the pace has changed since. Where it stands is always allowed, whatever the farm's access
    hours say."""
    requests = list(visit.requests.all())
    named = [frozenset(request.weekdays) for request in requests if request.weekdays]
    ask = Ask(
        visit.farm,
        "confirmed",
        head={row.kind: row.planned for row in visit.head.all() if row.planned},
        requests=requests,
        urgency=max((request.urgency for request in requests), key=URGENCIES.index, default=Urgency.ROUTINE.value),
        due_on=min((request.due_on for request in requests if request.due_on), default=None),
        weekdays=frozenset.intersection(*named) if named else frozenset(),
    )
    job = ask_job(key, ask, settings, monday, first_day, pace)
    length = told.end - told.start
    expected = job.setup + job.work
    as_expected = ask.head and length in {expected, expected + settings.lunch_minutes}
    work = job.work if as_expected else length - job.setup - lunch
    work = max(1, work) + longer
    here = (told.start, told.start + job.setup + work)
    windows = {**job.windows, told.day: tuple(sorted({*job.windows.get(told.day, ()), here}))}
    return replace(job, work=work, may_split=False, windows=windows, earliest_day=first_day, latest_day=None)


def _without_crews(week: planner.Week, off: Collection[tuple[int, dt.date]], monday: dt.date) -> planner.Week:
    days = {(crew, (date - monday).days) for crew, date in off}
    crews = tuple(
        replace(crew, hours={day: span for day, span in crew.hours.items() if (crew.id, day) not in days})
        for crew in week.crews
    )
    return replace(week, crews=crews)


def _plan(told: Mapping[str, ToldVisit], work: Mapping[planner.Key, int]) -> planner.Plan:
    """The visits as they stand, in their hours; what they cost is not asked of it."""
    by_round: dict[tuple[int, int], list[planner.Stop]] = {}
    for key, at in sorted(told.items(), key=lambda entry: (entry[1].start, entry[0])):
        stop = planner.Stop(
            job=key, work=work.get(key, at.end - at.start), arrive=at.start, start=at.start, end=at.end, drive=0
        )
        by_round.setdefault((at.crew, at.day), []).append(stop)
    rounds = tuple(
        planner.Round(
            crew=crew,
            day=day,
            stops=tuple(stops),
            leave=stops[0].start,
            back=stops[-1].end,
            lunch=None,
            drive=0,
            drive_home=0,
            wash=0,
            off_work=0,
            cost=0,
        )
        for (crew, day), stops in sorted(by_round.items(), key=lambda entry: (entry[0][1], entry[0][0]))
    )
    return planner.Plan(rounds=rounds, skipped=(), rounds_cost=0, late_cost=0, skip_cost=0)


def _visit_facts(visit: Visit) -> JobFacts:
    head = {row.kind: row.planned for row in visit.head.all() if row.planned}
    return JobFacts(visit.farm_id, "confirmed", head, tuple(r.pk for r in visit.requests.all()), visit.pk)


def _ask_facts(ask: Ask) -> JobFacts:
    return JobFacts(ask.farm.pk, ask.reason, dict(ask.head), tuple(request.pk for request in ask.requests))
