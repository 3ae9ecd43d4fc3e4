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
from scheduling.services import changing
from scheduling.services.arranging import Place
from scheduling.services.comparing import Comparison
from scheduling.services.ground import read_ground
from scheduling.services.loading import moment
from scheduling.services.replanning import changes_of
from scheduling.services.writing import money
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


def place_rows(week: ProposedWeek, places: list[Place]) -> list[dict[str, Any]]:
    """Places as values: dates, moments and money in place of the planner's figures."""
    hand = changing.hand_of(week)
    farms = changing.farm_names(hand)
    zone = zoneinfo.ZoneInfo(week.business.time_zone)
    rows = []
    for found in places:
        date = week.monday + dt.timedelta(days=found.day)
        why = found.refused
        rows.append(
            {
                "crew": found.crew,
                "date": date,
                "place": found.place,
                "extra": None if found.extra is None else money(found.extra),
                "start_at": None if found.start is None else moment(date, found.start, zone),
                "end_at": None if found.end is None else moment(date, found.end, zone),
                "now": found.now,
                "refused": "" if why is None else changing.sentence_of(why, hand, found.day, farms),
                "rule": "" if why is None else why.code,
            }
        )
    return rows


def comparison_values(comparison: Comparison, week: ProposedWeek) -> dict[str, Any]:
    """A comparison as values."""
    zone = zoneinfo.ZoneInfo(week.business.time_zone)

    def at(visit: planner.Visit | None) -> dict[str, Any] | None:
        if visit is None:
            return None
        date = week.monday + dt.timedelta(days=visit.day)
        start, end = moment(date, visit.start, zone), moment(date, visit.end, zone)
        return {"crew": visit.crew, "date": date, "start_at": start, "end_at": end}

    difference = comparison.difference
    moved = [(move.job, "moved", move.before, move.after) for move in difference.moved]
    added = [(visit.job, "added", None, visit) for visit in difference.added]
    dropped = [(visit.job, "dropped", visit, None) for visit in difference.dropped]
    return {
        "before_cost": comparison.before.cost,
        "after_cost": comparison.after.cost,
        "before_parts": comparison.before.parts,
        "after_parts": comparison.after.parts,
        "kept": len(difference.kept),
        "changes": [
            {"farm": comparison.farm_of(job), "how": how, "old": at(old), "new": at(new)}
            for job, how, old, new in (*moved, *added, *dropped)
        ],
    }


def told_change_values(week: ProposedWeek) -> list[dict[str, Any]]:
    """What a new plan of the booked week changes, as values."""

    def at(when: Any) -> dict[str, Any] | None:
        if when is None:
            return None
        crew, date, start, end = when
        return {"crew": crew.pk, "date": date, "start_at": start, "end_at": end}

    return [
        {"farm": change.farm.pk, "how": change.how, "old": at(change.old), "new": at(change.new)}
        for change in changes_of(week)
    ]
