"""The pace: how long a visit will take and why, how past estimates did, the minutes that stand in, what to carry."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any, Final

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from scheduling import plots
from scheduling.forms.pace import EstimateForm, PaceSettingsForm, StockForm
from scheduling.pace_models import LearnedPace, SupplyKind
from scheduling.pace_words import estimate_words, part_words, said_of_set_aside
from scheduling.queries import last_head_of
from scheduling.services.pace import (
    ENOUGH_VISITS,
    VisitEstimate,
    estimate_visit,
    estimator_of,
    keep_pace_settings,
    pace_settings_of,
)
from scheduling.services.pace_accuracy import Accuracy, accuracy_of
from scheduling.services.pace_learning import ask_to_learn, untimed_visits
from scheduling.services.supplies import count_stock, load_of_week, stock_of, visits_to_load_for
from scheduling.services.weeks import local_date
from trimmer.access import MEMBERS, OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms.requests import head_initial
from trimmer.models import Business, Farm, Job
from trimmer.showing import show_day

SHOWN_VISITS: Final = 12
MOST_DOTS: Final = 150


@may(*MEMBERS)
def pace_estimate(request: SeatedRequest) -> HttpResponse:
    """How long a visit to a farm will take, with its parts. With nothing asked yet: the farm's last visit's head."""
    business = request.seat.business
    asked = any(request.GET.get(name) for name in EstimateForm.head_names) or "crew" in request.GET
    form = EstimateForm(request.GET if asked else None, business=business, initial=_initial(request))
    said, farm = None, None
    if asked and form.is_valid():
        farm = form.cleaned_data["farm"]
        said = estimate_visit(farm=farm, head=form.head(), crew=form.cleaned_data["crew"])
    estimator = estimator_of(business)
    return render(
        request,
        "scheduling/pace_estimate.html",
        {
            "form": form,
            "farm": farm,
            "said": said,
            "sentence": estimate_words(said, business.language) if said else "",
            "parts": _part_rows(said, business.language) if said else [],
            "recorded": estimator.visits,
            "enough": ENOUGH_VISITS,
            "learned": estimator.learned,
            "here": _visits_here(business, estimator.learned, farm) if farm else [],
            "may_edit": request.seat.role in {OWNER, TRIMMER},
        },
    )


def _initial(request: SeatedRequest) -> dict[str, Any]:
    """The farm named in the address, and the head of its last visit."""
    number = request.GET.get("farm", "")
    farm = Farm.objects.seen_by(request.seat).filter(pk=int(number)).first() if number.isdecimal() else None
    if farm is None:
        return {}
    head = last_head_of(request.seat.business, farm.pk) or {"cow": farm.milking}
    return {"farm": farm.pk, **head_initial(head.items())}


def _part_rows(said: VisitEstimate, language: str) -> list[dict[str, Any]]:
    return [{"part": part, "words": part_words(part, language)} for part in said.parts]


def _visits_here(business: Business, learned: LearnedPace | None, farm: Farm) -> list[Any]:
    """The latest visits to a farm: what they took, and what the others say of them."""
    accuracy = accuracy_of(business=business, learned=learned)
    return [each for each in accuracy.tried if each.farm == farm.pk][:6] if accuracy else []


@may(*MEMBERS)
def pace_page(request: SeatedRequest) -> HttpResponse:
    """How past estimates did, in all, by farm and by crew; what was set aside and why."""
    business = request.seat.business
    learned = LearnedPace.objects.of(business).first()
    accuracy = accuracy_of(business=business, learned=learned)
    job = Job.objects.of(business).filter(kind="learn_pace").order_by("-made_at").first()
    names = dict(Farm.objects.of(business).values_list("pk", "name"))
    return render(
        request,
        "scheduling/pace_page.html",
        {
            "learned": learned,
            "accuracy": accuracy,
            "groups": _groups(accuracy) if accuracy else [],
            "plot": accuracy_plot(accuracy, business.language, names) if accuracy else None,
            "latest": [
                {"tried": each, "farm": names.get(each.farm, "")}
                for each in (accuracy.tried[:SHOWN_VISITS] if accuracy else ())
            ],
            "set_aside": [
                {"visit": row["visit"], "farm": names.get(row["farm"], ""), "why": said_of_set_aside(row)}
                for row in (learned.set_aside if learned else [])
            ],
            "untimed": untimed_visits(business=business),
            "job": job if job and job.state != "done" else None,
            "may_edit": request.seat.role in {OWNER, TRIMMER},
        },
    )


def _groups(accuracy: Accuracy) -> list[dict[str, Any]]:
    crews = {"title": _("By crew"), "column": _("Crew"), "rows": accuracy.crews, "link": False}
    return [crews, {"title": _("By farm"), "column": _("Farm"), "rows": accuracy.farms, "link": True}]


def accuracy_plot(accuracy: Accuracy, language: str, names: dict[int, str]) -> plots.Dots:
    """Past visits over time: what each took as a share of the minutes nine in ten stay under."""
    tried = sorted(accuracy.tried[:MOST_DOTS], key=lambda each: (each.date, each.visit))
    first, last = tried[0].date, tried[-1].date
    days = max(1, (last - first).days)
    return plots.dots(
        [
            (
                (each.date - first).days / days,
                each.of_said * 100,
                each.inside,
                f"{names.get(each.farm, '')}, {show_day(each.date, language)}",
            )
            for each in tried
        ],
        limit=100.0,
        marks=[
            (share, show_day(first + dt.timedelta(days=round(days * share)), language, weekday=False))
            for share in ((0.0, 0.5, 1.0) if days > 1 else (0.0,))
        ],
    )


@require_POST
@may(OWNER, TRIMMER)
def pace_learn(request: SeatedRequest) -> HttpResponse:
    """Have the pace learned anew."""
    business = request.seat.business
    try:
        ask_to_learn(business=business, today=local_date(business, timezone.now()), by=request.user)
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("The visits are being read. What was learned before stands meanwhile."))
    return redirect("pace-page")


@may(OWNER, TRIMMER)
def pace_figures(request: SeatedRequest) -> HttpResponse:
    """The minutes that stand in, and how weeks are planned and loaded."""
    business = request.seat.business
    form = PaceSettingsForm(request.POST or None, instance=pace_settings_of(business))
    if request.method == "POST" and form.is_valid():
        try:
            keep_pace_settings(business=business, **form.cleaned_data)
        except Refusal as refusal:
            for name, text in refusal.fields.items():
                form.add_error(name, text)
        else:
            messages.success(request, _("The figures are kept."))
            return redirect("pace-figures")
    return render(request, "scheduling/pace_figures.html", {"form": form, "enough": ENOUGH_VISITS})


def _week_asked(request: SeatedRequest) -> dt.date:
    """The Monday of the week named in the address, or of the next days that may be worked."""
    today = local_date(request.seat.business, timezone.now())
    try:
        day = dt.date.fromisoformat(request.GET.get("week", ""))
    except ValueError:
        day = today + dt.timedelta(days=2) if today.weekday() > 4 else today
    return day - dt.timedelta(days=day.weekday())


@may(*MEMBERS)
def load_page(request: SeatedRequest) -> HttpResponse:
    """What to carry for the visits of a week, against what is on hand."""
    return _load_page(request, StockForm(initial=stock_of(request.seat.business)))


@require_POST
@may(*MEMBERS)
def stock_count(request: SeatedRequest) -> HttpResponse:
    """Store what is on hand."""
    form = StockForm(request.POST)
    if form.is_valid():
        try:
            count_stock(business=request.seat.business, on_hand=form.cleaned_data)
        except Refusal as refusal:
            for name, text in refusal.fields.items():
                form.add_error(name, text)
        else:
            messages.success(request, _("What is on hand is counted."))
            return redirect(f"{reverse('load-list')}?week={_week_asked(request).isoformat()}")
    return _load_page(request, form)


def _load_page(request: SeatedRequest, form: StockForm) -> HttpResponse:
    business = request.seat.business
    monday = _week_asked(request)
    visits = visits_to_load_for(business=business, monday=monday)
    settings = pace_settings_of(business)
    lines = load_of_week(business=business, monday=monday)
    return render(
        request,
        "scheduling/load_list.html",
        {
            "monday": monday,
            "sunday": monday + dt.timedelta(days=6),
            "previous": monday - dt.timedelta(weeks=1),
            "next": monday + dt.timedelta(weeks=1),
            "visits": visits,
            "head": sum(row.planned for visit in visits for row in visit.head.all()),
            "rows": [{"line": line, "label": SupplyKind(line.code).label} for line in lines],
            "chance": Decimal(settings.run_out_percent) / 100,
            "settings": settings,
            "form": form,
            "may_edit": request.seat.role in {OWNER, TRIMMER},
        },
    )


urlpatterns = [
    path("pace", pace_page, name="pace-page"),
    path("pace/learn", pace_learn, name="pace-learn"),
    path("pace/estimate", pace_estimate, name="pace-estimate"),
    path("pace/figures", pace_figures, name="pace-figures"),
    path("load-list", load_page, name="load-list"),
    path("load-list/stock", stock_count, name="stock-count"),
]
