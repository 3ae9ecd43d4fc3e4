"""A proposed week changed by hand: where a visit could be, what a place costs, and keeping it.

With htmx the answers are parts of the week's page; without it each is a page of its own, and a change leads back.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from functools import wraps
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.http import require_POST

from scheduling.board import rounds_in_hand
from scheduling.forms.weeks import ChangeForm, PinForm, PlaceForm
from scheduling.models import ProposedWeek
from scheduling.services import changing
from scheduling.services.arranging import Hand, Place
from scheduling.services.loading import moment
from scheduling.services.writing import dealt, money
from scheduling.views.weeks import week_values
from trimmer.access import MEMBERS, OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.models import Crew, Farm


def proposed_week(request: SeatedRequest, pk: int) -> ProposedWeek:
    """The proposal of the address, if this person may see it."""
    return get_object_or_404(ProposedWeek.objects.seen_by(request.seat).select_related("business"), pk=pk)


def is_part(request: SeatedRequest) -> bool:
    """Whether only a part of the page is asked for."""
    return request.headers.get("HX-Request") == "true"


type _View = Callable[[SeatedRequest, int, str], HttpResponse]


def _said_in_the_tray(view: _View) -> _View:
    """A refusal of what is only looked at is said where it was asked."""

    @wraps(view)
    def said(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
        try:
            return view(request, pk, key)
        except Refusal as refusal:
            if not is_part(request):
                raise
            return render(request, "scheduling/parts/refused.html", {"refusal": refusal})

    return said


@may(*MEMBERS)
@_said_in_the_tray
def stop_page(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """Where a visit could be: each day and crew, with what the week would cost more or the rule that refuses it."""
    week = proposed_week(request, pk)
    part = _part(request)
    hand = changing.hand_of(week)
    offered = changing.places_of(week=week, key=key, part=part)
    values = _stop_values(request, week, hand, key, part) | {"days": _by_day(request, week, hand, offered)}
    return shown_in_tray(request, "stop", values)


@may(*MEMBERS)
@_said_in_the_tray
def stop_try(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """One place, tried: what the week would cost, the rounds that change with their hours, and other places there."""
    week = proposed_week(request, pk)
    form = PlaceForm(request.GET, business=request.seat.business)
    if not form.is_valid():
        return redirect("week-stop-page", pk=pk, key=key)
    asked = form.cleaned_data
    part = asked["part"] or 1
    hand = changing.hand_of(week)
    values = _stop_values(request, week, hand, key, part) | {"crew": asked["crew"], "date": asked["date"]}
    try:
        trial = changing.try_move(
            week=week, key=key, part=part, crew=asked["crew"], date=asked["date"], place=asked["place"]
        )
    except Refusal as refusal:
        return shown_in_tray(request, "try", values | {"refused": str(refusal)})
    day = (asked["date"] - week.monday).days
    visits = trial.after.arranged.rounds[asked["crew"].pk, day]
    place = [job for job, _work in visits].index(key)
    business = request.seat.business
    values |= {
        "place": place,
        "extra": money(trial.extra),
        "cost": money(trial.after.plan.cost),
        "rounds": zip(
            rounds_in_hand(trial.before, trial.touched, business=business, monday=week.monday),
            rounds_in_hand(trial.after, trial.touched, business=business, monday=week.monday),
            strict=True,
        ),
        "others": _other_places(hand, week, key, values["part"], asked["crew"].pk, day, place),
    }
    return shown_in_tray(request, "try", values)


@may(*MEMBERS)
def stop_close(request: SeatedRequest, pk: int) -> HttpResponse:
    """An empty tray; without htmx, the week."""
    week = proposed_week(request, pk)
    return HttpResponse() if is_part(request) else redirect("week-page", monday=week.monday.isoformat())


def _other_places(
    hand: Hand, week: ProposedWeek, key: str, part: int | None, crew: int, day: int, place: int
) -> list[dict[str, Any]]:
    """The other places in the same round, by their order in it."""
    found = sorted(hand.places_in(key, part, crew, day), key=lambda other: other.place or 0)
    return [
        {"place": other.place, "number": (other.place or 0) + 1, "extra": money(other.extra or 0), "now": other.now}
        for other in found
        if other.refused is None and other.place != place
    ]


def _part(request: SeatedRequest) -> int:
    given = request.GET.get("part", "1")
    return int(given) if given.isascii() and given.isdigit() and 0 < len(given) < 4 else 1


def _stop_values(request: SeatedRequest, week: ProposedWeek, hand: Hand, key: str, part: int) -> dict[str, Any]:
    """What every part about one visit shows."""
    facts = hand.ground.facts.get(key)
    if facts is None:
        raise changing.NoSuchVisit
    parts = dealt(hand)
    there = hand.arranged.days_of(key)
    at = there[part - 1] if part <= len(there) else None
    pin = hand.arranged.pins.get(key)
    values: dict[str, Any] = {
        "week": week,
        "key": key,
        "part": part if at else None,
        "parts": len(there),
        "farm": get_object_or_404(Farm.objects.seen_by(request.seat), pk=facts.farm),
        "head": sum((parts[key, at[0], at[1]][2] if at else facts.head).values()),
        "pin": pin,
        "booked": hand.ground.week.job(key).fixed is not None,
        "may_change": request.seat.role in {OWNER, TRIMMER},
        "all_days": sorted({week.monday + dt.timedelta(days=day) for _crew, day in hand.week.crew_days()}),
    }
    if at is not None:
        date = week.monday + dt.timedelta(days=at[1])
        start, end = hand.hours(key, *at)
        zone = timezone.get_current_timezone()
        values |= {
            "now_crew": Crew.objects.of(week.business).get(pk=at[0]),
            "now_date": date,
            "now_start": moment(date, start, zone),
            "now_end": moment(date, end, zone),
        }
    return values


def _by_day(request: SeatedRequest, week: ProposedWeek, hand: Hand, offered: list[Place]) -> list[dict[str, Any]]:
    """The places as the page lists them: by day, in it by crew."""
    crews = dict(Crew.objects.of(request.seat.business).values_list("pk", "name"))
    farms = changing.farm_names(hand)
    zone = timezone.get_current_timezone()
    days: dict[int, list[dict[str, Any]]] = {}
    for found in offered:
        date = week.monday + dt.timedelta(days=found.day)
        row: dict[str, Any] = {"crew": crews.get(found.crew, ""), "crew_id": found.crew, "now": found.now}
        if found.refused is not None:
            row["refused"] = changing.sentence_of(found.refused, hand, found.day, farms)
        else:
            row |= {
                "extra": money(found.extra or 0),
                "start": moment(date, found.start or 0, zone),
                "end": moment(date, found.end or 0, zone),
                "number": (found.place or 0) + 1,
                "place": found.place,
            }
        days.setdefault(found.day, []).append(row)
    return [{"date": week.monday + dt.timedelta(days=day), "rows": rows} for day, rows in sorted(days.items())]


def shown_in_tray(request: SeatedRequest, name: str, values: dict[str, Any]) -> HttpResponse:
    """A part for the tray, or a page of its own around it."""
    if is_part(request):
        return render(request, f"scheduling/parts/{name}.html", values)
    return render(request, "scheduling/stop_page.html", values | {"inner": f"scheduling/parts/{name}.html"})


def changed(
    request: SeatedRequest, week: ProposedWeek, change: Callable[[], object], done: str, *, just: str = ""
) -> HttpResponse:
    """Make a change and show the week: the part of the page that holds it, or the page. A refusal is said there."""
    try:
        change()
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, done)
    if is_part(request):
        return render(request, "scheduling/parts/week.html", week_values(request.seat, week.monday, just=just))
    return redirect("week-page", monday=week.monday.isoformat())


class _Sent(Refusal):
    code = "not_sent_whole"
    message = gettext_lazy("Something was missing in what was sent. Look at the week and try again.")


def posted_version(request: SeatedRequest) -> int:
    """The version of the proposal that was looked at."""
    form = ChangeForm(request.POST)
    if not form.is_valid():
        raise _Sent
    return int(form.cleaned_data["version"])


@require_POST
@may(OWNER, TRIMMER)
def stop_move(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """Keep a visit at another place, or put in what was left out."""
    week = proposed_week(request, pk)

    def change() -> None:
        form = PlaceForm(request.POST, business=request.seat.business)
        version = posted_version(request)
        if not form.is_valid():
            raise changing.NoSuchPlace
        asked = form.cleaned_data
        changing.move_stop(
            week=week,
            version=version,
            key=key,
            part=asked["part"] or 1,
            crew=asked["crew"],
            date=asked["date"],
            place=asked["place"],
            by=request.user,
            now=timezone.now(),
        )

    return changed(request, week, change, _("The visit is moved. Nothing is booked yet."), just=key)


@require_POST
@may(OWNER, TRIMMER)
def stop_put_in(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """Put in what was left out, where it costs least."""
    week = proposed_week(request, pk)

    def change() -> None:
        changing.put_in_job(week=week, version=posted_version(request), key=key, by=request.user, now=timezone.now())

    return changed(request, week, change, _("The visit is in the week now. Nothing is booked yet."), just=key)


@require_POST
@may(OWNER, TRIMMER)
def stop_take_out(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """Leave a visit for another week."""
    week = proposed_week(request, pk)

    def change() -> None:
        changing.take_out_stop(week=week, version=posted_version(request), key=key, by=request.user, now=timezone.now())

    return changed(request, week, change, _("The visit is out of this week. Its request goes on waiting."))


@require_POST
@may(OWNER, TRIMMER)
def stop_pin(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """Pin a visit to crew and day, or to its hour too."""
    week = proposed_week(request, pk)

    def change() -> None:
        form = PinForm(request.POST)
        if not form.is_valid():
            raise _Sent
        asked = form.cleaned_data
        changing.pin_stop(
            week=week, version=asked["version"], key=key, hour=asked["hour"], by=request.user, now=timezone.now()
        )

    return changed(request, week, change, _("Pinned: the next proposal keeps it there."), just=key)


@require_POST
@may(OWNER, TRIMMER)
def stop_unpin(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """Take a pin off."""
    week = proposed_week(request, pk)

    def change() -> None:
        changing.unpin_stop(week=week, version=posted_version(request), key=key, by=request.user, now=timezone.now())

    return changed(request, week, change, _("The pin is off."), just=key)


@require_POST
@may(OWNER, TRIMMER)
def step_back(request: SeatedRequest, pk: int) -> HttpResponse:
    """Take the last step back."""
    week = proposed_week(request, pk)

    def change() -> None:
        changing.undo_change(week=week, version=posted_version(request))

    return changed(request, week, change, _("The step is taken back."))


@require_POST
@may(OWNER, TRIMMER)
def step_again(request: SeatedRequest, pk: int) -> HttpResponse:
    """Do the step again that was taken back."""
    week = proposed_week(request, pk)

    def change() -> None:
        changing.redo_change(week=week, version=posted_version(request))

    return changed(request, week, change, _("The step is done again."))


_STOP = "proposed-weeks/<int:pk>/stops/<str:key>"

urlpatterns = [
    path("proposed-weeks/<int:pk>/board", stop_close, name="week-stop-close"),
    path(_STOP, stop_page, name="week-stop-page"),
    path(f"{_STOP}/try", stop_try, name="week-stop-try"),
    path(f"{_STOP}/move", stop_move, name="week-stop-move"),
    path(f"{_STOP}/put-in", stop_put_in, name="week-stop-put-in"),
    path(f"{_STOP}/take-out", stop_take_out, name="week-stop-take-out"),
    path(f"{_STOP}/pin", stop_pin, name="week-stop-pin"),
    path(f"{_STOP}/unpin", stop_unpin, name="week-stop-unpin"),
    path("proposed-weeks/<int:pk>/step-back", step_back, name="week-step-back"),
    path("proposed-weeks/<int:pk>/step-again", step_again, name="week-step-again"),
]
