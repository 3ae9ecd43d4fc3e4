"""From the facts of a business to a week the planner understands, and what each of its jobs stood for."""

from __future__ import annotations

import datetime as dt
import math
import zoneinfo
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal

from scheduling import planner
from scheduling.models import PlannerSettings
from scheduling.queries import DAYS, Ask, asks_of_week, booked_in, crews_of_week
from scheduling.services.driving import Driving, drive_week
from scheduling.services.pace import PlanningPace, planning_pace
from scheduling.services.travel import OffRoad, off_the_roads
from trimmer.models import Business, Crew, Farm, HealthTier, Urgency, Visit

CENTS = 100
SPLIT_FROM_MINUTES = 240
SPLIT_STEP = 30

# How much dearer it is to leave a farm for another week, by urgency. Common practice: a lame cow outweighs a long
# drive, a routine trim does not.
URGENCY_WEIGHT = {Urgency.ROUTINE.value: 1, Urgency.SOON.value: 2, Urgency.URGENT.value: 6}
URGENT_EXTRA_HOURS = {Urgency.ROUTINE.value: 0, Urgency.SOON.value: 1, Urgency.URGENT.value: 8}
ASKED_EXTRA_HOURS = 2  # a farm that asked is worth a trip of its own, and more with every week it waits
DUE_WEIGHT = 3
DUE_EXTRA_HOURS = 3
CONFIRMED_SKIP_COST = 10_000_000


@dataclass(frozen=True)
class LoadedWeek:
    """A planner's week and the facts behind its jobs: `asks` and `booked` by job id."""

    business: Business
    monday: dt.date
    week: planner.Week | None
    asks: Mapping[str, Ask]
    booked: Mapping[str, Visit]
    crews: Mapping[int, Crew]
    nowhere: tuple[Ask, ...]  # farms without a position: nobody can drive there
    off_road: tuple[tuple[Ask, OffRoad], ...]  # farms too far from any road
    travel_source: str
    pace_visits: int  # behind the minutes of its jobs; 0: they are the business's defaults


def load_week(*, business: Business, monday: dt.date, today: dt.date) -> LoadedWeek:
    """Read everything a week of this business consists of. `today` itself and days before it are no longer planned."""
    settings = settings_of(business)
    crews = crews_of_week(business, monday)
    first_day = max(0, (today - monday).days + 1)
    sunday = monday + dt.timedelta(days=DAYS - 1)
    booked = booked_in(business, monday + dt.timedelta(days=first_day), sunday) if first_day < DAYS else []
    zone = zoneinfo.ZoneInfo(business.time_zone)
    fixed = {
        f"visit-{visit.pk}": visit
        for visit in booked
        if visit.planned_start and visit.planned_end and visit.crew.active
    }
    asks = asks_of_week(business, monday=monday, today=today)
    off = off_the_roads(business=business, farms=[ask.farm for ask in asks])
    placed = {key: ask for key, ask in keyed(asks).items() if ask.farm.position and ask.farm.pk not in off}
    jobs = [_fixed_job(key, visit, monday, zone) for key, visit in fixed.items()]
    pace = planning_pace(business)
    jobs += [ask_job(key, ask, settings, monday, first_day, pace) for key, ask in placed.items()]
    farms = [visit.farm for visit in fixed.values()] + [ask.farm for ask in placed.values()]
    driving = drive_week(business=business, crews=crews, farms=farms)
    week = make_week(crews, jobs, driving, settings, monday, first_day)
    return LoadedWeek(
        business=business,
        monday=monday,
        week=week,
        asks=placed,
        booked=fixed,
        crews={crew.pk: crew for crew in crews},
        nowhere=tuple(ask for ask in asks if not ask.farm.position),
        off_road=tuple((ask, off[ask.farm.pk]) for ask in asks if ask.farm.pk in off),
        travel_source=driving.source,
        pace_visits=pace.estimator.visits if pace else 0,
    )


def keyed(asks: Iterable[Ask]) -> dict[str, Ask]:
    """Each ask by a name that it keeps from one proposal to the next, as far as it is the same ask."""
    keyed: dict[str, Ask] = {}
    for ask in asks:
        first = min((request.pk for request in ask.requests), default=0)
        keyed[f"farm-{ask.farm.pk}" if f"farm-{ask.farm.pk}" not in keyed else f"farm-{ask.farm.pk}-{first}"] = ask
    return keyed


def settings_of(business: Business) -> PlannerSettings:
    """The business's figures, or the defaults where it has not set any."""
    return PlannerSettings.objects.of(business).first() or PlannerSettings(business=business)


def work_minutes(head: Mapping[str, int], settings: PlannerSettings) -> int:
    """Minutes at the chute for these head, rounded up."""
    total = sum((getattr(settings, f"{kind}_minutes") * count for kind, count in head.items()), Decimal(0))
    return max(1, math.ceil(total))


def make_week(
    crews: list[Crew],
    jobs: list[planner.Job],
    driving: Driving,
    settings: PlannerSettings,
    monday: dt.date,
    first_day: int,
) -> planner.Week | None:
    """The planner's week; None when there is nobody to go or nowhere to go."""
    planned = [_crew(crew, settings, monday, first_day) for crew in crews]
    if not jobs or not any(crew.hours for crew in planned):
        return None
    return planner.Week(
        crews=tuple(planned),
        jobs=tuple(jobs),
        out=driving.out,
        home=driving.home,
        between=driving.between,
        metres_out=driving.metres_out,
        metres_home=driving.metres_home,
        metres_between=driving.metres_between,
        costs=_costs(settings),
        rules=_rules(settings),
        days=DAYS,
        name=monday.isoformat(),
    )


def _costs(settings: PlannerSettings) -> planner.Costs:
    """In cents of the business's money: time away from the chute, the road, and an hour for going out at all."""
    hour = float(settings.crew_hour_cost) * CENTS
    return planner.Costs(
        crew_day=round(hour),
        drive=0,
        off_work=hour / 60,
        metre=float(settings.km_cost) * CENTS / 1000,
        bed=None if settings.bed_cost is None else round(settings.bed_cost * CENTS),
    )


def _rules(settings: PlannerSettings) -> planner.Rules:
    share = settings.most_drive_share
    return planner.Rules(
        wash=settings.wash_minutes,
        lunch=settings.lunch_minutes,
        split_step=SPLIT_STEP,
        regroup=settings.regroup_minutes,
        most_drive_share=None if share is None else float(share),
        night_from=settings.night_from_minutes,
    )


def _crew(crew: Crew, settings: PlannerSettings, monday: dt.date, first_day: int) -> planner.Crew:
    hours = {}
    for row in crew.hours.all():
        date = monday + dt.timedelta(days=row.weekday)
        off = any(days.first <= date <= days.last for days in crew.days_off.all())
        if row.weekday >= first_day and not off:
            hours[row.weekday] = (_minute(row.leave_from), _minute(row.back_by))
    return planner.Crew(
        id=crew.pk,
        hours=hours,
        longest_day=crew.longest_day,
        chute_kind=crew.chute_kind,
        most_head=settings.most_head,
    )


def _fixed_job(key: str, visit: Visit, monday: dt.date, zone: zoneinfo.ZoneInfo) -> planner.Job:
    """A booked visit: it keeps crew, day and hour, and its length is what was planned. Where else it could be, if it
    were not booked, is told by its other openings."""
    assert visit.planned_start is not None  # noqa: S101  (chosen so by the caller)
    assert visit.planned_end is not None  # noqa: S101
    day = (visit.date - monday).days
    start = clock_minute(visit.planned_start, visit.date, zone)
    work = max(1, clock_minute(visit.planned_end, visit.date, zone) - start)
    openings = _openings(visit.farm, visit.farm.days_that_suit)
    return planner.Job(
        id=key,
        work=work,
        windows=openings | {day: ((start, start + work), *openings.get(day, ()))},
        skip_cost=CONFIRMED_SKIP_COST,
        tier=visit.farm.health_tier,
        fixed=planner.Fixed(crew=visit.crew_id, day=day, start=start),
        head=sum(row.planned for row in visit.head.all()),
    )


def ask_job(
    key: str, ask: Ask, settings: PlannerSettings, monday: dt.date, first_day: int, pace: PlanningPace | None
) -> planner.Job:
    """What asks for a visit, as a job: its work, the days and hours that suit, and what waiting costs. The work takes
    the minutes learned where the business plans with them, otherwise those of its settings."""
    farm = ask.farm
    head = sum(ask.head.values())
    work = pace.work_minutes(farm=farm.pk, head=ask.head) if pace and head else work_minutes(ask.head, settings)
    may_split = work >= SPLIT_FROM_MINUTES
    together = settings.two_crews_from_head is not None and head >= settings.two_crews_from_head
    if may_split:
        work = -(-work // SPLIT_STEP) * SPLIT_STEP
    earliest_day = max(first_day, (ask.earliest_on - monday).days if ask.earliest_on else 0)
    due_day = (ask.due_on - monday).days if ask.due_on else None
    return planner.Job(
        id=key,
        work=work,
        setup=settings.setup_minutes,
        may_split=may_split,
        windows=_windows(ask),
        earliest_day=earliest_day,
        latest_day=(ask.latest_on - monday).days if ask.latest_on else None,
        # days late before the first that can be planned are in no plan's hands, so they are not in its cost
        due_day=max(due_day, earliest_day - 1) if due_day is not None else None,
        late_cost=round(float(settings.late_day_cost) * CENTS * URGENCY_WEIGHT[ask.urgency]),
        skip_cost=_skip_cost(ask, settings, monday, due_by_sunday=due_day is not None and due_day < DAYS),
        tier=farm.health_tier,
        last_of_day=farm.health_tier == HealthTier.LAST,
        chute_kind=farm.chute_kind_needed or None,
        lock_up=max(1, round(float(farm.lock_up_hours) * 60)),
        head=head,
        crews_at_once=2 if together else 1,
    )


def _skip_cost(ask: Ask, settings: PlannerSettings, monday: dt.date, *, due_by_sunday: bool) -> int:
    """What it costs to leave the farm for another week, in cents."""
    hour = settings.crew_hour_cost
    by_head = settings.skip_head_cost * sum(ask.head.values()) * URGENCY_WEIGHT[ask.urgency]
    extra = hour * URGENT_EXTRA_HOURS[ask.urgency]
    if ask.requests:
        asked = min(request.asked_at.date() for request in ask.requests)
        extra += hour * (ASKED_EXTRA_HOURS + max(0, (monday - asked).days // 7))
    if due_by_sunday:
        by_head *= DUE_WEIGHT
        extra += hour * DUE_EXTRA_HOURS
    return round((by_head + extra) * CENTS)


def _windows(ask: Ask) -> dict[int, tuple[tuple[int, int], ...]]:
    """Openings by day: the days the request names, or the farm's own; hours as the farm's access windows say."""
    return _openings(ask.farm, ask.weekdays or ask.farm.days_that_suit)


def _openings(farm: Farm, days: Iterable[int]) -> dict[int, tuple[tuple[int, int], ...]]:
    """The farm's access windows on these days of the week, the whole day where it names none."""
    openings: dict[int, list[tuple[int, int]]] = {}
    for window in farm.access_windows.all():
        openings.setdefault(window.weekday, []).append((_minute(window.opens), _minute(window.closes)))
    return {day: tuple(sorted(openings.get(day, [(0, 24 * 60)]))) for day in sorted(set(days)) if 0 <= day < DAYS}


def _minute(clock: dt.time) -> int:
    return clock.hour * 60 + clock.minute


def clock_minute(at: dt.datetime, date: dt.date, zone: zoneinfo.ZoneInfo) -> int:
    """Minutes of the local clock since midnight of `date`."""
    local = at.astimezone(zone).replace(tzinfo=None)
    return round((local - dt.datetime.combine(date, dt.time())).total_seconds() / 60)


def moment(date: dt.date, minute: int, zone: zoneinfo.ZoneInfo) -> dt.datetime:
    """The moment at which the local clock of `date` shows `minute` minutes since midnight, in UTC."""
    local = dt.datetime.combine(date, dt.time()) + dt.timedelta(minutes=minute)
    return local.replace(tzinfo=zone).astimezone(dt.UTC)
