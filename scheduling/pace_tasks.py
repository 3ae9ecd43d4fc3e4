"""Learning the pace, as long work and each night."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from typing import Any, Final

from celery import shared_task
from django.utils import timezone
from django.utils.translation import gettext as _

from scheduling.pace_models import LearnedPace
from scheduling.services.pace_learning import AlreadyLearning, ask_to_learn, has_news, learn, store_learned
from trimmer.models import Business
from trimmer.services.jobs import Save, Work, job_kind

AFTER_HOUR: Final = 2
"""Local hour from which on a business's new visits are learned from, once a day."""


@job_kind("learn_pace")
def learn_pace(work: Work) -> Save:
    """Read the visits done and fit; saving lets it stand."""
    business = work.job.business
    work.report(10, _("Reading the visits done"))
    learned = learn(business=business, today=dt.date.fromisoformat(work.job.arguments["today"]))

    def save() -> dict[str, Any]:
        row = store_learned(business=business, learned=learned, now=timezone.now())
        return {"visits": row.visits, "set_aside": len(row.set_aside)}

    return save


@shared_task  # type: ignore[untyped-decorator]
def learn_each_night() -> int:
    """Have the pace learned anew of every business with new visits whose night it is. Says of how many."""
    return learn_where_due(now=timezone.now())


def learn_where_due(*, now: dt.datetime) -> int:
    """As `learn_each_night`, at a moment; a business that was away in the night is caught up with later that day."""
    asked = 0
    for business in Business.objects.all():
        local = now.astimezone(zoneinfo.ZoneInfo(business.time_zone))
        today = local.date()
        if local.hour < AFTER_HOUR or LearnedPace.objects.of(business).filter(learned_on=today).exists():
            continue
        if not has_news(business=business):
            continue
        try:
            ask_to_learn(business=business, today=today, by=None)
            asked += 1
        except AlreadyLearning:
            continue
    return asked
