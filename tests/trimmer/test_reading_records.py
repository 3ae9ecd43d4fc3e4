"""What records add up to: work done on visits, an animal's history, milk and meat withheld."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Sequence
from typing import Any

import pytest

from tests import make
from trimmer import wording
from trimmer.cautions import Caution
from trimmer.lesions import GROUPS, LESIONS, M_STAGES, ZONES
from trimmer.locomotion import SCALES
from trimmer.models import Animal, ChuteRecord, TreatmentKind, Visit
from trimmer.queries.animals import animals_to_show, cautions_of, history_of, number_order, withheld
from trimmer.queries.records import WorkDone, records_of, records_to_show, work_done
from trimmer.rechecks import PURPOSES, TRIGGERS
from trimmer.services.records import TreatmentValues, record_animal

pytestmark = pytest.mark.django_db

HOUR = dt.timedelta(hours=1)
DAY = dt.timedelta(days=1)


@pytest.fixture
def visit() -> Visit:
    business = make.a_business(time_zone="Europe/Dublin")
    return make.a_visit(make.a_farm(make.a_client(business)), make.a_crew(business))


def record(visit: Visit, number: str, treatments: Sequence[TreatmentValues] = (), **fields: Any) -> ChuteRecord:
    values: dict[str, Any] = {"kind": "cow", "recorded_at": make.NOW, "by": None, "now": make.NOW} | fields
    return record_animal(visit=visit, id=uuid.uuid4(), animal=number, treatments=treatments, **values)


def topical(**fields: Any) -> TreatmentValues:
    return TreatmentValues("topical", foot="LH", **({"product": "Spray"} | fields))


def test_work_done_is_counted_by_kind(visit: Visit) -> None:
    record(visit, "1", [TreatmentValues("block", "LH", "inner"), TreatmentValues("block", "RH", "inner")])
    record(visit, "2", [topical()])
    record(visit, "3", kind="lame")
    other = make.a_visit(visit.farm, visit.crew, date=visit.date + DAY)
    record(other, "1", kind="recheck")
    empty = make.a_visit(visit.farm, visit.crew, date=visit.date + 2 * DAY)
    done = work_done([visit.pk, other.pk, empty.pk])
    assert done[visit.pk] == WorkDone({"cow": 2, "lame": 1}, {"block": 2, "topical": 1})
    assert done[visit.pk].head_count == 3
    assert done[other.pk] == WorkDone({"recheck": 1}, {})
    assert done[empty.pk] == WorkDone({}, {})


def test_work_done_takes_two_queries(visit: Visit, django_assert_num_queries: Any) -> None:
    visits = [make.a_visit(visit.farm, visit.crew, date=visit.date + n * DAY).pk for n in range(1, 9)]
    with django_assert_num_queries(2):
        work_done(visits)


def test_an_animals_history_has_the_newest_first(visit: Visit) -> None:
    first = record(visit, "1")
    second = record(make.a_visit(visit.farm, visit.crew, date=visit.date + DAY), "1")
    record(visit, "2")
    assert list(history_of(first.animal)) == [second, first]


def test_milk_and_meat_withheld_are_listed_until_their_hour(visit: Visit) -> None:
    milk, meat = make.NOW + 2 * DAY, make.NOW + 8 * DAY
    record(visit, "9", [topical(milk_withhold_until=milk), topical(meat_withhold_until=meat)])
    record(visit, "10", [topical(milk_withhold_until=milk - HOUR)])
    record(visit, "11", [topical()])
    animals = Animal.objects.all()
    first, second = withheld(animals, now=make.NOW)
    assert (first.animal.number, second.animal.number) == ("9", "10")
    assert first.milk == Caution("milk_withheld", until=milk)
    assert first.meat == Caution("meat_withheld", until=meat)
    assert len(first.treatments) == 2
    assert [row.animal.number for row in withheld(animals, now=milk)] == ["9"]
    (last,) = withheld(animals, now=milk + HOUR)
    assert (last.milk, last.ask) == (None, None)
    assert withheld(animals, now=meat + HOUR) == []


@pytest.mark.published
@pytest.mark.parametrize(("hours", "asked"), [(0, True), (48, True), (49, False)])
def test_salicylic_acid_without_a_withholding_is_a_reason_to_ask_for_48_hours(
    visit: Visit, hours: int, asked: bool
) -> None:
    """Wirt et al. 2021, Bovine Practitioner 55(1):45: milk not sold for at least 48 h."""
    record(visit, "1", [topical(product="Salicylic powder")])
    rows = withheld(Animal.objects.all(), now=make.NOW + hours * HOUR)
    assert [row.ask for row in rows] == ([Caution("ask_milk_withholding", until=make.NOW + 48 * HOUR)] if asked else [])


def test_what_was_entered_for_salicylic_acid_goes_before_the_reminder(visit: Visit) -> None:
    record(visit, "1", [topical(product="salicylic acid", milk_withhold_until=make.NOW + DAY)])
    (row,) = withheld(Animal.objects.all(), now=make.NOW)
    assert row.ask is None
    assert row.milk is not None


def test_cautions_tell_pregnancy_and_withholding(visit: Visit) -> None:
    cow = make.an_animal(visit.farm, number="1", calving_due_on=visit.date + 20 * DAY)
    dry = make.an_animal(visit.farm, number="2")
    record(visit, "1", [topical(milk_withhold_until=make.NOW + DAY)])
    found = cautions_of([cow, dry], on=visit.date, now=make.NOW)
    assert [caution.code for caution in found[cow.pk]] == ["late_pregnancy", "milk_withheld"]
    assert found[dry.pk] == ()


def test_every_caution_defers_to_the_veterinarian_or_the_label(visit: Visit) -> None:
    business = visit.farm.client.business
    until = make.NOW + DAY
    for caution in (
        Caution("milk_withheld", until=until),
        Caution("meat_withheld", until=until),
        Caution("ask_milk_withholding", until=until),
        Caution("late_pregnancy", days=20),
        Caution("late_pregnancy", days=-3),
        Caution("call_veterinarian", lesions=("TN",)),
    ):
        assert "veterinarian" in wording.caution_sentence(caution, business)


def test_cautions_show_hours_on_the_clock_of_the_business(visit: Visit) -> None:
    summer = dt.datetime(2026, 7, 1, 9, 0, tzinfo=dt.UTC)
    sentence = wording.caution_sentence(Caution("milk_withheld", until=summer), visit.farm.client.business)
    assert "10:00" in sentence


def test_every_code_has_words() -> None:
    assert set(wording.LESIONS) == set(LESIONS)
    assert set(wording.LESION_GROUPS) == set(GROUPS)
    assert set(wording.M_STAGES) == set(M_STAGES)
    assert set(wording.ZONES) == set(ZONES)
    assert set(wording.PURPOSES) == set(PURPOSES)
    assert set(wording.TRIGGERS) == {*TRIGGERS, wording.BY_HAND}
    assert {scale: set(words) for scale, words in wording.SCORES.items()} == {
        scale.key: set(scale.values) for scale in SCALES.values()
    }
    assert all(wording.treatment(kind) != kind for kind in TreatmentKind.values if kind not in {"block", "wrap"})


def test_animals_are_found_by_number_tag_or_group(visit: Visit) -> None:
    owner = make.a_member(visit.farm.client.business)
    cow = make.an_animal(visit.farm, number="112", group="Dry pen", official_tag="UK230011200123")
    make.an_animal(visit.farm, number="5")
    for search in ("112", "dry", "2300", "112 dry"):
        assert list(animals_to_show(owner, visit.farm, search=search)) == [cow]
    assert not animals_to_show(owner, visit.farm, archived=True)


def test_the_list_of_animals_counts_rechecks_and_names_the_last_visit(visit: Visit) -> None:
    owner = make.a_member(visit.farm.client.business)
    record(visit, "112", [TreatmentValues("block", "LH", "inner")])
    record(make.a_visit(visit.farm, visit.crew, date=visit.date - DAY), "112")
    (cow,) = animals_to_show(owner, visit.farm)
    assert cow.rechecks_open == 2  # type: ignore[attr-defined]
    assert cow.last_seen_on == visit.date  # type: ignore[attr-defined]


def test_records_are_seen_by_whom_they_concern(visit: Visit) -> None:
    own = record(visit, "1")
    assert list(records_of(visit)) == [own]
    assert list(records_to_show(make.a_farm_person(visit.farm.client))) == [own]
    assert list(records_to_show(make.a_member(visit.farm.client.business, "office"))) == [own]
    assert not records_to_show(make.a_farm_person(make.a_client(visit.farm.client.business)))
    assert not records_to_show(make.a_member(make.a_business()))


def test_numbers_sort_as_people_sort_them() -> None:
    assert sorted(["10", "9", "A2", "a10", "A1"], key=number_order) == ["9", "10", "A1", "A2", "a10"]
