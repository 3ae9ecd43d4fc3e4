"""The rules of a week as sentences: why a visit cannot be at a place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext as _

from scheduling import planner
from trimmer.showing import show_minutes


def rule_sentence(
    code: str, *, farm: str, job: planner.Job | None = None, day: int | None = None, **params: Any
) -> str:
    """One sentence for a rule the planner's evaluation or its checker names. farm: the one it fails at; job and day
    let it say which of the rules about days it is."""
    if code == "day-does-not-suit" and job is not None and day is not None:
        code = _which_day_rule(job, day)
    text = _sentences().get(code)
    if text is None:
        return _("A rule of the week forbids it (%(code)s).") % {"code": code}
    return text % (_shown(params) | {"farm": farm})


def _which_day_rule(job: planner.Job, day: int) -> str:
    if day < job.earliest_day:
        return "too-early"
    if job.latest_day is not None and day > job.latest_day:
        return "too-late"
    return "day-does-not-suit"


def _shown(params: Mapping[str, Any]) -> dict[str, Any]:
    """Minutes as durations, and all places there may be in a sentence."""
    shown: dict[str, Any] = {"over": "", "service": "", "work": "", "drive": ""}
    for name, value in params.items():
        shown[name] = show_minutes(value) if name in shown and isinstance(value, int | float) else value
    return shown


def _sentences() -> dict[str, str]:
    return {
        "crew-off": _("The crew does not go out that day."),
        "not-for-crew": _("%(farm)s is kept for another crew."),
        "wrong-chute": _("%(farm)s needs another chute than this crew tows."),
        "confirmed-elsewhere": _("%(farm)s has its crew and day already, by a booking or a pin."),
        "day-does-not-suit": _("%(farm)s takes no visit that day."),
        "too-early": _("%(farm)s may not be visited so early in the week."),
        "too-late": _("%(farm)s may not be visited so late in the week."),
        "not-last": _("Nothing may follow %(farm)s that day: its herd is to be the last of a round."),
        "visit-too-long": _("A visit of %(work)s at %(farm)s is longer than one visit there may be."),
        "window-short": _(
            "The work at %(farm)s takes %(service)s, longer than the farm is open at a stretch that day."
        ),
        "window-missed": _("%(farm)s would be reached %(over)s too late for its access hours."),
        "back-late": _("The crew would be back at base %(over)s after its hours end."),
        "day-too-long": _("The day would be %(over)s longer than the crew's longest day."),
        "no-lunch": _("No time would be left for lunch within its hours."),
        "too-much-driving": _("The drive of %(drive)s is out of proportion to the work."),
        "too-many-head": _("The crew would have %(head)s head that day, more than the %(most)s it treats at most."),
        "night-without-a-round": _("The night away needs a round on the day before it and on the day after."),
        "two-visits-in-a-day": _("%(farm)s has a visit that day already."),
        "visited-twice": _("%(farm)s has a visit in that round already."),
        "split-against-rules": _("The work at %(farm)s cannot be split in this way."),
        "several-visits": _(
            "The work at %(farm)s is split over several visits: pin their crews and days, not an hour."
        ),
        "no-room": _("No round of this week has room for %(farm)s."),
    }
