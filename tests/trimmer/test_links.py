"""Links that let somebody in: signing in once, a calendar's private address, the veterinarian's view of a herd."""

from __future__ import annotations

import datetime as dt
import re
from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from django.core import mail
from django.core.cache import cache
from django.test import Client as Browser
from icalendar import Calendar

from tests import make
from tests.make import NOW
from trimmer.access import Seat
from trimmer.models import Farm, FarmPerson, SignInLink, VetLink, VisitState
from trimmer.secret import SECRET_BYTES
from trimmer.services import links
from trimmer.services.visits import cancel_visit

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _no_tries_counted() -> None:
    cache.clear()


@pytest.fixture
def farmer() -> Seat:
    client = make.a_client(make.a_business(time_zone="Europe/Dublin"))
    return make.a_farm_person(client)


def sent_secret(capture: Any, email: str, now: dt.datetime = NOW) -> str:
    """The secret of the link that was e-mailed."""
    with capture(execute=True):
        links.send_sign_in_link(email=email, now=now)
    found = re.search(r"/sign-in-link/([\w-]+)", str(mail.outbox[-1].body))
    assert found
    return found[1]


# Signing in


def test_a_link_signs_in_once(farmer: Seat, django_capture_on_commit_callbacks: Any) -> None:
    secret = sent_secret(django_capture_on_commit_callbacks, farmer.user.email.upper())
    browser = Browser()
    with time_machine.travel(NOW, tick=False):
        assert farmer.user.email in browser.get(f"/sign-in-link/{secret}").content.decode()
        assert browser.get("/account").status_code == HTTPStatus.FOUND  # opening it is not using it
        assert browser.post(f"/sign-in-link/{secret}").headers["Location"] == "/"
        assert browser.get("/account").status_code == HTTPStatus.OK
        again = Browser().post(f"/sign-in-link/{secret}")
    assert again.status_code == HTTPStatus.GONE
    assert "works once" in again.content.decode()


def test_a_link_is_too_old_after_twenty_minutes(farmer: Seat, django_capture_on_commit_callbacks: Any) -> None:
    secret = sent_secret(django_capture_on_commit_callbacks, farmer.user.email)
    with time_machine.travel(NOW + dt.timedelta(minutes=20), tick=False):
        answer = Browser().get(f"/sign-in-link/{secret}")
    assert answer.status_code == HTTPStatus.GONE
    assert "20 minutes" in answer.content.decode()


def test_a_newer_link_ends_the_one_before(farmer: Seat, django_capture_on_commit_callbacks: Any) -> None:
    first = sent_secret(django_capture_on_commit_callbacks, farmer.user.email)
    second = sent_secret(django_capture_on_commit_callbacks, farmer.user.email)
    with pytest.raises(links.LinkExpired):
        links.use_sign_in_link(secret=first, now=NOW)
    assert links.use_sign_in_link(secret=second, now=NOW) == farmer.user


def test_a_link_cannot_be_guessed() -> None:
    """256 random bits, of which only the hash is kept."""
    assert SECRET_BYTES * 8 == 256
    assert Browser().get("/sign-in-link/" + "a" * 43).status_code == HTTPStatus.NOT_FOUND


def test_whoever_is_not_known_gets_the_same_answer_and_no_message(farmer: Seat) -> None:
    known, unknown = (
        Browser().post("/sign-in-link", {"email": email}).content.decode().replace(email, "")
        for email in (farmer.user.email, "nobody@example.test")
    )
    csrf = r'csrfmiddlewaretoken" value="\w+|X-CSRFToken[^}]*'
    assert re.sub(csrf, "", known) == re.sub(csrf, "", unknown)
    assert SignInLink.objects.count() == 1


@pytest.mark.parametrize("away", ["inactive", "no place"])
def test_who_sits_nowhere_gets_no_link(farmer: Seat, away: str) -> None:
    if away == "inactive":
        type(farmer.user).objects.filter(pk=farmer.user.pk).update(is_active=False)
    else:
        FarmPerson.objects.all().delete()
    links.send_sign_in_link(email=farmer.user.email, now=NOW)
    assert not SignInLink.objects.exists()


def test_five_links_an_hour_are_enough(farmer: Seat) -> None:
    for minute in range(7):
        links.send_sign_in_link(email=farmer.user.email, now=NOW + dt.timedelta(minutes=minute))
    assert SignInLink.objects.count() == 5
    links.send_sign_in_link(email=farmer.user.email, now=NOW + dt.timedelta(minutes=61))
    assert SignInLink.objects.count() == 6


@pytest.mark.parametrize("path", ["/sign-in-link/none", "/vet/none", "/calendar/none.ics"])
def test_guessing_is_braked(path: str) -> None:
    with time_machine.travel(NOW, tick=False):
        answers = [Browser().get(path).status_code for _ in range(32)]
    assert answers[0] == HTTPStatus.NOT_FOUND
    assert answers[-1] == HTTPStatus.TOO_MANY_REQUESTS


def test_asking_for_links_is_braked() -> None:
    with time_machine.travel(NOW, tick=False):
        answers = [Browser().post("/sign-in-link", {"email": "a@b.test"}).status_code for _ in range(32)]
    assert answers[-1] == HTTPStatus.TOO_MANY_REQUESTS


# The calendar


@pytest.fixture
def farm(farmer: Seat) -> Farm:
    assert farmer.client is not None
    return make.a_farm(farmer.client, name="Alder Bank")


def feed_at(address: str) -> tuple[int, bytes]:
    answer = Browser().get("/" + address.split("/", 3)[3])
    return answer.status_code, answer.content


def test_a_farm_subscribes_to_its_visits(farmer: Seat, farm: Farm) -> None:
    crew = make.a_crew(farmer.business)
    told = make.a_visit(farm, crew, told_at=NOW)
    make.a_visit(farm, crew, date=make.TODAY + dt.timedelta(days=2))  # planned, not told
    called_off = make.a_visit(farm, crew, date=make.TODAY + dt.timedelta(days=3), told_at=NOW)
    cancel_visit(visit=called_off, reason="the herd is sold", by=farmer.user, now=NOW)
    with time_machine.travel(NOW, tick=False):
        code, text = feed_at(links.change_calendar_address(seat=farmer, now=NOW))
    events = Calendar.from_ical(text).walk("VEVENT")
    assert code == HTTPStatus.OK
    assert [str(event["status"]) for event in events] == ["CONFIRMED", "CANCELLED"]
    assert str(events[0]["uid"]).startswith(f"visit-{told.pk}@")


def test_a_trimmer_subscribes_to_the_rounds_of_their_crew(farmer: Seat, farm: Farm) -> None:
    trimmer = make.a_member(farmer.business, "trimmer")
    own, other = make.a_crew(farmer.business), make.a_crew(farmer.business)
    own.members.add(trimmer.user)
    visit = make.a_visit(farm, own)
    make.a_visit(farm, other)
    with time_machine.travel(NOW, tick=False):
        _code, text = feed_at(links.change_calendar_address(seat=trimmer, now=NOW))
    (event,) = Calendar.from_ical(text).walk("VEVENT")
    assert str(event["uid"]).startswith(f"visit-{visit.pk}@")


def test_a_calendar_without_visits_is_one(farmer: Seat) -> None:
    code, text = feed_at(links.change_calendar_address(seat=farmer, now=NOW))
    assert code == HTTPStatus.OK
    assert Calendar.from_ical(text).walk("VTIMEZONE")


def test_a_new_address_ends_the_one_before(farmer: Seat) -> None:
    first = links.change_calendar_address(seat=farmer, now=NOW)
    second = links.change_calendar_address(seat=farmer, now=NOW)
    assert feed_at(first)[0] == HTTPStatus.NOT_FOUND
    assert feed_at(second)[0] == HTTPStatus.OK


def test_a_calendar_ends_with_the_place(farmer: Seat) -> None:
    address = links.change_calendar_address(seat=farmer, now=NOW)
    FarmPerson.objects.all().delete()
    assert feed_at(address)[0] == HTTPStatus.NOT_FOUND


def test_the_address_is_shown_once(farmer: Seat) -> None:
    browser = make.signed_in(farmer)
    assert "Make a new address" in browser.get("/account").content.decode()
    text = browser.post("/calendar/change").content.decode()
    assert re.search(r"/calendar/[\w-]{43}\.ics", text)


# The veterinarian


def test_the_veterinarian_reads_the_herd_and_no_money(farmer: Seat, farm: Farm) -> None:
    record = make.a_record(make.a_visit(farm, make.a_crew(farmer.business)), make.an_animal(farm, number="4711"))
    record.findings.create(foot="LH", claw="outer", lesion="SU", zone=4)
    text = make.signed_in(farmer).post(f"/farms/{farm.pk}/vet-links", {"name": " Dr  Brook "}).content.decode()
    found = re.search(r"/vet/([\w-]{43})", text)
    assert found
    with time_machine.travel(NOW, tick=False):
        page = Browser().get(f"/vet/{found[1]}").content.decode()
        table = Browser().get(f"/vet/{found[1]}/records.csv").content.decode()
        paper = Browser().get(f"/vet/{found[1]}/report.pdf").content
    assert "4711" in page
    assert "Sole ulcer" in page
    assert "€" not in page
    assert "4711" in table
    assert paper.startswith(b"%PDF")
    link = VetLink.objects.get()
    assert (link.name, link.opened_at is None) == ("Dr Brook", False)


def test_a_withdrawn_link_shows_nothing(farmer: Seat, farm: Farm) -> None:
    link, address = links.give_vet_link(farm=farm, name="Dr Brook", by=farmer.user, now=NOW)
    make.signed_in(farmer).post(f"/vet-links/{link.pk}/withdraw")
    answer = Browser().get("/" + address.split("/", 3)[3])
    assert answer.status_code == HTTPStatus.NOT_FOUND
    assert farm.name not in answer.content.decode()


def test_a_link_ends_with_the_farm(farmer: Seat, farm: Farm) -> None:
    _link, address = links.give_vet_link(farm=farm, name="Dr Brook", by=farmer.user, now=NOW)
    Farm.objects.filter(pk=farm.pk).update(archived_at=NOW)
    assert Browser().get("/" + address.split("/", 3)[3]).status_code == HTTPStatus.NOT_FOUND


def test_a_link_without_a_name_is_refused(farmer: Seat, farm: Farm) -> None:
    with pytest.raises(links.VetNeedsName):
        links.give_vet_link(farm=farm, name="  ", by=farmer.user, now=NOW)


def test_who_may_not_ask_may_not_give(farmer: Seat, farm: Farm) -> None:
    FarmPerson.objects.update(may_ask=False)
    assert make.signed_in(farmer).post(f"/farms/{farm.pk}/vet-links", {"name": "x"}).status_code == HTTPStatus.FORBIDDEN


def test_no_visit_is_lost_from_the_feed_by_its_state(farmer: Seat, farm: Farm) -> None:
    crew = make.a_crew(farmer.business)
    make.a_visit(farm, crew, told_at=NOW, state=VisitState.DONE, date=make.TODAY - dt.timedelta(days=59))
    make.a_visit(farm, crew, told_at=NOW, state=VisitState.DONE, date=make.TODAY - dt.timedelta(days=61))
    with time_machine.travel(NOW, tick=False):
        _code, text = feed_at(links.change_calendar_address(seat=farmer, now=NOW))
    assert len(Calendar.from_ical(text).walk("VEVENT")) == 1
