"""A visit is booked, moved or cancelled; begins, has its times noted, and is completed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from trimmer.errors import Refusal
from trimmer.models import (
    Business,
    Crew,
    Farm,
    HeadKind,
    RequestState,
    User,
    Visit,
    VisitHead,
    VisitRequest,
    VisitState,
)
from trimmer.queries.records import work_done
from trimmer.services.telling import Told, tell_farm
from trimmer.services.trim_lists import draw_up_trim_list
from trimmer.showing import to_local

TO_COME: Final = (VisitState.BOOKED, VisitState.UNDER_WAY)
CLOCKS_DIFFER: Final = dt.timedelta(minutes=10)  # how far ahead of ours another clock may be

type Hours = tuple[dt.datetime, dt.datetime]
Moment = Literal["arrived", "first_head", "last_head", "left"]
MOMENTS: Final[tuple[Moment, ...]] = ("arrived", "first_head", "last_head", "left")


class CrewOfAnotherBusiness(Refusal):
    code = "crew_of_another_business"
    message = gettext_lazy("This crew does not belong to the business of the farm. Choose one of your own crews.")


class CrewDoesNotGoOut(Refusal):
    code = "crew_does_not_go_out"
    message = gettext_lazy("This crew no longer goes out. Choose another crew, or set it to go out again.")


class FarmIsNotVisited(Refusal):
    code = "farm_is_archived"
    message = gettext_lazy("This farm is archived. Take it out of the archive first, then book the visit.")


class DayIsPast(Refusal):
    code = "day_is_past"
    message = gettext_lazy("This day is past. Choose today or a later day.")


class DayIsToCome(Refusal):
    code = "day_is_to_come"
    message = gettext_lazy("This visit's day is still to come. Move the visit to today first if it takes place now.")


class HoursDoNotFit(Refusal):
    code = "hours_do_not_fit"
    message = gettext_lazy("The hours must begin on the day of the visit and end after they begin.")


class CrewAlreadyComes(Refusal):
    code = "crew_already_comes"
    message = gettext_lazy("This crew already comes to this farm on that day. Change that visit, or take another day.")


class RequestIsTaken(Refusal):
    code = "request_is_taken"
    message = gettext_lazy(
        "A request no longer waits: it was booked, declined or withdrawn meanwhile. Look at it again."
    )


class VisitIsNotBooked(Refusal):
    code = "visit_is_not_booked"
    message = gettext_lazy("This visit has begun, is done or was cancelled, so this can no longer be changed.")


class VisitIsOver(Refusal):
    code = "visit_is_over"
    message = gettext_lazy("This visit is done or was cancelled. A done visit can be opened again until it is billed.")


class VisitIsNotDone(Refusal):
    code = "visit_is_not_done"
    message = gettext_lazy("Only a visit that is done can be opened again.")


class VisitIsBilled(Refusal):
    code = "visit_is_billed"
    message = gettext_lazy("This visit is on an invoice. Credit the invoice first, then the visit can be opened again.")


class ReasonIsMissing(Refusal):
    code = "reason_is_needed"
    message = gettext_lazy("Say why in a few words: the farm reads it.")


class TimesOutOfOrder(Refusal):
    code = "times_out_of_order"
    message = gettext_lazy("The times do not follow one another: arrived, first head in, last head out, left.")


class TimeIsToCome(Refusal):
    code = "time_is_to_come"
    message = gettext_lazy("A time is still to come. Note only what has happened.")


class TimesFarFromTheDay(Refusal):
    code = "times_far_from_the_day"
    message = gettext_lazy("A time is more than a day away from the day of the visit. Check its date.")


class TimesIncomplete(Refusal):
    code = "times_incomplete"
    message = gettext_lazy("Note both when the first head went in and when the last came out, or neither.")


class NoHeadDone(Refusal):
    code = "no_head_done"
    message = gettext_lazy("No head was recorded. Say how many were done, or cancel the visit if none was.")


class FewerThanRecorded(Refusal):
    code = "fewer_than_recorded"
    message = gettext_lazy("Fewer head are given than were recorded at the chute. Give at least those.")


@dataclass(frozen=True, slots=True)
class VisitTimes:
    """When it happened, with a zone; None where it was not noted."""

    arrived: dt.datetime | None = None
    first_head: dt.datetime | None = None
    last_head: dt.datetime | None = None
    left: dt.datetime | None = None


@transaction.atomic
def book_visit(
    *,
    farm: Farm,
    crew: Crew,
    date: dt.date,
    planned_start: dt.datetime,
    planned_end: dt.datetime,
    head: Mapping[str, int],
    requests: Sequence[VisitRequest] = (),
    further_part: bool = False,
    position: int = 0,
    drive_minutes: int | None = None,
    distance_m: int | None = None,
    distance_alone_m: int | None = None,
    told: Hours | None = None,
    note: str = "",
    tell: bool = False,
    by: User | None,
    now: dt.datetime,
) -> Visit:
    """Book a crew to a farm; its requests, which must wait, count as booked from now on; its trim list is drawn up.

    `head` counts by HeadKind; `distance_m` in metres; `distance_alone_m` there and back for this farm alone; `told` are
    the hours the farm is told (the planned ones unless given). The second and later visits of a job spread over several
    days are a `further_part`: their requests may be booked already. With `tell` the farm is told at once;
    `visit.told_at` stays None when nobody there has an e-mail.
    """
    business = farm.client.business
    _check_place(farm, crew, date, (planned_start, planned_end), told, now)
    visit = Visit(
        farm=farm,
        crew=crew,
        date=date,
        position=position,
        planned_start=planned_start,
        planned_end=planned_end,
        told_from=(told or (planned_start, planned_end))[0],
        told_to=(told or (planned_start, planned_end))[1],
        drive_minutes_planned=drive_minutes,
        distance_planned_m=distance_m,
        distance_alone_m=distance_alone_m,
        note=note.strip(),
        booked_by=by,
    )
    _save(visit)
    _write_planned(visit, head)
    _take_requests(business, visit, requests, further_part=further_part)
    draw_up_trim_list(visit=visit, now=now)
    if tell:
        tell_farm(visits=[visit], change="booked", now=now)
    return visit


@transaction.atomic
def move_visit(
    *,
    visit: Visit,
    crew: Crew,
    date: dt.date,
    planned_start: dt.datetime,
    planned_end: dt.datetime,
    told: Hours | None = None,
    position: int | None = None,
    drive_minutes: int | None = None,
    distance_m: int | None = None,
    tell: bool = True,
    by: User | None,
    now: dt.datetime,
) -> Told | None:
    """Put a booked visit on another day, crew or hours. The farm is told when day, crew or told hours differ.

    Answers whom it told (no recipients: nobody there has an e-mail); None when there was nothing to tell.
    """
    _lock(visit)
    if visit.state != VisitState.BOOKED:
        raise VisitIsNotBooked
    _check_place(visit.farm, crew, date, (planned_start, planned_end), told, now)
    hours = told or (planned_start, planned_end)
    same_place = (visit.crew_id, visit.date) == (crew.pk, date)
    base_before = visit.crew.base_id
    differs = not same_place or (visit.told_from, visit.told_to) != hours
    visit.crew, visit.date = crew, date
    visit.planned_start, visit.planned_end = planned_start, planned_end
    visit.told_from, visit.told_to = hours
    if position is not None or not same_place:
        visit.position = position or 0
    if drive_minutes is not None or not same_place:
        visit.drive_minutes_planned = drive_minutes
    if distance_m is not None or not same_place:
        visit.distance_planned_m = distance_m
    if crew.base_id != base_before:
        visit.distance_alone_m = None
    _save(visit)
    draw_up_trim_list(visit=visit, now=now)
    return _told(visit, "moved", now) if tell and differs else None


@transaction.atomic
def change_plan(*, visit: Visit, head: Mapping[str, int], note: str, now: dt.datetime) -> Visit:
    """Other head counts or another note for a visit that is not over."""
    _lock(visit)
    if visit.state not in TO_COME:
        raise VisitIsOver
    visit.note = note.strip()
    visit.save(update_fields=["note"])
    _write_planned(visit, head)
    return visit


@transaction.atomic
def cancel_visit(*, visit: Visit, reason: str, by: User | None, now: dt.datetime, tell: bool = True) -> Told | None:
    """Call a booked visit off. Its requests wait again unless another visit to come serves them.

    Answers whom it told (no recipients: nobody there has an e-mail); None when the farm never knew of the visit.
    """
    if not reason.strip():
        raise ReasonIsMissing(fields={"reason": str(ReasonIsMissing.message)})
    requests = _lock_requests(visit)
    cancelled = Visit.objects.filter(pk=visit.pk, state=VisitState.BOOKED).update(
        state=VisitState.CANCELLED, cancelled_at=now, cancel_reason=" ".join(reason.split())[:300]
    )
    if not cancelled:
        raise VisitIsNotBooked
    visit.refresh_from_db()
    for request in requests:
        if not request.visits.filter(state__in=TO_COME).exists():
            _turn(request, RequestState.BOOKED, RequestState.OPEN)
    return _told(visit, "cancelled", now) if tell else None


@transaction.atomic
def start_visit(*, visit: Visit, now: dt.datetime) -> Visit:
    """The crew has arrived."""
    return note_moment(visit=visit, moment="arrived", now=now)


@transaction.atomic
def note_moment(*, visit: Visit, moment: Moment, now: dt.datetime) -> Visit:
    """Note that one of the four moments is now. One that is noted already stays as it is."""
    _lock(visit)
    if getattr(visit, f"{moment}_at") is None:
        times = {name: getattr(visit, f"{name}_at") for name in MOMENTS}
        note_times(
            visit=visit,
            times=VisitTimes(**(times | {moment: now})),
            distance_driven_m=visit.distance_driven_m,
            now=now,
        )
    return visit


@transaction.atomic
def note_times(*, visit: Visit, times: VisitTimes, distance_driven_m: int | None, now: dt.datetime) -> Visit:
    """Write down all four times and the distance driven to the farm (metres), in place of what stood there.

    The first time puts the visit under way; taking all of them away, with nothing recorded, undoes that.
    """
    _lock(visit)
    if visit.state not in TO_COME:
        raise VisitIsOver
    _check_times(visit, times, now)
    for name in MOMENTS:
        setattr(visit, f"{name}_at", getattr(times, name))
    visit.distance_driven_m = distance_driven_m
    begun = any(getattr(times, name) for name in MOMENTS) or visit.records.exists()
    visit.state = VisitState.UNDER_WAY if begun else VisitState.BOOKED
    visit.save(update_fields=[*(f"{name}_at" for name in MOMENTS), "distance_driven_m", "state"])
    return visit


@transaction.atomic
def complete_visit(*, visit: Visit, head_done: Mapping[str, int] | None, by: User | None, now: dt.datetime) -> Visit:
    """The visit is done: its head are counted, and requests all of whose visits are done are done too.

    Head are those recorded at the chute; `head_done` (by HeadKind) may add such as were trimmed without a record.
    """
    requests = _lock_requests(visit)
    _lock(visit)
    if visit.state not in TO_COME:
        raise VisitIsOver
    if visit.date > to_local(now, visit.farm.client.business.time_zone).date():
        raise DayIsToCome
    if (visit.first_head_at is None) != (visit.last_head_at is None):
        missing = "first_head" if visit.first_head_at is None else "last_head"
        raise TimesIncomplete(fields={missing: str(TimesIncomplete.message)})
    counts = _count_done(work_done([visit.pk])[visit.pk].head, head_done)
    visit.state = VisitState.DONE
    visit.save(update_fields=["state"])
    _write_done(visit, counts)
    for request in requests:
        if not request.visits.standing().exclude(state=VisitState.DONE).exists():
            _turn(request, RequestState.BOOKED, RequestState.DONE)
    return visit


@transaction.atomic
def reopen_visit(*, visit: Visit, by: User | None, now: dt.datetime) -> Visit:
    """Take a done visit up again, as long as it is not billed; its requests count as booked again."""
    requests = _lock_requests(visit)
    _lock(visit)
    if visit.state != VisitState.DONE:
        raise VisitIsNotDone
    if visit.locked_at is not None:
        raise VisitIsBilled
    visit.state = VisitState.UNDER_WAY
    visit.save(update_fields=["state"])
    for request in requests:
        _turn(request, RequestState.DONE, RequestState.BOOKED)
    return visit


@transaction.atomic
def record_past_visit(
    *,
    farm: Farm,
    crew: Crew,
    date: dt.date,
    head_done: Mapping[str, int],
    times: VisitTimes | None = None,
    distance_driven_m: int | None = None,
    note: str = "",
    by: User | None,
    now: dt.datetime,
) -> Visit:
    """Store a visit that took place before it was known here, as done. Head may come later, with its records."""
    business = farm.client.business
    if crew.business_id != business.pk:
        raise CrewOfAnotherBusiness
    if date > to_local(now, business.time_zone).date():
        raise DayIsToCome
    visit = Visit(
        farm=farm,
        crew=crew,
        date=date,
        state=VisitState.DONE,
        distance_driven_m=distance_driven_m,
        note=note.strip(),
        booked_by=by,
    )
    if times is not None:
        _check_times(visit, times, now)
        for name in MOMENTS:
            setattr(visit, f"{name}_at", getattr(times, name))
    _save(visit)
    _write_done(visit, {kind: head_done[kind] for kind in HeadKind.values if head_done.get(kind, 0) > 0})
    return visit


def _check_place(farm: Farm, crew: Crew, date: dt.date, hours: Hours, told: Hours | None, now: dt.datetime) -> None:
    business = farm.client.business
    if crew.business_id != business.pk:
        raise CrewOfAnotherBusiness(fields={"crew": str(CrewOfAnotherBusiness.message)})
    if not crew.active:
        raise CrewDoesNotGoOut(fields={"crew": str(CrewDoesNotGoOut.message)})
    if farm.archived_at is not None:
        raise FarmIsNotVisited
    if date < to_local(now, business.time_zone).date():
        raise DayIsPast(fields={"date": str(DayIsPast.message)})
    for start, end in filter(None, (hours, told)):
        if end <= start or to_local(start, business.time_zone).date() != date:
            raise HoursDoNotFit(fields={"planned_start": str(HoursDoNotFit.message)})


def _save(visit: Visit) -> None:
    """Save; the database says whether the crew comes to the farm that day already."""
    try:
        with transaction.atomic():
            visit.save()
    except IntegrityError:
        twins = Visit.objects.standing().filter(farm=visit.farm, crew=visit.crew, date=visit.date)
        if twins.exclude(pk=visit.pk).exists():
            raise CrewAlreadyComes(fields={"date": str(CrewAlreadyComes.message)}) from None
        raise


def _write_planned(visit: Visit, head: Mapping[str, int]) -> None:
    for kind in HeadKind.values:
        planned = max(0, head.get(kind, 0))
        if planned:
            VisitHead.objects.update_or_create(visit=visit, kind=kind, defaults={"planned": planned})
        else:
            VisitHead.objects.filter(visit=visit, kind=kind).update(planned=0)
    VisitHead.objects.filter(visit=visit, planned=0, done=0).delete()


def _write_done(visit: Visit, counts: Mapping[str, int]) -> None:
    VisitHead.objects.filter(visit=visit).update(done=0)
    for kind, done in counts.items():
        VisitHead.objects.update_or_create(visit=visit, kind=kind, defaults={"done": done})


def _count_done(recorded: Mapping[str, int], typed: Mapping[str, int] | None) -> dict[str, int]:
    counts = dict(recorded)
    for kind, count in (typed or {}).items():
        if count < recorded.get(kind, 0):
            sentence = ngettext(
                "%(count)s was recorded at the chute.", "%(count)s were recorded at the chute.", recorded[kind]
            )
            raise FewerThanRecorded(fields={f"head_done.{kind}": sentence % {"count": recorded[kind]}})
        counts[kind] = count
    counts = {kind: count for kind, count in counts.items() if count}
    if not counts:
        raise NoHeadDone
    return counts


def _take_requests(business: Business, visit: Visit, requests: Sequence[VisitRequest], *, further_part: bool) -> None:
    keys = {request.pk for request in requests}
    takeable = [RequestState.OPEN, RequestState.BOOKED] if further_part else [RequestState.OPEN]
    taken = VisitRequest.objects.of(business).filter(pk__in=keys, farm=visit.farm, state__in=takeable)
    # An UPDATE cannot join: the rows of the business are found by their keys.
    if VisitRequest.objects.filter(pk__in=taken.values("pk"), state__in=takeable).update(
        state=RequestState.BOOKED
    ) != len(keys):
        raise RequestIsTaken
    visit.requests.set(keys)
    for request in requests:
        request.state = RequestState.BOOKED


def _turn(request: VisitRequest, old: RequestState, new: RequestState) -> None:
    VisitRequest.objects.filter(pk=request.pk, state=old).update(state=new)


def _lock(visit: Visit) -> None:
    """Wait until nobody else changes the visit, and see it as it is now."""
    visit.refresh_from_db(from_queryset=Visit.objects.select_for_update())


def _lock_requests(visit: Visit) -> list[VisitRequest]:
    """The visit's requests, held so that two parts of a job that end at once see each other."""
    return list(VisitRequest.objects.select_for_update().filter(visits=visit).order_by("pk"))


def _told(visit: Visit, change: Literal["moved", "cancelled"], now: dt.datetime) -> Told | None:
    return next(iter(tell_farm(visits=[visit], change=change, now=now)), None)


def _check_times(visit: Visit, times: VisitTimes, now: dt.datetime) -> None:
    noted: list[tuple[Moment, dt.datetime]] = [
        (name, moment) for name in MOMENTS if (moment := getattr(times, name)) is not None
    ]
    zone = visit.farm.client.business.time_zone
    for name, moment in noted:
        if moment > now + CLOCKS_DIFFER:
            raise TimeIsToCome(fields={name: str(TimeIsToCome.message)})
        if abs((to_local(moment, zone).date() - visit.date).days) > 1:
            raise TimesFarFromTheDay(fields={name: str(TimesFarFromTheDay.message)})
    for (_before, earlier), (name, later) in pairwise(noted):
        if later < earlier:
            raise TimesOutOfOrder(fields={name: _sentence_of_order(name)})


def _sentence_of_order(name: Moment) -> str:
    return {
        "first_head": _("The first head cannot go in before the crew arrives."),
        "last_head": _("The last head cannot come out before that."),
        "left": _("The crew cannot leave before that."),
    }.get(name, str(TimesOutOfOrder.message))
