"""Template tags about driving."""

from __future__ import annotations

from django import template

from scheduling.drives import Reckoned, how_reckoned, turn_words
from scheduling.travel.roads import Turn
from scheduling.travel.straight import Point
from scheduling.travel.trackfile import geo_link

register = template.Library()


@register.simple_tag
def reckoned(source: str) -> Reckoned:
    """{% reckoned week.travel_source as drives %}: drives.sentence, drives.warn."""
    return how_reckoned(source)


@register.filter
def turn(instruction: Turn) -> str:
    """{{ instruction|turn }}."""
    return turn_words(instruction)


@register.filter
def geo(place: Point) -> str:
    """{{ place|geo }}: an address that a phone opens in its own navigator."""
    return geo_link(place)
