"""Questions about a proposal that a worker answers: asked, waited for, read, and taken over."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from scheduling.differing import change_rows, worth_rows
from scheduling.forms.weeks import DayForm
from scheduling.models import LeftOut, WeekQuestion
from scheduling.reasons import why_left_out
from scheduling.services import asking, changing
from scheduling.views.changing import changed, is_part, posted_version, proposed_week, shown_in_tray
from trimmer.access import MEMBERS, OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.models import Crew, Farm


@require_POST
@may(OWNER, TRIMMER)
def stop_ask(request: SeatedRequest, pk: int, key: str) -> HttpResponse:
    """Ask why a visit is not on a day: what the week would cost if everything else moved around it."""
    week = proposed_week(request, pk)
    form = DayForm(request.POST)
    try:
        if not form.is_valid():
            raise changing.NoSuchPlace
        question = asking.ask_why_not(
            week=week, key=key, date=form.cleaned_data["date"], by=request.user, now=timezone.now()
        )
    except Refusal as refusal:
        if is_part(request):
            return render(request, "scheduling/parts/refused.html", {"refusal": refusal})
        messages.error(request, str(refusal))
        return redirect("week-page", monday=week.monday.isoformat())
    if is_part(request):
        return _shown(request, question)
    return redirect("week-question", pk=week.pk, question=question.pk)


@may(*MEMBERS)
def question_page(request: SeatedRequest, pk: int, question: int) -> HttpResponse:
    """A question, and its answer once there is one."""
    return _shown(request, _question(request, pk, question))


def _question(request: SeatedRequest, pk: int, question: int) -> WeekQuestion:
    asked = WeekQuestion.objects.seen_by(request.seat).select_related("week__business", "job")
    return get_object_or_404(asked, pk=question, week=pk)


def _shown(request: SeatedRequest, question: WeekQuestion) -> HttpResponse:
    values: dict[str, Any] = {
        "week": question.week,
        "question": question,
        "job": question.job,
        "may_change": request.seat.role in {OWNER, TRIMMER},
        "stale": question.version != question.week.version,
    }
    if question.kind == WeekQuestion.Kind.WORTH:
        rows = worth_rows(question)
        values |= {
            "page_title": _("What one more hour would be worth"),
            "worth": [row for row in rows if row["saved"]],
            "worth_nothing": [row for row in rows if row["saved"] == 0],
            "not_found_out": [row["sentence"] for row in rows if row["saved"] is None],
        }
        return shown_in_tray(request, "worth_answer", values)
    return shown_in_tray(request, "question", values | _why_not_values(request, question))


def _why_not_values(request: SeatedRequest, question: WeekQuestion) -> dict[str, Any]:
    week, about, answer = question.week, question.about, question.answer
    values: dict[str, Any] = {
        "key": about["job"],
        "farm": get_object_or_404(Farm.objects.seen_by(request.seat), pk=about["farm"]),
        "date": week.monday + dt.timedelta(days=about["day"]),
        "crew": Crew.objects.of(week.business).filter(pk=about["crew"]).first() if about["crew"] else None,
    }
    if "refused" in answer:
        row = LeftOut(week=week, reason=answer["refused"]["reason"], details=answer["refused"]["details"])
        values["refused"] = why_left_out(row, week.business.currency)
    elif "extra" in answer:
        values["extra"] = Decimal(answer["extra"])
        if question.version == week.version:
            values["changes"] = change_rows(asking.changes_found(question), week)
    return values


@require_POST
@may(OWNER, TRIMMER)
def question_take(request: SeatedRequest, pk: int, question: int) -> HttpResponse:
    """Take the plan over that was found for a question."""
    asked = _question(request, pk, question)

    def change() -> None:
        asking.take_over(question=asked, version=posted_version(request), by=request.user, now=timezone.now())

    key = asked.about.get("job", "")
    return changed(request, asked.week, change, _("The week is arranged anew. Nothing is booked yet."), just=key)


@require_POST
@may(OWNER, TRIMMER)
def worth_ask(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask what one more hour on each crew-day would be worth."""
    week = proposed_week(request, pk)
    try:
        question = asking.ask_worth(week=week, by=request.user, now=timezone.now())
    except Refusal as refusal:
        messages.error(request, str(refusal))
        return redirect("week-page", monday=week.monday.isoformat())
    return redirect("week-question", pk=week.pk, question=question.pk)


urlpatterns = [
    path("proposed-weeks/<int:pk>/stops/<str:key>/ask", stop_ask, name="week-stop-ask"),
    path("proposed-weeks/<int:pk>/worth", worth_ask, name="week-worth-ask"),
    path("proposed-weeks/<int:pk>/questions/<int:question>", question_page, name="week-question"),
    path("proposed-weeks/<int:pk>/questions/<int:question>/take", question_take, name="week-question-take"),
]
