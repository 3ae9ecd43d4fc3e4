"""How drives were reckoned, and what turns to take, as sentences for people."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from scheduling.travel.roads import Turn


@dataclass(frozen=True)
class Reckoned:
    """How the drives of a week or a round were made. warn: when they are estimates."""

    sentence: str
    warn: bool


def how_reckoned(source: str) -> Reckoned:
    """The source stored with a proposal, as a sentence."""
    made, *notes = source.split("|")
    values = dict(note.split("=", 1) for note in notes if "=" in note)
    straight, learned = int(values.get("straight", "0")), float(values.get("learned", "1"))
    parts = []
    warn = True
    if made.startswith("roads;"):
        warn = straight > 0
        parts.append(_("Drives are reckoned on the roads of your extract, as your rig drives them."))
        if straight:
            parts.append(
                ngettext(
                    "One way was not found there and is estimated by straight line.",
                    "%(n)s ways were not found there and are estimated by straight line.",
                    straight,
                )
                % {"n": straight}
            )
    elif made.startswith("server;"):
        warn = straight > 0
        parts.append(_("Drives are reckoned by your road server, no faster than your rig may tow."))
    elif "own:" in made:
        parts.append(
            _(
                "Drives are estimated from straight lines, with the detour and speed of your own recorded drives. Load "
                "the roads of your region to have real ones."
            )
        )
    elif made:
        parts.append(
            _(
                "Drives are estimated from straight lines with published factors: a river or a hill makes them far "
                "longer. Load the roads of your region to have real ones."
            )
        )
    else:
        return Reckoned("", warn=False)
    if abs(learned - 1) >= 0.01:
        percent = round((learned - 1) * 100)
        text = _("They are planned %(percent)s %% longer, as your own drives were.")
        if percent < 0:
            text = _("They are planned %(percent)s %% shorter, as your own drives were.")
        parts.append(text % {"percent": abs(percent)})
    return Reckoned(" ".join(parts), warn=warn)


def turn_words(turn: Turn) -> str:
    """One instruction of a drive."""
    onto = turn.road
    side = {
        "left": _("left"),
        "right": _("right"),
        "slight left": _("slightly left"),
        "slight right": _("slightly right"),
        "sharp left": _("sharp left"),
        "sharp right": _("sharp right"),
        "straight": _("straight on"),
        "uturn": _("round"),
    }.get(turn.way, "")
    if turn.kind == "depart":
        return _("Set off on %(road)s") % {"road": onto} if onto else _("Set off")
    if turn.kind == "arrive":
        return _("You are there")
    if turn.kind in {"roundabout", "rotary", "roundabout turn"}:
        return _("At the roundabout, leave onto %(road)s") % {"road": onto} if onto else _("Through the roundabout")
    if turn.kind in {"continue", "new name"} or turn.way == "straight":
        return _("Follow %(road)s") % {"road": onto} if onto else _("Straight on")
    if turn.way == "uturn":
        return _("Turn round")
    if onto and side:
        return _("Turn %(side)s onto %(road)s") % {"side": side, "road": onto}
    return _("Turn %(side)s") % {"side": side} if side else _("Go on")
