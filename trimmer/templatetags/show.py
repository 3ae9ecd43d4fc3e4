"""Tags that show money, lengths, durations, dates and states as the business at hand reads them.

The business is `business` in the context: pages get it from trimmer.context.page_frame, e-mails and documents put it
there themselves.
An absent value shows as an empty string.
"""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, Final

from django import template
from django.template import Context
from django.utils.html import format_html
from django.utils.safestring import SafeString

from trimmer import showing
from trimmer.models import Business

register = template.Library()

# Which states call for what: good = done, info = agreed, warn = somebody must act, bad = went wrong, quiet = over.
TONES: Final = {
    "accepted": "good",
    "booked": "info",
    "cancelled": "quiet",
    "checking": "info",
    "closed": "good",
    "confirmed": "info",
    "credited": "quiet",
    "declined": "bad",
    "done": "good",
    "draft": "quiet",
    "dropped": "quiet",
    "due": "warn",
    "failed": "bad",
    "faulty": "bad",
    "issued": "info",
    "open": "warn",
    "overdue": "bad",
    "paid": "good",
    "part_paid": "warn",
    "planning": "info",
    "proposed": "warn",
    "ready": "warn",
    "routine": "quiet",
    "running": "info",
    "soon": "warn",
    "stored": "good",
    "storing": "info",
    "under_way": "warn",
    "urgent": "bad",
    "waiting": "quiet",
    "withdrawn": "quiet",
}


def business_of(context: Context) -> Business:
    business = context.get("business")
    if isinstance(business, Business):
        return business
    seat = getattr(context.get("request"), "seat", None)
    return seat.business if seat is not None else Business()


@register.simple_tag(takes_context=True)
def money(context: Context, amount: Decimal | int | None, currency: str = "") -> str:
    """{% money invoice.total invoice.currency %}; without a currency, the business's."""
    if amount is None or amount == "":
        return ""
    business = business_of(context)
    return showing.show_money(amount, currency or business.currency, business.language)


@register.simple_tag(takes_context=True)
def number(context: Context, value: Decimal | float | None, places: int | None = None) -> str:
    """{% number 1234.5 %} with the language's signs; a second argument fixes the decimals."""
    if value is None or value == "":
        return ""
    return showing.show_number(Decimal(str(value)), business_of(context).language, places)


@register.simple_tag(takes_context=True)
def percent(context: Context, share: Decimal | float | None, places: int = 0) -> str:
    """{% percent 0.125 1 %}: a share of 1 as per cent."""
    if share is None or share == "":
        return ""
    return showing.show_percent(Decimal(str(share)), business_of(context).language, places)


@register.simple_tag(takes_context=True)
def distance(context: Context, metres: Decimal | float | None) -> str:
    """{% distance visit.planned_metres %} in km or miles, as the business counts."""
    if metres is None or metres == "":
        return ""
    business = business_of(context)
    return showing.show_distance(Decimal(str(metres)), business.units, business.language)


@register.simple_tag
def minutes(count: Decimal | float | None) -> str:
    """{% minutes 125 %}: 2 h 05 min."""
    if count is None or count == "":
        return ""
    return showing.show_minutes(count)


@register.simple_tag(takes_context=True)
def day(context: Context, value: date | None, style: str = "") -> SafeString:
    """{% day visit.date %}: Wed 4 Mar 2026; style "short" has no year, "plain" no weekday, "numbers" is figures."""
    if not value:
        return SafeString("")
    business = business_of(context)
    if isinstance(value, datetime):
        value = showing.to_local(value, business.time_zone).date()
    if style == "numbers":
        text = showing.show_day_in_numbers(value, business.language)
    else:
        text = showing.show_day(value, business.language, year=style != "short", weekday=style != "plain")
    return format_html('<time datetime="{}">{}</time>', value.isoformat(), text)


@register.simple_tag(takes_context=True)
def days(context: Context, first: date | None, last: date | None) -> str:
    """{% days week.monday week.sunday %}: a span of dates; open at the end that is absent."""
    language = business_of(context).language
    if first and last:
        return showing.show_days(first, last, language)
    if first:
        return f"{showing.show_day(first, language, weekday=False)} \N{EN DASH}"
    if last:
        return f"\N{EN DASH} {showing.show_day(last, language, weekday=False)}"
    return ""


@register.simple_tag(takes_context=True)
def weekday(context: Context, value: date | None) -> str:
    """{% weekday visit.date %}: the weekday's whole name."""
    return showing.show_weekday(value, business_of(context).language) if value else ""


@register.simple_tag(takes_context=True)
def when(context: Context, moment: datetime | None, style: str = "") -> SafeString:
    """{% when job.finished_at %}: date and time on the business's clock; style "short" leaves off the year."""
    if not moment:
        return SafeString("")
    business = business_of(context)
    text = showing.show_when(moment, business.language, business.time_zone, year=style != "short")
    return format_html('<time datetime="{}">{}</time>', moment.isoformat(), text)


@register.simple_tag(takes_context=True)
def clock(context: Context, moment: datetime | time | None) -> SafeString:
    """{% clock visit.arrives_at %}: the time of day on the business's clock. A plain time is shown as it is."""
    if moment is None or moment == "":
        return SafeString("")
    business = business_of(context)
    text = showing.show_clock(moment, business.language, business.time_zone)
    return format_html('<time datetime="{}">{}</time>', moment.isoformat(), text)


@register.simple_tag(takes_context=True)
def hours(context: Context, start: datetime | None, end: datetime | None) -> str:
    """{% hours visit.told_from visit.told_to %}: 08:30-10:15 on the business's clock; one time when one is absent."""
    business = business_of(context)
    if start and end:
        return showing.show_hours(start, end, business.language, business.time_zone)
    moment = start or end
    return showing.show_clock(moment, business.language, business.time_zone) if moment else ""


@register.simple_tag
def badge(label: Any, tone: str = "quiet") -> SafeString:
    """{% badge _("Late") "warn" %}: a small tag; tones good, info, warn, bad, quiet."""
    return format_html('<span class="badge {}">{}</span>', tone, label) if label else SafeString("")


@register.simple_tag
def state_badge(thing: Any, field: str = "state") -> SafeString:
    """{% state_badge visit %}: the thing's state in words, coloured by what it calls for; another field by its name."""
    code = getattr(thing, field, "")
    label = getattr(thing, f"get_{field}_display", None)
    return badge(label() if callable(label) else code, TONES.get(str(code), "quiet"))
