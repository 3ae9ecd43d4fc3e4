"""Clients: numbered one after the other, changed, archived with their farms and brought back."""

from __future__ import annotations

import threading

import pytest
from django.db import connection
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from tests import make
from tests.make import NOW
from trimmer.access import Seat
from trimmer.models import Client, Farm, Role, VisitState
from trimmer.services import clients, farms
from trimmer.services.businesses import UnknownCountry
from trimmer.services.clients import add_client, archive_client, restore_client, update_client

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner() -> Seat:
    return make.a_member(make.a_business())


@pytest.fixture
def client(owner: Seat) -> Client:
    return make.a_client(owner.business, number="C009")


# Numbers


def test_the_first_client_is_number_one() -> None:
    assert add_client(business=make.a_business(), name="Alder Bank").number == "1"


@pytest.mark.parametrize(
    ("given", "follows"), [("C009", "C010"), ("1041", "1042"), ("99", "100"), ("2026-7", "2026-8"), ("Alder", "1")]
)
def test_a_number_follows_the_last_of_its_kind(given: str, follows: str) -> None:
    business = make.a_business()
    make.a_client(business, number=given)

    assert add_client(business=business, name="Alder Bank").number == follows


def test_the_next_number_is_above_the_highest() -> None:
    business = make.a_business()
    for number in ("C012", "X", "C003"):
        make.a_client(business, number=number)

    assert add_client(business=business, name="Alder Bank").number == "C013"


def test_another_business_counts_for_itself() -> None:
    make.a_client(make.a_business(), number="C100")

    assert add_client(business=make.a_business(), name="Alder Bank").number == "1"


def test_a_number_is_used_once(owner: Seat, client: Client) -> None:
    with pytest.raises(clients.ClientNumberIsTaken):
        add_client(business=owner.business, name="Beech Hill", number="C009")


@pytest.mark.django_db(transaction=True)
def test_two_added_at_once_get_two_numbers() -> None:
    business = make.a_business()
    ready = threading.Barrier(4)

    def add() -> None:
        ready.wait(timeout=10)
        for _ in range(5):
            add_client(business=business, name="Alder Bank")
        connection.close()

    adders = [threading.Thread(target=add) for _ in range(4)]
    for adder in adders:
        adder.start()
    for adder in adders:
        adder.join()

    assert sorted(int(c.number) for c in Client.objects.of(business)) == list(range(1, 21))


# Changing


def test_what_is_not_named_stays(client: Client) -> None:
    update_client(client=client, phone="+353 1 555 0101", on_hold=True)

    client.refresh_from_db()
    assert (client.phone, client.on_hold, client.name) == ("+353 1 555 0101", True, "Alder Bank Dairy")


def test_a_client_has_a_name(client: Client) -> None:
    with pytest.raises(clients.ClientNeedsName):
        update_client(client=client, name=" ")


def test_a_country_is_one_of_the_standard(client: Client) -> None:
    with pytest.raises(UnknownCountry):
        update_client(client=client, country="Ireland")


# Archive


def test_archived_farms_go_and_come_with_their_client(client: Client) -> None:
    farm = make.a_farm(client)
    gone_before = make.a_farm(client, archived_at=NOW.replace(year=2025))

    archive_client(client=client, now=NOW)
    assert not Farm.objects.current().exists()
    restore_client(client=client)

    assert list(Farm.objects.current()) == [farm]
    assert client.archived_at is None
    assert Farm.objects.get(pk=gone_before.pk).archived_at is not None


@pytest.mark.parametrize("state", [VisitState.BOOKED, VisitState.UNDER_WAY])
def test_a_client_about_to_be_visited_is_not_archived(client: Client, state: str) -> None:
    make.a_visit(make.a_farm(client), make.a_crew(client.business), state=state)

    with pytest.raises(farms.VisitsAreBooked):
        archive_client(client=client, now=NOW)


def test_a_client_whose_visits_are_done_is_archived(client: Client) -> None:
    farm = make.a_farm(client)
    crew = make.a_crew(client.business)
    make.a_visit(farm, crew, state=VisitState.DONE)
    make.a_visit(farm, crew, state=VisitState.CANCELLED, cancelled_at=NOW)

    assert archive_client(client=client, now=NOW).archived_at == NOW


def test_a_client_that_waits_for_a_visit_is_not_archived(client: Client) -> None:
    make.a_request(make.a_farm(client))

    with pytest.raises(farms.RequestsAreWaiting):
        archive_client(client=client, now=NOW)


def test_archived_twice_keeps_the_first_time(client: Client) -> None:
    archive_client(client=client, now=NOW)
    archive_client(client=client, now=NOW.replace(year=2027))

    assert client.archived_at == NOW


# Pages


def test_the_page_adds_a_client_with_the_next_number(owner: Seat, client: Client) -> None:
    answer = make.signed_in(owner).post(reverse("client-add"), {"name": "Beech Hill", "number": ""})

    added = Client.objects.get(name="Beech Hill")
    assert added.number == "C010"
    assert answer["Location"] == reverse("client-page", args=[added.pk])


def test_the_page_keeps_what_was_typed_when_it_refuses(owner: Seat, client: Client) -> None:
    answer = make.signed_in(owner).post(reverse("client-add"), {"name": "Beech Hill", "number": "C009"})

    page = answer.content.decode()
    assert "Client number C009 is taken" in page
    assert 'value="Beech Hill"' in page


def test_the_page_changes_and_archives_and_restores(owner: Seat, client: Client) -> None:
    browser = make.signed_in(owner)

    browser.post(reverse("client-edit", args=[client.pk]), {"name": "Alder Bank Ltd", "number": "C009"})
    browser.post(reverse("client-archive", args=[client.pk]))
    client.refresh_from_db()
    assert (client.name, client.archived_at is None) == ("Alder Bank Ltd", False)
    browser.post(reverse("client-restore", args=[client.pk]))

    client.refresh_from_db()
    assert client.archived_at is None


def test_the_page_says_why_it_does_not_archive(owner: Seat, client: Client) -> None:
    make.a_request(make.a_farm(client, name="Alder Bank"))

    answer = make.signed_in(owner).post(reverse("client-archive", args=[client.pk]))

    assert "Alder Bank waits for a visit" in answer.content.decode()


def test_the_list_finds_by_name_number_and_town(owner: Seat, client: Client) -> None:
    make.a_client(owner.business, name="Beech Hill", city="Larkham")
    browser = make.signed_in(owner)

    for wanted in ("beech", "larkham"):
        page = browser.get(reverse("client-list"), {"q": wanted}).content.decode()
        assert "Beech Hill" in page
        assert "Alder Bank Dairy" not in page


def test_archived_clients_are_listed_apart(owner: Seat, client: Client) -> None:
    archive_client(client=client, now=NOW)
    browser = make.signed_in(owner)

    assert "Alder Bank Dairy" not in browser.get(reverse("client-list")).content.decode()
    assert "Alder Bank Dairy" in browser.get(reverse("client-list"), {"archived": "1"}).content.decode()


def test_a_trimmer_looks_and_changes_nothing(owner: Seat, client: Client) -> None:
    trimmer = make.signed_in(make.a_member(owner.business, Role.TRIMMER))

    assert trimmer.get(reverse("client-page", args=[client.pk])).status_code == 200
    for name in ("client-edit", "client-archive"):
        assert trimmer.post(reverse(name, args=[client.pk])).status_code == 403


def test_a_stranger_and_a_farms_person_do_not_see_a_client(client: Client) -> None:
    address = reverse("client-page", args=[client.pk])
    stranger = make.signed_in(make.a_member(make.a_business(name="Far Trim")))

    assert stranger.get(address).status_code == 404
    assert make.signed_in(make.a_farm_person(client)).get(address).status_code == 403


def test_a_list_of_many_clients_takes_few_queries(
    owner: Seat, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(6):
        make.a_farm(make.a_client(owner.business))
    browser = make.signed_in(owner)

    with django_assert_max_num_queries(9):
        browser.get(reverse("client-list"))
