"""Farms are told: of a visit's day and hours, with a file for their calendar; of a request that was declined."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from email.utils import parseaddr
from itertools import groupby
from typing import Final, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import transaction
from django.db.models import F
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from icalendar import Calendar, Event, Timezone, vCalAddress, vGeo, vText

from trimmer import showing
from trimmer.access import business_locale
from trimmer.models import Business, Farm, FarmPerson, Visit, VisitRequest, VisitState
from trimmer.services.messages import send_message, write_body

Change = Literal["booked", "moved", "cancelled"]

PRODUCT: Final = "-//Trimround//Visits//EN"


@dataclass(frozen=True, slots=True)
class Told:
    """What one farm was told, and whom the e-mail goes to. No recipients: nobody there has an e-mail, so call them."""

    farm: Farm
    change: Change
    visits: tuple[Visit, ...]
    recipients: tuple[str, ...]


def recipients_at(farm: Farm) -> tuple[str, ...]:
    """E-mail addresses told of visits: contacts of the farm that wish it, and the client's people who may ask."""
    contacts = farm.contacts.filter(told_of_visits=True).exclude(email="").values_list("email", flat=True)
    people = FarmPerson.objects.filter(client=farm.client_id, may_ask=True, user__is_active=True).order_by("pk")
    addresses = [*contacts, *people.values_list("user__email", flat=True)]
    return tuple({address.strip().lower(): address.strip() for address in addresses}.values())


@transaction.atomic
def tell_farm(*, visits: Sequence[Visit], change: Change, now: dt.datetime) -> list[Told]:
    """Write to each farm once about all of its `visits`, with a calendar file (RFC 5545), on commit.

    A change of a visit the farm was never told of is news to it ("booked"); its cancelling is not told at all.
    Sets `told_at` (of the visits passed in, too) where there is somebody to write to. The answer says who that is.
    """
    news = [(visit, _as_the_farm_sees_it(visit, change)) for visit in visits]
    known = sorted(
        ((visit, seen) for visit, seen in news if seen),
        key=lambda pair: (pair[0].farm_id, pair[1], pair[0].date, pair[0].pk),
    )
    return [
        _tell(tuple(visit for visit, _seen in group), seen, now)
        for (_farm, seen), group in groupby(known, key=lambda pair: (pair[0].farm_id, pair[1]))
    ]


@transaction.atomic
def tell_declined(*, request: VisitRequest, now: dt.datetime) -> tuple[str, ...]:
    """Write to the farm that its request was declined, and why. Says to whom."""
    farm, business = request.farm, request.farm.client.business
    recipients = recipients_at(farm)
    with business_locale(business):
        subject = _("Your request for a visit at %(farm)s") % {"farm": farm.name}
    body = write_body(
        business=business,
        template="trimmer/mail/request_declined.txt",
        farm=farm,
        asked_on=showing.show_day(showing.to_local(request.asked_at, business.time_zone).date(), business.language),
        reason=request.answer,
        link=_link("request-page", request.pk),
    )
    send_message(
        business=business,
        client=farm.client,
        kind="request_declined",
        recipients=recipients,
        subject=subject,
        body=body,
        now=now,
    )
    return recipients


@transaction.atomic
def tell_of_request(*, request: VisitRequest, now: dt.datetime) -> None:
    """Write to the business that a farm asks for a visit, the urgency in the subject. Nothing without its e-mail."""
    farm, business = request.farm, request.farm.client.business
    with business_locale(business):
        subject = _("%(farm)s asks for a visit (%(urgency)s)") % {
            "farm": farm.name,
            "urgency": request.get_urgency_display(),
        }
        head = [f"{row.count} × {row.get_kind_display()}" for row in request.head.all()]
    body = write_body(
        business=business,
        template="trimmer/mail/request_made.txt",
        farm=farm,
        request=request,
        head=head,
        due_on=showing.show_day(request.due_on, business.language) if request.due_on else "",
        link=_link("request-page", request.pk),
    )
    send_message(
        business=business,
        client=farm.client,
        kind="request_made",
        recipients=[business.email],
        subject=subject,
        body=body,
        now=now,
    )


def write_calendar(*, visits: Sequence[Visit], cancelled: bool, now: dt.datetime) -> bytes:
    """The visits of one farm as an iCalendar file (RFC 5545; methods PUBLISH and CANCEL as in RFC 5546).

    Each visit keeps its UID for good; its SEQUENCE is how often it was told before.
    """
    business = visits[0].farm.client.business
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", "CANCEL" if cancelled else "PUBLISH")
    with business_locale(business):
        for visit in visits:
            calendar.add_component(_event(visit, business, cancelled=cancelled, now=now))
    calendar.add_missing_timezones()
    return bytes(calendar.to_ical())


def write_feed(*, visits: Sequence[Visit], business: Business, name: str, now: dt.datetime) -> bytes:
    """Visits of one business as a feed for calendar programs (RFC 5545, with the name and refresh of RFC 7986)."""
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("name", name)
    calendar.add("refresh-interval", dt.timedelta(hours=1), parameters={"value": "DURATION"})
    if not visits:  # a calendar must have a component
        calendar.add_component(Timezone.from_tzid(business.time_zone))
    for visit in visits:
        calendar.add_component(_event(visit, business, cancelled=visit.state == VisitState.CANCELLED, now=now))
    calendar.add_missing_timezones()
    return bytes(calendar.to_ical())


def _as_the_farm_sees_it(visit: Visit, change: Change) -> Change | None:
    if visit.told_at is not None:
        return change
    return None if change == "cancelled" else "booked"


def _tell(visits: tuple[Visit, ...], change: Change, now: dt.datetime) -> Told:
    farm = visits[0].farm
    business = farm.client.business
    recipients = recipients_at(farm)
    if not recipients:
        return Told(farm, change, visits, recipients)
    calendar = write_calendar(visits=visits, cancelled=change == "cancelled", now=now)
    method = "CANCEL" if change == "cancelled" else "PUBLISH"
    with business_locale(business):
        subject = _subject(visits, change, business)
        stops = [_stop(visit, business) for visit in visits]
    body = write_body(
        business=business,
        template=f"trimmer/mail/visit_{change}.txt",
        farm=farm,
        stops=stops,
        lock_up_hours=showing.show_number(farm.lock_up_hours.normalize(), business.language),
    )
    send_message(
        business=business,
        client=farm.client,
        kind=f"visit_{change}",
        recipients=recipients,
        subject=subject,
        body=body,
        attachments=[("visit.ics", calendar, f"text/calendar; method={method}")],
        now=now,
    )
    Visit.objects.filter(pk__in=[visit.pk for visit in visits]).update(told_at=now, times_told=F("times_told") + 1)
    for visit in visits:
        visit.told_at = now
        visit.times_told += 1
    return Told(farm, change, visits, recipients)


def told_hours(visit: Visit) -> tuple[dt.datetime, dt.datetime] | None:
    """The hours the farm is told: those set for it, else the planned ones."""
    start = visit.told_from or visit.planned_start
    end = visit.told_to or visit.planned_end
    return (start, end) if start and end else None


def _subject(visits: Sequence[Visit], change: Change, business: Business) -> str:
    first = visits[0]
    values = {
        "farm": first.farm.name,
        "day": showing.show_day(first.date, business.language, year=False),
        "hours": _hours(first, business),
        "count": len(visits),
    }
    if change == "cancelled":
        return _("Called off: hoof trimming at %(farm)s, %(day)s") % values
    if len(visits) > 1:
        several = ngettext(
            "Hoof trimming at %(farm)s: %(count)s day, from %(day)s",
            "Hoof trimming at %(farm)s: %(count)s days, from %(day)s",
            len(visits),
        )
        return several % values
    if change == "moved":
        return _("Changed: hoof trimming at %(farm)s, now %(day)s, %(hours)s") % values
    return _("Hoof trimming at %(farm)s: %(day)s, %(hours)s") % values


def _stop(visit: Visit, business: Business) -> dict[str, object]:
    """A visit as lines of an e-mail."""
    return {
        "day": showing.show_day(visit.date, business.language),
        "hours": _hours(visit, business),
        "work": showing.show_minutes(visit.work_minutes_told) if visit.work_minutes_told else "",
        "crew": visit.crew.name,
        "head": _head(visit),
        "reason": visit.cancel_reason,
        "trim_list": _link("trim-list", visit.pk),
        "page": _link("visit-page", visit.pk),
    }


def _hours(visit: Visit, business: Business) -> str:
    told = told_hours(visit)
    return showing.show_hours(*told, business.language, business.time_zone) if told else _("any time of the day")


def _head(visit: Visit) -> str:
    return ", ".join(f"{row.planned} × {row.get_kind_display()}" for row in visit.head.all() if row.planned)


def _event(visit: Visit, business: Business, *, cancelled: bool, now: dt.datetime) -> Event:
    farm = visit.farm
    event = Event()
    event.add("uid", f"visit-{visit.pk}@{urlsplit(settings.SITE_URL).hostname or 'trimround.invalid'}")
    event.add("sequence", visit.times_told)
    event.add("dtstamp", now.astimezone(dt.UTC))
    if told := told_hours(visit):
        zone = ZoneInfo(business.time_zone)
        event.add("dtstart", told[0].astimezone(zone))
        event.add("dtend", max(told[1], visit.planned_end or told[1]).astimezone(zone))
    else:
        event.add("dtstart", visit.date)
    event.add("summary", _("Hoof trimming at %(farm)s") % {"farm": farm.name})
    event.add("description", _description(visit, business))
    if lines := farm.address_lines():
        event.add("location", ", ".join([farm.name, *lines]))
    if farm.latitude is not None and farm.longitude is not None:
        event.add("geo", vGeo((farm.latitude, farm.longitude)))
    organizer = vCalAddress(f"mailto:{business.email or parseaddr(settings.DEFAULT_FROM_EMAIL)[1]}")
    organizer.params["cn"] = vText(business.name)
    event.add("organizer", organizer, encode=False)
    event.add("status", "CANCELLED" if cancelled else "CONFIRMED")
    event.add("url", _link("visit-page", visit.pk))
    return event


def _description(visit: Visit, business: Business) -> str:
    lines = [_("%(business)s, crew %(crew)s.") % {"business": business.name, "crew": visit.crew.name}, _head(visit)]
    lines.append(_("Trim list: %(link)s") % {"link": _link("trim-list", visit.pk)})
    return "\n".join(line for line in lines if line)


def _link(name: str, key: int) -> str:
    return str(settings.SITE_URL) + reverse(name, args=[key])
