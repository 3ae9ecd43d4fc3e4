"""Bases and crews: where they start, who rides along, when they go out and when they do not."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from http import HTTPStatus
from typing import Final, TypedDict, Unpack

from django.db import IntegrityError, transaction
from django.db.models import ProtectedError
from django.utils.translation import gettext_lazy as _

from trimmer.errors import Refusal
from trimmer.models import Base, Business, ChuteKind, Crew, DaysOff, User, Visit, VisitState, Weekday, WorkingHours
from trimmer.services.farms import check_position

SHORTEST_DAY: Final = 60
LONGEST_DAY: Final = 1440


class BaseNeedsName(Refusal):
    code = "base_needs_name"
    message = _("Give the base a name, such as Home yard.")
    status = HTTPStatus.BAD_REQUEST


class BaseNameIsTaken(Refusal):
    code = "base_name_is_taken"
    message = _("There is a base called %(name)s already. Give this one another name.")


class BaseIsUsed(Refusal):
    code = "base_is_used"
    message = _("%(crew)s starts from %(base)s. Give the crew another base first.")


class BaseIsUnknown(Refusal):
    code = "base_is_unknown"
    message = _("This base is not known here.")
    status = HTTPStatus.BAD_REQUEST


class CrewNeedsName(Refusal):
    code = "crew_needs_name"
    message = _("Give the crew a name: it stands on the day sheet.")
    status = HTTPStatus.BAD_REQUEST


class CrewNameIsTaken(Refusal):
    code = "crew_name_is_taken"
    message = _("There is a crew called %(name)s already. Give this one another name.")


class UnknownChute(Refusal):
    code = "unknown_chute"
    message = _("“%(given)s” is no kind of chute here. Choose stand_up or tilt_table.")
    status = HTTPStatus.BAD_REQUEST


class PersonDoesNotWorkHere(Refusal):
    code = "person_does_not_work_here"
    message = _("Only people who work here ride with a crew. Invite the person first.")
    status = HTTPStatus.BAD_REQUEST


class LongestDayIsOutOfRange(Refusal):
    code = "longest_day_is_out_of_range"
    message = _("The longest day must be from %(least)s to %(most)s minutes.")
    status = HTTPStatus.BAD_REQUEST


class WorkingDayIsNone(Refusal):
    code = "unknown_weekday"
    message = _("Weekdays are numbered 0 (Monday) to 6 (Sunday).")
    status = HTTPStatus.BAD_REQUEST


class WorkingDayTwice(Refusal):
    code = "working_day_twice"
    message = _("%(day)s is given twice. A crew goes out once a day.")
    status = HTTPStatus.BAD_REQUEST


class WorkingDayEndsBeforeItBegins(Refusal):
    code = "working_day_ends_before_it_begins"
    message = _("%(day)s: the crew must be back after it left. Correct one of the two times.")
    status = HTTPStatus.BAD_REQUEST


class CrewHasVisits(Refusal):
    code = "crew_has_visits"
    message = _("%(crew)s has visits to do. Move them to another crew or cancel them first.")


class DaysOffEndBeforeTheyBegin(Refusal):
    code = "days_off_end_before_they_begin"
    message = _("The last day off cannot come before the first.")
    status = HTTPStatus.BAD_REQUEST


class HoursDetails(TypedDict):
    """A weekday (0 = Monday) on which a crew goes out, on the local clock."""

    weekday: int
    leave_from: dt.time
    back_by: dt.time


class MoreCrewDetails(TypedDict, total=False):
    """What can be said of a crew beyond its base."""

    name: str
    members: Iterable[User]
    chute_kind: str
    longest_day: int
    active: bool
    hours: Sequence[HoursDetails]


class CrewDetails(MoreCrewDetails, total=False):
    """What can be said of a crew; what is absent stays as it is. Lists replace what was there."""

    base: Base


@transaction.atomic
def add_base(*, business: Business, name: str, latitude: float, longitude: float) -> Base:
    """A new place from which crews start."""
    return _store_base(Base(business=business, name=name, latitude=latitude, longitude=longitude))


@transaction.atomic
def update_base(*, base: Base, name: str, latitude: float, longitude: float) -> Base:
    """Another name or position of a base."""
    base.name, base.latitude, base.longitude = name, latitude, longitude
    return _store_base(base)


@transaction.atomic
def remove_base(*, base: Base) -> None:
    """Forget a base no crew starts from."""
    crew = base.crews.first()
    if crew is not None:
        raise BaseIsUsed(crew=crew, base=base)
    try:
        with transaction.atomic():
            base.delete()
    except (ProtectedError, IntegrityError):  # a crew was given this base at the same moment
        raise BaseIsUsed(crew=_("A crew"), base=base) from None


@transaction.atomic
def add_crew(*, business: Business, base: Base, **details: Unpack[MoreCrewDetails]) -> Crew:
    """A new crew."""
    return _store_crew(Crew(business=business), {**details, "base": base})


@transaction.atomic
def update_crew(*, crew: Crew, **details: Unpack[CrewDetails]) -> Crew:
    """Change what is said of a crew. It stays out only when it has no visit to do."""
    if crew.active and not details.get("active", True):
        to_do = [VisitState.BOOKED, VisitState.UNDER_WAY]
        if Visit.objects.filter(crew=crew, state__in=to_do).exists():
            raise CrewHasVisits.at("active", crew=crew)
    return _store_crew(crew, details)


@transaction.atomic
def add_days_off(*, crew: Crew, first: dt.date, last: dt.date, note: str = "") -> DaysOff:
    """Days on which a crew does not go out, both included. Visits booked on them stay: they are for people to move."""
    if last < first:
        raise DaysOffEndBeforeTheyBegin.at("last")
    return DaysOff.objects.create(crew=crew, first=first, last=last, note=note)


def _store_base(base: Base) -> Base:
    if not base.name.strip():
        raise BaseNeedsName.at("name")
    check_position(base.latitude, base.longitude)
    try:
        with transaction.atomic():
            base.save()
    except IntegrityError:
        raise BaseNameIsTaken.at("name", name=base.name) from None
    return base


def _store_crew(crew: Crew, details: CrewDetails) -> Crew:
    members = None if "members" not in details else list(details["members"])
    hours = details.get("hours")
    for field in details.keys() - {"members", "hours"}:
        setattr(crew, field, details[field])  # type: ignore[literal-required]
    _check_crew(crew)
    _check_members(crew.business, members or ())
    _check_hours(hours or ())
    try:
        with transaction.atomic():
            crew.save()
    except IntegrityError:
        raise CrewNameIsTaken.at("name", name=crew.name) from None
    if members is not None:
        crew.members.set(members)
    if hours is not None:
        crew.hours.all().delete()
        WorkingHours.objects.bulk_create(WorkingHours(crew=crew, **day) for day in hours)
    return crew


def _check_crew(crew: Crew) -> None:
    if not crew.name.strip():
        raise CrewNeedsName.at("name")
    if crew.base.business_id != crew.business_id:
        raise BaseIsUnknown.at("base")
    if crew.chute_kind not in ChuteKind.values:
        raise UnknownChute.at("chute_kind", given=crew.chute_kind)
    if not SHORTEST_DAY <= crew.longest_day <= LONGEST_DAY:
        raise LongestDayIsOutOfRange.at("longest_day", least=SHORTEST_DAY, most=LONGEST_DAY)


def _check_members(business: Business, members: Sequence[User]) -> None:
    here = set(business.memberships.values_list("user", flat=True))
    if not {person.pk for person in members} <= here:
        raise PersonDoesNotWorkHere.at("members")


def _check_hours(hours: Sequence[HoursDetails]) -> None:
    seen: set[int] = set()
    for day in hours:
        if day["weekday"] not in Weekday.values:
            raise WorkingDayIsNone.at("hours")
        name = Weekday(day["weekday"]).label
        if day["weekday"] in seen:
            raise WorkingDayTwice.at("hours", day=name)
        if day["back_by"] <= day["leave_from"]:
            raise WorkingDayEndsBeforeItBegins.at("hours", day=name)
        seen.add(day["weekday"])
