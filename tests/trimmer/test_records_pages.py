"""Pages at the chute, of animals, rechecks and trim lists."""

from __future__ import annotations

import datetime as dt
import uuid
from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

import pytest
import time_machine

from tests import make
from trimmer.models import Animal, ChuteRecord, Recheck, RecheckRule, TrimListEntry, Visit
from trimmer.services.businesses import add_default_rules
from trimmer.services.records import FindingValues, TreatmentValues, lock_visit, record_animal

pytestmark = pytest.mark.django_db

ID = uuid.UUID("6d0c1b5a-8a0e-4a58-9d5c-0c3a64a3f001")
DAY = dt.timedelta(days=1)
ALL_FOUR = ["LF", "RF", "LH", "RH"]


@pytest.fixture(autouse=True)
def _clock() -> Iterator[None]:
    with time_machine.travel(make.NOW, tick=False):
        yield


class Cast:
    """Whose farm it is, who works there, a neighbour and a stranger."""

    def __init__(self) -> None:
        self.business = make.a_business(time_zone="Europe/Dublin")
        self.farm = make.a_farm(make.a_client(self.business))
        self.visit = make.a_visit(self.farm, make.a_crew(self.business), head={"cow": 40})
        self.owner = make.a_member(self.business)
        self.trimmer = make.a_member(self.business, "trimmer")
        self.office = make.a_member(self.business, "office")
        self.farmer = make.a_farm_person(self.farm.client)
        self.neighbour = make.a_farm_person(make.a_client(self.business))
        self.stranger = make.a_member(make.a_business())

    def record(self, number: str = "112", **fields: Any) -> ChuteRecord:
        values: dict[str, Any] = {
            "kind": "lame",
            "findings": [FindingValues("LH", "SU", "outer", 4)],
            "treatments": [TreatmentValues("block", "LH", "inner", "wood")],
            "score": 3,
            "scale": "ahdb_0_3",
            "recorded_at": make.NOW,
            "by": None,
            "now": make.NOW,
        }
        return record_animal(visit=self.visit, id=uuid.uuid4(), animal=number, **(values | fields))


@pytest.fixture
def cast() -> Cast:
    return Cast()


def typed(**fields: Any) -> dict[str, Any]:
    """What a browser sends from the form at the chute."""
    empty = {
        f"{name}-{count}": n
        for name in ("findings", "treatments")
        for count, n in (("TOTAL_FORMS", 1), ("INITIAL_FORMS", 0))
    }
    return {"id": str(ID), "number": "112", "kind": "cow", "feet_trimmed": ALL_FOUR, "scored": ""} | empty | fields


ULCER = {"findings-0-foot": "LH", "findings-0-claw": "outer", "findings-0-lesion": "SU", "findings-0-zone": "4"}
BLOCK = {
    "treatments-0-kind": "block",
    "treatments-0-foot": "LH",
    "treatments-0-claw": "inner",
    "treatments-0-block_kind": "wood",
}


def address(cast: Cast) -> str:
    return f"/visits/{cast.visit.pk}/records/add"


# At the chute


def test_an_animal_is_recorded_and_the_page_is_there_for_the_next(cast: Cast) -> None:
    browser = make.signed_in(cast.trimmer)
    sent = typed(scored="ahdb_0_3:3", minutes="12.5", note="quiet", **ULCER, **BLOCK)
    answer = browser.post(address(cast), sent, follow=True)
    assert answer.redirect_chain == [(address(cast), HTTPStatus.FOUND)]
    record = ChuteRecord.objects.get()
    assert (record.pk, record.animal.number, record.score, record.scale) == (ID, "112", 3, "ahdb_0_3")
    assert (record.feet_trimmed, record.recorded_by) == (ALL_FOUR, cast.trimmer.user)
    assert [str(row) for row in (*record.findings.all(), *record.treatments.all())] == ["LH SU", "block"]
    assert "Take the block off" in answer.content.decode()


def test_a_form_sent_twice_stores_one_record(cast: Cast) -> None:
    browser = make.signed_in(cast.trimmer)
    for _press in range(2):
        assert browser.post(address(cast), typed(**ULCER)).status_code == HTTPStatus.FOUND
    assert ChuteRecord.objects.get().findings.count() == 1


def test_each_empty_form_has_an_id_of_its_own(cast: Cast) -> None:
    browser = make.signed_in(cast.trimmer)
    ids = {browser.get(address(cast)).context["form"].animal["id"].value() for _look in range(2)}
    assert len(ids) == 2


def test_rows_in_which_nothing_is_chosen_count_for_nothing(cast: Cast) -> None:
    sent = typed(
        **{"findings-TOTAL_FORMS": 3, "findings-1-foot": "RH", "findings-1-claw": "", "findings-1-lesion": "DD"}
    )
    make.signed_in(cast.trimmer).post(address(cast), sent)
    assert [str(finding) for finding in ChuteRecord.objects.get().findings.all()] == ["RH DD"]


def test_a_refused_record_keeps_what_was_typed_and_says_where_it_is_wrong(cast: Cast) -> None:
    sent = typed(note="kicks", **(ULCER | {"findings-0-claw": ""}))
    answer = make.signed_in(cast.trimmer).post(address(cast), sent)
    assert answer.status_code == HTTPStatus.OK
    form = answer.context["form"]
    assert "claw" in form.findings.forms[0].errors
    assert form.animal["id"].value() == str(ID)
    assert "kicks" in answer.content.decode()
    assert not ChuteRecord.objects.exists()


def test_a_row_without_its_lesion_is_refused_by_the_form(cast: Cast) -> None:
    answer = make.signed_in(cast.trimmer).post(address(cast), typed(**{"findings-0-foot": "LH"}))
    assert "lesion" in answer.context["form"].findings.forms[0].errors


def test_an_animal_recorded_already_is_said_above_with_a_way_to_its_record(cast: Cast) -> None:
    record = cast.record()
    answer = make.signed_in(cast.trimmer).post(address(cast), typed())
    assert "112" in answer.context["form"].animal.non_field_errors()[0]
    assert f"/records/{record.pk}/edit" in answer.content.decode()


def test_what_goes_with_another_choice_is_left_off(cast: Cast) -> None:
    sent = typed(**(ULCER | {"findings-0-m_stage": "M2"}), **(BLOCK | {"treatments-0-kind": "wrap"}))
    make.signed_in(cast.trimmer).post(address(cast), sent)
    record = ChuteRecord.objects.get()
    assert (record.findings.get().m_stage, record.treatments.get().block_kind) == ("", "")


def test_withholding_is_typed_on_the_clock_of_the_business(cast: Cast) -> None:
    sent = typed(
        **{
            "treatments-0-kind": "topical",
            "treatments-0-foot": "LH",
            "treatments-0-milk_withhold_until": "2026-07-01T10:00",
        }
    )
    make.signed_in(cast.trimmer).post(address(cast), sent)
    until = ChuteRecord.objects.get().treatments.get().milk_withhold_until
    assert until == dt.datetime(2026, 7, 1, 9, 0, tzinfo=dt.UTC)


def test_a_lesion_for_the_veterinarian_is_said_after_storing(cast: Cast) -> None:
    sent = typed(**(ULCER | {"findings-0-lesion": "TN", "findings-0-zone": ""}))
    answer = make.signed_in(cast.trimmer).post(address(cast), sent, follow=True)
    assert "ask the veterinarian today" in answer.content.decode()


def test_the_page_offers_the_trim_list_and_fills_in_what_is_usual(cast: Cast) -> None:
    TrimListEntry.objects.create(visit=cast.visit, number="77", reason="lame")
    browser = make.signed_in(cast.trimmer)
    assert 'href="?number=77"' in browser.get(address(cast)).content.decode()
    form = browser.get(address(cast) + "?number=77").context["form"].animal
    assert (form["number"].value(), form["kind"].value(), form["feet_trimmed"].value()) == ("77", "lame", [])


def test_what_is_known_of_the_animal_is_shown(cast: Cast) -> None:
    animal = make.an_animal(cast.farm, number="112", calving_due_on=make.TODAY + 20 * DAY)
    cast.record(treatments=[TreatmentValues("wrap", "LH")])
    next_visit = make.a_visit(cast.farm, cast.visit.crew, date=make.TODAY + DAY)
    page = f"/visits/{next_visit.pk}/records/animal?number={animal.number}"
    text = make.signed_in(cast.trimmer).get(page).content.decode()
    for words in ("Take the wrap off", "Calves in", "Sole ulcer"):
        assert words in text


def test_an_unknown_number_is_said_to_be_added(cast: Cast) -> None:
    text = make.signed_in(cast.trimmer).get(f"/visits/{cast.visit.pk}/records/animal?number=5").content.decode()
    assert "not on the farm" in text


def test_a_record_is_changed(cast: Cast) -> None:
    record = cast.record()
    browser = make.signed_in(cast.trimmer)
    form = browser.get(f"/records/{record.pk}/edit").context["form"]
    assert form.animal["scored"].value() == "ahdb_0_3:3"
    sent = typed(
        id=str(record.pk),
        number="113",
        **ULCER,
        **BLOCK,
        **{"findings-INITIAL_FORMS": 1, "treatments-INITIAL_FORMS": 1, "treatments-0-DELETE": "on"},
    )
    answer = browser.post(f"/records/{record.pk}/edit", sent)
    assert answer.headers["Location"] == f"/visits/{cast.visit.pk}"
    record.refresh_from_db()
    assert (record.animal.number, record.kind, record.findings.count()) == ("113", "cow", 1)
    assert not record.treatments.exists()


def test_a_refused_change_is_said_in_the_form(cast: Cast) -> None:
    cast.record("113")
    record = cast.record("112", findings=[], treatments=[])
    answer = make.signed_in(cast.trimmer).post(f"/records/{record.pk}/edit", typed(id=str(record.pk), number="113"))
    assert "113" in answer.context["form"].animal.non_field_errors()[0]


def test_a_record_is_taken_away_after_asking(cast: Cast) -> None:
    record = cast.record()
    browser = make.signed_in(cast.trimmer)
    assert browser.get(f"/records/{record.pk}/remove").status_code == HTTPStatus.OK
    assert ChuteRecord.objects.exists()
    browser.post(f"/records/{record.pk}/remove")
    assert not ChuteRecord.objects.exists()


def test_a_billed_visit_is_closed_for_records(cast: Cast) -> None:
    record = cast.record()
    lock_visit(visit=cast.visit, now=make.NOW)
    browser = make.signed_in(cast.trimmer)
    for page in (address(cast), f"/records/{record.pk}/edit"):
        text = browser.get(page).content.decode()
        assert "billed" in text
        assert 'name="number"' not in text
    answer = browser.post(f"/records/{record.pk}/remove")
    assert "billed" in answer.content.decode()
    assert ChuteRecord.objects.exists()


def test_who_may_record(cast: Cast) -> None:
    record = cast.record()
    for page in (address(cast), f"/records/{record.pk}/edit", f"/records/{record.pk}/remove"):
        assert make.signed_in(cast.owner).get(page).status_code == HTTPStatus.OK
        for seat in (cast.office, cast.farmer):
            assert make.signed_in(seat).get(page).status_code == HTTPStatus.FORBIDDEN
        assert make.signed_in(cast.stranger).get(page).status_code == HTTPStatus.NOT_FOUND
        assert make.signed_in(cast.stranger).post(page, typed()).status_code == HTTPStatus.NOT_FOUND


def test_the_page_at_the_chute_takes_few_queries(cast: Cast, django_assert_max_num_queries: Any) -> None:
    for number in range(30):
        make.an_animal(cast.farm, number=f"a{number}")
        TrimListEntry.objects.create(visit=cast.visit, number=f"a{number}", reason="picked")
    browser = make.signed_in(cast.trimmer)
    with django_assert_max_num_queries(32):
        browser.get(address(cast) + "?number=a1")


# Animals


def test_an_animal_is_added_with_its_cautions(cast: Cast) -> None:
    sent = {"number": "112", "animal_class": "cow", "official_tag": "UK123456600001"}
    answer = make.signed_in(cast.office).post(f"/farms/{cast.farm.pk}/animals/add", sent, follow=True)
    text = answer.content.decode()
    assert answer.redirect_chain[0][0] == f"/animals/{Animal.objects.get().pk}"
    assert "misread" in text
    assert "112 is stored" in text


def test_a_number_that_is_taken_is_said_beside_the_number(cast: Cast) -> None:
    make.an_animal(cast.farm, number="112")
    sent = {"number": "112", "animal_class": "cow", "note": "white face"}
    answer = make.signed_in(cast.office).post(f"/farms/{cast.farm.pk}/animals/add", sent)
    assert list(answer.context["form"].errors) == ["number"]
    assert "white face" in answer.content.decode()


def test_an_animal_is_changed(cast: Cast) -> None:
    animal = make.an_animal(cast.farm, number="112")
    other = make.an_animal(cast.farm, number="113")
    browser = make.signed_in(cast.trimmer)
    refused = browser.post(f"/animals/{animal.pk}/edit", {"number": other.number, "animal_class": "cow"})
    assert list(refused.context["form"].errors) == ["number"]
    browser.post(f"/animals/{animal.pk}/edit", {"number": "114", "animal_class": "dry", "calving_due_on": "2026-03-20"})
    animal.refresh_from_db()
    assert (animal.number, animal.animal_class) == ("114", "dry")
    assert "Calves in 16 days" in browser.get(f"/animals/{animal.pk}").content.decode()


def test_an_animal_leaves_the_herd_and_comes_back(cast: Cast) -> None:
    animal = cast.record().animal
    browser = make.signed_in(cast.trimmer)
    assert "recheck" in browser.get(f"/animals/{animal.pk}/archive").content.decode()
    browser.post(f"/animals/{animal.pk}/archive", follow=True)
    assert "112" not in browser.get(f"/farms/{cast.farm.pk}/animals").content.decode().partition("<main")[2]
    assert "112" in browser.get(f"/farms/{cast.farm.pk}/animals?archived=on").content.decode()
    browser.post(f"/animals/{animal.pk}/bring-back")
    animal.refresh_from_db()
    assert animal.archived_at is None


def test_bringing_back_a_number_used_again_is_refused_with_a_sentence(cast: Cast) -> None:
    animal = make.an_animal(cast.farm, number="112", archived_at=make.NOW)
    make.an_animal(cast.farm, number="112")
    answer = make.signed_in(cast.trimmer).post(f"/animals/{animal.pk}/bring-back")
    assert answer.status_code == HTTPStatus.CONFLICT
    assert "112" in answer.content.decode()


def test_the_list_of_animals_is_searched_and_paged(cast: Cast, django_assert_max_num_queries: Any) -> None:
    for number in range(60):
        make.an_animal(cast.farm, number=f"{number:03}", group="Dry pen")
    browser = make.signed_in(cast.farmer)
    with django_assert_max_num_queries(14):
        text = browser.get(f"/farms/{cast.farm.pk}/animals").content.decode()
    assert ">049</a>" in text
    assert ">051</a>" not in text
    assert ">051</a>" in browser.get(f"/farms/{cast.farm.pk}/animals?q=051+dry").content.decode()


def test_an_animal_shows_its_history(cast: Cast) -> None:
    record = cast.record()
    text = make.signed_in(cast.farmer).get(f"/animals/{record.animal_id}").content.decode()
    for words in ("LH outer: Sole ulcer, zone 4", "block (wood), LH inner", "severely impaired", "Take the block off"):
        assert words in text


def test_who_may_see_and_change_animals(cast: Cast) -> None:
    animal = make.an_animal(cast.farm)
    for page in (f"/animals/{animal.pk}", f"/farms/{cast.farm.pk}/animals", f"/farms/{cast.farm.pk}/withhold"):
        for seat in (cast.office, cast.farmer):
            assert make.signed_in(seat).get(page).status_code == HTTPStatus.OK
        for seat in (cast.neighbour, cast.stranger):
            assert make.signed_in(seat).get(page).status_code == HTTPStatus.NOT_FOUND
    for page in (f"/animals/{animal.pk}/edit", f"/animals/{animal.pk}/archive", f"/farms/{cast.farm.pk}/animals/add"):
        assert make.signed_in(cast.farmer).get(page).status_code == HTTPStatus.FORBIDDEN
        assert make.signed_in(cast.stranger).post(page, {}).status_code == HTTPStatus.NOT_FOUND


def test_what_is_withheld_is_listed_with_whom_to_ask(cast: Cast) -> None:
    spray = TreatmentValues("topical", foot="LH", product="Spray", milk_withhold_until=make.NOW + 2 * DAY)
    cast.record(treatments=[spray])
    browser = make.signed_in(cast.farmer)
    text = browser.get(f"/farms/{cast.farm.pk}/withhold").content.decode()
    for words in ("112", "Spray", "6 Mar 2026", "ask the veterinarian; follow the label"):
        assert words in text


# Rechecks


def test_the_recheck_list_has_the_overdue_first_and_is_narrowed(cast: Cast, django_assert_max_num_queries: Any) -> None:
    for days, number in ((-9, "old"), (3, "new")):
        Recheck.objects.create(
            animal=make.an_animal(cast.farm, number=number),
            trigger="wrap",
            what="remove_wrap",
            due_from=make.TODAY + days * DAY,
            due_by=make.TODAY + (days + 2) * DAY,
        )
    browser = make.signed_in(cast.trimmer)
    with django_assert_max_num_queries(14):
        text = browser.get("/rechecks").content.decode()
    assert text.index(">old<") < text.index(">new<")
    assert "1 is overdue" in text
    late = browser.get(f"/rechecks?farm={cast.farm.pk}&show=overdue").content.decode()
    assert ">old<" in late
    assert ">new<" not in late
    assert ">new<" in browser.get("/rechecks?show=week").content.decode()
    assert ">old<" in make.signed_in(cast.farmer).get("/rechecks").content.decode()
    for seat in (cast.neighbour, cast.stranger):
        assert ">old<" not in make.signed_in(seat).get("/rechecks").content.decode()


def test_a_recheck_is_closed_by_hand_with_a_reason(cast: Cast) -> None:
    cast.record()
    recheck = Recheck.objects.get(what="look_at_block")
    browser = make.signed_in(cast.trimmer)
    assert browser.get(f"/rechecks/{recheck.pk}/close").status_code == HTTPStatus.OK
    assert "reason" in browser.post(f"/rechecks/{recheck.pk}/close", {"reason": ""}).context["form"].errors
    browser.post(f"/rechecks/{recheck.pk}/close", {"reason": "Lost in the field"})
    recheck.refresh_from_db()
    assert (recheck.closed_reason, recheck.closed_by) == ("Lost in the field", cast.trimmer.user)
    assert "closed already" in browser.post(f"/rechecks/{recheck.pk}/close", {"reason": "again"}).content.decode()
    assert "Lost in the field" in browser.get("/rechecks?show=closed").content.decode()


def test_a_recheck_is_written_down_by_hand(cast: Cast) -> None:
    animal = make.an_animal(cast.farm)
    browser = make.signed_in(cast.trimmer)
    sent = {"what": "look_at_lesion", "due_from": "2026-03-20", "due_by": "2026-03-10", "note": "limps"}
    refused = browser.post(f"/animals/{animal.pk}/rechecks/add", sent)
    assert list(refused.context["form"].errors) == ["due_by"]
    browser.post(f"/animals/{animal.pk}/rechecks/add", sent | {"due_by": "2026-03-24"})
    assert "limps" in browser.get(f"/animals/{animal.pk}").content.decode()


def test_who_may_close_and_write_down_rechecks(cast: Cast) -> None:
    record = cast.record()
    recheck = Recheck.objects.earliest("pk")
    for page in (f"/rechecks/{recheck.pk}/close", f"/animals/{record.animal_id}/rechecks/add"):
        for seat in (cast.office, cast.farmer):
            assert make.signed_in(seat).get(page).status_code == HTTPStatus.FORBIDDEN
        assert make.signed_in(cast.stranger).get(page).status_code == HTTPStatus.NOT_FOUND


def test_the_owner_changes_a_rule(cast: Cast) -> None:
    add_default_rules(business=cast.business)
    rule = RecheckRule.objects.get(trigger="wrap")
    browser = make.signed_in(cast.owner)
    assert "Fiedler" in browser.get("/recheck-rules").content.decode()
    page = f"/recheck-rules/{rule.pk}/edit"
    refused = browser.post(page, {"from_days": 5, "by_days": 3, "active": "on"})
    assert refused.context["form"].errors
    browser.post(page, {"from_days": 2, "by_days": 4, "active": "on"})
    rule.refresh_from_db()
    assert (rule.from_days, rule.by_days, rule.warn_days) == (2, 4, None)
    assert make.signed_in(cast.trimmer).get(page).status_code == HTTPStatus.FORBIDDEN
    assert make.signed_in(cast.stranger).get(page).status_code == HTTPStatus.NOT_FOUND


# Trim lists


def test_the_trim_list_is_drawn_up_and_read_by_pen(cast: Cast) -> None:
    animal = make.an_animal(cast.farm, number="112", group="Pen 3", calved_on=make.TODAY - 80 * DAY)
    browser, page = make.signed_in(cast.farmer), f"/visits/{cast.visit.pk}/trim-list"
    assert "Nothing is on the list yet" in browser.get(page).content.decode()
    answer = browser.post(f"{page}/draw-up", follow=True)
    text = answer.content.decode()
    for words in ("1 animal", "Pen 3", animal.number, "80 days in milk"):
        assert words in text


def test_the_farm_picks_an_animal_and_takes_it_off(cast: Cast) -> None:
    browser, page = make.signed_in(cast.farmer), f"/visits/{cast.visit.pk}/trim-list"
    browser.post(page, {"number": "77", "note": "long toes"})
    entry = TrimListEntry.objects.get()
    assert "long toes" in browser.get(page).content.decode()
    refused = browser.post(page, {"number": "77"})
    assert "77" in refused.context["form"].non_field_errors()[0]
    browser.post(f"{page}/{entry.pk}/remove")
    assert not TrimListEntry.objects.exists()


def test_a_listed_animal_that_is_recorded_says_so(cast: Cast) -> None:
    TrimListEntry.objects.create(visit=cast.visit, number="112", reason="picked")
    cast.record("112")
    text = make.signed_in(cast.trimmer).get(f"/visits/{cast.visit.pk}/trim-list").content.decode()
    assert "recorded" in text


def test_the_list_of_a_visit_that_is_over_is_only_read(cast: Cast) -> None:
    Visit.objects.update(state="done")
    browser, page = make.signed_in(cast.trimmer), f"/visits/{cast.visit.pk}/trim-list"
    assert "Put on the list" not in browser.get(page).content.decode()
    assert browser.post(f"{page}/draw-up").status_code == HTTPStatus.CONFLICT


def test_who_may_see_and_pick_the_trim_list(cast: Cast) -> None:
    entry = TrimListEntry.objects.create(visit=cast.visit, number="77", reason="picked")
    page = f"/visits/{cast.visit.pk}/trim-list"
    silent = make.a_farm_person(cast.farm.client, may_ask=False)
    for seat in (cast.office, cast.farmer, silent):
        assert make.signed_in(seat).get(page).status_code == HTTPStatus.OK
    for seat, status in ((silent, HTTPStatus.FORBIDDEN), (cast.neighbour, HTTPStatus.NOT_FOUND)):
        assert make.signed_in(seat).post(page, {"number": "5"}).status_code == status
        assert make.signed_in(seat).post(f"{page}/{entry.pk}/remove").status_code == status
    for seat in (cast.neighbour, cast.stranger):
        assert make.signed_in(seat).get(page).status_code == HTTPStatus.NOT_FOUND
        assert make.signed_in(seat).post(f"{page}/draw-up").status_code == HTTPStatus.NOT_FOUND


def test_the_visits_page_shows_its_records(cast: Cast) -> None:
    cast.record()
    text = make.signed_in(cast.trimmer).get(f"/visits/{cast.visit.pk}").content.decode()
    for words in ("LH outer: Sole ulcer, zone 4", "Record an animal", "Trim list"):
        assert words in text
