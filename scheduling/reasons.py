"""Why a farm is visited, and why one was left out, as sentences for people."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils import formats
from django.utils.translation import gettext as _

from scheduling.models import LeftOut


def why_visited(reason: str) -> str:
    """The reason of a stop."""
    return {
        "request": _("asked for"),
        "recheck": _("rechecks due"),
        "standing": _("standing arrangement"),
        "confirmed": _("already booked"),
    }.get(reason, reason)


def why_left_out(row: LeftOut, currency: str) -> str:
    """One sentence: what stands in the way, and what would help."""
    details = row.details
    if details.get("booked"):
        return _("This visit is booked and stays booked, but the round it lies in breaks a rule: %(why)s") % {
            "why": _sentence(row, currency)
        }
    return _sentence(row, currency)


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
        "too-long": _("Even alone in a day, the work and the drive pass %(crew)s's longest day by %(over)s minutes."),
        "confirmed-in-the-way": _("It would fit with %(crew)s on %(day)s, but for visits already booked: %(farms)s."),
        "wash-down": _("It would fit with %(crew)s on %(day)s, but for the wash-down after a less clean herd."),
        "displaces": _(
            "The nearest place is %(crew)s on %(day)s, in place of %(farms)s; the week would cost %(extra)s more."
        ),
        "worth-less": _(
            "It would fit with %(crew)s on %(day)s, but the trip costs %(added)s, more than waiting for another week "
            "(%(skip_cost)s)."
        ),
        "no-room": _("Every crew's days are full, and no single exchange makes room."),
    }.get(row.reason)
    return text % values if text else row.reason


def _values(row: LeftOut, currency: str) -> dict[str, Any]:
    values = {name: value for name, value in row.details.items() if name != "farms"}
    values["farms"] = ", ".join(row.details.get("farms", ()))
    if isinstance(values.get("day"), int):
        date = row.week.monday + dt.timedelta(days=values["day"])
        values["day"] = formats.date_format(date, "l")
    for name in ("extra", "added", "skip_cost"):
        if name in values:
            values[name] = f"{values[name]} {currency}"
    return values
