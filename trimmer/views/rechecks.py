"""Animals that must be seen again: the list over all farms, written down and closed by hand; and the rules."""

from __future__ import annotations

import datetime as dt

from django.contrib import messages
from django.core.paginator import Paginator
from django.forms.models import model_to_dict
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from trimmer.access import MEMBERS, OWNER, SEATED, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.rechecks import CloseForm, RecheckFilter, RecheckForm, RuleForm
from trimmer.models import Animal, Farm, Recheck, RecheckRule
from trimmer.queries.rechecks import as_rows, count_overdue, rechecks_to_show
from trimmer.rechecks import DEFAULT_RULES
from trimmer.services.rechecks import change_rule, close_recheck, raise_recheck

ROWS_A_PAGE = 50
A_WEEK = dt.timedelta(days=7)


@may(*SEATED)
def recheck_list(request: SeatedRequest) -> HttpResponse:
    """Rechecks of all farms (a farm's people: their own), the overdue first."""
    seat, today = request.seat, timezone.localdate()
    chosen = RecheckFilter(request.GET, farms=Farm.objects.current().seen_by(seat).order_by("name", "pk"))
    farm, show = chosen.chosen()
    page = Paginator(rechecks_to_show(seat, today=today, farm=farm, show=show), ROWS_A_PAGE).get_page(
        request.GET.get("page")
    )
    values = {
        "filter": chosen,
        "farm": farm,
        "show": show,
        "page": page,
        "rows": as_rows(page, today=today),
        "today": today,
        "overdue": count_overdue(seat, today=today),
        "may_close": seat.role in {OWNER, TRIMMER},
    }
    return render(request, "trimmer/recheck_list.html", values)


@may(OWNER, TRIMMER)
def recheck_close(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask why, then close a recheck by hand."""
    found = Recheck.objects.seen_by(request.seat).select_related("animal__farm")
    recheck = get_object_or_404(found, pk=pk)
    form = CloseForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            close_recheck(recheck=recheck, reason=form.cleaned_data["reason"], by=request.user, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The recheck of %(number)s is closed.") % {"number": recheck.animal.number})
            return redirect("animal-page", pk=recheck.animal_id)
    return render(request, "trimmer/recheck_close.html", {"recheck": recheck, "form": form})


@may(OWNER, TRIMMER)
def recheck_add(request: SeatedRequest, pk: int) -> HttpResponse:
    """Write down that an animal is to be seen again."""
    animal = get_object_or_404(Animal.objects.current().seen_by(request.seat).select_related("farm"), pk=pk)
    today = timezone.localdate()
    form = RecheckForm(posted(request), initial={"due_from": today + A_WEEK, "due_by": today + 2 * A_WEEK})
    if request.method == "POST" and form.is_valid():
        try:
            raise_recheck(animal=animal, **form.cleaned_data, today=today)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(number)s is on the recheck list.") % {"number": animal.number})
            return redirect("animal-page", pk=animal.pk)
    return render(request, "trimmer/recheck_add.html", {"animal": animal, "form": form})


@may(*MEMBERS)
def recheck_rule_list(request: SeatedRequest) -> HttpResponse:
    """After how many days an animal is to be seen again, and why just then."""
    sources = {(rule.trigger, rule.what): rule.source for rule in DEFAULT_RULES}
    rules = [
        {"rule": rule, "source": sources.get((rule.trigger, rule.what), "")}
        for rule in RecheckRule.objects.of(request.seat.business)
    ]
    return render(request, "trimmer/recheck_rule_list.html", {"rules": rules})


@may(OWNER)
def recheck_rule_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Other days for a rule."""
    rule = get_object_or_404(RecheckRule.objects.of(request.seat.business), pk=pk)
    form = RuleForm(posted(request), initial=model_to_dict(rule))
    if request.method == "POST" and form.is_valid():
        try:
            change_rule(rule=rule, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The rule is stored. Rechecks raised before keep their days."))
            return redirect("recheck-rule-list")
    return render(request, "trimmer/recheck_rule_edit.html", {"rule": rule, "form": form})


urlpatterns = [
    path("rechecks", recheck_list, name="recheck-list"),
    path("rechecks/<int:pk>/close", recheck_close, name="recheck-close"),
    path("animals/<int:pk>/rechecks/add", recheck_add, name="recheck-add"),
    path("recheck-rules", recheck_rule_list, name="recheck-rule-list"),
    path("recheck-rules/<int:pk>/edit", recheck_rule_edit, name="recheck-rule-edit"),
]
