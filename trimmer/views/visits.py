"""Visits: rounds, one visit from booking to done, the day sheet."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpResponse, HttpResponseBadRequest
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from trimmer.access import MEMBERS, SEATED, Seat, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.requests import ReasonForm, head_initial
from trimmer.forms.visits import (
    CAUTIONS,
    BookingForm,
    DayChoice,
    DoneForm,
    FarmChoice,
    HoursForm,
    PlanForm,
    TimesForm,
    VisitFilter,
)
from trimmer.models import Crew, Farm, Visit, VisitRequest, VisitState
from trimmer.queries.records import records_of, work_done
from trimmer.queries.requests import head_left, waiting_at
from trimmer.queries.visits import BookingCaution, booking_cautions, rounds, visits_to_show
from trimmer.services.telling import Told, recipients_at, tell_farm
from trimmer.services.visits import (
    MOMENTS,
    TO_COME,
    VisitIsNotBooked,
    book_visit,
    cancel_visit,
    change_plan,
    complete_visit,
    move_visit,
    note_moment,
    note_times,
    reopen_visit,
)
from trimmer.showing import to_local

ROWS_A_PAGE = 50


@may(*SEATED)
def visit_list(request: SeatedRequest) -> HttpResponse:
    """Members: rounds between two days. A farm's people: their own visits, to come or past."""
    seat, today = request.seat, timezone.localdate()
    found = visits_to_show(seat)
    if not seat.is_member:
        past = "past" in request.GET
        found = found.filter(date__lt=today).order_by("-date", "-pk") if past else found.filter(date__gte=today)
        page = Paginator(found, ROWS_A_PAGE).get_page(request.GET.get("page"))
        return render(request, "trimmer/visit_list_farm.html", {"page": page, "past": past})
    asked = request.GET if any(name in request.GET for name in VisitFilter.base_fields) else {"date_from": today}
    chosen = VisitFilter(asked, crews=Crew.objects.of(seat.business).order_by("name"), farms=Farm.objects.seen_by(seat))
    page = Paginator(chosen.narrow(found), ROWS_A_PAGE).get_page(request.GET.get("page"))
    values = {
        "filter": chosen,
        "page": page,
        "rounds": rounds(page),
        "today": today,
        "any": page.paginator.count or Visit.objects.of(seat.business).exists(),
    }
    return render(request, "trimmer/visit_list.html", values)


@may(*MEMBERS)
def day_sheet(request: SeatedRequest) -> HttpResponse:
    """The rounds of a day with all a crew needs on the way, a sheet of paper for each crew."""
    seat = request.seat
    chosen = DayChoice(request.GET, crews=Crew.objects.of(seat.business).order_by("name"))
    chosen.is_valid()
    day = chosen.cleaned_data.get("date") or timezone.localdate()
    visits = (
        visits_to_show(seat)
        .standing()
        .filter(date=day)
        .prefetch_related("farm__contacts", "farm__access_windows", "requests__lame_animals", "trim_list")
    )
    if chosen.cleaned_data.get("crew"):
        visits = visits.filter(crew=chosen.cleaned_data["crew"])
    values = {
        "day": day,
        "before": day - dt.timedelta(days=1),
        "after": day + dt.timedelta(days=1),
        "crew": chosen.cleaned_data.get("crew"),
        "rounds": rounds(visits),
    }
    return render(request, "trimmer/day_sheet.html", values)


@may(*SEATED)
def visit_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """One visit: hours, farm, head, times, records, and what to do next."""
    visit = get_object_or_404(
        visits_to_show(request.seat).prefetch_related("requests", "farm__contacts", "trim_list"), pk=pk
    )
    to_come = visit.state in TO_COME
    values = {
        "visit": visit,
        "farm_lock_up": visit.farm.lock_up_hours.normalize(),
        "records": records_of(visit),
        "head": _head_rows(visit),
        "to_come": to_come,
        "takes_place": to_come and visit.date <= timezone.localdate(),
        "next_moment": next((name for name in MOMENTS if getattr(visit, f"{name}_at") is None), None),
        "told_nobody": to_come and visit.told_at is None,
        "may_ask": request.seat.may_ask,
    }
    return render(request, "trimmer/visit_page.html", values)


@may(*MEMBERS)
def visit_book(request: SeatedRequest) -> HttpResponse:
    """Book a visit by hand: first the farm, then crew, day and hours."""
    seat = request.seat
    farms = Farm.objects.current().seen_by(seat).select_related("client__business").order_by("name", "pk")
    wish = _number(request, "request")
    wishes = VisitRequest.objects.waiting().seen_by(seat)
    chosen = get_object_or_404(wishes, pk=wish) if wish else None
    farm_pk = chosen.farm_id if chosen else _number(request, "farm")
    if not farm_pk:
        choice = FarmChoice(farms=farms)
        return render(request, "trimmer/visit_book_farm.html", {"form": choice, "no_farm": not farms.exists()})
    farm = get_object_or_404(farms, pk=farm_pk)
    crews = Crew.objects.of(seat.business).filter(active=True).order_by("name")
    initial: dict[str, Any] = {"date": request.GET.get("date"), "crew": _number(request, "crew")}
    if chosen:
        initial |= {"requests": [chosen.pk], "date": initial["date"] or chosen.earliest_on}
        initial |= head_initial(head_left(chosen).items())
    form = BookingForm(posted(request), crews=crews, requests=waiting_at(farm), initial=initial)
    cautions: list[BookingCaution] = []
    if request.method == "POST" and form.is_valid():
        hours = form.hours()
        cautions = _cautions(farm, hours)
        if form.passes_over(cautions):
            try:
                visit = book_visit(
                    farm=farm,
                    head=form.head(),
                    requests=list(form.cleaned_data.get("requests") or ()),
                    note=form.cleaned_data["note"],
                    by=request.user,
                    now=timezone.now(),
                    **hours,
                )
            except Refusal as refusal:
                say_refusal(form, refusal)
            else:
                _say_booked(request, visit, asked_to_tell=hours["tell"])
                return redirect("visit-page", pk=visit.pk)
    values = {"form": form, "farm": farm, "cautions": [CAUTIONS[code] for code in cautions], "no_crew": not crews}
    return render(request, "trimmer/visit_book.html", values)


@may(*MEMBERS)
def visit_move(request: SeatedRequest, pk: int) -> HttpResponse:
    """Another day, crew or hours."""
    visit = _visit(request.seat, pk)
    crews = Crew.objects.of(request.seat.business).filter(active=True).order_by("name")
    form = HoursForm(posted(request), crews=crews, initial=_hours_of(visit))
    cautions: list[BookingCaution] = []
    if request.method == "POST" and form.is_valid():
        hours = form.hours()
        cautions = _cautions(visit.farm, hours, leaving_out=visit)
        if form.passes_over(cautions):
            try:
                told = move_visit(visit=visit, by=request.user, now=timezone.now(), **hours)
            except Refusal as refusal:
                say_refusal(form, refusal)
            else:
                messages.success(request, _("The visit is moved."))
                _say_told(request, told)
                return redirect("visit-page", pk=visit.pk)
    values = {"form": form, "visit": visit, "cautions": [CAUTIONS[code] for code in cautions]}
    return render(request, "trimmer/visit_move.html", values)


@may(*MEMBERS)
def visit_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Other head counts, another note."""
    visit = _visit(request.seat, pk)
    initial = {"note": visit.note} | head_initial((row.kind, row.planned) for row in visit.head.all())
    form = PlanForm(posted(request), initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            change_plan(visit=visit, head=form.head(), note=form.cleaned_data["note"], now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("Stored."))
            return redirect("visit-page", pk=visit.pk)
    return render(request, "trimmer/visit_edit.html", {"form": form, "visit": visit})


@may(*MEMBERS)
def visit_cancel(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask why, then call a visit off."""
    visit = _visit(request.seat, pk)
    form = ReasonForm(posted(request), help_text=_("The farm reads this.") if visit.told_at else "")
    if request.method == "POST" and form.is_valid():
        try:
            told = cancel_visit(visit=visit, reason=form.cleaned_data["reason"], by=request.user, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The visit is cancelled."))
            _say_told(request, told)
            return redirect("visit-page", pk=visit.pk)
    values = {"form": form, "visit": visit, "recipients": recipients_at(visit.farm) if visit.told_at else ()}
    return render(request, "trimmer/visit_cancel.html", values)


@may(*MEMBERS)
@require_POST
def visit_tell(request: SeatedRequest, pk: int) -> HttpResponse:
    """Tell the farm of a visit it does not know of yet, or once more."""
    visit = _visit(request.seat, pk)
    if visit.state != VisitState.BOOKED:
        raise VisitIsNotBooked
    _say_told(request, next(iter(tell_farm(visits=[visit], change="booked", now=timezone.now())), None))
    return redirect("visit-page", pk=visit.pk)


@may(*MEMBERS)
@require_POST
def visit_moment(request: SeatedRequest, pk: int) -> HttpResponse:
    """Arrived, first head in, last head out, left: now."""
    visit = _visit(request.seat, pk)
    moment = next((name for name in MOMENTS if name == request.POST.get("moment")), None)
    if moment is None:
        return HttpResponseBadRequest()
    note_moment(visit=visit, moment=moment, now=timezone.now())
    return redirect("visit-page", pk=visit.pk)


@may(*MEMBERS)
def visit_times(request: SeatedRequest, pk: int) -> HttpResponse:
    """All four times and the distance, typed."""
    visit = _visit(request.seat, pk)
    form = TimesForm(posted(request), visit=visit)
    if request.method == "POST" and form.is_valid():
        try:
            note_times(visit=visit, times=form.times(), distance_driven_m=form.distance_m(), now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The times are noted."))
            return redirect("visit-page", pk=visit.pk)
    return render(request, "trimmer/visit_times.html", {"form": form, "visit": visit})


@may(*MEMBERS)
def visit_complete(request: SeatedRequest, pk: int) -> HttpResponse:
    """Count the head, and the visit is done."""
    visit = _visit(request.seat, pk)
    recorded = work_done([visit.pk])[visit.pk].head
    form = DoneForm(posted(request), initial=head_initial(recorded.items()))
    if request.method == "POST" and form.is_valid():
        try:
            complete_visit(visit=visit, head_done=form.head(), by=request.user, now=timezone.now())
        except Refusal as refusal:
            _say_counts(form, refusal)
        else:
            messages.success(request, _("The visit is done."))
            return redirect("visit-page", pk=visit.pk)
    values = {"form": form, "visit": visit, "recorded": sum(recorded.values())}
    return render(request, "trimmer/visit_complete.html", values)


@may(*MEMBERS)
@require_POST
def visit_reopen(request: SeatedRequest, pk: int) -> HttpResponse:
    """Take a done visit up again."""
    visit = _visit(request.seat, pk)
    reopen_visit(visit=visit, by=request.user, now=timezone.now())
    messages.success(request, _("The visit is open again. Complete it once more when it is right."))
    return redirect("visit-page", pk=visit.pk)


def _visit(seat: Seat, pk: int) -> Visit:
    visits: QuerySet[Visit] = Visit.objects.seen_by(seat).select_related("farm__client__business", "crew")
    return get_object_or_404(visits, pk=pk)


def _number(request: SeatedRequest, name: str) -> int | None:
    text = request.GET.get(name, "")
    return int(text) if text.isdecimal() else None


def _head_rows(visit: Visit) -> list[dict[str, Any]]:
    """Head by kind: planned, recorded so far, done."""
    recorded = work_done([visit.pk])[visit.pk].head
    return [
        {
            "kind": row.get_kind_display(),
            "planned": row.planned,
            "recorded": recorded.get(row.kind, 0),
            "done": row.done,
        }
        for row in visit.head.all()
    ]


def _hours_of(visit: Visit) -> dict[str, Any]:
    zone = visit.farm.client.business.time_zone
    clocks = {
        name: to_local(moment, zone).time() if (moment := getattr(visit, name)) else None
        for name in ("planned_start", "planned_end", "told_from", "told_to")
    }
    if (clocks["told_from"], clocks["told_to"]) == (clocks["planned_start"], clocks["planned_end"]):
        clocks |= {"told_from": None, "told_to": None}
    return {"crew": visit.crew_id, "date": visit.date} | clocks


def _cautions(farm: Farm, hours: dict[str, Any], leaving_out: Visit | None = None) -> list[BookingCaution]:
    return booking_cautions(
        farm=farm,
        crew=hours["crew"],
        date=hours["date"],
        start=hours["planned_start"],
        end=hours["planned_end"],
        leaving_out=leaving_out,
    )


def _say_booked(request: SeatedRequest, visit: Visit, *, asked_to_tell: bool) -> None:
    messages.success(request, _("The visit is booked."))
    if asked_to_tell and visit.told_at is None:
        _say_nobody(request)


def _say_told(request: SeatedRequest, told: Told | None) -> None:
    if told is None:
        return
    if told.recipients:
        messages.info(request, _("Told by e-mail: %(addresses)s") % {"addresses": ", ".join(told.recipients)})
    else:
        _say_nobody(request)


def _say_nobody(request: SeatedRequest) -> None:
    messages.warning(request, _("Nobody at the farm has an e-mail here: call them."))


def _say_counts(form: forms.BaseForm, refusal: Refusal) -> None:
    """A refusal of a count beside its number."""
    for name, said in refusal.fields.items():
        if name.startswith("head_done."):
            form.add_error(name.replace("head_done.", "head_"), said)
    if form.is_valid():
        say_refusal(form, refusal)


urlpatterns = [
    path("visits", visit_list, name="visit-list"),
    path("visits/book", visit_book, name="visit-book"),
    path("visits/day", day_sheet, name="day-sheet"),
    path("visits/<int:pk>", visit_page, name="visit-page"),
    path("visits/<int:pk>/edit", visit_edit, name="visit-edit"),
    path("visits/<int:pk>/move", visit_move, name="visit-move"),
    path("visits/<int:pk>/cancel", visit_cancel, name="visit-cancel"),
    path("visits/<int:pk>/tell", visit_tell, name="visit-tell"),
    path("visits/<int:pk>/moment", visit_moment, name="visit-moment"),
    path("visits/<int:pk>/times", visit_times, name="visit-times"),
    path("visits/<int:pk>/complete", visit_complete, name="visit-complete"),
    path("visits/<int:pk>/reopen", visit_reopen, name="visit-reopen"),
]
