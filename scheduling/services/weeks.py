"""A week: proposed by a worker, looked at, confirmed, and undone before its days come."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from http import HTTPStatus
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling.models import ProposedStop, ProposedWeek, WeekKind, WeekState, WeekStep
from scheduling.queries import crews_of_week
from scheduling.services.loading import settings_of
from scheduling.services.travel import metres_alone
from trimmer.errors import Refusal
from trimmer.models import Business, JobState, User, Visit, VisitState
from trimmer.services.jobs import start_job
from trimmer.services.telling import tell_farm
from trimmer.services.visits import book_visit, cancel_visit

QUARTER = 15
MOST_SECONDS = 120


class NotAMonday(Refusal):
    code = "not_a_monday"
    message = gettext_lazy("A week is named by its Monday. %(date)s is not one.")
    status = HTTPStatus.BAD_REQUEST


class WeekIsOver(Refusal):
    code = "week_is_over"
    message = gettext_lazy("No day of that week is left to plan. Choose a later week.")


class NobodyGoesOut(Refusal):
    code = "nobody_goes_out"
    message = gettext_lazy("No crew has working hours that week. Set a crew's hours, or its days off, in the settings.")


class AlreadyBeingPlanned(Refusal):
    code = "week_is_being_planned"
    message = gettext_lazy("That week is being planned already. Wait for it to end.")


class NotProposed(Refusal):
    code = "week_is_not_proposed"
    message = gettext_lazy("This proposal is no longer open. Look at the week again.")


class ChangedMeanwhile(Refusal):
    code = "proposal_changed_meanwhile"
    message = gettext_lazy("Somebody changed this proposal meanwhile. Look at it as it is now, then try again.")


class NotConfirmed(Refusal):
    code = "week_is_not_confirmed"
    message = gettext_lazy("This week is not confirmed, so there is nothing to undo.")


class ReplanIsAccepted(Refusal):
    code = "replan_is_accepted_not_confirmed"
    message = gettext_lazy("This plan changes visits that are booked. Look at what changes, then accept it.")


class ReplanStays(Refusal):
    code = "replan_is_not_undone"
    message = gettext_lazy(
        "A booked week that was planned anew is not undone as a whole. Move or cancel single visits."
    )


class WeekHasBegun(Refusal):
    code = "week_has_begun"
    message = gettext_lazy("Its first visit is today or past. Cancel single visits instead.")


class OutOfDate(Refusal):
    code = "proposal_is_out_of_date"
    message = gettext_lazy("%(farm)s: %(why)s Propose the week again.")


@transaction.atomic
def propose_week(
    *, business: Business, monday: dt.date, effort: int | None = None, by: User | None, now: dt.datetime
) -> ProposedWeek:
    """Start a job that plans the week; the proposal is there when the job is done.

    With an `effort` (steps of search) it is that which ends the search and not the clock, so that the same week gives
    the same plan on any machine.
    """
    if monday.weekday() != 0:
        raise NotAMonday(date=monday.isoformat())
    if monday + dt.timedelta(days=6) <= local_date(business, now):
        raise WeekIsOver
    if not any(crew.hours.all() for crew in crews_of_week(business, monday)):
        raise NobodyGoesOut
    begin_planning(business, monday)
    before = ProposedWeek.objects.of(business).filter(monday=monday, state=WeekState.PROPOSED).first()
    week = ProposedWeek.objects.create(
        business=business,
        monday=monday,
        held=held_by(before) if before else {},
        follows=before,
        asked_by=by,
        asked_at=now,
    )
    week.job = start_job(
        business=business,
        kind="plan_week",
        arguments={
            "week": week.pk,
            "seconds": settings_of(business).seconds if effort is None else MOST_SECONDS,
            "effort": effort,
            "today": str(local_date(business, now)),
        },
        asked_by=by,
    )
    week.save(update_fields=["job"])
    return week


def begin_planning(business: Business, monday: dt.date) -> None:
    """Make sure that nobody else plans the week now, in the transaction that stores who does. What failed is marked."""
    Business.objects.select_for_update().get(pk=business.pk)  # two people asking at once: one waits for the other
    planning = ProposedWeek.objects.of(business).filter(monday=monday, state=WeekState.PLANNING)
    if planning.exclude(job__state=JobState.FAILED).exclude(job__isnull=True).exists():
        raise AlreadyBeingPlanned
    planning.update(state=WeekState.FAILED)


@transaction.atomic
def confirm_week(*, week: ProposedWeek, version: int | None = None, by: User | None, now: dt.datetime) -> list[Visit]:
    """Book every stop of the proposal that is not booked yet, and tell the farms. All of it or nothing.

    version: of the proposal one has looked at; None takes it as it is.
    """
    looked_at = {} if version is None else {"version": version}
    if week.kind == WeekKind.REPLAN:
        raise ReplanIsAccepted
    confirmed = ProposedWeek.objects.filter(pk=week.pk, state=WeekState.PROPOSED, **looked_at).update(
        state=WeekState.CONFIRMED, confirmed_at=now
    )
    week.refresh_from_db()
    if not confirmed:
        raise ChangedMeanwhile if week.state == WeekState.PROPOSED else NotProposed
    stops = (
        ProposedStop.objects.filter(round__week=week, was_booked=False)
        .select_related("round__crew", "farm__client__business")
        .prefetch_related("requests")
        .order_by("round__date", "round__crew", "position")
    )
    width = settings_of(week.business).told_window_minutes
    served: set[int] = set()
    visits = []
    for stop in stops:
        visit = book_stop(stop, served, width=width, by=by, now=now)
        ProposedStop.objects.filter(pk=stop.pk).update(visit=visit)
        visits.append(visit)
    tell_farm(visits=visits, change="booked", now=now)
    return visits


def book_stop(stop: ProposedStop, served: set[int], *, width: int, by: User | None, now: dt.datetime) -> Visit:
    """Book one stop. `served` gathers the requests that an earlier part of a split job has taken."""
    told = told_hours(stop, width)
    requests = list(stop.requests.all())
    keys = {request.pk for request in requests}
    try:
        visit = book_visit(
            farm=stop.farm,
            crew=stop.round.crew,
            date=stop.round.date,
            planned_start=stop.start_at,
            planned_end=stop.end_at,
            head=stop.head,
            requests=requests,
            further_part=bool(keys & served),
            position=stop.position,
            drive_minutes=stop.drive_minutes,
            distance_m=stop.distance_m,
            distance_alone_m=metres_alone(crew=stop.round.crew, farm=stop.farm),
            told=told,
            by=by,
            now=now,
        )
    except Refusal as refusal:
        raise OutOfDate(farm=str(stop.farm), why=str(refusal)) from refusal
    served |= keys
    return visit


def told_hours(stop: ProposedStop, width: int) -> tuple[dt.datetime, dt.datetime]:
    """The hours a farm is told for a stop: from the quarter of an hour before it starts, `width` minutes wide."""
    first = stop.start_at - dt.timedelta(minutes=stop.start_at.minute % QUARTER, seconds=stop.start_at.second)
    return first, first + dt.timedelta(minutes=width)


@transaction.atomic
def undo_week(*, week: ProposedWeek, by: User | None, now: dt.datetime) -> list[Visit]:
    """Cancel what confirming the week booked, and tell the farms; the proposal is open again."""
    if week.kind == WeekKind.REPLAN:
        raise ReplanStays
    undone = ProposedWeek.objects.filter(pk=week.pk, state=WeekState.CONFIRMED).update(
        state=WeekState.PROPOSED, confirmed_at=None
    )
    if not undone:
        raise NotConfirmed
    week.refresh_from_db()
    stops = ProposedStop.objects.filter(round__week=week, was_booked=False, visit__isnull=False)
    visits = list(
        Visit.objects.of(week.business)
        .filter(pk__in=stops.values("visit"))
        .exclude(state=VisitState.CANCELLED)
        .select_related("farm__client__business", "crew")
    )
    today = local_date(week.business, now)
    if any(visit.date <= today or visit.state != VisitState.BOOKED for visit in visits):
        raise WeekHasBegun
    for visit in visits:
        cancel_visit(visit=visit, reason=_("The week is being planned anew."), by=by, now=now, tell=False)
    tell_farm(visits=visits, change="cancelled", now=now)
    ProposedStop.objects.filter(round__week=week, was_booked=False).update(visit=None)
    return visits


def held_by(week: ProposedWeek) -> dict[str, Any]:
    """What people hold in a proposal: pins, and visits taken out. The next proposal keeps them."""
    step = WeekStep.objects.filter(week=week, number=week.step).first()
    if step is None:
        return {}
    return {name: step.arrangement.get(name) for name in ("pins", "out") if step.arrangement.get(name)}


def drop_week(*, week: ProposedWeek) -> None:
    """Put a proposal away without booking anything."""
    if not ProposedWeek.objects.filter(pk=week.pk, state=WeekState.PROPOSED).update(state=WeekState.DROPPED):
        raise NotProposed
    week.refresh_from_db()


def local_date(business: Business, now: dt.datetime) -> dt.date:
    """Today at the business."""
    return now.astimezone(zoneinfo.ZoneInfo(business.time_zone)).date()
