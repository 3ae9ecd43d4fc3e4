"""The booked week planned anew after something happened, as little as can be of what farms were told; looked at first,
then accepted as a whole."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling import planner
from scheduling.models import LeftOut, ProposedStop, ProposedWeek, StepKind, WeekKind, WeekState, WeekStep
from scheduling.queries import DAYS
from scheduling.services.arranging import Arrangement, CannotBe, Hand, PinAt, arrangement_of
from scheduling.services.asking import named_details
from scheduling.services.ground import Ground
from scheduling.services.loading import moment, settings_of
from scheduling.services.standing import Standing, ToldVisit, load_standing
from scheduling.services.weeks import (
    ChangedMeanwhile,
    NotAMonday,
    NotProposed,
    OutOfDate,
    WeekIsOver,
    begin_planning,
    book_stop,
    local_date,
    told_hours,
)
from scheduling.services.writing import write_arrangement
from trimmer.errors import Refusal
from trimmer.models import Business, Crew, User, Visit, VisitRequest, VisitState
from trimmer.services.crews import add_days_off
from trimmer.services.jobs import start_job
from trimmer.services.telling import tell_farm
from trimmer.services.visits import cancel_visit, move_visit

CALLED_OFF, CREW_DOWN, TAKES_LONGER, REQUEST = "called_off", "crew_down", "takes_longer", "request"
MOST_SECONDS = 30
SAME_HOUR = 30
"""Minutes: a visit that starts no further from where it stood keeps the hours its farm was told."""


class NothingHappened(Refusal):
    code = "nothing_happened"
    message = gettext_lazy("Say what happened: a visit called off, a crew that cannot go out, more work, or a request.")


class NothingBooked(Refusal):
    code = "nothing_booked_to_plan_anew"
    message = gettext_lazy("No visit is booked on the days that are left of this week. Propose the week instead.")


class NotOfThisWeek(Refusal):
    code = "not_of_this_week"
    message = gettext_lazy("What happened does not lie on a day that is left of this week.")


class NoReplan(Refusal):
    code = "not_a_replan"
    message = gettext_lazy("This is not a booked week planned anew. Confirm it in place of accepting it.")


@dataclass(frozen=True, kw_only=True)
class Happened:
    """One thing that happened. kind: called_off (visit), crew_down (crew, date), takes_longer (visit, minutes more) or
    request (a request that waits)."""

    kind: str
    visit: int = 0
    crew: int = 0
    date: str = ""
    minutes: int = 0
    request: int = 0


@dataclass(frozen=True)
class Change:
    """What becomes of one visit. how: moved (day, crew or hour differ), added, dropped or kept. old, new: crew, date,
    start and end."""

    farm: Any
    how: str
    old: tuple[Crew, dt.date, dt.datetime, dt.datetime] | None
    new: tuple[Crew, dt.date, dt.datetime, dt.datetime] | None


@transaction.atomic
def replan_week(
    *, business: Business, monday: dt.date, happened: Sequence[Happened], by: User | None, now: dt.datetime
) -> ProposedWeek:
    """Start a job that plans the booked week anew. Nothing changes for anybody until its plan is accepted."""
    today = local_date(business, now)
    if monday.weekday() != 0:
        raise NotAMonday(date=monday.isoformat())
    if monday + dt.timedelta(days=DAYS - 1) <= today:
        raise WeekIsOver
    if not happened:
        raise NothingHappened
    booked = Visit.objects.of(business).filter(
        state=VisitState.BOOKED, date__range=(max(monday, today + dt.timedelta(days=1)), _sunday(monday))
    )
    if not booked.exists():
        raise NothingBooked
    for event in happened:
        _check(event, business, monday, today, set(booked.values_list("pk", flat=True)))
    begin_planning(business, monday)
    week = ProposedWeek.objects.create(
        business=business,
        monday=monday,
        kind=WeekKind.REPLAN,
        events=[asdict(event) for event in happened],
        asked_by=by,
        asked_at=now,
    )
    arguments = {
        "week": week.pk,
        "today": today.isoformat(),
        "seconds": min(MOST_SECONDS, settings_of(business).seconds),
    }
    week.job = start_job(business=business, kind="replan_week", arguments=arguments, asked_by=by)
    week.save(update_fields=["job"])
    return week


def _sunday(monday: dt.date) -> dt.date:
    return monday + dt.timedelta(days=DAYS - 1)


def _check(event: Happened, business: Business, monday: dt.date, today: dt.date, booked: set[int]) -> None:
    if event.kind in {CALLED_OFF, TAKES_LONGER}:
        known = event.visit in booked and (event.kind == CALLED_OFF or 0 < event.minutes <= 24 * 60)
    elif event.kind == CREW_DOWN:
        date = dt.date.fromisoformat(event.date)
        own = Crew.objects.of(business).filter(pk=event.crew, active=True).exists()
        known = own and today < date and monday <= date <= _sunday(monday)
    else:
        known = VisitRequest.objects.of(business).waiting().filter(pk=event.request).exists()
    if not known:
        raise NotOfThisWeek


def happened_of(week: ProposedWeek) -> list[Happened]:
    """What happened, as it was said."""
    return [Happened(**event) for event in week.events]


def standing_of(week: ProposedWeek, today: dt.date) -> Standing:
    """The booked week with what happened."""
    happened = happened_of(week)
    return load_standing(
        business=week.business,
        monday=week.monday,
        today=today,
        requests=[event.request for event in happened if event.request],
        called_off=[event.visit for event in happened if event.kind == CALLED_OFF and event.visit],
        off=[(event.crew, dt.date.fromisoformat(event.date)) for event in happened if event.crew and event.date],
        longer={event.visit: event.minutes for event in happened if event.kind == TAKES_LONGER and event.visit},
    )


def save_replan(
    *, week: ProposedWeek, standing: Standing, plan: planner.Plan | None, reasons: Sequence[planner.LeftOut]
) -> dict[str, Any]:
    """Store the new plan as a proposal. Runs inside the caller's transaction."""
    ProposedWeek.objects.of(week.business).filter(monday=week.monday, state=WeekState.PROPOSED).update(
        state=WeekState.DROPPED
    )
    week.state = WeekState.PROPOSED
    week.travel_source = standing.travel_source
    week.held = {"told": {key: asdict(at) for key, at in standing.told.items()}}
    if plan is not None and standing.ground is not None:
        ground = standing.ground
        arranged = arrangement_of(
            plan,
            reasons={
                str(reason.job): {"reason": reason.code, "details": named_details(ground, reason)} for reason in reasons
            },
        )
        arranged = _as_told(ground, arranged, plan, standing.told)
        week.ground = ground.as_row()
        write_arrangement(week, Hand(ground, arranged))
        WeekStep.objects.create(
            week=week,
            number=0,
            kind=StepKind.PROPOSED,
            arrangement=arranged.as_row(),
            cost=week.cost,
            made_by=week.asked_by,
            made_at=week.asked_at,
        )
    week.save()
    return {"week": week.pk, "moved": len([change for change in changes_of(week) if change.how == "moved"])}


def _as_told(ground: Ground, arranged: Arrangement, plan: planner.Plan, told: Mapping[str, ToldVisit]) -> Arrangement:
    """With a pin for each visit that stays with its crew, day and hour, so that no later change moves it unasked: to
    the very minute it stood at where that can be, else to the minute it got."""
    for made in plan.rounds:
        for stop in made.stops:
            at = told.get(str(stop.job))
            here = (int(made.crew), made.day)
            if at is not None and (at.crew, at.day) == here and abs(at.start - stop.start) <= SAME_HOUR:
                arranged = replace(arranged, pins={**arranged.pins, str(stop.job): PinAt((here,), stop.start)})
    for key, pin in arranged.pins.items():
        exact = replace(arranged, pins={**arranged.pins, key: replace(pin, start=told[key].start)})
        if pin.start != told[key].start and _can_be(Hand(ground, exact)):
            arranged = exact
    return arranged


def _can_be(hand: Hand) -> bool:
    try:
        return bool(hand.plan.rounds)
    except CannotBe:
        return False


def changes_of(week: ProposedWeek) -> list[Change]:
    """What accepting the proposal as it is now would change for each farm, the kept visits too, by their old day."""
    zone = zoneinfo.ZoneInfo(week.business.time_zone)
    crews = {crew.pk: crew for crew in Crew.objects.of(week.business)}
    told = {key: ToldVisit(**at) for key, at in week.held.get("told", {}).items()}
    visits = {f"visit-{visit.pk}": visit for visit in _visits(week, told)}
    stops = {
        (stop.key, stop.part): stop
        for stop in ProposedStop.objects.filter(round__week=week).select_related("round__crew", "farm")
    }
    found = []
    for key, at in sorted(told.items(), key=lambda entry: (entry[1].day, entry[1].start, entry[0])):
        visit = visits.get(key)
        if visit is None:
            continue
        date = week.monday + dt.timedelta(days=at.day)
        old = (crews[at.crew], date, moment(date, at.start, zone), moment(date, at.end, zone))
        stop = stops.pop((key, 1), None)
        new = None if stop is None else (stop.round.crew, stop.round.date, stop.start_at, stop.end_at)
        found.append(Change(visit.farm, _how(old, new), old, new))
    for stop in sorted(stops.values(), key=lambda stop: stop.start_at):
        new = (stop.round.crew, stop.round.date, stop.start_at, stop.end_at)
        found.append(Change(stop.farm, "added", None, new))
    return found


def _how(old: tuple[Crew, dt.date, dt.datetime, dt.datetime], new: Any) -> str:
    if new is None:
        return "dropped"
    same = (old[0], old[1]) == new[:2] and abs(new[2] - old[2]) <= dt.timedelta(minutes=SAME_HOUR)
    return "kept" if same else "moved"


def _visits(week: ProposedWeek, told: Mapping[str, ToldVisit]) -> list[Visit]:
    keys = [int(key.removeprefix("visit-")) for key in told]
    return list(Visit.objects.of(week.business).filter(pk__in=keys).select_related("farm__client__business", "crew"))


@transaction.atomic
def accept_replan(*, week: ProposedWeek, version: int | None = None, by: User | None, now: dt.datetime) -> list[Change]:
    """Make what the proposal says true: visits called off or dropped are cancelled, moved ones moved, new ones booked,
    and the farms told. All of it or nothing."""
    if week.kind != WeekKind.REPLAN:
        raise NoReplan
    looked_at = {} if version is None else {"version": version}
    taken = ProposedWeek.objects.filter(pk=week.pk, state=WeekState.PROPOSED, **looked_at).update(
        state=WeekState.CONFIRMED, confirmed_at=now
    )
    week.refresh_from_db()
    if not taken:
        raise ChangedMeanwhile if week.state == WeekState.PROPOSED else NotProposed
    changes = changes_of(week)
    told = {key: ToldVisit(**at) for key, at in week.held.get("told", {}).items()}
    visits = {f"visit-{visit.pk}": visit for visit in _visits(week, told)}
    _still_stand(week, told, visits)
    stops = list(
        ProposedStop.objects.filter(round__week=week)
        .select_related("round__crew", "farm__client__business")
        .prefetch_related("requests")
        .order_by("round__date", "round__crew", "position")
    )
    there = {stop.key for stop in stops}
    try:
        _write_events(week, visits, by=by, now=now)
        for key, visit in visits.items():
            if key not in there and visit.state == VisitState.BOOKED:
                cancel_visit(visit=visit, reason=_("The week had to be planned anew."), by=by, now=now)
        _move_and_book(week, stops, told, visits, by=by, now=now)
    except OutOfDate:
        raise
    except Refusal as refusal:
        raise OutOfDate(farm=_("One of the visits"), why=str(refusal)) from refusal
    LeftOut.objects.filter(week=week, key__startswith="visit-").update(reason="cancelled")
    return changes


def _still_stand(week: ProposedWeek, told: Mapping[str, ToldVisit], visits: Mapping[str, Visit]) -> None:
    """Refuses when a visit was moved or cancelled since the week was planned anew."""
    zone = zoneinfo.ZoneInfo(week.business.time_zone)
    for key, at in told.items():
        visit = visits.get(key)
        date = week.monday + dt.timedelta(days=at.day)
        stands = (
            visit is not None
            and visit.state == VisitState.BOOKED
            and (visit.crew_id, visit.date) == (at.crew, date)
            and visit.planned_start == moment(date, at.start, zone)
        )
        if not stands:
            farm = str(visit.farm) if visit else _("One of the visits")
            raise OutOfDate(farm=farm, why=_("The visit was changed meanwhile."))


def _write_events(week: ProposedWeek, visits: Mapping[str, Visit], *, by: User | None, now: dt.datetime) -> None:
    for event in happened_of(week):
        if event.kind == CALLED_OFF:
            visit = visits[f"visit-{event.visit}"]
            cancel_visit(visit=visit, reason=_("The farm called it off."), by=by, now=now)
        elif event.kind == CREW_DOWN:
            date = dt.date.fromisoformat(event.date)
            crew = Crew.objects.of(week.business).get(pk=event.crew)
            if not crew.days_off.filter(first__lte=date, last__gte=date).exists():
                add_days_off(crew=crew, first=date, last=date)


def _move_and_book(
    week: ProposedWeek,
    stops: Sequence[ProposedStop],
    told: Mapping[str, ToldVisit],
    visits: Mapping[str, Visit],
    *,
    by: User | None,
    now: dt.datetime,
) -> None:
    width = settings_of(week.business).told_window_minutes
    served: set[int] = set()
    booked = []
    for stop in stops:
        if stop.key not in told:
            visit = book_stop(stop, served, width=width, by=by, now=now)
            ProposedStop.objects.filter(pk=stop.pk).update(visit=visit)
            booked.append(visit)
            continue
        visit = visits[stop.key]
        at = told[stop.key]
        stays = (stop.round.crew_id, (stop.round.date - week.monday).days) == (at.crew, at.day)
        near = visit.planned_start is not None and abs(stop.start_at - visit.planned_start) <= dt.timedelta(
            minutes=SAME_HOUR
        )
        kept = (visit.told_from, visit.told_to) if stays and near and visit.told_from and visit.told_to else None
        move_visit(
            visit=visit,
            crew=stop.round.crew,
            date=stop.round.date,
            planned_start=stop.start_at,
            planned_end=stop.end_at,
            told=kept or told_hours(stop, width),
            position=stop.position,
            drive_minutes=stop.drive_minutes,
            distance_m=stop.distance_m,
            by=by,
            now=now,
        )
    tell_farm(visits=booked, change="booked", now=now)
