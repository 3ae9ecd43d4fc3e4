"""The trim list of a visit: why each animal is on it, drawn up again and again, by pen."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest

from tests import make
from trimmer.models import Animal, LameAnimal, Recheck, TrimListEntry, Visit, VisitState
from trimmer.queries.trim_lists import trim_list_of
from trimmer.services.animals import AnimalNumberIsMissing, archive_animal
from trimmer.services.trim_lists import (
    AnimalAlreadyPicked,
    NotAPick,
    VisitIsOver,
    draw_up_trim_list,
    pick_animal,
    unpick_animal,
)

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)


@pytest.fixture
def visit() -> Visit:
    business = make.a_business()
    return make.a_visit(make.a_farm(make.a_client(business)), make.a_crew(business), date=make.TODAY + 7 * DAY)


def listed(visit: Visit) -> set[tuple[str, str]]:
    draw_up_trim_list(visit=visit, now=make.NOW)
    return set(TrimListEntry.objects.values_list("number", "reason"))


def a_recheck(animal: Animal, first: dt.date, last: dt.date, **fields: Any) -> Recheck:
    values = {"trigger": "wrap", "what": "remove_wrap", "due_from": first, "due_by": last} | fields
    return Recheck.objects.create(animal=animal, **values)


def named_lame(visit: Visit, number: str, **fields: Any) -> None:
    request = make.a_request(visit.farm)
    visit.requests.add(request)
    LameAnimal.objects.create(request=request, number=number, **fields)


def test_rechecks_due_on_the_day_are_listed(visit: Visit) -> None:
    a_recheck(make.an_animal(visit.farm, number="1"), visit.date - 9 * DAY, visit.date - 3 * DAY)
    a_recheck(make.an_animal(visit.farm, number="2"), visit.date, visit.date + 3 * DAY)
    a_recheck(make.an_animal(visit.farm, number="3"), visit.date + 2 * DAY, visit.date + 5 * DAY)
    a_recheck(make.an_animal(visit.farm, number="4"), visit.date + 3 * DAY, visit.date + 5 * DAY)
    a_recheck(make.an_animal(visit.farm, number="5"), visit.date, visit.date, closed_at=make.NOW)
    assert listed(visit) == {("1", "recheck"), ("2", "recheck"), ("3", "recheck")}


def test_two_rechecks_of_an_animal_are_one_entry(visit: Visit) -> None:
    animal = make.an_animal(visit.farm, number="1")
    a_recheck(animal, visit.date, visit.date)
    a_recheck(animal, visit.date, visit.date, what="look_at_skin")
    assert listed(visit) == {("1", "recheck")}


def test_animals_named_lame_in_the_visits_requests_are_listed(visit: Visit) -> None:
    animal = make.an_animal(visit.farm, number="112")
    named_lame(visit, "112")
    named_lame(visit, "999", note="new heifer")
    LameAnimal.objects.create(request=make.a_request(visit.farm), number="5")
    assert listed(visit) == {("112", "lame"), ("999", "lame")}
    assert TrimListEntry.objects.get(number="112").animal == animal
    assert TrimListEntry.objects.get(number="999").animal is None


@pytest.mark.published
@pytest.mark.parametrize(("days_in_milk", "on_it"), [(59, False), (60, True), (100, True), (101, False)])
def test_cows_sixty_to_a_hundred_days_in_milk_are_listed(visit: Visit, days_in_milk: int, on_it: bool) -> None:
    """Cook (University of Wisconsin-Madison), Ag Proud 22914: cows at about 60-100 days in milk."""
    make.an_animal(visit.farm, number="1", calved_on=visit.date - days_in_milk * DAY)
    assert listed(visit) == ({("1", "calving")} if on_it else set())


def test_a_cow_trimmed_since_she_calved_is_not_listed_for_calving(visit: Visit) -> None:
    cow = make.an_animal(visit.farm, calved_on=visit.date - 80 * DAY)
    make.a_record(make.a_visit(visit.farm, visit.crew, date=visit.date - 20 * DAY), cow)
    assert listed(visit) == set()


def test_a_cow_only_looked_at_since_she_calved_is_listed(visit: Visit) -> None:
    cow = make.an_animal(visit.farm, number="1", calved_on=visit.date - 80 * DAY)
    make.a_record(make.a_visit(visit.farm, visit.crew, date=visit.date - 20 * DAY), cow, feet_trimmed=[])
    assert listed(visit) == {("1", "calving")}


@pytest.mark.published
@pytest.mark.parametrize(("days", "on_it"), [(0, False), (2, False), (3, True), (10, True), (11, False)])
def test_cows_three_to_ten_days_before_dry_off_are_listed(visit: Visit, days: int, on_it: bool) -> None:
    """Bell, AHDB, "Which cows should be on the trim list?": 3-10 days before dry-off, not on the day."""
    make.an_animal(visit.farm, number="1", dry_off_on=visit.date + days * DAY)
    assert listed(visit) == ({("1", "dry_off")} if on_it else set())


@pytest.mark.published
@pytest.mark.parametrize(("days", "on_it"), [(28, False), (29, True)])
def test_a_cow_within_four_weeks_of_calving_is_not_listed_for_dry_off(visit: Visit, days: int, on_it: bool) -> None:
    """Bell, AHDB, same page: not within four weeks of calving; Thomsen et al. 2020, Res. Vet. Sci."""
    calving = visit.date + days * DAY
    make.an_animal(visit.farm, number="1", dry_off_on=visit.date + 5 * DAY, calving_due_on=calving)
    assert listed(visit) == ({("1", "dry_off")} if on_it else set())


def test_archived_animals_and_other_farms_are_not_listed(visit: Visit) -> None:
    for farm in (visit.farm, make.a_farm(visit.farm.client)):
        cow = make.an_animal(farm, calved_on=visit.date - 80 * DAY, dry_off_on=visit.date + 5 * DAY)
        a_recheck(cow, visit.date, visit.date)
        if farm == visit.farm:
            archive_animal(animal=cow, now=make.NOW)
    assert listed(visit) == set()


def test_drawing_up_twice_gives_the_same_list(visit: Visit) -> None:
    a_recheck(make.an_animal(visit.farm), visit.date, visit.date)
    named_lame(visit, "999")
    first = [entry.pk for entry in draw_up_trim_list(visit=visit, now=make.NOW)]
    assert [entry.pk for entry in draw_up_trim_list(visit=visit, now=make.NOW)] == first
    assert len(first) == 2


def test_drawing_up_again_follows_what_changed_and_keeps_picks(visit: Visit) -> None:
    recheck = a_recheck(make.an_animal(visit.farm, number="1"), visit.date, visit.date)
    listed(visit)
    pick_animal(visit=visit, number="50", by=None)
    recheck.closed_at = make.NOW
    recheck.save()
    assert listed(visit) == {("50", "picked")}


def test_an_animal_recorded_on_the_visit_stays_on_its_list(visit: Visit) -> None:
    animal = make.an_animal(visit.farm, number="1")
    recheck = a_recheck(animal, visit.date, visit.date)
    listed(visit)
    record = make.a_record(visit, animal)
    Recheck.objects.filter(pk=recheck.pk).update(closed_at=make.NOW, closed_by_record=record)
    assert listed(visit) == {("1", "recheck")}
    (row,) = trim_list_of(visit, now=make.NOW).animals
    assert row.record == record
    assert row.reasons[0].details


@pytest.mark.parametrize("state", [VisitState.DONE, VisitState.CANCELLED])
def test_the_list_of_a_visit_that_is_over_stands(visit: Visit, state: VisitState) -> None:
    entry = pick_animal(visit=visit, number="50", by=None)
    Visit.objects.update(state=state, cancelled_at=make.NOW if state == VisitState.CANCELLED else None)
    with pytest.raises(VisitIsOver):
        draw_up_trim_list(visit=visit, now=make.NOW)
    with pytest.raises(VisitIsOver):
        pick_animal(visit=visit, number="51", by=None)
    with pytest.raises(VisitIsOver):
        unpick_animal(entry=entry)


def test_the_farm_picks_an_animal_by_its_number(visit: Visit) -> None:
    animal = make.an_animal(visit.farm, number="B7")
    farmer = make.a_farm_person(visit.farm.client)
    entry = pick_animal(visit=visit, number=" b7 ", note=" long toes ", by=farmer.user)
    assert (entry.animal, entry.number, entry.note, entry.picked_by) == (animal, "B7", "long toes", farmer.user)


def test_picking_twice_is_refused(visit: Visit) -> None:
    pick_animal(visit=visit, number="50", by=None)
    with pytest.raises(AnimalAlreadyPicked):
        pick_animal(visit=visit, number="50", by=None)


def test_picking_nothing_is_refused(visit: Visit) -> None:
    with pytest.raises(AnimalNumberIsMissing):
        pick_animal(visit=visit, number=" ", by=None)


def test_a_pick_is_taken_off_once_or_twice(visit: Visit) -> None:
    entry = pick_animal(visit=visit, number="50", by=None)
    unpick_animal(entry=entry)
    unpick_animal(entry=entry)
    assert not TrimListEntry.objects.exists()


def test_what_is_listed_for_a_reason_of_its_own_is_not_taken_off(visit: Visit) -> None:
    named_lame(visit, "112")
    (entry,) = draw_up_trim_list(visit=visit, now=make.NOW)
    with pytest.raises(NotAPick):
        unpick_animal(entry=entry)


def test_the_list_is_read_by_pen_with_each_animal_once(visit: Visit) -> None:
    lame = make.an_animal(visit.farm, number="10", group="Pen 2")
    make.an_animal(visit.farm, number="9", group="Pen 2", calved_on=visit.date - 80 * DAY)
    make.an_animal(visit.farm, number="3", group="Pen 10", dry_off_on=visit.date + 5 * DAY)
    a_recheck(lame, visit.date, visit.date)
    named_lame(visit, "10", score=3, scale="ahdb_0_3")
    pick_animal(visit=visit, number="77", by=None)
    draw_up_trim_list(visit=visit, now=make.NOW)
    pens = trim_list_of(visit, now=make.NOW).pens
    assert [(pen.name, [row.number for row in pen.animals]) for pen in pens] == [
        ("Pen 2", ["9", "10"]),
        ("Pen 10", ["3"]),
        ("", ["77"]),
    ]
    both = pens[0].animals[1].reasons
    assert [reason.code for reason in both] == ["recheck", "lame"]
    assert both[1].details == ("3 of 0–3 (severely impaired)",)
    assert "80" in pens[0].animals[0].reasons[0].details[0]


def test_a_number_picked_before_it_was_known_finds_its_animal(visit: Visit) -> None:
    pick_animal(visit=visit, number="77", by=None)
    animal = make.an_animal(visit.farm, number="77", group="A")
    (row,) = trim_list_of(visit, now=make.NOW).animals
    assert (row.animal, row.pen) == (animal, "A")


@pytest.mark.published
@pytest.mark.parametrize(("days", "codes"), [(27, ["late_pregnancy"]), (28, ["late_pregnancy"]), (29, [])])
def test_a_cow_that_calves_within_28_days_of_the_visit_has_a_caution(visit: Visit, days: int, codes: list[str]) -> None:
    """Thomsen et al. 2020, Res. Vet. Sci.: the last four weeks of pregnancy; AHDB: not within four weeks of calving."""
    make.an_animal(visit.farm, number="1", calving_due_on=visit.date + days * DAY)
    pick_animal(visit=visit, number="1", by=None)
    (row,) = trim_list_of(visit, now=make.NOW).animals
    assert [caution.code for caution in row.cautions] == codes


def test_reading_a_long_list_takes_few_queries(visit: Visit, django_assert_max_num_queries: Any) -> None:
    for number in range(40):
        animal = make.an_animal(visit.farm, calved_on=visit.date - 80 * DAY)
        a_recheck(animal, visit.date, visit.date)
        pick_animal(visit=visit, number=f"x{number}", by=None)
    draw_up_trim_list(visit=visit, now=make.NOW)
    visit = Visit.objects.select_related("farm__client__business").get(pk=visit.pk)
    with django_assert_max_num_queries(8):
        assert len(trim_list_of(visit, now=make.NOW).animals) == 80
