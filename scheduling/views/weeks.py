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

from scheduling.board import board_of_proposal, board_of_visits, bound_sentence, cost_rows, step_rows, sums_of
from scheduling.forms.weeks import ChangeForm
from scheduling.models import LeftOut, ProposedWeek, WeekKind, WeekQuestion, WeekState
from scheduling.reasons import what_lets_it_in, what_stands_in_the_way
from scheduling.services import weeks
from scheduling.services.changing import bound_holds
from scheduling.services.comparing import others_of
from scheduling.services.replanning import changes_of
from scheduling.services.saving import TAKEN_OUT
from trimmer.access import MEMBERS, OWNER, TRIMMER, Seat, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.models import Business, JobState, Visit, VisitRequest, VisitState
from trimmer.services.jobs import ask_to_stop

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


def monday_of(text: str) -> dt.date:
    """The Monday of the week a date in an address lies in."""
    try:
        date = dt.date.fromisoformat(text)
    except ValueError as error:
        raise Http404 from error
    return date - dt.timedelta(days=date.weekday())


@may(*MEMBERS)
def week_page(request: SeatedRequest, monday: str) -> HttpResponse:
    """A week as a board: the proposal that waits, or what is booked."""
    day = monday_of(monday)
    if day.isoformat() != monday:
        return redirect("week-page", monday=day.isoformat())
    return render(request, "scheduling/week_page.html", week_values(request.seat, day))


def week_values(seat: Seat, day: dt.date, *, just: str = "") -> dict[str, Any]:
    """All that the page of a week shows. just: the key of a visit that was changed a moment ago."""
    business = seat.business
    today = weeks.local_date(business, timezone.now())
    latest = latest_proposal(business, day)
    job = latest.job if latest and latest.state == WeekState.PLANNING else None
    failed = job is not None and job.state == JobState.FAILED
    proposal = _looked_at(business, day) if latest and latest.state == WeekState.PLANNING else latest
    proposed = proposal if proposal and proposal.state == WeekState.PROPOSED else None
    confirmed = proposal if proposal and proposal.state == WeekState.CONFIRMED else None
    days = board_of_proposal(proposed) if proposed else board_of_visits(business, day)
    shown = proposed or confirmed
    to_come = seat.role in {OWNER, TRIMMER} and day + dt.timedelta(days=6) > today
    planning = job is not None and not failed
    values = {
        "monday": day,
        "sunday": day + dt.timedelta(days=6),
        "previous": day - dt.timedelta(weeks=1),
        "next": day + dt.timedelta(weeks=1),
        "today": today,
        "proposed": proposed,
        "confirmed": confirmed,
        "planned": latest if job else None,
        "job": job,
        "failed": failed,
        "planning": planning,
        "days": [board for board in days if board.rounds or board.date.weekday() < 5],
        "sums": sums_of(days),
        "left_out": _left_out_rows(shown, business.currency),
        "may_plan": to_come,
        "may_change": to_come and proposed is not None and bool(proposed.ground) and not planning,
        "just": just,
        "replan": proposed is not None and proposed.kind == WeekKind.REPLAN,
        "booked_to_come": to_come and _has_booked(business, day, today),
    }
    return values | (_proposal_values(proposed, business) if proposed else {})


def _looked_at(business: Business, monday: dt.date) -> ProposedWeek | None:
    """The proposal or confirmed week that stands while another is being planned."""
    standing = ProposedWeek.objects.of(business).filter(monday=monday)
    return standing.filter(state__in=[WeekState.PROPOSED, WeekState.CONFIRMED]).select_related("business").first()


def _has_booked(business: Business, monday: dt.date, today: dt.date) -> bool:
    """Whether a visit is booked on a day that is left of the week."""
    first, last = max(monday, today + dt.timedelta(days=1)), monday + dt.timedelta(days=6)
    return Visit.objects.of(business).filter(state=VisitState.BOOKED, date__range=(first, last)).exists()


def _left_out_rows(week: ProposedWeek | None, currency: str) -> list[dict[str, Any]]:
    rows = LeftOut.objects.filter(week=week).select_related("farm", "week") if week else LeftOut.objects.none()
    return [
        {
            "farm": row.farm,
            "key": row.key,
            "head": sum(row.head.values()),
            "why": _("You took it out.") if row.reason == TAKEN_OUT else what_stands_in_the_way(row, currency),
            "help": what_lets_it_in(row, currency),
            "by_hand": row.reason == TAKEN_OUT,
        }
        for row in rows
    ]


def _proposal_values(proposed: ProposedWeek, business: Business) -> dict[str, Any]:
    steps = list(proposed.steps.select_related("farm", "made_by"))
    changes = changes_of(proposed) if proposed.kind == WeekKind.REPLAN else []
    holds = bound_holds(proposed)
    return {
        "cost_rows": cost_rows(proposed),
        "bound_sentence": bound_sentence(proposed, holds=holds, language=business.language),
        "steps": step_rows(proposed, [step for step in steps if step.number], business),
        "may_undo": proposed.step > 0,
        "others": others_of(proposed),
        "worth": proposed.questions.filter(kind=WeekQuestion.Kind.WORTH, version=proposed.version).first(),
        "changes": changes,
        "changed": any(change.how != "kept" for change in changes),
        "kept": sum(change.how == "kept" for change in changes),
        "may_redo": any(step.number > proposed.step for step in steps),
    }


@require_POST
@may(OWNER, TRIMMER)
def week_propose(request: SeatedRequest, monday: str) -> HttpResponse:
    """Have the week planned."""
    day = monday_of(monday)
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
    seen = ChangeForm(request.POST)
    version = seen.cleaned_data["version"] if seen.is_valid() else week.version
    try:
        visits = weeks.confirm_week(week=week, version=version, by=request.user, now=timezone.now())
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


@may(*MEMBERS)
def week_progress(request: SeatedRequest, pk: int) -> HttpResponse:
    """How far planning is, with the best so far: the page asks again and again, and at the end for itself anew."""
    week = get_object_or_404(ProposedWeek.objects.seen_by(request.seat).select_related("job"), pk=pk)
    response = render(request, "scheduling/parts/so_far.html", {"job": week.job, "planned": week})
    if week.job is None or week.job.finished:
        response["HX-Refresh"] = "true"
    return response


@require_POST
@may(OWNER, TRIMMER)
def week_stop(request: SeatedRequest, pk: int) -> HttpResponse:
    """End planning soon, and keep the best so far."""
    week = _own(request, pk)
    if week.job is not None and ask_to_stop(job=week.job):
        messages.success(request, _("Planning ends in a moment. The best plan so far is kept."))
    else:
        messages.info(request, _("Planning had ended already."))
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
    path("proposed-weeks/<int:pk>/progress", week_progress, name="week-progress"),
    path("proposed-weeks/<int:pk>/stop", week_stop, name="week-stop"),
    path("proposed-weeks/<int:pk>/undo", week_undo, name="week-undo"),
    path("proposed-weeks/<int:pk>/drop", week_drop, name="week-drop"),
]
