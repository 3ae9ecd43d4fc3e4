"""A record at the chute is stored once, raises its rechecks and settles those it answers."""

from __future__ import annotations

import datetime as dt
import threading
import uuid
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection

from tests import make
from trimmer.models import Animal, ChuteRecord, Recheck, Visit, VisitState
from trimmer.services.animals import AnimalNumberIsMissing
from trimmer.services.records import (
    AnimalAlreadyRecorded,
    AnimalOfAnotherFarm,
    FindingValues,
    RecordDiffers,
    RecordValuesRefused,
    TreatmentValues,
    VisitIsCancelled,
    VisitIsLocked,
    lock_visit,
    record_animal,
    remove_record,
    revise_record,
    unlock_visit,
)

pytestmark = pytest.mark.django_db

ID = uuid.UUID("6d0c1b5a-8a0e-4a58-9d5c-0c3a64a3f001")
FEET = ["LF", "RF", "LH", "RH"]
BLOCK = TreatmentValues("block", foot="LH", claw="inner", block_kind="wood")
ULCER = FindingValues(foot="LH", lesion="SU", claw="outer", zone=4)


@pytest.fixture
def visit() -> Visit:
    business = make.a_business()
    return make.a_visit(make.a_farm(make.a_client(business)), make.a_crew(business))


def record(visit: Visit, animal: Animal | str, **fields: Any) -> ChuteRecord:
    values: dict[str, Any] = {
        "id": ID,
        "kind": "cow",
        "feet_trimmed": FEET,
        "recorded_at": make.NOW,
        "by": None,
        "now": make.NOW,
    }
    return record_animal(visit=visit, animal=animal, **(values | fields))


def revise(stored: ChuteRecord, **fields: Any) -> ChuteRecord:
    values: dict[str, Any] = {"kind": "cow", "feet_trimmed": FEET, "now": make.NOW}
    return revise_record(record=stored, **(values | fields))


def purposes(**filters: Any) -> set[str]:
    return set(Recheck.objects.filter(**filters).values_list("what", flat=True))


def test_what_was_found_and_done_is_stored(visit: Visit) -> None:
    topical = TreatmentValues(
        "topical",
        foot="RH",
        product="Spray",
        batch="B12",
        milk_withhold_until=make.NOW + dt.timedelta(days=2),
    )
    stored = record(
        visit,
        make.an_animal(visit.farm),
        kind="lame",
        findings=[ULCER, FindingValues(foot="RH", lesion="DD", m_stage="M2")],
        treatments=[BLOCK, topical],
        score=3,
        scale="ahdb_0_3",
        minutes=Decimal("12.25"),
        note=" quiet cow ",
    )
    stored.refresh_from_db()
    assert [str(finding) for finding in stored.findings.all()] == ["LH SU", "RH DD"]
    assert [done.kind for done in stored.treatments.all()] == ["block", "topical"]
    assert (stored.score, stored.scale, stored.minutes, stored.note) == (3, "ahdb_0_3", Decimal("12.3"), "quiet cow")
    assert stored.feet_trimmed == FEET


def test_the_first_record_gets_a_booked_visit_under_way(visit: Visit) -> None:
    record(visit, make.an_animal(visit.farm))
    assert visit.state == VisitState.UNDER_WAY
    assert Visit.objects.get(pk=visit.pk).state == VisitState.UNDER_WAY


def test_a_done_visit_takes_records_and_stays_done(visit: Visit) -> None:
    Visit.objects.update(state=VisitState.DONE)
    record(visit, make.an_animal(visit.farm))
    assert visit.state == VisitState.DONE


def test_the_same_record_again_changes_nothing(visit: Visit) -> None:
    animal = make.an_animal(visit.farm)
    content = {"findings": [ULCER], "treatments": [BLOCK], "minutes": Decimal(8)}
    first = record(visit, animal, **content)
    later = make.NOW + dt.timedelta(hours=1)
    again = record(visit, animal, **content, recorded_at=later, now=later)
    assert again.pk == first.pk
    assert ChuteRecord.objects.get().recorded_at == make.NOW
    assert ChuteRecord.objects.get().findings.count() == 1
    assert Recheck.objects.count() == len(purposes())


def test_the_same_record_again_is_answered_also_once_the_visit_is_locked(visit: Visit) -> None:
    first = record(visit, "112")
    lock_visit(visit=visit, now=make.NOW)
    assert record(visit, " 112 ") == first


def test_the_same_id_with_other_content_is_refused(visit: Visit) -> None:
    animal = make.an_animal(visit.farm)
    record(visit, animal, findings=[ULCER])
    with pytest.raises(RecordDiffers):
        record(visit, animal, findings=[])


@pytest.mark.parametrize("other", ["animal", "visit"])
def test_the_same_id_for_another_animal_or_visit_is_refused(visit: Visit, other: str) -> None:
    animal = make.an_animal(visit.farm)
    record(visit, animal)
    if other == "animal":
        animal = make.an_animal(visit.farm)
    else:
        visit = make.a_visit(visit.farm, visit.crew, date=make.TODAY + dt.timedelta(days=1))
    with pytest.raises(RecordDiffers):
        record(visit, animal)


def test_an_animal_is_recorded_once_on_a_visit(visit: Visit) -> None:
    animal = make.an_animal(visit.farm, number="112")
    record(visit, animal)
    with pytest.raises(AnimalAlreadyRecorded) as refused:
        record(visit, "112", id=uuid.uuid4())
    assert "112" in str(refused.value)
    assert ChuteRecord.objects.count() == 1


def test_an_unknown_number_becomes_an_animal(visit: Visit) -> None:
    stored = record(visit, " 77 ")
    assert stored.animal.number == "77"
    assert stored.animal.farm == visit.farm


def test_a_refused_record_leaves_no_animal_and_no_visit_begun(visit: Visit) -> None:
    with pytest.raises(RecordValuesRefused):
        record(visit, "77", kind="goat")
    assert not Animal.objects.exists()
    visit.refresh_from_db()
    assert visit.state == VisitState.BOOKED


def test_a_record_needs_a_number(visit: Visit) -> None:
    with pytest.raises(AnimalNumberIsMissing):
        record(visit, "  ")


def test_an_animal_of_another_farm_is_refused(visit: Visit) -> None:
    stranger = make.an_animal(make.a_farm(visit.farm.client))
    with pytest.raises(AnimalOfAnotherFarm):
        record(visit, stranger)
    visit.refresh_from_db()
    assert visit.state == VisitState.BOOKED


def test_a_cancelled_visit_takes_no_record(visit: Visit) -> None:
    Visit.objects.update(state=VisitState.CANCELLED, cancelled_at=make.NOW)
    with pytest.raises(VisitIsCancelled):
        record(visit, "77")


def test_a_locked_visit_stands(visit: Visit) -> None:
    stored = record(visit, "77")
    lock_visit(visit=visit, now=make.NOW)
    with pytest.raises(VisitIsLocked):
        record(visit, "78", id=uuid.uuid4())
    with pytest.raises(VisitIsLocked):
        revise(stored, note="other")
    with pytest.raises(VisitIsLocked):
        remove_record(record=stored)


def test_locking_twice_keeps_the_first_time_and_unlocking_lets_write_again(visit: Visit) -> None:
    lock_visit(visit=visit, now=make.NOW)
    lock_visit(visit=visit, now=make.NOW + dt.timedelta(days=1))
    assert visit.locked_at == make.NOW
    unlock_visit(visit=visit)
    assert record(visit, "77").visit.locked_at is None


def test_a_clock_that_is_ahead_is_put_back(visit: Visit) -> None:
    assert record(visit, "77", recorded_at=make.NOW + dt.timedelta(days=400)).recorded_at == make.NOW


@pytest.mark.parametrize(
    ("fields", "at"),
    [
        ({"kind": "goat"}, "kind"),
        ({"feet_trimmed": ["XX"]}, "feet_trimmed"),
        ({"score": 3}, "scale"),
        ({"score": 4, "scale": "ahdb_0_3"}, "score"),
        ({"minutes": Decimal(0)}, "minutes"),
        ({"minutes": Decimal(601)}, "minutes"),
        ({"findings": [FindingValues("LH", "XX")]}, "findings.0.lesion"),
        ({"findings": [ULCER, FindingValues("LH", "U", "inner")]}, "findings.1.lesion"),
        ({"findings": [FindingValues("LH", "DD", m_stage="M5")]}, "findings.0.m_stage"),
        ({"findings": [FindingValues("LH", "SU", "inner", m_stage="M1")]}, "findings.0.m_stage"),
        ({"findings": [FindingValues("XX", "DD")]}, "findings.0.foot"),
        ({"findings": [FindingValues("LH", "SU")]}, "findings.0.claw"),
        ({"findings": [FindingValues("LH", "SU", "middle")]}, "findings.0.claw"),
        ({"findings": [FindingValues("LH", "DD", "inner", zone=10)]}, "findings.0.claw"),
        ({"findings": [FindingValues("LH", "SU", "inner", zone=13)]}, "findings.0.zone"),
        ({"treatments": [TreatmentValues("magic")]}, "treatments.0.kind"),
        ({"treatments": [TreatmentValues("block", claw="inner")]}, "treatments.0.foot"),
        ({"treatments": [TreatmentValues("block", foot="LH")]}, "treatments.0.claw"),
        ({"treatments": [TreatmentValues("wrap")]}, "treatments.0.foot"),
        ({"treatments": [TreatmentValues("topical", foot="XX")]}, "treatments.0.foot"),
        ({"treatments": [TreatmentValues("topical", foot="LH", claw="middle")]}, "treatments.0.claw"),
        ({"treatments": [TreatmentValues("wrap", foot="LH", block_kind="wood")]}, "treatments.0.block_kind"),
        ({"treatments": [TreatmentValues("block", "LH", "inner", "stone")]}, "treatments.0.block_kind"),
        (
            {"treatments": [TreatmentValues("topical", milk_withhold_until=make.NOW - dt.timedelta(days=365))]},
            "treatments.0.milk_withhold_until",
        ),
    ],
)
def test_a_value_that_cannot_be_is_refused_by_its_place(visit: Visit, fields: dict[str, Any], at: str) -> None:
    with pytest.raises(RecordValuesRefused) as refused:
        record(visit, "77", **fields)
    assert list(refused.value.fields) == [at]


def test_older_lesion_codes_are_taken(visit: Visit) -> None:
    stored = record(visit, "77", findings=[FindingValues("LH", "vf", "outer")])
    assert stored.findings.get().lesion == "HFV"


def test_a_scale_without_a_score_is_left_off(visit: Visit) -> None:
    assert record(visit, "77", scale="ahdb_0_3").scale == ""


@pytest.mark.published
def test_a_block_is_looked_at_and_taken_off_in_the_published_windows() -> None:
    """Thomas et al. 2015, J. Dairy Sci.: looked at on day 5-11, taken off on day 25-31."""
    business = make.a_business()
    visit = make.a_visit(make.a_farm(make.a_client(business)), make.a_crew(business), date=dt.date(2025, 1, 31))
    record(visit, "112", treatments=[BLOCK])
    windows = {recheck.what: (recheck.due_from, recheck.due_by) for recheck in Recheck.objects.all()}
    assert windows == {
        "look_at_block": (dt.date(2025, 2, 5), dt.date(2025, 2, 11)),
        "remove_block": (dt.date(2025, 2, 25), dt.date(2025, 3, 3)),
    }


def test_a_record_written_down_later_counts_from_its_visits_day(visit: Visit) -> None:
    evening_after = make.NOW + dt.timedelta(days=2)
    record(visit, "112", treatments=[TreatmentValues("wrap", foot="LH")], recorded_at=evening_after, now=evening_after)
    recheck = Recheck.objects.get()
    assert (recheck.raised_on, recheck.due_by) == (make.TODAY, make.TODAY + dt.timedelta(days=5))


def visit_after(visit: Visit, days: int) -> Visit:
    return make.a_visit(visit.farm, visit.crew, date=visit.date + dt.timedelta(days=days))


def test_a_later_record_closes_what_it_settles_and_leaves_the_rest(visit: Visit) -> None:
    record(visit, "112", treatments=[BLOCK])
    second = record(visit_after(visit, 7), "112", id=uuid.uuid4(), kind="recheck", feet_trimmed=[])
    assert purposes(closed_at__isnull=True) == {"remove_block"}
    closed = Recheck.objects.get(what="look_at_block")
    assert closed.closed_by_record == second
    assert closed.closed_at == second.recorded_at


def test_a_record_of_an_earlier_visit_that_comes_in_late_closes_nothing(visit: Visit) -> None:
    record(visit_after(visit, 28), "112", treatments=[BLOCK])
    record(visit, "112", id=uuid.uuid4())
    assert purposes(closed_at__isnull=True) == {"look_at_block", "remove_block"}


def test_an_earlier_record_that_comes_in_late_is_settled_by_the_later_one(visit: Visit) -> None:
    later = record(visit_after(visit, 28), "112", treatments=[TreatmentValues("block_removed", foot="LH")])
    record(visit, "112", id=uuid.uuid4(), treatments=[BLOCK])
    assert not Recheck.objects.open().exists()
    assert set(Recheck.objects.values_list("closed_by_record", flat=True)) == {later.pk}


def test_another_animals_record_closes_nothing(visit: Visit) -> None:
    record(visit, "112", treatments=[BLOCK])
    record(visit_after(visit, 28), "113", id=uuid.uuid4())
    assert Recheck.objects.open().count() == 2


def test_a_revised_record_says_the_new_things(visit: Visit) -> None:
    stored = record(visit, "112", findings=[ULCER], treatments=[BLOCK], note="old")
    revise(stored, kind="lame", findings=[FindingValues("RH", "DD", m_stage="M2")], feet_trimmed=["RH"], note="new")
    stored.refresh_from_db()
    assert [str(finding) for finding in stored.findings.all()] == ["RH DD"]
    assert not stored.treatments.exists()
    assert (stored.kind, stored.feet_trimmed, stored.note) == ("lame", ["RH"], "new")


def test_revising_raises_the_rechecks_anew(visit: Visit) -> None:
    stored = record(visit, "112", treatments=[BLOCK])
    revise(stored, treatments=[TreatmentValues("wrap", foot="LH")])
    assert purposes() == {"remove_wrap"}


def test_revising_keeps_rechecks_that_stay_as_they_are(visit: Visit) -> None:
    stored = record(visit, "112", treatments=[BLOCK])
    before = set(Recheck.objects.values_list("pk", flat=True))
    revise(stored, treatments=[BLOCK], note="inner claw was short")
    assert set(Recheck.objects.values_list("pk", flat=True)) == before


def test_revising_moves_a_window_that_changed(visit: Visit) -> None:
    stored = record(visit, "112", findings=[ULCER])
    revise(stored, findings=[ULCER, FindingValues("RH", "TU", "inner")])
    assert purposes() == {"look_at_lesion", "look_at_lesion_early"}


def test_revising_keeps_closed_rechecks_and_does_not_raise_them_twice(visit: Visit) -> None:
    stored = record(visit, "112", treatments=[BLOCK])
    Recheck.objects.filter(what="look_at_block").update(closed_at=make.NOW, closed_reason="Seen by the farmer")
    revise(stored, treatments=[TreatmentValues("wrap", foot="LH")])
    assert purposes(closed_at__isnull=False) == {"look_at_block"}
    revise(stored, treatments=[BLOCK])
    assert purposes(closed_at__isnull=True) == {"remove_block"}


def test_revising_the_settling_record_opens_what_it_no_longer_settles(visit: Visit) -> None:
    record(visit, "112", treatments=[BLOCK])
    off = TreatmentValues("block_removed", foot="LH")
    second = record(visit_after(visit, 2), "112", id=uuid.uuid4(), treatments=[off])
    assert not Recheck.objects.open().exists()
    revise(second, treatments=[])
    assert purposes(closed_at__isnull=True) == {"look_at_block", "remove_block"}


def test_revising_to_another_number_takes_the_rechecks_along(visit: Visit) -> None:
    stored = record(visit, "112", treatments=[BLOCK])
    revise(stored, animal="121", treatments=[BLOCK])
    assert set(Recheck.objects.values_list("animal__number", flat=True)) == {"121"}
    assert ChuteRecord.objects.get().animal.number == "121"


def test_revising_to_an_animal_recorded_already_is_refused(visit: Visit) -> None:
    record(visit, "112")
    second = record(visit, "113", id=uuid.uuid4())
    with pytest.raises(AnimalAlreadyRecorded):
        revise(second, animal="112")


def test_revising_to_an_animal_of_another_farm_is_refused(visit: Visit) -> None:
    stored = record(visit, "112")
    with pytest.raises(AnimalOfAnotherFarm):
        revise(stored, animal=make.an_animal(make.a_farm(visit.farm.client)))


def test_revising_checks_values(visit: Visit) -> None:
    stored = record(visit, "112")
    with pytest.raises(RecordValuesRefused):
        revise(stored, findings=[FindingValues("LH", "XX")])


def test_removing_a_record_takes_its_rechecks_and_opens_what_it_closed(visit: Visit) -> None:
    record(visit, "112", treatments=[BLOCK])
    second = record(visit_after(visit, 28), "112", id=uuid.uuid4(), treatments=[TreatmentValues("wrap", foot="LH")])
    remove_record(record=second)
    assert purposes(closed_at__isnull=True) == {"look_at_block", "remove_block"}
    assert purposes() == {"look_at_block", "remove_block"}


def test_removing_leaves_rechecks_closed_by_hand_closed(visit: Visit) -> None:
    record(visit, "112", treatments=[TreatmentValues("wrap", foot="LH")])
    Recheck.objects.update(closed_at=make.NOW, closed_reason="Came off by itself")
    second = record(visit_after(visit, 4), "112", id=uuid.uuid4())
    remove_record(record=second)
    assert not Recheck.objects.open().exists()


@pytest.mark.django_db(transaction=True)
def test_two_senders_of_the_same_record_store_one(visit: Visit) -> None:
    together = threading.Barrier(2)
    answers: list[ChuteRecord | Exception] = []

    def send() -> None:
        try:
            mine = Visit.objects.get(pk=visit.pk)
            together.wait(10)
            answers.append(record(mine, "112", findings=[ULCER], treatments=[BLOCK]))
        except Exception as error:  # noqa: BLE001  (shown by the assertion below)
            answers.append(error)
        finally:
            connection.close()

    senders = [threading.Thread(target=send) for _ in range(2)]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join(30)
    assert [getattr(answer, "pk", answer) for answer in answers] == [ID, ID]
    assert (ChuteRecord.objects.count(), Animal.objects.count()) == (1, 1)
    assert ChuteRecord.objects.get().treatments.count() == 1


def test_recording_takes_few_queries(visit: Visit, django_assert_max_num_queries: Any) -> None:
    animal = make.an_animal(visit.farm)
    with django_assert_max_num_queries(26):
        record(visit, animal, findings=[ULCER, ULCER], treatments=[BLOCK, BLOCK])
