"""The outlook: half a year of work, week by week, against what crews can do."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling import plots
from scheduling.due_work import SOURCES, DueWeek
from scheduling.forms.outlook import OutlookSettingsForm
from scheduling.services.due_work import Outlook, keep_outlook_settings, outlook_of, outlook_settings_of
from scheduling.services.weeks import local_date
from trimmer.access import MEMBERS, OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.showing import show_day

HERDS_A_PAGE: Final = 50

SOURCE_WORDS: Final = {
    "booked": gettext_lazy("booked"),
    "asked": gettext_lazy("asked for"),
    "standing": gettext_lazy("standing arrangements"),
    "animals": gettext_lazy("due before dry-off or after calving"),
    "recheck": gettext_lazy("rechecks"),
    "formula": gettext_lazy("what herds need by the formula"),
}

SHORT_WORDS: Final = SOURCE_WORDS | {
    "standing": gettext_lazy("arranged"),
    "animals": gettext_lazy("by dates"),
    "formula": gettext_lazy("by formula"),
}


@dataclass(frozen=True)
class FullRun:
    """Weeks in a row that are too full, and hours that crews lack in them."""

    first: dt.date
    last: dt.date
    minutes: float


@may(*MEMBERS)
def outlook_page(request: SeatedRequest) -> HttpResponse:
    """Half a year of work against what crews can do, and what each herd needs in a year."""
    business = request.seat.business
    seen = outlook_of(business=business, today=local_date(business, timezone.now()))
    used = [source for source in SOURCES if any(week.head[source] for week in seen.weeks)]
    fullest = max(seen.weeks[1:], key=lambda week: week.share or 0.0)
    return render(
        request,
        "scheduling/outlook.html",
        {
            "seen": seen,
            "rows": [
                {
                    "week": week,
                    "full": seen.too_full(week),
                    "parts": [week.minutes[source] / 60 for source in used],
                    "hours": week.total_minutes / 60,
                    "has": week.capacity / 60,
                }
                for week in seen.weeks
            ],
            "sources": [
                {"code": source, "label": SOURCE_WORDS[source], "short": SHORT_WORDS[source]} for source in used
            ],
            "plot": outlook_plot(seen, used, business.language),
            "runs": list(full_runs(seen)),
            "head": sum(week.total_head for week in seen.weeks),
            "lacking": sum(week.over for week in seen.weeks),
            "fullest": fullest if fullest.share else None,
            "herds": Paginator(seen.herds, HERDS_A_PAGE).get_page(request.GET.get("page")),
            "may_edit": request.seat.role in {OWNER, TRIMMER},
        },
    )


def outlook_plot(seen: Outlook, used: list[str], language: str) -> plots.Bars:
    """Hours a week by where they come from, and the hours crews have."""
    return plots.bars(
        [{source: week.minutes[source] / 60 for source in used} for week in seen.weeks],
        [week.capacity / 60 for week in seen.weeks],
        marks=[
            (n, show_day(week.monday, language, year=False, weekday=False))
            for n, week in enumerate(seen.weeks)
            if n % 4 == 0
        ],
    )


def full_runs(seen: Outlook) -> Iterator[FullRun]:
    """Weeks that are too full, those in a row together."""
    run: list[DueWeek] = []
    for week in [*seen.weeks, None]:
        if week is not None and seen.too_full(week):
            run.append(week)
        elif run:
            yield FullRun(run[0].monday, run[-1].monday + dt.timedelta(days=6), sum(each.over for each in run))
            run = []


@may(OWNER, TRIMMER)
def outlook_figures(request: SeatedRequest) -> HttpResponse:
    """The figures of the outlook."""
    business = request.seat.business
    form = OutlookSettingsForm(request.POST or None, instance=outlook_settings_of(business))
    if request.method == "POST" and form.is_valid():
        try:
            keep_outlook_settings(business=business, **form.cleaned_data)
        except Refusal as refusal:
            for name, text in refusal.fields.items():
                form.add_error(name, text)
        else:
            messages.success(request, _("The figures are kept."))
            return redirect("outlook")
    return render(request, "scheduling/outlook_figures.html", {"form": form})


urlpatterns = [
    path("outlook", outlook_page, name="outlook"),
    path("outlook/figures", outlook_figures, name="outlook-figures"),
]
