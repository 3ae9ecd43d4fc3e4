"""Why a farm is visited, and why one was left out, as sentences for people."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.utils import formats
from django.utils.translation import gettext as _

from scheduling.models import LeftOut
from trimmer.showing import show_minutes


def why_visited(reason: str) -> str:
    """The reason of a stop."""
    return {
        "request": _("asked for"),
        "recheck": _("rechecks due"),
        "standing": _("standing arrangement"),
        "confirmed": _("already booked"),
    }.get(reason, reason)


def why_left_out(row: LeftOut, currency: str) -> str:
    """What stands in the way, and what would help, in a sentence or two."""
    return " ".join(filter(None, (what_stands_in_the_way(row, currency), what_lets_it_in(row, currency))))


def what_stands_in_the_way(row: LeftOut, currency: str) -> str:
    """One sentence."""
    details = row.details
    if details.get("booked"):
        return _("This visit is booked and stays booked, but the round it lies in breaks a rule: %(why)s") % {
            "why": _sentence(row, currency)
        }
    return _sentence(row, currency)


def what_lets_it_in(row: LeftOut, currency: str) -> str:
    """The smallest change with which it is in the week, where it would be then, and what that costs; or that there is
    none, or was no time to find it. Empty where none was looked for."""
    details = row.details
    change = details.get("change")
    if change is None:
        if row.reason in _NO_CHANGE_HELPS or "searched" not in details:
            return ""
        if details["searched"]:
            return _("No single change lets it in.")
        return _("There was no time to find out what would let it in.")
    return " ".join(filter(None, (_condition(row, change, currency), _then(row, change, currency))))


_NO_CHANGE_HELPS = frozenset({"fits", "no-position", "off-road", "position-swapped", "no-crew-this-week", "taken-out"})


def _condition(row: LeftOut, change: dict[str, Any], currency: str) -> str:
    values = {"crew": "", "farm": "", "minutes": "", "amount": ""} | change
    values["day"] = _day_name(row, change["day"]) if "day" in change else ""
    values["minutes"] = show_minutes(change.get("minutes", 0))
    values["amount"] = f"{change.get('amount', '')} {currency}"
    text = {
        "longer-day": _("It fits if %(crew)s may be out %(minutes)s longer on %(day)s."),
        "back-later": _("It fits if %(crew)s may be back %(minutes)s later on %(day)s."),
        "leave-earlier": _("It fits if %(crew)s leaves %(minutes)s earlier on %(day)s."),
        "open-earlier": _("It fits if the farm can be reached %(minutes)s earlier on %(day)s."),
        "open-later": _("It fits if the work may end %(minutes)s later at the farm on %(day)s."),
        "split": _("It fits if the work may be spread over several visits."),
        "later-day": _("It fits if it may wait until %(day)s."),
        "earlier-day": _("It fits if it may be done from %(day)s on."),
        "day-suits": _("It fits if %(day)s suits the farm as well."),
        "due-later": _("It is worth the trip if it is due only on %(day)s."),
        "crew-goes-out": _("It fits if %(crew)s goes out on %(day)s."),
        "other-hour": _("It fits if the booked visit at %(farm)s may be at another hour of its day."),
        "other-day": _("It fits if the booked visit at %(farm)s may be on another day."),
        "any-chute": _("It fits if any chute will do."),
        "any-crew": _("It fits if any crew may do it."),
        "worth-more": _("It is worth the trip if waiting for another week costs %(amount)s or more."),
    }.get(change["kind"])
    return text % values if text else ""


def _then(row: LeftOut, change: dict[str, Any], currency: str) -> str:
    """Where the visit is then, what the rest of the week costs more, and what has to go."""
    where = ", ".join(
        _("%(crew)s on %(day)s at %(time)s")
        % {
            "crew": visit["crew"],
            "day": _day_name(row, visit["day"]),
            "time": formats.time_format(dt.time(visit["start"] // 60 % 24, visit["start"] % 60)),
        }
        for visit in change["visits"]
    )
    said = _("Then %(where)s.") % {"where": where}
    if Decimal(change["extra"]) > 0:
        extra = f"{change['extra']} {currency}"
        said = _("Then %(where)s; the week costs %(extra)s more.") % {"where": where, "extra": extra}
    if change["displaced"]:
        said += " " + _("Left for another week then: %(farms)s.") % {"farms": ", ".join(change["displaced"])}
    return said


def _day_name(row: LeftOut, day: int) -> str:
    return formats.date_format(row.week.monday + dt.timedelta(days=day), "l")


def _sentence(row: LeftOut, currency: str) -> str:
    values = _values(row, currency)
    text = {
        "no-position": _("The farm has no position on the map. Enter its latitude and longitude on the farm's page."),
        "off-road": _(
            "The farm lies %(metres)s m from the nearest road, which is at %(latitude)s, %(longitude)s. Correct its "
            "position, or set its gate on the map."
        ),
        "position-swapped": _("Latitude and longitude of the farm seem to have changed places. Correct its position."),
        "no-crew-this-week": _("No crew goes out on a day that is left of this week."),
        "no-day-suits": _("No day of this week suits: look at the days and access hours of the farm and its request."),
        "no-crew": _("No crew may do it."),
        "wrong-chute": _("It needs a chute that no crew has."),
        "no-crew-that-day": _("The crews that could do it do not go out on the days that suit the farm."),
        "confirmed-crew-off": _("%(crew)s does not go out on %(day)s."),
        "window-short": _("The work takes %(service)s minutes, longer than the farm is open at a stretch on any day."),
        "too-many-head": _("%(head)s head are more than the %(most)s a crew treats in a day."),
        "too-much-driving": _(
            "The way there takes %(drive)s minutes, out of proportion to the work, and nothing is due."
        ),
        "too-long": _("Even alone in a day, the work and the drive pass %(crew)s's longest day by %(over)s minutes."),
        "confirmed-in-the-way": _("It would fit with %(crew)s on %(day)s, but for visits already booked: %(farms)s."),
        "wash-down": _("It would fit with %(crew)s on %(day)s, but for the wash-down after a less clean herd."),
        "chute-busy": _("%(crew)s would have time for it on %(day)s, but tows another chute than it needs."),
        "latest-day": _("It would fit with %(crew)s on %(day)s, but that is later than it may be."),
        "day-too-long": _("The nearest place is %(crew)s on %(day)s: the day would be %(over)s too long."),
        "back-late": _("The nearest place is %(crew)s on %(day)s: the crew would be back %(over)s too late."),
        "window-missed": _(
            "The nearest place is %(crew)s on %(day)s: %(farms)s would be reached %(over)s too late for its access "
            "hours."
        ),
        "no-lunch": _("The nearest place is %(crew)s on %(day)s: lunch would be %(over)s too late."),
        "displaces": _(
            "The nearest place is %(crew)s on %(day)s, in place of %(farms)s; the week would cost %(extra)s more."
        ),
        "worth-less": _(
            "It would fit with %(crew)s on %(day)s, but the trip costs %(added)s, more than waiting for another week "
            "(%(skip_cost)s)."
        ),
        "fits": _(
            "There is room with %(crew)s on %(day)s for %(added)s, less than waiting for another week costs "
            "(%(skip_cost)s). Plan the week again."
        ),
        "no-room": _("Every crew's days are full, and no single exchange makes room."),
    }.get(row.reason)
    return text % values if text else row.reason


_NEAREST = frozenset({"day-too-long", "back-late", "window-missed", "no-lunch"})


def _values(row: LeftOut, currency: str) -> dict[str, Any]:
    values = {name: value for name, value in row.details.items() if name != "farms"}
    values["farms"] = ", ".join(row.details.get("farms", ()))
    if isinstance(values.get("day"), int):
        values["day"] = _day_name(row, values["day"])
    if row.reason in _NEAREST:
        values["over"] = show_minutes(values["over"])
    for name in ("extra", "added", "skip_cost"):
        if name in values:
            values[name] = f"{values[name]} {currency}"
    return values
