"""The business's own figures for planning."""

from __future__ import annotations

from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext_lazy as _

from scheduling.models import PlannerSettings
from trimmer.errors import Refusal
from trimmer.models import Business

MAY_BE_EMPTY = frozenset({"most_head", "two_crews_from_head", "most_drive_share", "bed_cost"})


class FiguresRefused(Refusal):
    code = "planner_figures_refused"
    message = _("Some figures cannot be taken. Every minute and cost must be a number that is not negative.")


@transaction.atomic
def keep_settings(*, business: Business, **figures: Any) -> PlannerSettings:
    """Store the figures given, leaving the others as they are. Refuses negative ones and an effort off its limits."""
    settings, _made = PlannerSettings.objects.select_for_update().get_or_create(business=business)
    for name, value in figures.items():
        setattr(settings, name, value)
    faults = {
        name: str(_("Must not be negative."))
        for name, value in figures.items()
        if (value is None and name not in MAY_BE_EMPTY) or (value is not None and value < 0)
    }
    if faults:
        raise FiguresRefused(fields=faults)
    try:
        settings.full_clean()
    except ValidationError as error:
        raise FiguresRefused(fields={name: " ".join(texts) for name, texts in error.message_dict.items()}) from error
    settings.save()
    return settings
