"""The planner's figures."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.translation import gettext as _

from scheduling.forms import PlannerSettingsForm
from scheduling.services.loading import settings_of
from scheduling.services.pace import planning_pace
from scheduling.services.settings import keep_settings
from trimmer.access import OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal


@may(OWNER, TRIMMER)
def planner_settings(request: SeatedRequest) -> HttpResponse:
    """Look at the figures and change them."""
    business = request.seat.business
    form = PlannerSettingsForm(request.POST or None, instance=settings_of(business))
    if request.method == "POST" and form.is_valid():
        try:
            keep_settings(business=business, **form.cleaned_data)
        except Refusal as refusal:
            for name, text in refusal.fields.items():
                form.add_error(name, text)
        else:
            messages.success(request, _("The figures are kept. The next proposal uses them."))
            return redirect("planner-settings")
    pace = planning_pace(business)
    values = {"form": form, "pace_visits": pace.estimator.visits if pace else 0}
    return render(request, "scheduling/planner_settings.html", values)


urlpatterns = [path("settings/planner", planner_settings, name="planner-settings")]
