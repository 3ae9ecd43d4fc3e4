"""How a line was reckoned, as a sentence: it stands under the line, on the page and in the file."""

from __future__ import annotations

from decimal import Decimal

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from billing.charges.prices import DISTANCE_MILE, How
from billing.charges.share import WHOLE
from trimmer.models import Business
from trimmer.showing import show_money, show_number, show_percent


def how_words(how: How | None, business: Business) -> str:
    """The sentence, in the language that is on; nothing where the line says it all."""
    if how is None:
        return ""
    figures = {name: _shown(name, value, business) for name, value in how.figures.items()}
    match how.code:
        case "round_share":
            text = _("round of %(distance)s %(unit)s, your share %(share)s of %(whole)s")
        case "round":
            text = _("round of %(distance)s %(unit)s")
        case "zone":
            text = _("zone at %(distance)s %(unit)s from our base")
        case "volume":
            text = _("more than %(above)s: this price for all")
        case "graduated":
            text = _("above %(first)s up to %(last)s") if how.figures["first"] else _("up to %(last)s")
        case "free_recheck":
            text = ngettext("free within %(days)s day", "free within %(days)s days", int(how.figures["days"]))
        case _:
            return ""
    return text % figures


def _shown(name: str, value: Decimal | int | str, business: Business) -> str:
    if name == "unit":
        return _("mi") if value == DISTANCE_MILE else _("km")
    if name == "share":
        return show_percent(Decimal(value) / WHOLE, business.language, 1)
    if name == "whole":
        return show_money(Decimal(value), business.currency, business.language)
    if isinstance(value, Decimal):
        return show_number(value.normalize(), business.language)
    return str(value)
