"""What it earned: for the owner, and for the office to read."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.http import HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from billing.charges.totals import ZERO, rounded
from billing.forms.invoices import PeriodForm
from billing.queries.earnings import Earnings, Group, earnings_of
from billing.queries.trail import csv_line
from trimmer.access import OFFICE, OWNER, SeatedRequest, may
from trimmer.sheets.formulas import harmless

BARS = 25
ROW, TOP, LEFT, RIGHT = 24, 26, 210, 730
"""Of the plot, in its own units: height of a bar's row, where rows begin, and the ends of the axis."""


class EarningsForm(PeriodForm):
    """A period, and what is added up."""

    by = forms.ChoiceField(
        label=_("By"),
        choices=[(Group.FARM.value, _("farm")), (Group.CREW.value, _("crew")), (Group.ROUND.value, _("round"))],
    )


@dataclass(frozen=True, slots=True)
class Bar:
    name: str
    at: int
    middle: int
    chute: Decimal
    value: Decimal
    width: Decimal
    below: bool
    end: Decimal


@dataclass(frozen=True, slots=True)
class Plot:
    """Bars of what was billed an hour, the most first, and a line where all together stand."""

    bars: tuple[Bar, ...]
    height: int
    mean: Decimal
    mean_at: Decimal
    left_out: int


def _asked(request: SeatedRequest) -> tuple[EarningsForm, dt.date, dt.date, Group]:
    today = timezone.localdate()
    usual: dict[str, Any] = {"first": today.replace(month=1, day=1), "last": today, "by": Group.FARM.value}
    form = EarningsForm({**usual, **request.GET.dict()})
    found: dict[str, Any] = form.cleaned_data if form.is_valid() else usual
    return form, found["first"], found["last"], Group(found["by"])


def plot_of(found: Earnings) -> Plot | None:
    """Where the bars stand; None where nothing earned anything in an hour."""
    rows = [row for row in found.rows if row.earned.an_hour is not None]
    most = max((row.earned.an_hour or ZERO for row in rows), default=ZERO)
    mean = found.total.an_hour if found.total else None
    if most <= 0 or mean is None:
        return None
    scale = (RIGHT - LEFT) / most
    # The best and the worst are what one looks for.
    shown = rows if len(rows) <= BARS else [*rows[: BARS // 2], *rows[len(rows) - (BARS - BARS // 2) :]]
    bars = []
    for place, row in enumerate(shown):
        value = row.earned.an_hour or ZERO
        width = rounded(max(ZERO, value) * scale, 1)
        chute = width * row.earned.chute / row.earned.minutes if row.earned.minutes else ZERO
        bars.append(
            Bar(
                name=row.name if len(row.name) <= 28 else f"{row.name[:27]}…",
                at=TOP + place * ROW,
                middle=TOP + place * ROW + 13,
                chute=rounded(chute, 1),
                value=value,
                width=width,
                below=row.below,
                end=LEFT + width + 6,
            )
        )
    height = TOP + len(bars) * ROW + 8
    return Plot(tuple(bars), height, mean, LEFT + rounded(mean * scale, 1), len(rows) - len(shown))


@may(OWNER, OFFICE)
def earnings(request: SeatedRequest) -> HttpResponse:
    """Billed against hours at the chute and on the road."""
    form, first, last, group = _asked(request)
    found = earnings_of(request.seat.business, first, last, group)
    values = {"form": form, "first": first, "last": last, "group": group.value, "found": found, "plot": plot_of(found)}
    return render(request, "billing/earnings.html", values)


@may(OWNER, OFFICE)
def earnings_csv(request: SeatedRequest) -> HttpResponse:
    """The same table as CSV."""
    _form, first, last, group = _asked(request)
    found = earnings_of(request.seat.business, first, last, group)
    titles = [_now("Name"), _now("Client"), _now("Visits billed"), _now("Visits not billed yet"), _now("Head")]
    titles += [_now("Billed before tax"), _now("Charged for coming"), _now("Minutes at the farm")]
    titles += [_now("Minutes on the road"), _now("An hour"), _now("An hour at the farm"), _now("Currency")]
    lines = [csv_line(titles)]
    for row in found.rows:
        one = row.earned
        cells = [harmless(row.name), harmless(row.client), one.visits, one.waiting, one.head, one.billed, one.travel]
        hours = ["" if value is None else value for value in (one.an_hour, one.a_chute_hour)]
        lines.append(csv_line([*cells, one.chute, one.road, *hours, request.seat.business.currency]))
    answer = HttpResponse("".join(lines).encode("utf-8-sig"), content_type="text/csv; charset=utf-8")
    name = f"earned-{first.isoformat()}-{last.isoformat()}.csv"
    answer["Content-Disposition"] = f'attachment; filename="{name}"'
    return answer


urlpatterns = [
    path("earnings", earnings, name="earnings"),
    path("earnings.csv", earnings_csv, name="earnings-csv"),
]
