"""The business itself: its details, bases, crews, working hours and days off."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.forms import BaseFormSet
from django.forms.models import model_to_dict
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from trimmer.access import MEMBERS, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.businesses import (
    BaseForm,
    BusinessForm,
    CrewForm,
    DaysOffForm,
    WorkingDayForm,
    WorkingWeek,
    hours_of,
    week_initial,
)
from trimmer.models import Base, BusinessQuerySet, Crew, DaysOff, Visit
from trimmer.services.businesses import update_business
from trimmer.services.crews import (
    add_base,
    add_crew,
    add_days_off,
    remove_base,
    update_base,
    update_crew,
)


@may(*MEMBERS)
def settings(request: SeatedRequest) -> HttpResponse:
    """Everything that is set up once, and the way to change it."""
    business = request.seat.business
    values = {
        "bases": Base.objects.of(business).order_by("name"),
        "crews": _crews(request),
        "member_count": business.memberships.count(),
        "may_edit": request.seat.role == OWNER,
    }
    return render(request, "trimmer/settings.html", values)


@may(OWNER)
def business_edit(request: SeatedRequest) -> HttpResponse:
    """Change what is said of the business."""
    business = request.seat.business
    form = BusinessForm(posted(request), business=business, initial=model_to_dict(business))
    if request.method == "POST" and form.is_valid():
        try:
            update_business(business=business, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The details of the business are stored."))
            return redirect("settings")
    return render(request, "trimmer/business_edit.html", {"form": form})


@may(OWNER)
def base_add(request: SeatedRequest) -> HttpResponse:
    """A new base."""
    form = BaseForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            base = add_base(business=request.seat.business, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is stored.") % {"name": base})
            return redirect("settings")
    return render(request, "trimmer/base_edit.html", {"form": form})


@may(OWNER)
def base_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Another name or position of a base."""
    base = get_object_or_404(Base.objects.seen_by(request.seat), pk=pk)
    form = BaseForm(posted(request), initial=model_to_dict(base))
    if request.method == "POST" and form.is_valid():
        try:
            update_base(base=base, **form.cleaned_data)
        except Refusal as refusal:
            base.refresh_from_db()
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is stored.") % {"name": base})
            return redirect("settings")
    return render(request, "trimmer/base_edit.html", {"form": form, "base": base})


@may(OWNER)
def base_remove(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then forget a base."""
    base = get_object_or_404(Base.objects.seen_by(request.seat), pk=pk)
    form = forms.Form(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            remove_base(base=base)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The base is removed."))
            return redirect("settings")
    return render(request, "trimmer/base_remove.html", {"form": form, "base": base})


@may(*MEMBERS)
def crew_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """A crew with its week and its days off."""
    crew = get_object_or_404(_crews(request), pk=pk)
    hours = {day.weekday: day for day in crew.hours.all()}
    values = {
        "crew": crew,
        "week": [{"name": row.day_name, "hours": hours.get(weekday)} for weekday, row in enumerate(_week_of(crew))],
        "days_off": crew.days_off.filter(last__gte=timezone.localdate()),
        "may_edit": request.seat.role == OWNER,
    }
    return render(request, "trimmer/crew_page.html", values)


@may(OWNER)
def crew_add(request: SeatedRequest) -> HttpResponse:
    """A new crew."""
    business = request.seat.business
    bases = Base.objects.of(business)
    initial = {"active": True, "longest_day": 600, "chute_kind": "stand_up", "base": bases.first()}
    form = CrewForm(posted(request), business=business, initial=initial)
    week = WorkingWeek(posted(request), prefix="week", initial=week_initial({}))
    if request.method == "POST" and all([form.is_valid(), week.is_valid()]):
        try:
            crew = add_crew(business=business, hours=hours_of(week), **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is stored.") % {"name": crew})
            return redirect("crew-page", pk=crew.pk)
    return render(request, "trimmer/crew_add.html", {"form": form, "week": week, "has_base": bases.exists()})


@may(OWNER)
def crew_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change what is said of a crew."""
    crew = get_object_or_404(_crews(request), pk=pk)
    form = CrewForm(posted(request), business=request.seat.business, initial=model_to_dict(crew))
    week = _week_of(crew, request)
    if request.method == "POST" and all([form.is_valid(), week.is_valid()]):
        try:
            update_crew(crew=crew, hours=hours_of(week), **form.cleaned_data)
        except Refusal as refusal:
            crew.refresh_from_db()
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is stored.") % {"name": crew})
            return redirect("crew-page", pk=crew.pk)
    return render(request, "trimmer/crew_edit.html", {"form": form, "week": week, "crew": crew})


@may(OWNER)
def days_off_add(request: SeatedRequest, pk: int) -> HttpResponse:
    """Days on which a crew does not go out."""
    crew = get_object_or_404(_crews(request), pk=pk)
    form = DaysOffForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            days = add_days_off(crew=crew, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The days off are stored."))
            _warn_of_visits(request, days)
            return redirect("crew-page", pk=crew.pk)
    return render(request, "trimmer/days_off_add.html", {"form": form, "crew": crew})


@may(OWNER)
@require_POST
def days_off_remove(request: SeatedRequest, pk: int) -> HttpResponse:
    """The crew goes out on these days after all."""
    days = get_object_or_404(DaysOff.objects.seen_by(request.seat).select_related("crew"), pk=pk)
    days.delete()
    messages.success(request, _("%(crew)s goes out on these days again.") % {"crew": days.crew})
    return redirect("crew-page", pk=days.crew.pk)


def _crews(request: SeatedRequest) -> BusinessQuerySet[Crew]:
    crews = Crew.objects.seen_by(request.seat).select_related("base", "business").order_by("-active", "name")
    return crews.prefetch_related("hours", "members")


def _week_of(crew: Crew, request: SeatedRequest | None = None) -> BaseFormSet[WorkingDayForm]:
    initial = week_initial({day.weekday: day for day in crew.hours.all()})
    week: Any = WorkingWeek(posted(request) if request else None, prefix="week", initial=initial)
    return week  # type: ignore[no-any-return]


def _warn_of_visits(request: SeatedRequest, days: DaysOff) -> None:
    booked = Visit.objects.to_come().filter(crew=days.crew, date__range=(days.first, days.last)).count()
    if booked:
        said = ngettext(
            "%(count)d visit is booked on these days. Move it, or give it to another crew.",
            "%(count)d visits are booked on these days. Move them, or give them to another crew.",
            booked,
        )
        messages.warning(request, said % {"count": booked})


urlpatterns = [
    path("settings", settings, name="settings"),
    path("settings/business", business_edit, name="business-edit"),
    path("bases/add", base_add, name="base-add"),
    path("bases/<int:pk>/edit", base_edit, name="base-edit"),
    path("bases/<int:pk>/remove", base_remove, name="base-remove"),
    path("crews/add", crew_add, name="crew-add"),
    path("crews/<int:pk>", crew_page, name="crew-page"),
    path("crews/<int:pk>/edit", crew_edit, name="crew-edit"),
    path("crews/<int:pk>/days-off", days_off_add, name="days-off-add"),
    path("days-off/<int:pk>/remove", days_off_remove, name="days-off-remove"),
]
