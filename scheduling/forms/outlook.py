"""The figures of the outlook as a form."""

from __future__ import annotations

from typing import ClassVar

from django import forms
from django.utils.translation import gettext_lazy as _

from scheduling.outlook_models import OutlookSettings


class OutlookSettingsForm(forms.ModelForm[OutlookSettings]):
    """What herds need, when animals are due, and what coming to a farm takes."""

    groups = (
        (_("What a herd needs in a year"), ("factor", "cows_a_day", "by_formula")),
        (_("When animals are due"), ("dry_off_days", "calving_days", "after_calving_days")),
        (_("Hours"), ("drive_minutes", "full_percent")),
    )

    class Meta:
        model = OutlookSettings
        fields: ClassVar[list[str]] = [
            *("factor", "cows_a_day", "by_formula", "dry_off_days", "calving_days", "after_calving_days"),
            *("drive_minutes", "full_percent"),
        ]
