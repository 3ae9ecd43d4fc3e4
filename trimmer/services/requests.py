"""A farm asks for a visit; the request waits, is changed, withdrawn or declined. Booking it: services.visits."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer.errors import Refusal
from trimmer.locomotion import check_score
from trimmer.models import (
    Animal,
    AskedVia,
    Business,
    Farm,
    HeadKind,
    LameAnimal,
    RequestHead,
    RequestState,
    Urgency,
    User,
    VisitRequest,
)
from trimmer.services.telling import tell_declined, tell_of_request
from trimmer.showing import to_local

DAYS_IN_WEEK = 7


class NothingAskedFor(Refusal):
    code = "nothing_asked_for"
    message = gettext_lazy("Say how many head there are to do, or name the lame animals.")


class FarmIsArchived(Refusal):
    code = "farm_is_archived"
    message = gettext_lazy("This farm is archived. Take it out of the archive first, then a visit can be asked for.")


class DueDayIsPast(Refusal):
    code = "due_day_is_past"
    message = gettext_lazy("The last day that suits is past. Choose today or a later day.")


class EarliestAfterDue(Refusal):
    code = "earliest_after_due"
    message = gettext_lazy("The first day that suits is after the last one. Change one of the two.")


class NoDaySuits(Refusal):
    code = "no_day_suits"
    message = gettext_lazy("None of the weekdays chosen lies between the first and the last day. Choose more of them.")


class ScoreOffScale(Refusal):
    code = "score_off_scale"
    message = gettext_lazy("A score is not on its scale. Choose the scale and a score that is on it.")


class LameAnimalNamedTwice(Refusal):
    code = "lame_animal_named_twice"
    message = gettext_lazy("Animal %(number)s is named twice. Leave one of the two out.")


class RequestIsNotWaiting(Refusal):
    code = "request_is_not_waiting"
    message = gettext_lazy("This request is no longer waiting: it was booked, done, declined or withdrawn meanwhile.")


class ReasonIsNeeded(Refusal):
    code = "reason_is_needed"
    message = gettext_lazy("Say why in a few words: the farm reads it.")


@dataclass(frozen=True, slots=True)
class LameValues:
    """A lame animal as named: the farm's number, and a score with its scale (a key of trimmer.locomotion.SCALES)."""

    number: str
    score: int | None = None
    scale: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class _Wish:
    """What a request holds, checked."""

    head: dict[str, int]
    lame: tuple[LameValues, ...]
    earliest_on: dt.date | None
    due_on: dt.date | None
    weekdays: list[int]
    urgency: str
    note: str


@transaction.atomic
def ask_for_visit(
    *,
    farm: Farm,
    head: Mapping[str, int],
    lame: Sequence[LameValues] = (),
    earliest_on: dt.date | None = None,
    due_on: dt.date | None = None,
    weekdays: Collection[int] = (),
    urgency: str = Urgency.ROUTINE,
    note: str = "",
    via: str = AskedVia.FARM,
    by: User | None,
    now: dt.datetime,
) -> VisitRequest:
    """Store a farm's wish for a visit, waiting for an answer.

    `head` counts by HeadKind (zeros are left out); `weekdays` from 0 (Monday) to 6, none for "as the farm has it".
    Named lame animals count as lame head; a larger lame count given by hand stands.
    """
    wish = _check(
        business=farm.client.business,
        head=head,
        lame=lame,
        earliest_on=earliest_on,
        due_on=due_on,
        weekdays=weekdays,
        urgency=urgency,
        note=note,
        now=now,
    )
    if farm.archived_at is not None or farm.client.archived_at is not None:
        raise FarmIsArchived
    request = VisitRequest.objects.create(
        farm=farm,
        earliest_on=wish.earliest_on,
        due_on=wish.due_on,
        weekdays=wish.weekdays,
        urgency=wish.urgency,
        note=wish.note,
        asked_via=via,
        asked_by=by,
        asked_at=now,
    )
    _write_head_and_lame(request, wish)
    if via == AskedVia.FARM:
        tell_of_request(request=request, now=now)
    return request


@transaction.atomic
def change_request(
    *,
    request: VisitRequest,
    head: Mapping[str, int],
    lame: Sequence[LameValues] = (),
    earliest_on: dt.date | None = None,
    due_on: dt.date | None = None,
    weekdays: Collection[int] = (),
    urgency: str = Urgency.ROUTINE,
    note: str = "",
    now: dt.datetime,
) -> VisitRequest:
    """Put a new wish in place of the old one, as long as the request waits. Values as in `ask_for_visit`."""
    wish = _check(
        business=request.farm.client.business,
        head=head,
        lame=lame,
        earliest_on=earliest_on,
        due_on=due_on,
        weekdays=weekdays,
        urgency=urgency,
        note=note,
        now=now,
    )
    changed = _waiting(request).update(
        earliest_on=wish.earliest_on,
        due_on=wish.due_on,
        weekdays=wish.weekdays,
        urgency=wish.urgency,
        note=wish.note,
    )
    if not changed:
        raise RequestIsNotWaiting
    request.head.all().delete()
    request.lame_animals.all().delete()
    _write_head_and_lame(request, wish)
    request.refresh_from_db()
    return request


@transaction.atomic
def withdraw_request(*, request: VisitRequest, reason: str = "", now: dt.datetime) -> VisitRequest:
    """Take a waiting request back."""
    return _end(request, RequestState.WITHDRAWN, reason)


@transaction.atomic
def decline_request(*, request: VisitRequest, reason: str, now: dt.datetime) -> VisitRequest:
    """Say no to a waiting request; the farm is told why by e-mail."""
    if not reason.strip():
        raise ReasonIsNeeded(fields={"reason": str(ReasonIsNeeded.message)})
    _end(request, RequestState.DECLINED, reason)
    tell_declined(request=request, now=now)
    return request


def _end(request: VisitRequest, state: RequestState, reason: str) -> VisitRequest:
    if not _waiting(request).update(state=state, answer=" ".join(reason.split())[:300]):
        raise RequestIsNotWaiting
    request.refresh_from_db()
    return request


def _waiting(request: VisitRequest) -> QuerySet[VisitRequest]:
    return VisitRequest.objects.waiting().filter(pk=request.pk)


def _check(
    *,
    business: Business,
    head: Mapping[str, int],
    lame: Sequence[LameValues],
    earliest_on: dt.date | None,
    due_on: dt.date | None,
    weekdays: Collection[int],
    urgency: str,
    note: str,
    now: dt.datetime,
) -> _Wish:
    named = tuple(_tidy(cow) for cow in lame if cow.number.strip())
    _check_lame(named)
    counts = {kind: head[kind] for kind in HeadKind.values if head.get(kind, 0) > 0}
    if named:
        counts[HeadKind.LAME] = max(counts.get(HeadKind.LAME, 0), len(named))
    if not counts:
        raise NothingAskedFor
    today = to_local(now, business.time_zone).date()
    days = sorted(set(weekdays))
    _check_days(today, earliest_on, due_on, days)
    return _Wish(counts, named, earliest_on, due_on, days, urgency, note.strip())


def _tidy(cow: LameValues) -> LameValues:
    scale = cow.scale if cow.score is not None else ""
    return LameValues(cow.number.strip(), cow.score, scale, " ".join(cow.note.split()))


def _check_lame(named: Sequence[LameValues]) -> None:
    seen: set[str] = set()
    for row, cow in enumerate(named):
        if cow.number.casefold() in seen:
            sentence = str(LameAnimalNamedTwice.message) % {"number": cow.number}
            raise LameAnimalNamedTwice(number=cow.number, fields={f"lame.{row}.number": sentence})
        seen.add(cow.number.casefold())
        if cow.score is not None and check_score(cow.scale, cow.score):
            raise ScoreOffScale(fields={f"lame.{row}.score": _("This score is not on the scale chosen.")})


def _check_days(today: dt.date, earliest_on: dt.date | None, due_on: dt.date | None, days: Sequence[int]) -> None:
    if due_on is None:
        return
    if due_on < today:
        raise DueDayIsPast(fields={"due_on": str(DueDayIsPast.message)})
    if earliest_on and earliest_on > due_on:
        raise EarliestAfterDue(fields={"earliest_on": str(EarliestAfterDue.message)})
    first = max(today, earliest_on or today)
    reach = min((due_on - first).days + 1, DAYS_IN_WEEK)
    if days and not any((first + dt.timedelta(days=step)).weekday() in days for step in range(reach)):
        raise NoDaySuits(fields={"weekdays": str(NoDaySuits.message)})


def _write_head_and_lame(request: VisitRequest, wish: _Wish) -> None:
    RequestHead.objects.bulk_create(
        RequestHead(request=request, kind=kind, count=count) for kind, count in wish.head.items()
    )
    numbers = {cow.number for cow in wish.lame}
    known = (
        {
            animal.number.casefold(): animal
            for animal in Animal.objects.current().filter(farm=request.farm)
            if numbers and animal.number.casefold() in {number.casefold() for number in numbers}
        }
        if numbers
        else {}
    )
    LameAnimal.objects.bulk_create(
        LameAnimal(
            request=request,
            animal=known.get(cow.number.casefold()),
            number=cow.number,
            score=cow.score,
            scale=cow.scale,
            note=cow.note,
        )
        for cow in wish.lame
    )
