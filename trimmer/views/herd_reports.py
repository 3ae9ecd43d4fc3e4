"""What was found in a herd over a period: the page, the table behind it, and the paper."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import dataclass
from typing import Any

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path
from django.utils import timezone

from trimmer.access import SEATED, SeatedRequest, may
from trimmer.documents.herd_report import render_herd_report
from trimmer.forms.herd_reports import PeriodForm, last_twelve_months
from trimmer.models import Farm
from trimmer.queries.herd_reports import COLUMNS, FarmReport, herd_report_of, record_rows
from trimmer.report_words import printed, shown
from trimmer.sheets.formulas import harmless


@dataclass(frozen=True, slots=True)
class Asked:
    """The farm and the period a report was asked for; a period that makes no sense shows the usual one."""

    farm: Farm
    form: PeriodForm
    first: dt.date
    last: dt.date

    def report(self, today: dt.date) -> FarmReport:
        return herd_report_of(self.farm, first=self.first, last=self.last, today=today)

    def file_name(self, ending: str) -> str:
        return f"herd-{self.farm.pk}-{self.first.isoformat()}-{self.last.isoformat()}.{ending}"


def asked_for(farm: Farm, query: Any, today: dt.date) -> Asked:
    """The period of a query string."""
    usual = last_twelve_months(today)
    given = {"first": query.get("first") or usual[0], "last": query.get("last") or usual[1]}
    form = PeriodForm(given)
    first, last = (form.cleaned_data["first"], form.cleaned_data["last"]) if form.is_valid() else usual
    return Asked(farm, form, first, last)


def page_values(asked: Asked, today: dt.date) -> dict[str, Any]:
    """What the page of a report shows."""
    made = asked.report(today)
    return {
        "farm": asked.farm,
        "form": asked.form,
        "report": made.report,
        "shown": shown(made, asked.farm.client.business),
    }


@may(*SEATED)
def herd_report(request: SeatedRequest, pk: int) -> HttpResponse:
    """The report of a farm."""
    asked = asked_for(_farm(request, pk), request.GET, timezone.localdate())
    return render(request, "trimmer/herd_report.html", page_values(asked, timezone.localdate()))


@may(*SEATED)
def herd_report_table(request: SeatedRequest, pk: int) -> HttpResponse:
    """Every record of the period as CSV: the figures of the report can be worked out from it."""
    return table_file(asked_for(_farm(request, pk), request.GET, timezone.localdate()))


@may(*SEATED)
def herd_report_paper(request: SeatedRequest, pk: int) -> HttpResponse:
    """The report as PDF."""
    return paper_file(asked_for(_farm(request, pk), request.GET, timezone.localdate()), timezone.localdate())


def table_file(asked: Asked) -> HttpResponse:
    """The records of the period as a CSV file."""
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(COLUMNS)
    for row in record_rows(asked.farm, first=asked.first, last=asked.last):
        table.writerow([harmless(row[column]) for column in COLUMNS])
    return _file(text.getvalue().encode("utf-8-sig"), "text/csv; charset=utf-8", asked.file_name("csv"))


def paper_file(asked: Asked, today: dt.date) -> HttpResponse:
    """The report as a PDF file."""
    business = asked.farm.client.business
    page = printed(asked.report(today), farm=asked.farm, business=business)
    pdf = render_herd_report(page, paper=business.paper, language=business.language, dated=today)
    return _file(pdf, "application/pdf", asked.file_name("pdf"))


def _file(content: bytes, kind: str, name: str) -> HttpResponse:
    return HttpResponse(content, content_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


def _farm(request: SeatedRequest, pk: int) -> Farm:
    return get_object_or_404(Farm.objects.seen_by(request.seat).select_related("client__business"), pk=pk)


urlpatterns = [
    path("farms/<int:pk>/herd-report", herd_report, name="herd-report"),
    path("farms/<int:pk>/herd-report.csv", herd_report_table, name="herd-report-table"),
    path("farms/<int:pk>/herd-report.pdf", herd_report_paper, name="herd-report-paper"),
]
