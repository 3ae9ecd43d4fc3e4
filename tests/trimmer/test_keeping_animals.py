"""Animals are put on a farm's list, changed and archived; doubtful tags are stored with a caution."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pytest

from tests import make
from trimmer.models import Animal, Farm, Recheck
from trimmer.services.animals import (
    AnimalNumberIsMissing,
    AnimalNumberIsTaken,
    AnimalValues,
    TagCannotBe,
    add_animal,
    archive_animal,
    bring_back_animal,
    change_animal,
    find_or_add_animal,
)

pytestmark = pytest.mark.django_db

COW = AnimalValues(number="112")


@pytest.fixture
def farm() -> Farm:
    return make.a_farm(make.a_client(make.a_business(country="GB")))


def test_an_animal_is_put_on_the_list(farm: Farm) -> None:
    values = replace(COW, number=" 1 12 ", group=" dry  pen ", calved_on=dt.date(2026, 1, 2), note=" kicks ")
    stored = add_animal(farm=farm, values=values)
    assert stored.cautions == ()
    animal = Animal.objects.get()
    assert (animal.number, animal.group, animal.note) == ("1 12", "dry pen", "kicks")
    assert animal.calved_on == dt.date(2026, 1, 2)


@pytest.mark.published
def test_a_sound_tag_is_stored_in_its_one_form(farm: Farm) -> None:
    """UK 230011 200123: example of the ICAR guidelines."""
    stored = add_animal(farm=farm, values=replace(COW, official_tag="uk 230011 200123", transponder="276000312312345"))
    assert stored.animal.official_tag == "UK230011200123"
    assert stored.cautions == ()


def test_a_tag_without_its_country_gets_that_of_the_farm(farm: Farm) -> None:
    stored = add_animal(farm=farm, values=replace(COW, official_tag="230011200123"))
    assert stored.animal.official_tag == "UK230011200123"


def test_a_doubtful_tag_is_stored_with_a_caution(farm: Farm) -> None:
    stored = add_animal(farm=farm, values=replace(COW, official_tag="UK123456600001"))
    assert Animal.objects.get().official_tag == "UK123456600001"
    assert [(caution.field, caution.code) for caution in stored.cautions] == [("official_tag", "uk_check_digit")]
    assert "misread" in str(stored.cautions[0])


def test_numbers_that_cannot_be_are_refused_by_field(farm: Farm) -> None:
    with pytest.raises(TagCannotBe) as refused:
        add_animal(farm=farm, values=replace(COW, official_tag="DE1234567890123", transponder="840274877906944"))
    assert set(refused.value.fields) == {"official_tag", "transponder"}
    assert not Animal.objects.exists()


def test_an_animal_needs_a_number(farm: Farm) -> None:
    with pytest.raises(AnimalNumberIsMissing):
        add_animal(farm=farm, values=replace(COW, number=" "))


def test_a_number_stands_once_on_a_farms_list(farm: Farm) -> None:
    add_animal(farm=farm, values=COW)
    with pytest.raises(AnimalNumberIsTaken) as refused:
        add_animal(farm=farm, values=COW)
    assert list(refused.value.fields) == ["number"]
    assert "112" in str(refused.value)


def test_another_farm_may_have_the_same_number(farm: Farm) -> None:
    add_animal(farm=farm, values=COW)
    add_animal(farm=make.a_farm(farm.client), values=COW)
    assert Animal.objects.count() == 2


def test_an_animal_is_changed(farm: Farm) -> None:
    animal = make.an_animal(farm, number="112", note="old")
    stored = change_animal(animal=animal, values=replace(COW, group="B", transponder="999000312312345"))
    animal.refresh_from_db()
    assert (animal.group, animal.note) == ("B", "")
    assert [caution.code for caution in stored.cautions] == ["test_code"]


def test_changing_to_a_number_of_another_is_refused(farm: Farm) -> None:
    make.an_animal(farm, number="112")
    with pytest.raises(AnimalNumberIsTaken):
        change_animal(animal=make.an_animal(farm, number="113"), values=COW)


def test_an_archived_animal_keeps_its_records_and_its_rechecks_wait_for_nobody(farm: Farm) -> None:
    animal = make.an_animal(farm)
    Recheck.objects.create(animal=animal, trigger="wrap", what="remove_wrap", due_from=make.TODAY, due_by=make.TODAY)
    archive_animal(animal=animal, now=make.NOW)
    archive_animal(animal=animal, now=make.NOW + dt.timedelta(days=1))
    assert animal.archived_at == make.NOW
    assert not Recheck.objects.open().exists()
    bring_back_animal(animal=animal)
    assert Recheck.objects.open().exists()


def test_bringing_back_is_refused_when_the_number_is_used_again(farm: Farm) -> None:
    animal = make.an_animal(farm, number="112")
    archive_animal(animal=animal, now=make.NOW)
    make.an_animal(farm, number="112")
    with pytest.raises(AnimalNumberIsTaken):
        bring_back_animal(animal=animal)


def test_a_number_read_at_the_chute_finds_its_animal(farm: Farm) -> None:
    animal = make.an_animal(farm, number="B7")
    assert find_or_add_animal(farm=farm, number=" b7 ", now=make.NOW) == animal


def test_of_two_that_differ_in_case_the_exact_one_is_found(farm: Farm) -> None:
    make.an_animal(farm, number="B7")
    small = make.an_animal(farm, number="b7")
    assert find_or_add_animal(farm=farm, number="b7", now=make.NOW) == small


def test_a_number_nobody_knows_becomes_an_animal_with_a_note(farm: Farm) -> None:
    make.an_animal(make.a_farm(farm.client), number="77")
    animal = find_or_add_animal(farm=farm, number="77", now=make.NOW)
    assert animal.farm == farm
    assert animal.note == "First seen at the chute on 4 Mar 2026."


def test_the_number_of_an_archived_animal_is_used_again(farm: Farm) -> None:
    archive_animal(animal=make.an_animal(farm, number="77"), now=make.NOW)
    find_or_add_animal(farm=farm, number="77", now=make.NOW)
    assert Animal.objects.current().count() == 1


def test_no_number_finds_no_animal(farm: Farm) -> None:
    with pytest.raises(AnimalNumberIsMissing):
        find_or_add_animal(farm=farm, number="", now=make.NOW)
