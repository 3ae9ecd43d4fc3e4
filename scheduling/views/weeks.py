"""The week: look, propose, confirm, undo."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.contrib import messages
from django.db.models import Count, Q
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from scheduling.board import board_of_proposal, board_of_visits
from scheduling.models import LeftOut, ProposedWeek, WeekState
from scheduling.reasons import why_left_out
from scheduling.services import weeks
from trimmer.access import MEMBERS, OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.models import Business, JobState, Visit, VisitRequest

WEEKS_BACK = 2
WEEKS_AHEAD = 6
SHOWN_STATES = (WeekState.PLANNING, WeekState.PROPOSED, WeekState.CONFIRMED)


@may(*MEMBERS)
def week_list(request: SeatedRequest) -> HttpResponse:
    """The weeks around today: what is booked in each, and whether a proposal waits."""
    business = request.seat.business
    today = weeks.local_date(business, timezone.now())
    this_monday = today - dt.timedelta(days=today.weekday())
    mondays = [this_monday + dt.timedelta(weeks=n) for n in range(-WEEKS_BACK, WEEKS_AHEAD + 1)]
    rows = [_week_row(business, monday, this_monday) for monday in mondays]
    waiting = VisitRequest.objects.of(business).waiting().count()
    return render(request, "scheduling/week_list.html", {"rows": rows, "waiting": waiting})


def _week_row(business: Business, monday: dt.date, this_monday: dt.date) -> dict[str, Any]:
    last = monday + dt.timedelta(days=6)
    booked = Visit.objects.of(business).standing().filter(date__range=(monday, last))
    counts = booked.aggregate(all=Count("pk"), done=Count("pk", filter=Q(state="done")))
    return {
        "monday": monday,
        "sunday": last,
        "this": monday == this_monday,
        "past": monday < this_monday,
        "visits": counts["all"],
        "done": counts["done"],
        "proposal": latest_proposal(business, monday),
    }


def latest_proposal(business: Business, monday: dt.date) -> ProposedWeek | None:
    """The proposal that stands for a week, if any."""
    return (
        ProposedWeek.objects.of(business)
        .filter(monday=monday, state__in=SHOWN_STATES)
        .select_related("job", "business")
        .first()
    )


def _monday(text: str) -> dt.date:
    try:
        date = dt.date.fromisoformat(text)
    except ValueError as error:
        raise Http404 from error
    return date - dt.timedelta(days=date.weekday())


@may(*MEMBERS)
def week_page(request: SeatedRequest, monday: str) -> HttpResponse:
    """A week as a board: the proposal that waits, or what is booked."""
    business = request.seat.business
    day = _monday(monday)
    if day.isoformat() != monday:
        return redirect("week-page", monday=day.isoformat())
    now = timezone.now()
    today = weeks.local_date(business, now)
    proposal = latest_proposal(business, day)
    proposed = proposal if proposal and proposal.state == WeekState.PROPOSED else None
    confirmed = proposal if proposal and proposal.state == WeekState.CONFIRMED else None
    job = proposal.job if proposal and proposal.state == WeekState.PLANNING else None
    days = board_of_proposal(proposed) if proposed else board_of_visits(business, day)
    shown = proposed or confirmed
    left_out = LeftOut.objects.filter(week=shown).select_related("farm", "week") if shown else LeftOut.objects.none()
    return render(
        request,
        "scheduling/week_page.html",
        {
            "monday": day,
            "sunday": day + dt.timedelta(days=6),
            "previous": day - dt.timedelta(weeks=1),
            "next": day + dt.timedelta(weeks=1),
            "today": today,
            "proposed": proposed,
            "confirmed": confirmed,
            "job": job,
            "failed": job is not None and job.state == JobState.FAILED,
            "days": [board for board in days if board.rounds or board.date.weekday() < 5],
            "stops": sum(board.farms for board in days),
            "left_out": [
                {"farm": row.farm, "head": sum(row.head.values()), "why": why_left_out(row, business.currency)}
                for row in left_out
            ],
            "may_plan": request.seat.role in {OWNER, TRIMMER} and day + dt.timedelta(days=6) > today,
        },
    )


@require_POST
@may(OWNER, TRIMMER)
def week_propose(request: SeatedRequest, monday: str) -> HttpResponse:
    """Have the week planned."""
    day = _monday(monday)
    weeks.propose_week(business=request.seat.business, monday=day, by=request.user, now=timezone.now())
    return redirect("week-page", monday=day.isoformat())


def _own(request: SeatedRequest, pk: int) -> ProposedWeek:
    return get_object_or_404(ProposedWeek.objects.seen_by(request.seat), pk=pk)


@may(OWNER, TRIMMER)
def week_confirm(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask once, then book every stop and tell the farms."""
    week = _own(request, pk)
    if request.method != "POST":
        return render(request, "scheduling/week_confirm.html", {"week": week, "days": board_of_proposal(week)})
    try:
        visits = weeks.confirm_week(week=week, by=request.user, now=timezone.now())
    except Refusal as refusal:
        messages.error(request, str(refusal))
        return redirect("week-page", monday=week.monday.isoformat())
    text = ngettext(
        "One visit is booked, and its farm is told.", "%(n)s visits are booked, and their farms are told.", len(visits)
    )
    messages.success(request, text % {"n": len(visits)})
    untold = [visit for visit in visits if visit.told_at is None]
    if untold:
        names = ", ".join(sorted({str(visit.farm) for visit in untold}))
        messages.warning(request, _("No e-mail address is known for: %(farms)s. Call them.") % {"farms": names})
    return redirect("week-page", monday=week.monday.isoformat())


@may(OWNER, TRIMMER)
def week_undo(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask once, then cancel what confirming booked."""
    week = _own(request, pk)
    if request.method != "POST":
        return render(request, "scheduling/week_undo.html", {"week": week})
    try:
        visits = weeks.undo_week(week=week, by=request.user, now=timezone.now())
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        text = ngettext("One visit is taken back.", "%(n)s visits are taken back.", len(visits)) % {"n": len(visits)}
        messages.success(request, text)
    return redirect("week-page", monday=week.monday.isoformat())


@require_POST
@may(OWNER, TRIMMER)
def week_drop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Put the proposal away."""
    week = _own(request, pk)
    weeks.drop_week(week=week)
    messages.success(request, _("The proposal is put away. Nothing was booked."))
    return redirect("week-page", monday=week.monday.isoformat())


urlpatterns = [
    path("weeks", week_list, name="week-list"),
    path("weeks/<str:monday>", week_page, name="week-page"),
    path("weeks/<str:monday>/propose", week_propose, name="week-propose"),
    path("proposed-weeks/<int:pk>/confirm", week_confirm, name="week-confirm"),
    path("proposed-weeks/<int:pk>/undo", week_undo, name="week-undo"),
    path("proposed-weeks/<int:pk>/drop", week_drop, name="week-drop"),
]
