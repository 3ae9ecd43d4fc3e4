"""Recording at the chute: one animal after another, changed or taken away until the visit is billed."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from trimmer import wording
from trimmer.access import OWNER, TRIMMER, SeatedRequest, may
from trimmer.cautions import call_veterinarian
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.records import ChuteForms
from trimmer.models import ChuteRecord, Visit, VisitState
from trimmer.queries.animals import numbers_of
from trimmer.queries.chute import known_animal, usual_kind
from trimmer.queries.records import products_used, records_to_show, work_done
from trimmer.queries.trim_lists import trim_list_of
from trimmer.services.records import record_animal, remove_record, revise_record
from trimmer.showing import show_days


@may(OWNER, TRIMMER)
def record_add(request: SeatedRequest, pk: int) -> HttpResponse:
    """Record one animal; then the page is there for the next."""
    visit = _visit(request, pk)
    now = timezone.now()
    listed = trim_list_of(visit, now=now)
    number = request.GET.get("number", "").strip()
    known = known_animal(visit, number, now=now)
    wanted = next(
        (row for row in listed.animals if (known and row.animal == known.animal) or row.number == number), None
    )
    kind = usual_kind(known.animal if known else None, wanted)
    form = ChuteForms.empty(posted(request), number=number, kind=kind)
    if request.method == "POST":
        if form.is_valid():
            try:
                record = record_animal(
                    visit=visit,
                    id=form.animal.cleaned_data["id"],
                    **form.values(),
                    recorded_at=now,
                    by=request.user,
                    now=now,
                )
            except Refusal as refusal:
                form.say_refusal(refusal)
            else:
                _say_recorded(request, record)
                return redirect("record-add", pk=visit.pk)
        number = request.POST.get("number", "")
        known = known_animal(visit, number, now=now)
    done = work_done([visit.pk])[visit.pk].head_count
    values = {
        "visit": visit,
        "form": form,
        "number": number,
        "known": known,
        "listed": wanted,
        "waiting": listed.waiting,
        "head_done": done,
        "head_planned": sum(head.planned for head in visit.head.all()),
        "closed": _why_closed(visit),
    }
    return render(request, "trimmer/record_add.html", values | _choices(visit, [row.number for row in listed.waiting]))


@may(OWNER, TRIMMER)
def record_animal_known(request: SeatedRequest, pk: int) -> HttpResponse:
    """What is known of the animal whose number is being typed: a part of the page that records it."""
    visit = _visit(request, pk)
    now = timezone.now()
    number = request.GET.get("number", "").strip()
    known = known_animal(visit, number, now=now)
    listed = trim_list_of(visit, now=now).animal(known.animal.number if known else number)
    values = {"visit": visit, "known": known, "number": number, "listed": listed}
    return render(request, "trimmer/parts/known_animal.html", values)


@may(OWNER, TRIMMER)
def record_edit(request: SeatedRequest, pk: uuid.UUID) -> HttpResponse:
    """Change what a record says, also which animal it is about."""
    record = get_object_or_404(records_to_show(request.seat), pk=pk)
    form = ChuteForms.of(posted(request), record)
    if request.method == "POST" and form.is_valid():
        try:
            changed = revise_record(record=record, **form.values(), now=timezone.now())
        except Refusal as refusal:
            form.say_refusal(refusal)
        else:
            _say_recorded(request, changed)
            return redirect("visit-page", pk=record.visit_id)
    visit = record.visit
    values = {"record": record, "visit": visit, "form": form, "closed": _why_closed(visit)}
    return render(request, "trimmer/record_edit.html", values | _choices(visit, []))


@may(OWNER, TRIMMER)
def record_remove(request: SeatedRequest, pk: uuid.UUID) -> HttpResponse:
    """Ask, then take a record away."""
    record = get_object_or_404(records_to_show(request.seat), pk=pk)
    form = forms.Form(posted(request))
    if request.method == "POST":
        try:
            remove_record(record=record)
        except Refusal as refusal:
            form.is_valid()
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The record of %(number)s is taken away.") % {"number": record.animal.number})
            return redirect("visit-page", pk=record.visit_id)
    return render(request, "trimmer/record_remove.html", {"record": record, "visit": record.visit, "form": form})


def _visit(request: SeatedRequest, pk: int) -> Visit:
    visits = Visit.objects.seen_by(request.seat).select_related("farm__client__business", "crew")
    return get_object_or_404(visits.prefetch_related("head"), pk=pk)


def _choices(visit: Visit, first: list[str]) -> dict[str, Any]:
    """What the fields offer while one types: the farm's numbers, those on the list first, and products used before."""
    numbers = list(dict.fromkeys([*first, *numbers_of(visit.farm)]))
    return {
        "numbers": numbers,
        "only_digits": bool(numbers) and all(number.isdecimal() for number in numbers),
        "products": products_used(visit.farm.client.business),
    }


def _why_closed(visit: Visit) -> str:
    if visit.locked_at:
        return _("This visit is billed, so its records stand as they are.")
    if visit.state == VisitState.CANCELLED:
        return _("This visit was cancelled, so nothing is recorded on it.")
    return ""


def _say_recorded(request: SeatedRequest, record: ChuteRecord) -> None:
    """The animal is stored; when it is to be seen again; what to ask the veterinarian."""
    business = request.seat.business
    said = _("%(number)s is stored.") % {"number": record.animal.number}
    raised = record.rechecks_raised.filter(closed_at__isnull=True).order_by("due_by", "pk")
    again = [
        f"{wording.purpose(recheck.what)} ({show_days(recheck.due_from, recheck.due_by, business.language)})"
        for recheck in raised
    ]
    if again:
        said = f"{said} " + _("To be seen again: %(rechecks)s.") % {"rechecks": "; ".join(again)}
    messages.success(request, said)
    if caution := call_veterinarian(finding.lesion for finding in record.findings.all()):
        messages.warning(request, wording.caution_sentence(caution, business))


urlpatterns = [
    path("visits/<int:pk>/records/add", record_add, name="record-add"),
    path("visits/<int:pk>/records/animal", record_animal_known, name="record-animal"),
    path("records/<uuid:pk>/edit", record_edit, name="record-edit"),
    path("records/<uuid:pk>/remove", record_remove, name="record-remove"),
]
