"""Sheets brought in and taken out."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Any, Final

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from trimmer import wording
from trimmer.access import MEMBERS, Seat, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.sheets import BringForm, DaysForm
from trimmer.models import JobState, SheetImport, SheetState
from trimmer.queries.sheets import LONG, sheets_to_show
from trimmer.services import sheets
from trimmer.services.sheets import SheetFile, SheetKind
from trimmer.services.sheets.kinds import facts_of
from trimmer.sheets.formulas import harmless
from trimmer.sheets.values import language_of
from trimmer.sheets.writing import CSV_TYPE
from trimmer.showing import read_locale

ROWS_A_PAGE: Final = 50
DOUBTS: Final = 10
UNDER_WAY: Final = frozenset({SheetState.CHECKING, SheetState.STORING})


@may(*MEMBERS)
def sheet_list(request: SeatedRequest) -> HttpResponse:
    """The kinds of sheets, what can be taken out, and what was brought in before."""
    kinds = _kinds_of(request.seat)
    brought = sheets_to_show(request.seat, [kind.name for kind in kinds]).defer(*LONG)
    page = Paginator(brought, ROWS_A_PAGE).get_page(request.GET.get("page"))
    titles = {kind.name: kind.title for kind in kinds}
    values = {
        "kinds": [{"kind": kind, "lead": wording.SHEETS[kind.name]} for kind in kinds],
        "page": page,
        "days": DaysForm(),
        "brought": [{"sheet": sheet, "title": titles[sheet.kind], "broke_off": _broke_off(sheet)} for sheet in page],
    }
    return render(request, "trimmer/sheet_list.html", values)


@may(*MEMBERS)
def sheet_bring(request: SeatedRequest, kind: str) -> HttpResponse:
    """Bring a file in. It is checked, and nothing of it stored."""
    found = _kind(request.seat, kind)
    form = BringForm(posted(request), request.FILES or None)
    if request.method == "POST" and form.is_valid():
        file = form.cleaned_data["file"]
        try:
            sheet = sheets.bring_sheet(
                business=request.seat.business,
                kind=found.name,
                file_name=file.name or "",
                content=file.read(),
                by=request.user,
                now=timezone.now(),
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            return redirect("sheet-page", pk=sheet.pk)
    values = {
        "kind": found,
        "lead": wording.SHEETS[found.name],
        "form": form,
        "columns": facts_of(found.name).told().columns,
        "language": read_locale(request.seat.business.language).get_display_name(),
    }
    return render(request, "trimmer/sheet_bring.html", values)


@may(*MEMBERS)
def sheet_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """How a sheet stands: being checked, its faults, what it would change, or what it changed."""
    sheet = _sheet(request, pk)
    kind = _kind(request.seat, sheet.kind)
    faults = sheet.problems if sheet.state == SheetState.FAULTY else []
    values = {
        "sheet": sheet,
        "kind": kind,
        "under_way": sheet.state in UNDER_WAY,
        "broke_off": _broke_off(sheet),
        "faults": Paginator(faults, ROWS_A_PAGE).get_page(request.GET.get("page")),
        "of_the_file": [fault for fault in faults if not fault["row"]],
        "doubts": sheet.warnings[:DOUBTS],
        "more_doubts": max(0, len(sheet.warnings) - DOUBTS),
        "tables": _tables(sheet),
        "changes": any(table["added"] or table["changed"] for table in sheet.summary.get("tables", ())),
    }
    return render(request, "trimmer/sheet_page.html", values)


@may(*MEMBERS)
@require_POST
def sheet_store(request: SeatedRequest, pk: int) -> HttpResponse:
    """Store all of a sheet."""
    sheet = _sheet(request, pk)
    sheets.store_sheet(sheet=sheet, by=request.user, now=timezone.now())
    return redirect("sheet-page", pk=sheet.pk)


@may(*MEMBERS)
@require_POST
def sheet_drop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Put a sheet away. What was stored of it stays."""
    sheet = _sheet(request, pk)
    sheets.drop_sheet(sheet=sheet)
    messages.success(request, _("%(file)s is put away.") % {"file": sheet.file_name})
    return redirect("sheet-list")


@may(*MEMBERS)
def sheet_problems(request: SeatedRequest, pk: int) -> HttpResponse:
    """Faults and doubts of a sheet as a table of their own, to go through beside the file."""
    sheet = _sheet(request, pk)
    out = io.StringIO(newline="")
    comma = language_of(sheet.business.language).number_rules[0].decimal == ","
    writer = csv.writer(out, delimiter=";" if comma else ",", lineterminator="\r\n")
    writer.writerow([_("Row"), _("Cell"), _("Column"), _("What stands there"), _("What is wrong"), _("Must be mended")])
    for faults, must in ((sheet.problems, _("yes")), (sheet.warnings, _("no"))):
        for fault in faults:
            cells = (fault["cell"], fault["title"], fault["value"], fault["message"], must)
            writer.writerow([fault["row"] or "", *(harmless(cell) for cell in cells)])
    name = sheet.file_name.rpartition(".")[0] or sheet.file_name
    return _download(SheetFile(f"{name} - {_('faults')}.csv", out.getvalue().encode("utf-8-sig"), CSV_TYPE))


@may(*MEMBERS)
def sheet_template(request: SeatedRequest, kind: str, form: str) -> HttpResponse:
    """An empty sheet to fill in."""
    found = _kind(request.seat, kind)
    return _download(sheets.template(business=request.seat.business, kind=found.name, form=_form(form)))


@may(*MEMBERS)
def sheet_export(request: SeatedRequest, kind: str, form: str) -> HttpResponse:
    """What is stored now, as a sheet that can be brought in again."""
    found = _kind(request.seat, kind)
    days = DaysForm(request.GET)
    if not days.is_valid():
        messages.error(request, " ".join(str(text) for texts in days.errors.values() for text in texts))
        return redirect("sheet-list")
    return _download(
        sheets.export_table(
            business=request.seat.business,
            kind=found.name,
            form=_form(form),
            **(days.cleaned_data if found.by_day else {}),
        )
    )


def _kinds_of(seat: Seat) -> list[SheetKind]:
    return [kind for kind in sheets.kinds() if seat.may(kind.who)]


def _kind(seat: Seat, name: str) -> SheetKind:
    found = next((kind for kind in sheets.kinds() if kind.name == name), None)
    if found is None:
        raise Http404
    if not seat.may(found.who):
        raise PermissionDenied
    return found


def _form(form: str) -> Any:
    if form not in {"csv", "xlsx"}:
        raise Http404
    return form


def _sheet(request: SeatedRequest, pk: int) -> SheetImport:
    kinds = [kind.name for kind in _kinds_of(request.seat)]
    return get_object_or_404(sheets_to_show(request.seat, kinds), pk=pk)


def _broke_off(sheet: SheetImport) -> bool:
    """Whether checking or storing came to no good end."""
    return sheet.state in UNDER_WAY and sheet.job is not None and sheet.job.state == JobState.FAILED


def _tables(sheet: SheetImport) -> Iterable[dict[str, Any]]:
    return [table | {"title": wording.SHEET_TABLES[table["name"]]} for table in sheet.summary.get("tables", ())]


def _download(file: SheetFile) -> HttpResponse:
    response = HttpResponse(file.content, content_type=file.content_type)
    response["Content-Disposition"] = content_disposition_header(as_attachment=True, filename=file.name) or "attachment"
    return response


urlpatterns = [
    path("sheets", sheet_list, name="sheet-list"),
    path("sheets/bring/<str:kind>", sheet_bring, name="sheet-bring"),
    path("sheets/template/<str:kind>.<str:form>", sheet_template, name="sheet-template"),
    path("sheets/export/<str:kind>.<str:form>", sheet_export, name="sheet-export"),
    path("sheets/<int:pk>", sheet_page, name="sheet-page"),
    path("sheets/<int:pk>/store", sheet_store, name="sheet-store"),
    path("sheets/<int:pk>/drop", sheet_drop, name="sheet-drop"),
    path("sheets/<int:pk>/problems", sheet_problems, name="sheet-problems"),
]
