"""Clients, farms, crews, people, tokens and the business over the API."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import pytest
from rest_framework.test import APIClient

from tests import make
from tests.make import NOW
from trimmer.access import Seat
from trimmer.models import (
    AnsweredRequest,
    ApiToken,
    Base,
    Client,
    Crew,
    DaysOff,
    Farm,
    FarmPerson,
    Invitation,
    Job,
    Membership,
    RecheckRule,
    Role,
    VisitState,
)
from trimmer.services.businesses import add_default_rules
from trimmer.services.people import make_token

pytestmark = pytest.mark.django_db

V1 = "/api/v1/"


class Cast:
    """Whose business it is, colleagues, a farm's person, a neighbour and a stranger."""

    def __init__(self) -> None:
        self.business = make.a_business(time_zone="Europe/Dublin")
        self.client = make.a_client(self.business, number="C009", note="pays late")
        self.farm = make.a_farm(self.client, name="Alder Bank", handling_notes="SECRET", health_tier=2)
        self.crew = make.a_crew(self.business, name="Red crew")
        self.owner = make.a_member(self.business)
        self.office = make.a_member(self.business, Role.OFFICE)
        self.trimmer = make.a_member(self.business, Role.TRIMMER)
        self.farmer = make.a_farm_person(self.client)
        self.stranger = make.a_member(make.a_business(name="Far Trim"))


@pytest.fixture
def cast() -> Cast:
    return Cast()


def api(seat: Seat, **headers: str) -> APIClient:
    client = APIClient(headers=headers)
    client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    return client


# Clients


def test_a_client_is_added_with_the_next_number(cast: Cast) -> None:
    answer = api(cast.office).post(f"{V1}clients", {"name": "Beech Hill", "city": "Larkham"})

    assert answer.status_code == HTTPStatus.CREATED
    assert (answer.data["number"], answer.data["city"]) == ("C010", "Larkham")


def test_a_taken_number_is_refused_by_code_and_field(cast: Cast) -> None:
    answer = api(cast.office).post(f"{V1}clients", {"name": "Beech Hill", "number": "C009"})

    assert answer.status_code == HTTPStatus.CONFLICT
    assert answer.json()["code"] == "client_number_is_taken"
    assert list(answer.json()["fields"]) == ["number"]


def test_a_client_added_twice_with_one_key_is_added_once(cast: Cast) -> None:
    office = api(cast.office)

    office.post(f"{V1}clients", {"name": "Beech Hill"}, headers={"Idempotency-Key": "k1"})
    answer = office.post(f"{V1}clients", {"name": "Beech Hill"}, headers={"Idempotency-Key": "k1"})

    assert answer.data["number"] == "C010"
    assert Client.objects.of(cast.business).count() == 2


def test_only_what_is_named_of_a_client_changes(cast: Cast) -> None:
    answer = api(cast.office).patch(f"{V1}clients/{cast.client.pk}", {"on_hold": True})

    assert (answer.data["on_hold"], answer.data["note"]) == (True, "pays late")


def test_a_client_is_archived_and_restored(cast: Cast) -> None:
    office = api(cast.office)

    assert office.post(f"{V1}clients/{cast.client.pk}/archive").data["archived_at"] is not None
    assert office.get(f"{V1}clients", {"archived": "true"}).data["count"] == 1
    assert office.post(f"{V1}clients/{cast.client.pk}/restore").data["archived_at"] is None


def test_clients_are_for_members_and_changed_at_the_desk(cast: Cast) -> None:
    address = f"{V1}clients/{cast.client.pk}"

    assert api(cast.farmer).get(address).status_code == HTTPStatus.FORBIDDEN
    assert api(cast.stranger).get(address).status_code == HTTPStatus.NOT_FOUND
    assert api(cast.trimmer).get(address).status_code == HTTPStatus.OK
    assert api(cast.trimmer).patch(address, {"name": "X"}).status_code == HTTPStatus.FORBIDDEN


# Farms

FARM: dict[str, Any] = {
    "name": "Beech Hill",
    "latitude": 47.2,
    "longitude": 9.6,
    "milking": 120,
    "lock_up_hours": "2.5",
    "days_that_suit": [1, 3],
    "access_windows": [{"weekday": 1, "opens": "08:00", "closes": "11:30"}],
    "contacts": [{"name": "Cora", "email": "cora@beech.test"}],
}


def test_a_farm_is_added_with_its_hours_and_contacts(cast: Cast) -> None:
    answer = api(cast.trimmer).post(f"{V1}farms", FARM | {"client": cast.client.pk})

    assert answer.status_code == HTTPStatus.CREATED
    assert (answer.data["herd"], answer.data["lock_up_hours"]) == (120, "2.50")
    assert answer.data["access_windows"] == [{"weekday": 1, "opens": "08:00:00", "closes": "11:30:00"}]
    assert answer.data["contacts"][0]["told_of_visits"] is True


def test_a_farm_of_anothers_client_is_refused(cast: Cast) -> None:
    answer = api(cast.stranger).post(f"{V1}farms", FARM | {"client": cast.client.pk})

    assert answer.status_code == HTTPStatus.BAD_REQUEST
    assert list(answer.json()["fields"]) == ["client"]


def test_swapped_degrees_are_refused_by_code(cast: Cast) -> None:
    answer = api(cast.trimmer).patch(f"{V1}farms/{cast.farm.pk}", {"latitude": 109.5, "longitude": 47.2})

    assert answer.status_code == HTTPStatus.BAD_REQUEST
    assert answer.json()["code"] == "position_is_swapped"


def test_lists_of_a_farm_are_replaced_only_when_named(cast: Cast) -> None:
    trimmer = api(cast.trimmer)
    made = trimmer.post(f"{V1}farms", FARM | {"client": cast.client.pk}).data

    answer = trimmer.patch(f"{V1}farms/{made['id']}", {"contacts": []})

    assert answer.data["contacts"] == []
    assert len(answer.data["access_windows"]) == 1


def test_a_farms_person_reads_the_farm_and_no_note_of_the_business(cast: Cast) -> None:
    make.a_farm(make.a_client(cast.business), name="Beech Hill")
    farmer = api(cast.farmer)

    (shown,) = farmer.get(f"{V1}farms").data["results"]

    assert shown["name"] == "Alder Bank"
    assert (shown["handling_notes"], shown["access_notes"], shown["health_tier"]) == (None, None, None)
    assert farmer.patch(f"{V1}farms/{cast.farm.pk}", {"milking": 1}).status_code == HTTPStatus.FORBIDDEN


def test_a_farm_is_archived_and_restored_but_not_while_booked(cast: Cast) -> None:
    visit = make.a_visit(cast.farm, cast.crew)
    trimmer = api(cast.trimmer)

    assert trimmer.post(f"{V1}farms/{cast.farm.pk}/archive").json()["code"] == "visits_are_booked"
    visit.state = VisitState.DONE
    visit.save()
    assert trimmer.post(f"{V1}farms/{cast.farm.pk}/archive").data["archived_at"] is not None
    assert trimmer.post(f"{V1}farms/{cast.farm.pk}/restore").data["archived_at"] is None


def test_farms_with_a_standing_arrangement_are_found(cast: Cast) -> None:
    make.a_farm(cast.client, name="Beech Hill", visit_interval_weeks=12)

    found = api(cast.trimmer).get(f"{V1}farms", {"standing": "true"}).data["results"]

    assert [farm["name"] for farm in found] == ["Beech Hill"]


def test_farms_with_all_their_lists_take_few_queries(cast: Cast, django_assert_max_num_queries: Any) -> None:
    for _ in range(5):
        make.a_farm(cast.client)
    trimmer = api(cast.trimmer)

    with django_assert_max_num_queries(8):
        assert trimmer.get(f"{V1}farms").data["count"] == 6


# Bases and crews


def test_a_base_comes_moves_and_goes(cast: Cast) -> None:
    owner = api(cast.owner)
    place = {"name": "Top yard", "latitude": 47.2, "longitude": 9.6}

    made = owner.post(f"{V1}bases", place).data
    assert owner.put(f"{V1}bases/{made['id']}", place | {"latitude": 47.3}).data["latitude"] == 47.3
    assert owner.delete(f"{V1}bases/{made['id']}").status_code == HTTPStatus.NO_CONTENT

    assert owner.delete(f"{V1}bases/{cast.crew.base.pk}").json()["code"] == "base_is_used"
    assert Base.objects.of(cast.business).count() == 1


def test_a_crew_is_made_and_changed(cast: Cast) -> None:
    owner = api(cast.owner)
    hours = [{"weekday": 0, "leave_from": "07:00", "back_by": "16:00"}]
    values = {"name": "Blue crew", "base": cast.crew.base.pk, "members": [cast.trimmer.user.pk], "hours": hours}

    made = owner.post(f"{V1}crews", values)
    changed = owner.patch(f"{V1}crews/{made.data['id']}", {"longest_day": 540})

    assert made.status_code == HTTPStatus.CREATED
    assert changed.data["members"] == [cast.trimmer.user.pk]
    assert changed.data["hours"] == [{"weekday": 0, "leave_from": "07:00:00", "back_by": "16:00:00"}]
    assert changed.data["longest_day"] == 540


def test_a_crew_takes_no_base_and_no_person_of_another_business(cast: Cast) -> None:
    owner = api(cast.owner)
    theirs = make.a_base(cast.stranger.business)

    answer = owner.post(f"{V1}crews", {"name": "X", "base": theirs.pk, "members": [cast.stranger.user.pk]})

    assert answer.status_code == HTTPStatus.BAD_REQUEST
    assert {field.split(".")[0] for field in answer.json()["fields"]} == {"base", "members"}


def test_days_off_come_and_go(cast: Cast) -> None:
    owner = api(cast.owner)
    days = {"crew": cast.crew.pk, "first": "2026-03-09", "last": "2026-03-13", "note": "course"}

    made = owner.post(f"{V1}days-off", days)
    assert owner.get(f"{V1}crews/{cast.crew.pk}").data["days_off"][0]["note"] == "course"
    backwards = owner.post(f"{V1}days-off", days | {"last": "2026-03-01"})
    owner.delete(f"{V1}days-off/{made.data['id']}")

    assert backwards.json()["code"] == "days_off_end_before_they_begin"
    assert not DaysOff.objects.exists()


def test_crews_are_changed_by_the_owner_only(cast: Cast) -> None:
    for seat in (cast.trimmer, cast.office):
        member = api(seat)
        assert member.get(f"{V1}crews").status_code == HTTPStatus.OK
        assert member.patch(f"{V1}crews/{cast.crew.pk}", {"active": False}).status_code == HTTPStatus.FORBIDDEN
    assert Crew.objects.of(cast.business).get().active


# The business


def test_the_business_is_read_by_members_and_changed_by_the_owner(cast: Cast) -> None:
    assert api(cast.trimmer).get(f"{V1}business").data["name"] == "Hollin Hoof Care"
    assert api(cast.trimmer).patch(f"{V1}business", {"name": "X"}).status_code == HTTPStatus.FORBIDDEN
    assert api(cast.farmer).get(f"{V1}business").status_code == HTTPStatus.FORBIDDEN

    changed = api(cast.owner).patch(f"{V1}business", {"phone": "555 0100"})

    assert (changed.data["phone"], changed.data["currency"]) == ("555 0100", "EUR")


def test_a_zone_nobody_knows_is_refused_by_code(cast: Cast) -> None:
    answer = api(cast.owner).patch(f"{V1}business", {"time_zone": "Dublin"})

    assert answer.json()["code"] == "unknown_time_zone"


def test_a_recheck_rule_changes_its_days_and_says_its_source(cast: Cast) -> None:
    add_default_rules(business=cast.business)
    rule = RecheckRule.objects.get(trigger="wrap")

    answer = api(cast.owner).patch(f"{V1}recheck-rules/{rule.pk}", {"by_days": 4, "what": "look_at_skin"})

    assert (answer.data["from_days"], answer.data["by_days"], answer.data["what"]) == (3, 4, "remove_wrap")
    assert "Fiedler" in answer.data["basis"]
    office = api(cast.office).patch(f"{V1}recheck-rules/{rule.pk}", {"by_days": 5})
    assert office.status_code == HTTPStatus.FORBIDDEN


def test_a_job_says_how_far_it_is(cast: Cast) -> None:
    job = Job.objects.create(business=cast.business, kind="plan_week", progress=40)

    assert api(cast.trimmer).get(f"{V1}jobs/{job.pk}").data["progress"] == 40
    assert api(cast.stranger).get(f"{V1}jobs/{job.pk}").status_code == HTTPStatus.NOT_FOUND


# People


def test_a_members_role_is_changed_by_the_owner(cast: Cast) -> None:
    place = Membership.objects.get(user=cast.office.user)

    assert api(cast.office).patch(f"{V1}members/{place.pk}", {"role": "owner"}).status_code == HTTPStatus.FORBIDDEN
    assert api(cast.owner).patch(f"{V1}members/{place.pk}", {"role": "trimmer"}).data["role"] == "trimmer"


def test_the_last_owner_is_not_taken_out(cast: Cast) -> None:
    place = Membership.objects.get(user=cast.owner.user)

    answer = api(cast.owner).delete(f"{V1}members/{place.pk}")

    assert (answer.status_code, answer.json()["code"]) == (HTTPStatus.CONFLICT, "last_owner")


def test_a_member_is_taken_out(cast: Cast) -> None:
    place = Membership.objects.get(user=cast.office.user)

    assert api(cast.owner).delete(f"{V1}members/{place.pk}").status_code == HTTPStatus.NO_CONTENT
    assert not Membership.objects.filter(pk=place.pk).exists()


def test_a_farms_person_is_allowed_more_and_taken_out_by_the_office(cast: Cast) -> None:
    place = FarmPerson.objects.get()
    office = api(cast.office)

    assert office.patch(f"{V1}farm-people/{place.pk}", {"may_ask": False}).data["may_ask"] is False
    assert office.delete(f"{V1}farm-people/{place.pk}").status_code == HTTPStatus.NO_CONTENT
    assert not FarmPerson.objects.exists()


def test_the_office_invites_farms_people_and_no_colleague(cast: Cast) -> None:
    office = api(cast.office)

    made = office.post(f"{V1}invitations", {"email": "dan@alder.test", "client": cast.client.pk})
    refused = office.post(f"{V1}invitations", {"email": "eve@hollin.test", "role": "owner"})

    assert (made.status_code, refused.status_code) == (HTTPStatus.CREATED, HTTPStatus.FORBIDDEN)
    assert Invitation.objects.get().client == cast.client
    assert "secret" not in str(made.data)


def test_the_owner_invites_sends_again_and_withdraws(cast: Cast) -> None:
    owner = api(cast.owner)

    made = owner.post(f"{V1}invitations", {"email": "eve@hollin.test", "role": "office"}).data
    again = owner.post(f"{V1}invitations/{made['id']}/again").data
    owner.delete(f"{V1}invitations/{again['id']}")

    assert made["id"] != again["id"]
    assert not Invitation.objects.exists()


@pytest.mark.parametrize("what", [{}, {"role": "office", "client": 0}])
def test_an_invitation_is_to_a_role_or_to_a_client(cast: Cast, what: dict[str, Any]) -> None:
    if "client" in what:
        what = what | {"client": cast.client.pk}

    answer = api(cast.owner).post(f"{V1}invitations", {"email": "eve@hollin.test"} | what)

    assert "one of the two" in answer.json()["message"]


# Oneself


def test_one_reads_where_one_sits(cast: Cast) -> None:
    answer = api(cast.farmer).get(f"{V1}me").data

    assert (answer["place"]["role"], answer["place"]["client_name"]) == ("farm", cast.client.name)
    assert len(answer["places"]) == 1


def test_somebody_without_a_place_reads_that_there_is_none() -> None:
    client = APIClient()
    client.force_login(make.a_person(), backend="allauth.account.auth_backends.AuthenticationBackend")

    answer = client.get(f"{V1}me").data

    assert (answer["place"], answer["places"]) == (None, [])


def test_a_token_is_made_used_and_withdrawn(cast: Cast) -> None:
    made = api(cast.trimmer).post(f"{V1}tokens", {"name": "Scale"})
    program = APIClient(headers={"Authorization": f"Bearer {made.data['secret']}"})

    assert program.get(f"{V1}me").data["place"]["role"] == "trimmer"
    assert program.delete(f"{V1}tokens/{made.data['id']}").status_code == HTTPStatus.NO_CONTENT
    assert program.get(f"{V1}me").status_code == HTTPStatus.UNAUTHORIZED


def test_the_secret_of_a_token_is_nowhere_kept_not_even_for_a_repeated_write(cast: Cast) -> None:
    trimmer = api(cast.trimmer)
    key = {"Idempotency-Key": "t1"}

    first = trimmer.post(f"{V1}tokens", {"name": "Scale"}, headers=key).json()
    second = trimmer.post(f"{V1}tokens", {"name": "Scale"}, headers=key).json()

    assert second == {name: value for name, value in first.items() if name != "secret"} | {"secret": None}
    assert first["secret"] not in str(AnsweredRequest.objects.get().body)
    assert ApiToken.objects.count() == 1


def test_nobody_reads_or_withdraws_anothers_token(cast: Cast) -> None:
    token, _secret = make_token(seat=cast.owner, name="Scale", now=NOW)
    colleague = api(cast.office)

    assert colleague.get(f"{V1}tokens").data["count"] == 0
    assert colleague.delete(f"{V1}tokens/{token.pk}").status_code == HTTPStatus.NOT_FOUND


def test_a_stranger_finds_nothing_of_all_this(cast: Cast) -> None:
    stranger = api(cast.stranger)

    for noun in ("clients", "farms", "crews", "bases", "farm-people", "invitations", "recheck-rules", "jobs"):
        assert stranger.get(f"{V1}{noun}").data["count"] == 0
    assert stranger.get(f"{V1}farms/{Farm.objects.get().pk}").status_code == HTTPStatus.NOT_FOUND
