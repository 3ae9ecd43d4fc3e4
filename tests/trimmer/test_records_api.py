"""Animals, records, rechecks and trim lists over the API."""

from __future__ import annotations

import datetime as dt
import threading
import uuid
from collections.abc import Iterator
from http import HTTPStatus
from typing import Any

import pytest
import time_machine
from django.db import connection
from rest_framework.test import APIClient

from tests import make
from trimmer.access import Seat
from trimmer.models import Animal, ChuteRecord, Recheck, TrimListEntry, Visit, VisitState

pytestmark = pytest.mark.django_db

ID = "6d0c1b5a-8a0e-4a58-9d5c-0c3a64a3f001"
DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def _clock() -> Iterator[None]:
    with time_machine.travel(make.NOW, tick=False):
        yield


class Cast:
    """Whose farm it is, who works there, a neighbour and a stranger."""

    def __init__(self) -> None:
        self.business = make.a_business(time_zone="Europe/Dublin")
        self.farm = make.a_farm(make.a_client(self.business))
        self.visit = make.a_visit(self.farm, make.a_crew(self.business))
        self.trimmer = make.a_member(self.business, "trimmer")
        self.office = make.a_member(self.business, "office")
        self.farmer = make.a_farm_person(self.farm.client)
        self.neighbour = make.a_farm_person(make.a_client(self.business))
        self.stranger = make.a_member(make.a_business())


@pytest.fixture
def cast() -> Cast:
    return Cast()


def api(seat: Seat) -> APIClient:
    client = APIClient()
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


def a_record(cast: Cast, **fields: Any) -> dict[str, Any]:
    values = {
        "id": ID,
        "visit": cast.visit.pk,
        "number": "112",
        "kind": "lame",
        "score": 3,
        "scale": "ahdb_0_3",
        "feet_trimmed": ["LH", "RH"],
        "minutes": "12.5",
        "note": "quiet",
        "findings": [{"foot": "LH", "lesion": "SU", "claw": "outer", "zone": 4}],
        "treatments": [{"kind": "block", "foot": "LH", "claw": "inner", "block_kind": "wood"}],
    }
    return values | fields


def send(seat: Seat, body: dict[str, Any]) -> Any:
    return api(seat).post("/api/v1/records", body)


def test_a_record_is_stored_with_what_it_raises(cast: Cast) -> None:
    answer = send(cast.trimmer, a_record(cast))
    assert answer.status_code == HTTPStatus.CREATED
    body = answer.json()
    assert (body["id"], body["number"], body["minutes"]) == (ID, "112", "12.5")
    assert body["findings"][0]["zone"] == 4
    assert body["treatments"][0]["block_kind"] == "wood"
    block = next(recheck for recheck in body["rechecks_raised"] if recheck["what"] == "remove_block")
    assert (block["due_from"], block["due_by"], block["state"]) == ("2026-03-29", "2026-04-04", "waiting")
    assert block["to_do"] == "Take the block off, LH"
    assert ChuteRecord.objects.get().recorded_by == cast.trimmer.user


def test_the_same_record_twice_is_stored_once(cast: Cast) -> None:
    first, second = send(cast.trimmer, a_record(cast)), send(cast.trimmer, a_record(cast))
    assert first.json() == second.json()
    assert second.status_code == HTTPStatus.CREATED
    assert (ChuteRecord.objects.count(), Animal.objects.count()) == (1, 1)


@pytest.mark.django_db(transaction=True)
def test_the_same_record_sent_at_once_is_stored_once(cast: Cast) -> None:
    clients = [api(cast.trimmer), api(cast.trimmer)]
    together = threading.Barrier(2)
    answers: list[int] = []

    def post(client: APIClient) -> None:
        try:
            together.wait(10)
            answers.append(client.post("/api/v1/records", a_record(cast)).status_code)
        finally:
            connection.close()

    senders = [threading.Thread(target=post, args=[client]) for client in clients]
    for sender in senders:
        sender.start()
    for sender in senders:
        sender.join(30)
    assert answers == [HTTPStatus.CREATED, HTTPStatus.CREATED]
    assert (ChuteRecord.objects.count(), Animal.objects.count()) == (1, 1)


def test_the_same_id_with_other_content_is_refused(cast: Cast) -> None:
    send(cast.trimmer, a_record(cast))
    answer = send(cast.trimmer, a_record(cast, note="other"))
    assert answer.status_code == HTTPStatus.CONFLICT
    assert answer.json()["code"] == "record_differs"


def test_values_at_fault_are_named_by_their_place(cast: Cast) -> None:
    answer = send(cast.trimmer, a_record(cast, findings=[{"foot": "LH", "lesion": "SU"}]))
    assert answer.status_code == HTTPStatus.BAD_REQUEST
    assert list(answer.json()["fields"]) == ["findings.0.claw"]


def test_an_animal_is_given_by_id_or_by_number_not_both_or_neither(cast: Cast) -> None:
    animal = make.an_animal(cast.farm, number="112")
    both = send(cast.trimmer, a_record(cast, animal=animal.pk))
    neither = a_record(cast)
    del neither["number"]
    for answer in (both, send(cast.trimmer, neither)):
        assert answer.status_code == HTTPStatus.BAD_REQUEST
        assert "animal" in answer.json()["fields"]
    by_id = send(cast.trimmer, {**neither, "animal": animal.pk})
    assert by_id.json()["animal"] == animal.pk


def test_a_strangers_visit_or_animal_is_unknown(cast: Cast) -> None:
    theirs = make.an_animal(make.a_farm(make.a_client(cast.stranger.business)))
    body = a_record(cast)
    del body["number"]
    assert send(cast.trimmer, {**body, "animal": theirs.pk}).json()["fields"].keys() == {"animal"}
    assert send(cast.stranger, a_record(cast)).json()["fields"].keys() == {"visit"}
    assert not ChuteRecord.objects.exists()


def test_a_record_is_revised(cast: Cast) -> None:
    send(cast.trimmer, a_record(cast))
    body = {"number": "113", "kind": "cow", "feet_trimmed": ["LF"]}
    answer = api(cast.trimmer).put(f"/api/v1/records/{ID}", body)
    assert answer.status_code == HTTPStatus.OK
    assert (answer.json()["number"], answer.json()["treatments"]) == ("113", [])
    assert not Recheck.objects.exists()


def test_a_record_is_removed(cast: Cast) -> None:
    send(cast.trimmer, a_record(cast))
    assert api(cast.trimmer).delete(f"/api/v1/records/{ID}").status_code == HTTPStatus.NO_CONTENT
    assert not ChuteRecord.objects.exists()


def test_a_lesion_for_the_veterinarian_comes_back_as_a_caution(cast: Cast) -> None:
    answer = send(cast.trimmer, a_record(cast, findings=[{"foot": "LH", "lesion": "TN", "claw": "outer"}]))
    assert "veterinarian" in answer.json()["cautions"][0]


def test_records_are_found_by_visit_animal_farm_and_day(cast: Cast) -> None:
    send(cast.trimmer, a_record(cast))
    animal = Animal.objects.get()
    for query, found in {
        f"visit={cast.visit.pk}": 1,
        f"animal={animal.pk}": 1,
        f"farm={cast.farm.pk}": 1,
        f"farm={cast.farm.pk + 1000}": 0,
        "first=2026-03-04&last=2026-03-04": 1,
        "first=2026-03-05": 0,
    }.items():
        assert api(cast.office).get(f"/api/v1/records?{query}").json()["count"] == found, query


def test_listing_records_takes_few_queries(cast: Cast, django_assert_max_num_queries: Any) -> None:
    for number in range(8):
        send(cast.trimmer, a_record(cast, id=str(uuid.uuid4()), number=str(number)))
    client = api(cast.office)
    with django_assert_max_num_queries(12):
        assert len(client.get("/api/v1/records").json()["results"]) == 8


def test_who_may_read_and_write_records(cast: Cast) -> None:
    send(cast.trimmer, a_record(cast))
    for seat, status in {
        cast.office: HTTPStatus.OK,
        cast.farmer: HTTPStatus.OK,
        cast.neighbour: HTTPStatus.NOT_FOUND,
        cast.stranger: HTTPStatus.NOT_FOUND,
    }.items():
        assert api(seat).get(f"/api/v1/records/{ID}").status_code == status
    for seat in (cast.office, cast.farmer):
        assert send(seat, a_record(cast)).status_code == HTTPStatus.FORBIDDEN
        assert api(seat).delete(f"/api/v1/records/{ID}").status_code == HTTPStatus.FORBIDDEN
    body = {"number": "112", "kind": "cow"}
    assert api(cast.stranger).put(f"/api/v1/records/{ID}", body).status_code == HTTPStatus.NOT_FOUND


# Animals


def test_an_animal_is_added_with_its_cautions(cast: Cast) -> None:
    body = {"farm": cast.farm.pk, "number": "112", "official_tag": "UK123456600001", "group": "B"}
    answer = api(cast.office).post("/api/v1/animals", body)
    assert answer.status_code == HTTPStatus.CREATED
    assert answer.json()["animal"]["group"] == "B"
    (caution,) = answer.json()["cautions"]
    assert (caution["field"], caution["code"]) == ("official_tag", "uk_check_digit")


def test_a_number_that_is_taken_is_refused(cast: Cast) -> None:
    make.an_animal(cast.farm, number="112")
    answer = api(cast.office).post("/api/v1/animals", {"farm": cast.farm.pk, "number": "112"})
    assert answer.status_code == HTTPStatus.CONFLICT
    assert answer.json()["code"] == "animal_number_is_taken"


def test_an_animal_is_changed_archived_and_brought_back(cast: Cast) -> None:
    animal = make.an_animal(cast.farm, number="112")
    client = api(cast.trimmer)
    changed = client.put(f"/api/v1/animals/{animal.pk}", {"number": "113", "calved_on": "2026-01-02"})
    assert changed.json()["animal"]["number"] == "113"
    assert client.post(f"/api/v1/animals/{animal.pk}/archive").json()["archived"] is True
    assert client.get("/api/v1/animals?archived=false").json()["count"] == 0
    assert client.get("/api/v1/animals?archived=true").json()["count"] == 1
    assert client.post(f"/api/v1/animals/{animal.pk}/bring-back").json()["archived"] is False


def test_who_may_read_and_write_animals(cast: Cast) -> None:
    animal = make.an_animal(cast.farm)
    for seat, found in {cast.farmer: 1, cast.office: 1, cast.neighbour: 0, cast.stranger: 0}.items():
        assert api(seat).get("/api/v1/animals").json()["count"] == found
    body = {"farm": cast.farm.pk, "number": "5"}
    assert api(cast.farmer).post("/api/v1/animals", body).status_code == HTTPStatus.FORBIDDEN
    assert api(cast.stranger).post("/api/v1/animals", body).json()["fields"].keys() == {"farm"}
    assert api(cast.stranger).post(f"/api/v1/animals/{animal.pk}/archive").status_code == HTTPStatus.NOT_FOUND


def test_milk_withheld_on_a_farm(cast: Cast) -> None:
    until = "2026-03-06T09:00:00Z"
    treatment = {"kind": "topical", "foot": "LH", "product": "Spray", "milk_withhold_until": until}
    send(cast.trimmer, a_record(cast, treatments=[treatment]))
    address = f"/api/v1/farms/{cast.farm.pk}/withholding"
    (row,) = api(cast.farmer).get(address).json()
    assert (row["number"], row["milk_until"], row["meat_until"], row["products"]) == ("112", until, None, ["Spray"])
    assert "label" in row["cautions"][0]
    for seat in (cast.neighbour, cast.stranger):
        assert api(seat).get(address).status_code == HTTPStatus.NOT_FOUND


# Rechecks


def a_recheck(cast: Cast, **fields: Any) -> Recheck:
    values = {
        "animal": make.an_animal(cast.farm),
        "trigger": "wrap",
        "what": "remove_wrap",
        "due_from": make.TODAY - 5 * DAY,
        "due_by": make.TODAY - DAY,
    }
    return Recheck.objects.create(**(values | fields))


def test_rechecks_are_found_by_farm_animal_open_and_overdue(cast: Cast) -> None:
    late = a_recheck(cast)
    a_recheck(cast, due_by=make.TODAY + DAY)
    a_recheck(cast, closed_at=make.NOW)
    for query, found in {
        "": 3,
        "open=true": 2,
        "open=false": 1,
        "overdue=true": 1,
        "overdue=false": 2,
        f"animal={late.animal_id}": 1,
        f"farm={cast.farm.pk}": 3,
    }.items():
        assert api(cast.office).get(f"/api/v1/rechecks?{query}").json()["count"] == found, query


def test_a_recheck_is_written_down_and_closed(cast: Cast) -> None:
    client = api(cast.trimmer)
    animal = make.an_animal(cast.farm)
    body = {"animal": animal.pk, "what": "look_at_lesion", "due_from": "2026-03-10", "due_by": "2026-03-12"}
    made = client.post("/api/v1/rechecks", body)
    assert made.status_code == HTTPStatus.CREATED
    address = f"/api/v1/rechecks/{made.json()['id']}/close"
    assert client.post(address, {"reason": ""}).status_code == HTTPStatus.BAD_REQUEST
    assert client.post(address, {"reason": "sold"}).json()["state"] == "closed"
    assert client.post(address, {"reason": "sold"}).json()["code"] == "recheck_is_closed"


def test_who_may_read_and_close_rechecks(cast: Cast) -> None:
    recheck = a_recheck(cast)
    for seat, found in {cast.farmer: 1, cast.office: 1, cast.neighbour: 0, cast.stranger: 0}.items():
        assert api(seat).get("/api/v1/rechecks").json()["count"] == found
    address, body = f"/api/v1/rechecks/{recheck.pk}/close", {"reason": "sold"}
    assert api(cast.farmer).post(address, body).status_code == HTTPStatus.FORBIDDEN
    assert api(cast.office).post(address, body).status_code == HTTPStatus.FORBIDDEN
    assert api(cast.stranger).post(address, body).status_code == HTTPStatus.NOT_FOUND
    foreign = {"animal": recheck.animal_id, "what": "remove_wrap", "due_from": "2026-03-10", "due_by": "2026-03-12"}
    assert api(cast.stranger).post("/api/v1/rechecks", foreign).json()["fields"].keys() == {"animal"}


# Trim lists


def test_a_trim_list_is_drawn_up_and_picked_from(cast: Cast) -> None:
    recheck = a_recheck(cast)
    client, address = api(cast.farmer), f"/api/v1/visits/{cast.visit.pk}/trim-list"
    assert client.get(address).json() == []
    (pen,) = client.post(address).json()
    assert [row["number"] for row in pen["animals"]] == [recheck.animal.number]
    picked = client.post(f"{address}/picks", {"number": "77", "note": "long toes"})
    assert picked.status_code == HTTPStatus.CREATED
    row = next(row for row in picked.json()[0]["animals"] if row["number"] == "77")
    assert (row["animal"], row["recorded"]) == (None, False)
    assert row["reasons"] == [{"code": "picked", "details": ["long toes"]}]
    assert client.delete(f"{address}/{row['pick']}").status_code == HTTPStatus.NO_CONTENT
    assert not TrimListEntry.objects.filter(reason="picked").exists()


def test_who_may_read_and_pick_trim_lists(cast: Cast) -> None:
    silent = make.a_farm_person(cast.farm.client, may_ask=False)
    address = f"/api/v1/visits/{cast.visit.pk}/trim-list"
    entry = TrimListEntry.objects.create(visit=cast.visit, number="77", reason="picked")
    for seat, status in {
        cast.office: HTTPStatus.OK,
        silent: HTTPStatus.OK,
        cast.neighbour: HTTPStatus.NOT_FOUND,
        cast.stranger: HTTPStatus.NOT_FOUND,
    }.items():
        assert api(seat).get(address).status_code == status
    for seat, status in {silent: HTTPStatus.FORBIDDEN, cast.stranger: HTTPStatus.NOT_FOUND}.items():
        assert api(seat).post(f"{address}/picks", {"number": "1"}).status_code == status
        assert api(seat).delete(f"{address}/{entry.pk}").status_code == status


def test_the_list_of_a_visit_that_is_over_stands(cast: Cast) -> None:
    Visit.objects.update(state=VisitState.DONE)
    answer = api(cast.trimmer).post(f"/api/v1/visits/{cast.visit.pk}/trim-list")
    assert answer.status_code == HTTPStatus.CONFLICT
    assert answer.json()["code"] == "visit_is_over"
