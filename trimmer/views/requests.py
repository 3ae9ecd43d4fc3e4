"""Requests: what farms wish, and what is answered."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from trimmer.access import MEMBERS, SEATED, Seat, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.requests import (
    LameFormSet,
    ReasonForm,
    RequestFilter,
    RequestForm,
    head_initial,
    score_meanings,
)
from trimmer.models import AskedVia, Farm, RequestState, VisitRequest
from trimmer.queries.requests import requests_to_show
from trimmer.services.requests import (
    LameValues,
    ask_for_visit,
    change_request,
    decline_request,
    withdraw_request,
)
from trimmer.services.telling import recipients_at
from trimmer.wording import score_with_scale

ROWS_A_PAGE = 50


@may(*SEATED)
def request_list(request: SeatedRequest) -> HttpResponse:
    """The inbox: requests that wait first, the urgent among them on top."""
    farms = Farm.objects.seen_by(request.seat).order_by("name", "pk")
    chosen = RequestFilter(request.GET, farms=farms)
    found = chosen.narrow(requests_to_show(request.seat))
    values = {
        "filter": chosen,
        "filtered": any(request.GET.get(name) for name in chosen.fields),
        "page": Paginator(found, ROWS_A_PAGE).get_page(request.GET.get("page")),
        "may_ask": _may_ask(request.seat),
    }
    return render(request, "trimmer/request_list.html", values)


@may(*SEATED)
def request_add(request: SeatedRequest) -> HttpResponse:
    """Ask for a visit: a farm for itself, a member for a farm that called."""
    if not _may_ask(request.seat):
        raise PermissionDenied
    farms = _farms(request.seat)
    form = RequestForm(posted(request), farms=farms, initial={"farm": request.GET.get("farm")})
    lame = LameFormSet(posted(request), prefix="lame")
    if request.method == "POST" and form.is_valid() and lame.is_valid():
        via = AskedVia.PHONE if request.seat.is_member else AskedVia.FARM
        try:
            wish = ask_for_visit(
                farm=form.cleaned_data["farm"],
                lame=_named(lame),
                via=via,
                by=request.user,
                now=timezone.now(),
                **form.values(),
            )
        except Refusal as refusal:
            _say(form, lame, refusal)
        else:
            said = _("The request is noted.") if request.seat.is_member else _("Your request has reached us.")
            messages.success(request, said)
            return redirect("request-page", pk=wish.pk)
    values = {"form": form, "lame": lame, "score_meanings": score_meanings(), "no_farm": not farms.exists()}
    return render(request, "trimmer/request_add.html", values)


@may(*SEATED)
def request_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """One request: what is wished, by when, and what became of it."""
    wish = get_object_or_404(requests_to_show(request.seat), pk=pk)
    waits = wish.state == RequestState.OPEN
    lame = [{"cow": cow, "walks": score_with_scale(cow.score, cow.scale)} for cow in wish.lame_animals.all()]
    values = {"wish": wish, "lame": lame, "waits": waits, "may_change": waits and _may_ask(request.seat)}
    return render(request, "trimmer/request_page.html", values)


@may(*SEATED)
def request_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change a request that waits."""
    wish = _own(request.seat, pk)
    form = RequestForm(posted(request), farms=Farm.objects.filter(pk=wish.farm_id), initial=_initial(wish))
    rows = [
        {"number": cow.number, "scored": f"{cow.scale}:{cow.score}" if cow.scale else "", "note": cow.note}
        for cow in wish.lame_animals.all()
    ]
    lame = LameFormSet(posted(request), prefix="lame", initial=rows)
    if request.method == "POST" and form.is_valid() and lame.is_valid():
        try:
            change_request(request=wish, lame=_named(lame), now=timezone.now(), **form.values())
        except Refusal as refusal:
            _say(form, lame, refusal)
        else:
            messages.success(request, _("The request is changed."))
            return redirect("request-page", pk=wish.pk)
    values = {"form": form, "lame": lame, "score_meanings": score_meanings(), "wish": wish}
    return render(request, "trimmer/request_edit.html", values)


@may(*SEATED)
def request_withdraw(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take a request back."""
    wish = _own(request.seat, pk)
    form = ReasonForm(posted(request), needed=False)
    if request.method == "POST" and form.is_valid():
        try:
            withdraw_request(request=wish, reason=form.cleaned_data["reason"], now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The request is withdrawn."))
            return redirect("request-page", pk=wish.pk)
    return render(request, "trimmer/request_withdraw.html", {"form": form, "wish": wish})


@may(*MEMBERS)
def request_decline(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask why, then say no to a request."""
    wish = _own(request.seat, pk)
    to = recipients_at(wish.farm)
    form = ReasonForm(posted(request), help_text=_("The farm reads this."))
    if request.method == "POST" and form.is_valid():
        try:
            decline_request(request=wish, reason=form.cleaned_data["reason"], now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            _say_declined(request, wish, to)
            return redirect("request-page", pk=wish.pk)
    return render(request, "trimmer/request_decline.html", {"form": form, "wish": wish, "recipients": to})


def _own(seat: Seat, pk: int) -> VisitRequest:
    """A request the seat may change."""
    if not _may_ask(seat):
        raise PermissionDenied
    return get_object_or_404(VisitRequest.objects.seen_by(seat).select_related("farm__client__business"), pk=pk)


def _may_ask(seat: Seat) -> bool:
    return seat.is_member or seat.may_ask


def _farms(seat: Seat) -> QuerySet[Farm]:
    """Farms a visit can be asked for."""
    farms = Farm.objects.current().filter(client__archived_at__isnull=True)
    return farms.seen_by(seat).select_related("client").order_by("name", "pk")


def _initial(wish: VisitRequest) -> dict[str, Any]:
    names = ("urgency", "earliest_on", "due_on", "weekdays", "note")
    head = head_initial((row.kind, row.count) for row in wish.head.all())
    return {"farm": wish.farm_id} | {name: getattr(wish, name) for name in names} | head


def _named(lame: Iterable[Any]) -> list[LameValues]:
    return [cow for form in lame if (cow := form.values())]


def _say(form: forms.BaseForm, lame: Iterable[Any], refusal: Refusal) -> None:
    """A refusal of a lame animal beside its row, any other in the form."""
    rows = [row for row in lame if row.values()]
    beside = False
    for name, said in refusal.fields.items():
        match name.split("."):
            case ["lame", place, field]:
                rows[int(place)].add_error("scored" if field == "score" else field, said)
                beside = True
    if beside:
        form.add_error(None, str(refusal))
    else:
        say_refusal(form, refusal)


def _say_declined(request: SeatedRequest, wish: VisitRequest, to: tuple[str, ...]) -> None:
    if to:
        messages.success(request, _("The request is declined. The farm is told why by e-mail."))
    else:
        messages.warning(request, _("The request is declined. Nobody at the farm has an e-mail here: call them."))


urlpatterns = [
    path("requests", request_list, name="request-list"),
    path("requests/add", request_add, name="request-add"),
    path("requests/<int:pk>", request_page, name="request-page"),
    path("requests/<int:pk>/edit", request_edit, name="request-edit"),
    path("requests/<int:pk>/withdraw", request_withdraw, name="request-withdraw"),
    path("requests/<int:pk>/decline", request_decline, name="request-decline"),
]
