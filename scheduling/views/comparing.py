"""Two proposals of a week side by side."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path

from scheduling.board import COST_PARTS
from scheduling.differing import comparison_rows
from scheduling.models import ProposedWeek
from scheduling.services.comparing import Comparison, compare_weeks, compare_with_first, others_of
from scheduling.views.changing import proposed_week
from trimmer.access import MEMBERS, SeatedRequest, may


@may(*MEMBERS)
def week_compare(request: SeatedRequest, pk: int) -> HttpResponse:
    """A proposal beside another of the same week, or beside itself as the planner made it."""
    week = proposed_week(request, pk)
    other = _other(request, week)
    comparison = compare_with_first(week=week) if other is None else compare_weeks(before=other, after=week)
    values = {
        "week": week,
        "other": other,
        "others": others_of(week),
        "before": comparison.before.cost,
        "after": comparison.after.cost,
        "extra": comparison.after.cost - comparison.before.cost,
        "parts": _parts(comparison),
        "changes": comparison_rows(comparison, week),
        "kept": len(comparison.difference.kept),
    }
    return render(request, "scheduling/week_compare.html", values)


def _other(request: SeatedRequest, week: ProposedWeek) -> ProposedWeek | None:
    """The proposal named in the address; None: the same as it was first."""
    named = request.GET.get("with", "")
    if named.isascii() and named.isdigit():
        return get_object_or_404(ProposedWeek.objects.seen_by(request.seat), pk=int(named))
    return None


def _parts(comparison: Comparison) -> list[dict[str, Any]]:
    before, after = comparison.before.parts, comparison.after.parts
    rows = []
    for name, label in COST_PARTS.items():
        old, new = before.get(name, Decimal(0)), after.get(name, Decimal(0))
        if old or new:
            rows.append({"name": label, "old": old, "new": new, "extra": new - old})
    return rows


urlpatterns = [path("proposed-weeks/<int:pk>/compare", week_compare, name="week-compare")]
