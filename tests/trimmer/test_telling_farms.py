"""A farm is told of its visits: the hours in the e-mail, and the file for its calendar."""

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.core import mail
from icalendar import Calendar

from tests.make import NOW, a_business, a_client, a_crew, a_farm, a_farm_person, a_visit
from trimmer.models import AskedVia, Contact, Farm, HeadKind, SentMessage, Urgency, Visit
from trimmer.services.requests import ask_for_visit
from trimmer.services.telling import recipients_at, tell_farm, write_calendar

pytestmark = pytest.mark.django_db

type Committing = Callable[..., Any]

NINE = dt.datetime(2026, 3, 6, 15, 0, tzinfo=dt.UTC)  # 09:00 in Chicago
NOON = dt.datetime(2026, 3, 6, 18, 0, tzinfo=dt.UTC)
FRIDAY = dt.date(2026, 3, 6)


@pytest.fixture
def farm() -> Farm:
    business = a_business(
        name="Hollin Hoof Care",
        time_zone="America/Chicago",
        language="en-US",
        email="office@hollin.example",
        phone="555 0100",
    )
    farm = a_farm(a_client(business), name="O'Hara's Flat", street="12 Mill Lane", city="Dunmore")
    Contact.objects.create(farm=farm, name="Una", email="una@example.test")
    return farm


def booked(farm: Farm, **fields: Any) -> Visit:
    values: dict[str, Any] = {
        "date": FRIDAY,
        "told_from": NINE,
        "told_to": NOON,
        "head": {HeadKind.COW: 60, HeadKind.LAME: 2},
    }
    crew = fields.pop("crew", None) or a_crew(farm.client.business, name="North crew")
    return a_visit(farm, crew, **(values | fields))


def events_of(calendar: bytes) -> list[Any]:
    return list(Calendar.from_ical(calendar).walk("VEVENT"))


def attached_calendar(message: Any) -> Calendar:
    part = next(part for part in message.message().walk() if part.get_content_type() == "text/calendar")
    return Calendar.from_ical(part.get_payload(decode=True))


def test_the_mail_says_day_hours_crew_and_head_as_the_business_reads_them(
    farm: Farm, django_capture_on_commit_callbacks: Committing
) -> None:
    visit = booked(farm)
    with django_capture_on_commit_callbacks(execute=True):
        tell_farm(visits=[visit], change="booked", now=NOW)

    (message,) = mail.outbox
    assert message.subject == "Hoof trimming at O'Hara's Flat: Fri, Mar 6, 9:00 AM–12:00 PM"
    assert "Fri, Mar 6, 2026, 9:00\N{NO-BREAK SPACE}AM–12:00\N{NO-BREAK SPACE}PM" in message.body
    assert "Crew: North crew" in message.body
    assert "60 × cow, routine trim, 2 × lame cow" in message.body
    assert "no cow should be kept from feed and bedding for more than 3 h" in message.body
    assert "O'Hara's Flat" in message.body
    assert "555 0100" in message.body
    assert f"/visits/{visit.pk}/trim-list" in message.body


def test_hours_follow_language_and_zone(django_capture_on_commit_callbacks: Committing) -> None:
    business = a_business(time_zone="Europe/Vienna", language="de-AT")
    farm = a_farm(a_client(business))
    Contact.objects.create(farm=farm, name="Resi", email="resi@example.test")

    with django_capture_on_commit_callbacks(execute=True):
        tell_farm(visits=[booked(farm)], change="booked", now=NOW)

    assert "Fr., 6. März 2026, 16:00–19:00" in mail.outbox[0].body


def test_the_calendar_file_keeps_the_hours_with_their_zone(
    farm: Farm, django_capture_on_commit_callbacks: Committing
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        tell_farm(visits=[booked(farm)], change="booked", now=NOW)

    calendar = attached_calendar(mail.outbox[0])
    (event,) = calendar.walk("VEVENT")
    assert calendar["METHOD"] == "PUBLISH"
    assert event["DTSTART"].dt == NINE
    assert event["DTSTART"].params["TZID"] == "America/Chicago"
    assert event["DTSTART"].dt.hour == 9
    assert event["DTEND"].dt == NOON
    assert [zone["TZID"] for zone in calendar.walk("VTIMEZONE")] == ["America/Chicago"]
    assert event["SUMMARY"] == "Hoof trimming at O'Hara's Flat"
    assert event["LOCATION"] == "O'Hara's Flat, 12 Mill Lane, Dunmore"
    assert event["ORGANIZER"] == "mailto:office@hollin.example"
    assert (event["STATUS"], event["SEQUENCE"]) == ("CONFIRMED", 0)


def test_hours_of_arrival_come_with_how_long_the_work_takes(
    farm: Farm, django_capture_on_commit_callbacks: Committing
) -> None:
    minutes = dt.timedelta(minutes=1)
    visit = booked(farm, told_to=NINE + 60 * minutes, planned_start=NINE + 11 * minutes, planned_end=NOON + 1 * minutes)
    with django_capture_on_commit_callbacks(execute=True):
        tell_farm(visits=[visit], change="booked", now=NOW)

    assert "The crew arrives in these hours; the work takes about 3 h." in mail.outbox[0].body
    (event,) = attached_calendar(mail.outbox[0]).walk("VEVENT")
    assert (event["DTSTART"].dt, event["DTEND"].dt) == (NINE, NOON + 1 * minutes)


def test_the_whole_hours_of_a_visit_say_how_long_it_takes_by_themselves(farm: Farm) -> None:
    assert booked(farm, planned_start=NINE, planned_end=NOON).work_minutes_told is None


def test_the_attachment_names_its_method(farm: Farm, django_capture_on_commit_callbacks: Committing) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        tell_farm(visits=[booked(farm)], change="booked", now=NOW)

    part = next(part for part in mail.outbox[0].message().walk() if part.get_content_type() == "text/calendar")
    assert part.get_param("method") == "PUBLISH"
    assert part.get_filename() == "visit.ics"


def test_lines_of_the_calendar_file_end_and_fold_as_rfc_5545_says(farm: Farm) -> None:
    calendar = write_calendar(
        visits=[booked(farm, head=dict.fromkeys(HeadKind.values, 1000))], cancelled=False, now=NOW
    )

    lines = calendar.split(b"\r\n")
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)
    assert lines[0] == b"BEGIN:VCALENDAR"


def test_each_change_keeps_the_uid_and_raises_the_sequence(farm: Farm) -> None:
    visit = booked(farm)
    first = events_of(write_calendar(visits=[visit], cancelled=False, now=NOW))[0]
    tell_farm(visits=[visit], change="booked", now=NOW)
    second = events_of(write_calendar(visits=[visit], cancelled=False, now=NOW))[0]
    tell_farm(visits=[visit], change="moved", now=NOW)
    third = events_of(write_calendar(visits=[visit], cancelled=True, now=NOW))[0]

    assert first["UID"] == second["UID"] == third["UID"]
    assert [event["SEQUENCE"] for event in (first, second, third)] == [0, 1, 2]
    assert Visit.objects.get().times_told == 2


def test_two_visits_have_two_uids(farm: Farm) -> None:
    crew = a_crew(farm.client.business)
    visits = [booked(farm, crew=crew), booked(farm, crew=crew, date=FRIDAY + dt.timedelta(days=3))]

    first, second = events_of(write_calendar(visits=visits, cancelled=False, now=NOW))

    assert first["UID"] != second["UID"]


def test_a_visit_without_hours_takes_the_whole_day(farm: Farm) -> None:
    visit = booked(farm, told_from=None, told_to=None)

    (event,) = events_of(write_calendar(visits=[visit], cancelled=False, now=NOW))

    assert event["DTSTART"].dt == FRIDAY
    assert "DTEND" not in event


def test_a_calendar_cancels(farm: Farm, django_capture_on_commit_callbacks: Committing) -> None:
    visit = booked(farm, told_at=NOW, times_told=1, cancel_reason="chute broken")

    with django_capture_on_commit_callbacks(execute=True):
        (told,) = tell_farm(visits=[visit], change="cancelled", now=NOW)

    calendar = attached_calendar(mail.outbox[0])
    (event,) = calendar.walk("VEVENT")
    assert told.change == "cancelled"
    assert (calendar["METHOD"], event["STATUS"], event["SEQUENCE"]) == ("CANCEL", "CANCELLED", 1)
    assert mail.outbox[0].subject == "Called off: hoof trimming at O'Hara's Flat, Fri, Mar 6"
    assert "Why: chute broken" in mail.outbox[0].body


def test_the_cancelling_of_a_visit_never_told_is_not_told(farm: Farm) -> None:
    assert tell_farm(visits=[booked(farm)], change="cancelled", now=NOW) == []


def test_a_move_of_a_visit_never_told_is_news(farm: Farm) -> None:
    (told,) = tell_farm(visits=[booked(farm)], change="moved", now=NOW)
    assert told.change == "booked"


def test_a_move_says_what_holds_now(farm: Farm, django_capture_on_commit_callbacks: Committing) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        tell_farm(visits=[booked(farm, told_at=NOW)], change="moved", now=NOW)

    assert mail.outbox[0].subject.startswith("Changed: hoof trimming at O'Hara's Flat, now Fri, Mar 6, 9:00")
    assert "What was said before no longer holds." in mail.outbox[0].body


def test_each_farm_gets_one_mail_for_all_its_days(farm: Farm, django_capture_on_commit_callbacks: Committing) -> None:
    crew = a_crew(farm.client.business)
    other = a_farm(farm.client, name="Far Acre")
    Contact.objects.create(farm=other, name="Ned", email="ned@example.test")
    monday = FRIDAY + dt.timedelta(days=3)
    visits = [booked(farm, crew=crew), booked(other, crew=crew), booked(farm, crew=crew, date=monday)]

    with django_capture_on_commit_callbacks(execute=True):
        tell_farm(visits=visits, change="booked", now=NOW)

    by_address = {message.to[0]: message for message in mail.outbox}
    assert set(by_address) == {"una@example.test", "ned@example.test"}
    assert by_address["una@example.test"].subject == "Hoof trimming at O'Hara's Flat: 2 days, from Fri, Mar 6"
    assert len(attached_calendar(by_address["una@example.test"]).walk("VEVENT")) == 2


def test_contacts_who_wish_it_and_people_who_may_ask_are_told_once(farm: Farm) -> None:
    Contact.objects.create(farm=farm, name="Vet", email="vet@example.test", told_of_visits=False)
    Contact.objects.create(farm=farm, name="Una again", email="UNA@example.test")
    asks = a_farm_person(farm.client, email="herd@example.test")
    a_farm_person(farm.client, email="bills@example.test", may_ask=False)
    a_farm_person(a_client(farm.client.business), email="stranger@example.test")
    a_farm_person(farm.client, email="gone@example.test", is_active=False)

    assert {address.lower() for address in recipients_at(farm)} == {"una@example.test", asks.user.email}


def test_a_farm_without_e_mail_is_named_so_that_somebody_calls(farm: Farm) -> None:
    farm.contacts.all().delete()
    visit = booked(farm)

    (told,) = tell_farm(visits=[visit], change="booked", now=NOW)

    assert (told.farm, told.recipients) == (farm, ())
    assert Visit.objects.get().told_at is None
    assert SentMessage.objects.count() == 0


def test_telling_is_noted_on_the_visit(farm: Farm) -> None:
    visit = booked(farm)

    tell_farm(visits=[visit], change="booked", now=NOW)

    assert visit.told_at == Visit.objects.get().told_at == NOW
    assert SentMessage.objects.of(farm.client.business).get().kind == "visit_booked"


def ask(farm: Farm, via: AskedVia) -> None:
    head: dict[str, int] = {HeadKind.LAME: 2}
    ask_for_visit(farm=farm, head=head, urgency=Urgency.URGENT, note="RH swollen", via=via, by=None, now=NOW)


def test_the_business_is_told_that_a_farm_asks(farm: Farm, django_capture_on_commit_callbacks: Committing) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        ask(farm, AskedVia.FARM)
    (message,) = mail.outbox
    assert (message.to, message.subject) == (["office@hollin.example"], "O'Hara's Flat asks for a visit (urgent)")
    assert "2 × lame cow" in message.body
    assert "RH swollen" in message.body


def test_what_the_office_took_by_phone_it_knows(farm: Farm, django_capture_on_commit_callbacks: Committing) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        ask(farm, AskedVia.PHONE)
    assert mail.outbox == []
