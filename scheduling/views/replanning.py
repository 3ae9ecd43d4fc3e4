"""The booked week planned anew: say what happened, look at what would change, accept it."""

from __future__ import annotations

import datetime as dt

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from scheduling.forms.weeks import ChangeForm, HappenedForm
from scheduling.models import WeekKind
from scheduling.services import replanning, weeks
from scheduling.views.changing import proposed_week
from scheduling.views.weeks import monday_of
from trimmer.access import OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal


@may(OWNER, TRIMMER)
def week_replan(request: SeatedRequest, monday: str) -> HttpResponse:
    """Say what happened and have the booked week planned anew."""
    business = request.seat.business
    day = monday_of(monday)
    today = weeks.local_date(business, timezone.now())
    first, last = max(day, today + dt.timedelta(days=1)), day + dt.timedelta(days=6)
    form = HappenedForm(posted(request), business=business, first=first, last=last)
    if request.method == "POST" and form.is_valid():
        try:
            replanning.replan_week(
                business=business, monday=day, happened=form.happened(), by=request.user, now=timezone.now()
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            return redirect("week-page", monday=day.isoformat())
    return render(request, "scheduling/week_replan.html", {"form": form, "monday": day, "sunday": last})


@may(OWNER, TRIMMER)
def week_accept(request: SeatedRequest, pk: int) -> HttpResponse:
    """Look once more at what changes for whom, then make it true and tell the farms."""
    week = proposed_week(request, pk)
    if week.kind != WeekKind.REPLAN:
        return redirect("week-confirm", pk=week.pk)
    if request.method != "POST":
        changes = [change for change in replanning.changes_of(week) if change.how != "kept"]
        return render(request, "scheduling/week_accept.html", {"week": week, "changes": changes})
    seen = ChangeForm(request.POST)
    version = seen.cleaned_data["version"] if seen.is_valid() else week.version
    try:
        changes = replanning.accept_replan(week=week, version=version, by=request.user, now=timezone.now())
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        n = sum(change.how != "kept" for change in changes)
        text = ngettext(
            "One visit is changed, and its farm is told.", "%(n)s visits are changed, and their farms are told.", n
        )
        messages.success(request, text % {"n": n} if n else _("The week is as it was."))
    return redirect("week-page", monday=week.monday.isoformat())


urlpatterns = [
    path("weeks/<str:monday>/replan", week_replan, name="week-replan"),
    path("proposed-weeks/<int:pk>/accept", week_accept, name="week-accept"),
]
