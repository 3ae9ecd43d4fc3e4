"""A farm asks for a visit; the request is changed, withdrawn or declined."""

import datetime as dt
from typing import Any

import pytest
from django.core import mail

from tests.make import NOW, TODAY, a_business, a_client, a_farm, a_farm_person, a_member, a_request, an_animal
from trimmer.models import Contact, Farm, HeadKind, RequestState, Scale, VisitRequest
from trimmer.services.requests import (
    DueDayIsPast,
    EarliestAfterDue,
    FarmIsArchived,
    LameAnimalNamedTwice,
    LameValues,
    NoDaySuits,
    NothingAskedFor,
    ReasonIsNeeded,
    RequestIsNotWaiting,
    ScoreOffScale,
    ask_for_visit,
    change_request,
    decline_request,
    withdraw_request,
)

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)


@pytest.fixture
def farm() -> Farm:
    return a_farm(a_client(a_business()))


def ask(farm: Farm, **values: Any) -> VisitRequest:
    return ask_for_visit(farm=farm, **({"head": {HeadKind.COW: 40}, "by": None, "now": NOW} | values))


def counts(request: VisitRequest) -> dict[str, int]:
    return {row.kind: row.count for row in request.head.all()}


def test_a_request_waits_with_its_head(farm: Farm) -> None:
    request = ask(farm, head={HeadKind.COW: 40, HeadKind.HEIFER: 0}, due_on=TODAY + 7 * DAY, note=" gate code 7 ")

    assert request.state == RequestState.OPEN
    assert counts(request) == {HeadKind.COW: 40}
    assert request.note == "gate code 7"


def test_named_lame_animals_count_as_lame_head(farm: Farm) -> None:
    request = ask(farm, head={}, lame=[LameValues("12", 3, Scale.SPRECHER), LameValues("31")])

    assert counts(request) == {HeadKind.LAME: 2}


def test_a_larger_lame_count_given_by_hand_stands(farm: Farm) -> None:
    request = ask(farm, head={HeadKind.LAME: 5}, lame=[LameValues("12")])

    assert counts(request) == {HeadKind.LAME: 5}


def test_a_smaller_lame_count_gives_way_to_the_animals_named(farm: Farm) -> None:
    request = ask(farm, head={HeadKind.LAME: 1}, lame=[LameValues("12"), LameValues("31")])

    assert counts(request) == {HeadKind.LAME: 2}


def test_a_named_animal_is_found_in_the_herd_whatever_its_case(farm: Farm) -> None:
    cow = an_animal(farm, number="B12")
    an_animal(a_farm(farm.client), number="77")

    request = ask(farm, lame=[LameValues("b12"), LameValues("77")])

    assert [row.animal for row in request.lame_animals.all()] == [cow, None]


def test_a_score_is_kept_with_its_scale_and_a_scale_without_score_is_not_kept(farm: Farm) -> None:
    request = ask(farm, lame=[LameValues("12", 0, Scale.AHDB), LameValues("31", None, Scale.SPRECHER)])

    assert [(row.score, row.scale) for row in request.lame_animals.all()] == [(0, Scale.AHDB), (None, "")]


def test_nothing_asked_for_is_refused(farm: Farm) -> None:
    with pytest.raises(NothingAskedFor):
        ask(farm, head={HeadKind.COW: 0}, lame=[LameValues("  ")])


def test_a_due_day_in_the_past_is_refused_by_field(farm: Farm) -> None:
    with pytest.raises(DueDayIsPast) as refused:
        ask(farm, due_on=TODAY - DAY)
    assert list(refused.value.fields) == ["due_on"]


def test_today_is_the_day_on_the_business_clock() -> None:
    farm = a_farm(a_client(a_business(time_zone="America/Chicago")))
    late_evening = dt.datetime(2026, 3, 5, 3, 0, tzinfo=dt.UTC)  # 21:00 on the 4th in Chicago

    assert ask(farm, due_on=TODAY, now=late_evening).due_on == TODAY


def test_an_earliest_day_after_the_due_day_is_refused(farm: Farm) -> None:
    with pytest.raises(EarliestAfterDue):
        ask(farm, earliest_on=TODAY + 5 * DAY, due_on=TODAY + 4 * DAY)


def test_weekdays_that_do_not_come_before_the_due_day_are_refused(farm: Farm) -> None:
    with pytest.raises(NoDaySuits):
        ask(farm, due_on=TODAY + 2 * DAY, weekdays=[0])  # Wednesday to Friday holds no Monday


def test_weekdays_that_come_in_time_are_kept_in_order(farm: Farm) -> None:
    assert ask(farm, due_on=TODAY + 2 * DAY, weekdays=[4, 0, 4]).weekdays == [0, 4]


def test_an_archived_farm_is_refused(farm: Farm) -> None:
    farm.archived_at = NOW
    with pytest.raises(FarmIsArchived):
        ask(farm)


@pytest.mark.parametrize(
    ("score", "scale"), [(0, Scale.SPRECHER), (6, Scale.SPRECHER), (4, Scale.AHDB), (2, "made_up"), (2, "")]
)
def test_a_score_off_its_scale_is_refused_by_row(farm: Farm, score: int, scale: str) -> None:
    with pytest.raises(ScoreOffScale) as refused:
        ask(farm, lame=[LameValues("12"), LameValues("31", score, scale)])
    assert list(refused.value.fields) == ["lame.1.score"]


def test_an_animal_named_twice_is_refused(farm: Farm) -> None:
    with pytest.raises(LameAnimalNamedTwice, match="Animal B7 is named twice"):
        ask(farm, lame=[LameValues("b7"), LameValues("B7 ")])


def test_a_waiting_request_is_changed_as_a_whole(farm: Farm) -> None:
    request = ask(farm, lame=[LameValues("12")], due_on=TODAY + DAY)

    change_request(request=request, head={HeadKind.HEIFER: 6}, note="only heifers", now=NOW)

    request = VisitRequest.objects.get()
    assert counts(request) == {HeadKind.HEIFER: 6}
    assert (request.lame_animals.count(), request.due_on, request.note) == (0, None, "only heifers")


def test_a_booked_request_is_not_changed(farm: Farm) -> None:
    request = a_request(farm, state=RequestState.BOOKED)
    with pytest.raises(RequestIsNotWaiting):
        change_request(request=request, head={HeadKind.COW: 1}, now=NOW)
    assert counts(request) == {HeadKind.COW: 40}


def test_a_waiting_request_is_withdrawn(farm: Farm) -> None:
    request = withdraw_request(request=a_request(farm), reason="sold  the cows", now=NOW)

    assert (request.state, request.answer) == (RequestState.WITHDRAWN, "sold the cows")


def test_a_request_booked_meanwhile_is_not_withdrawn(farm: Farm) -> None:
    request = a_request(farm)
    VisitRequest.objects.update(state=RequestState.BOOKED)

    with pytest.raises(RequestIsNotWaiting):
        withdraw_request(request=request, now=NOW)


def test_declining_tells_the_farm_why(farm: Farm, django_capture_on_commit_callbacks: Any) -> None:
    Contact.objects.create(farm=farm, name="Una", email="una@example.test")
    person = a_farm_person(farm.client)
    a_farm_person(farm.client, may_ask=False)

    with django_capture_on_commit_callbacks(execute=True):
        decline_request(request=a_request(farm), reason="We don't come so far north.", now=NOW)

    assert {message.to[0] for message in mail.outbox} == {"una@example.test", person.user.email}
    assert "Why: We don't come so far north." in mail.outbox[0].body
    assert "Wed, 4 Mar 2026" in mail.outbox[0].body


def test_declining_without_a_reason_is_refused(farm: Farm) -> None:
    request = a_request(farm)
    with pytest.raises(ReasonIsNeeded):
        decline_request(request=request, reason=" ", now=NOW)


def test_a_declined_request_is_not_declined_again(farm: Farm, django_capture_on_commit_callbacks: Any) -> None:
    request = a_request(farm, state=RequestState.DECLINED)
    with pytest.raises(RequestIsNotWaiting), django_capture_on_commit_callbacks(execute=True):
        decline_request(request=request, reason="No", now=NOW)
    assert mail.outbox == []


def test_who_asked_and_how_is_kept(farm: Farm) -> None:
    office = a_member(farm.client.business)

    request = ask(farm, via="phone", by=office.user)

    assert (request.asked_via, request.asked_by, request.asked_at) == ("phone", office.user, NOW)
