"""The planner's figures as a form."""

from __future__ import annotations

from typing import ClassVar

from django import forms
from django.utils.translation import gettext_lazy as _

from scheduling.models import PlannerSettings


class PlannerSettingsForm(forms.ModelForm[PlannerSettings]):
    """Minutes and costs that the planner reckons with."""

    groups = (
        (
            _("Minutes at the chute"),
            ("setup_minutes", "cow_minutes", "heifer_minutes", "bull_minutes", "lame_minutes", "recheck_minutes"),
        ),
        (_("The day"), ("wash_minutes", "lunch_minutes", "regroup_minutes", "told_window_minutes")),
        (_("Limits"), ("most_head", "two_crews_from_head", "most_drive_share")),
        (_("Nights away"), ("bed_cost", "night_from_minutes")),
        (_("Costs"), ("crew_hour_cost", "km_cost", "late_day_cost", "skip_head_cost")),
        (_("Effort"), ("seconds",)),
    )

    class Meta:
        model = PlannerSettings
        fields: ClassVar[list[str]] = [
            "setup_minutes",
            "cow_minutes",
            "heifer_minutes",
            "bull_minutes",
            "lame_minutes",
            "recheck_minutes",
            "wash_minutes",
            "lunch_minutes",
            "regroup_minutes",
            "told_window_minutes",
            "most_head",
            "two_crews_from_head",
            "most_drive_share",
            "bed_cost",
            "night_from_minutes",
            "crew_hour_cost",
            "km_cost",
            "late_day_cost",
            "skip_head_cost",
            "seconds",
        ]
