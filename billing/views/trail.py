"""The audit trail, for the owner."""

from __future__ import annotations

from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import render
from django.urls import path

from billing.forms.trail import TrailForm
from billing.models import TrailQuerySet
from billing.queries.trail import (
    AT_ONCE,
    check_trail,
    people_of_the_trail,
    told_in_words,
    trail_csv,
    trail_of,
    watched_things,
)
from trimmer.access import OWNER, SeatedRequest, may

ROWS_A_PAGE = 50


def _asked(request: SeatedRequest) -> tuple[TrailForm, TrailQuerySet]:
    business = request.seat.business
    form = TrailForm(request.GET, things=watched_things(), people=people_of_the_trail(business))
    return form, trail_of(business, **form.cleaned_data) if form.is_valid() else trail_of(business).none()


@may(OWNER)
def audit_trail(request: SeatedRequest) -> HttpResponse:
    """Who did what to anything that touches money, the newest first."""
    form, rows = _asked(request)
    page = Paginator(rows, ROWS_A_PAGE).get_page(request.GET.get("page"))
    checked = "check" in request.GET
    values = {
        "form": form,
        "page_obj": page,
        "told": told_in_words(list(page.object_list)),
        "narrowed": any(request.GET.get(name) for name in form.fields),
        "checked": checked,
        "broken": check_trail(request.seat.business) if checked else None,
    }
    return render(request, "billing/audit_trail.html", values)


@may(OWNER)
def audit_trail_csv(request: SeatedRequest) -> StreamingHttpResponse:
    """What the page shows, all of it, as CSV, the oldest first."""
    _form, rows = _asked(request)
    lines = (line.encode() for line in trail_csv(rows.order_by("pk").iterator(AT_ONCE)))
    answer = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    answer["Content-Disposition"] = 'attachment; filename="audit-trail.csv"'
    return answer


urlpatterns = [
    path("audit-trail", audit_trail, name="audit-trail"),
    path("audit-trail.csv", audit_trail_csv, name="audit-trail-csv"),
]
