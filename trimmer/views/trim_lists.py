"""The trim list of a visit, for whoever sorts the cows."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from trimmer.access import OWNER, SEATED, TRIMMER, Seat, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.rechecks import PickForm
from trimmer.models import TrimListEntry, Visit, VisitState
from trimmer.queries.animals import numbers_of
from trimmer.queries.trim_lists import trim_list_of
from trimmer.services.trim_lists import draw_up_trim_list, pick_animal, unpick_animal


@may(*SEATED)
def trim_list(request: SeatedRequest, pk: int) -> HttpResponse:
    """The list by pen; an animal is put on it by its number."""
    visit = _visit(request, pk)
    form = PickForm(posted(request))
    if request.method == "POST":
        _check_may_pick(request.seat)
        if form.is_valid():
            try:
                entry = pick_animal(visit=visit, **form.cleaned_data, by=request.user)
            except Refusal as refusal:
                say_refusal(form, refusal)
            else:
                messages.success(request, _("%(number)s is on the list.") % {"number": entry.number})
                return redirect("trim-list", pk=visit.pk)
    is_open = visit.state in {VisitState.BOOKED, VisitState.UNDER_WAY}
    values = {
        "visit": visit,
        "listed": trim_list_of(visit, now=timezone.now()),
        "form": form,
        "is_open": is_open,
        "may_pick": is_open and _may_pick(request.seat),
        "may_record": is_open and request.seat.role in {OWNER, TRIMMER},
        "numbers": numbers_of(visit.farm),
    }
    return render(request, "trimmer/trim_list.html", values)


@may(*SEATED)
@require_POST
def trim_list_draw_up(request: SeatedRequest, pk: int) -> HttpResponse:
    """Draw the list up, or again."""
    visit = _visit(request, pk)
    draw_up_trim_list(visit=visit, now=timezone.now())
    count = len(trim_list_of(visit, now=timezone.now()).animals)
    said = ngettext("The list is drawn up: %(count)s animal.", "The list is drawn up: %(count)s animals.", count)
    messages.success(request, said % {"count": count})
    return redirect("trim-list", pk=visit.pk)


@may(*SEATED)
@require_POST
def trim_list_unpick(request: SeatedRequest, pk: int, entry: int) -> HttpResponse:
    """Take a pick off the list."""
    listed = get_object_or_404(TrimListEntry.objects.seen_by(request.seat).filter(visit=pk), pk=entry)
    _check_may_pick(request.seat)
    unpick_animal(entry=listed)
    messages.success(request, _("%(number)s is off the list.") % {"number": listed.number})
    return redirect("trim-list", pk=pk)


def _visit(request: SeatedRequest, pk: int) -> Visit:
    visits = Visit.objects.seen_by(request.seat).select_related("farm__client__business", "crew")
    return get_object_or_404(visits, pk=pk)


def _may_pick(seat: Seat) -> bool:
    return seat.is_member or seat.may_ask


def _check_may_pick(seat: Seat) -> None:
    if not _may_pick(seat):
        raise PermissionDenied


urlpatterns = [
    path("visits/<int:pk>/trim-list", trim_list, name="trim-list"),
    path("visits/<int:pk>/trim-list/draw-up", trim_list_draw_up, name="trim-list-draw-up"),
    path("visits/<int:pk>/trim-list/<int:entry>/remove", trim_list_unpick, name="trim-list-unpick"),
]
