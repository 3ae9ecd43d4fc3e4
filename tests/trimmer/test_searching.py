"""One field that finds a farm, a client, an animal, a telephone number, an invoice; and nothing one may not see."""

from __future__ import annotations

from typing import Any

import pytest

from tests import make
from tests.billing import bills
from trimmer.access import Seat
from trimmer.models import Contact, Farm
from trimmer.search import digits_of, search

pytestmark = pytest.mark.django_db


@pytest.fixture
def farm() -> Farm:
    business = bills.a_trimming_business(language="en-IE", time_zone="Europe/Dublin")
    client = make.a_client(business, name="Alder Dairies", number="C-17", phone="+353 64 123 4567")
    return make.a_farm(client, name="Alder Bank", city="Ashcombe")


@pytest.fixture
def office(farm: Farm) -> Seat:
    return make.a_member(farm.client.business, "office")


def titles(seat: Seat, typed: str) -> list[str]:
    return [hit.title for _kind, hits in search(seat, typed) for hit in hits]


@pytest.mark.parametrize("typed", ["alder bank", "bank ald", "Ashcombe", "  alder   bank "])
def test_a_farm_is_found_by_any_words(office: Seat, typed: str) -> None:
    assert "Alder Bank" in titles(office, typed)


def test_a_client_is_found_by_number(office: Seat) -> None:
    assert "Alder Dairies" in titles(office, "c-17")


def test_an_animal_is_found_by_number_tag_and_transponder(office: Seat, farm: Farm) -> None:
    make.an_animal(farm, number="4711", official_tag="IE191234567890", transponder="372000012345678")
    make.an_animal(farm, number="47110")
    assert titles(office, "4711") == ["4711"]
    assert titles(office, "IE 19 12345") == ["4711"]
    assert "4711" in titles(office, "372000012345678")


@pytest.mark.parametrize("typed", ["064 123 4567", "+353 (0)64 1234567", "123-4567", "00353641234567"])
def test_a_telephone_number_is_found_however_it_is_written(office: Seat, farm: Farm, typed: str) -> None:
    Contact.objects.create(farm=farm, name="Maeve", phone="(064) 123 4567")
    assert titles(office, typed) == ["(064) 123 4567", "+353 64 123 4567"]


def test_few_digits_are_no_telephone_number(office: Seat) -> None:
    assert titles(office, "1234") == []
    assert digits_of("+353 (0)64 12") == "3536412"


def test_an_invoice_is_found_by_its_number(office: Seat, farm: Farm) -> None:
    invoice = bills.an_invoice(farm.client, farm=farm)
    assert titles(office, str(invoice.number)) == [invoice.number]
    assert titles(office, invoice.reference) == [invoice.number]


def test_who_may_not_see_invoices_finds_none(farm: Farm) -> None:
    invoice = bills.an_invoice(farm.client, farm=farm)
    trimmer = make.a_member(farm.client.business, "trimmer")
    farmer = make.a_farm_person(farm.client, may_see_invoices=False)
    assert titles(trimmer, str(invoice.number)) == titles(farmer, str(invoice.number)) == []


def test_nobody_finds_what_is_anothers(office: Seat, farm: Farm) -> None:
    make.an_animal(farm, number="4711", official_tag="IE191234567890")
    bills.an_invoice(farm.client, farm=farm)
    neighbour = make.a_farm_person(make.a_client(farm.client.business, name="Birch"))
    stranger = make.a_member(make.a_business())
    for seat in (neighbour, stranger):
        for typed in ("alder", "4711", "IE191234567890", "0641234567", "C-17"):
            assert titles(seat, typed) == []


def test_what_is_archived_is_not_found(office: Seat, farm: Farm) -> None:
    make.an_animal(farm, number="4711")
    Farm.objects.filter(pk=farm.pk).update(archived_at=make.NOW)
    assert titles(office, "4711") == titles(office, "alder bank") == []


def test_one_character_finds_nothing(office: Seat) -> None:
    assert titles(office, "a") == []


def test_the_page_shows_what_was_found_or_how_to_search(office: Seat) -> None:
    browser = make.signed_in(office)
    assert "Alder Bank" in browser.get("/search?q=alder").content.decode()
    assert "Nothing was found" in browser.get("/search?q=zzz").content.decode()


def test_the_only_thing_found_is_opened(office: Seat, farm: Farm) -> None:
    animal = make.an_animal(farm, number="4711")
    assert make.signed_in(office).get("/search?q=4711&open=1").headers["Location"] == f"/animals/{animal.pk}"


def test_searching_takes_few_queries(office: Seat, django_assert_max_num_queries: Any) -> None:
    with django_assert_max_num_queries(6):
        search(office, "0641234567")


def test_a_program_searches_too(office: Seat) -> None:
    answer = make.signed_in(office).get("/api/v1/search?q=alder bank")
    assert [hit["title"] for hit in answer.json()] == ["Alder Bank"]
