"""What differs between two plans, and what time is worth, as rows for people."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Callable
from decimal import Decimal
from typing import Any, Final

from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from scheduling import planner
from scheduling.models import ProposedWeek, WeekQuestion
from scheduling.services.comparing import Comparison
from scheduling.services.ground import read_ground
from scheduling.services.loading import moment
from trimmer.models import Crew, Farm

HOWS: Final = {"moved": _("moved"), "added": _("comes in"), "dropped": _("falls out"), "kept": _("stays")}
TONES: Final = {"moved": "warn", "added": "good", "dropped": "bad", "kept": "quiet"}

WORTH_SENTENCES: Final = {
    "back-later": _("One hour more on %(day)s for %(crew)s"),
    "crew-goes-out": _("%(crew)s going out on %(day)s too"),
    "second-crew": _("One more crew on %(day)s"),
}


def change_rows(
    difference: planner.Difference, week: ProposedWeek, farm_of: Callable[[planner.Key], int] | None = None
) -> list[dict[str, Any]]:
    """Moved, added and dropped visits with old and new crew, day and hours. farm_of: the farm of a job, where the
    proposal's own ground does not have them all."""
    facts = read_ground(week.ground).facts if farm_of is None else {}
    find = farm_of or (lambda job: facts[str(job)].farm)
    moved = [(move.job, move.before, move.after, "moved") for move in difference.moved]
    added = [(visit.job, None, visit, "added") for visit in difference.added]
    dropped = [(visit.job, visit, None, "dropped") for visit in difference.dropped]
    farms = dict(Farm.objects.of(week.business).values_list("pk", "name"))
    crews = dict(Crew.objects.of(week.business).values_list("pk", "name"))
    zone = zoneinfo.ZoneInfo(week.business.time_zone)

    def at(visit: planner.Visit | None) -> dict[str, Any] | None:
        if visit is None:
            return None
        date = week.monday + dt.timedelta(days=visit.day)
        hours = (moment(date, visit.start, zone), moment(date, visit.end, zone))
        return {"crew": crews.get(int(visit.crew), ""), "date": date, "start": hours[0], "end": hours[1]}

    return [
        {"farm": farms.get(find(job), ""), "how": HOWS[how], "tone": TONES[how], "old": at(old), "new": at(new)}
        for job, old, new, how in (*moved, *added, *dropped)
    ]


def comparison_rows(comparison: Comparison, week: ProposedWeek) -> list[dict[str, Any]]:
    """The changes of a comparison."""
    return change_rows(comparison.difference, week, comparison.farm_of)


def worth_rows(question: WeekQuestion) -> list[dict[str, Any]]:
    """What each hour or crew-day more would save, the most first, with the farms it would bring in."""
    week = question.week
    farms = dict(Farm.objects.of(week.business).values_list("pk", "name"))
    crews = dict(Crew.objects.of(week.business).values_list("pk", "name"))
    rows = []
    for worth in question.answer.get("worth", ()):
        date = week.monday + dt.timedelta(days=worth["day"])
        rows.append(
            {
                "sentence": WORTH_SENTENCES[worth["kind"]]
                % {"day": date_format(date, "l"), "crew": crews.get(worth["crew"], "")},
                "saved": None if worth["saved"] is None else Decimal(worth["saved"]),
                "farms": [farms.get(farm, "") for farm in worth["farms"]],
            }
        )
    return rows
