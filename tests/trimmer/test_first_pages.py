"""The first page of each role."""

import datetime as dt
from decimal import Decimal
from http import HTTPStatus
from typing import Any

import pytest
import time_machine

from billing.models import Invoice, PriceList
from scheduling.models import ProposedWeek, WeekState
from tests.make import (
    NOW,
    TODAY,
    a_business,
    a_client,
    a_crew,
    a_farm,
    a_farm_person,
    a_member,
    a_request,
    a_visit,
    an_animal,
    signed_in,
)
from trimmer.models import Farm, HeadKind, Recheck, RequestState, SheetImport, SheetState, Urgency, Visit, VisitState

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def _clock() -> Any:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def farm() -> Farm:
    return a_farm(a_client(a_business()), name="Alder Bank")


def a_coming_visit(farm: Farm, day: dt.date = TODAY, **fields: Any) -> Visit:
    hours = {"told_from": NOW, "told_to": NOW + dt.timedelta(hours=1)} if day == TODAY else {}
    crew = fields.pop("crew", None) or a_crew(farm.client.business)
    return a_visit(farm, crew, date=day, head={HeadKind.COW: 40}, **hours, **fields)


def an_overdue_recheck(farm: Farm) -> Recheck:
    return Recheck.objects.create(
        animal=an_animal(farm, number="4711"),
        trigger="wrap",
        what="remove_wrap",
        due_from=TODAY - 5 * DAY,
        due_by=TODAY - 2 * DAY,
    )


def an_overdue_invoice(farm: Farm, number: str = "2026-17") -> Invoice:
    return Invoice.objects.create(
        business=farm.client.business,
        client=farm.client,
        state="issued",
        number=number,
        currency="EUR",
        issued_on=TODAY - 40 * DAY,
        due_on=TODAY - 10 * DAY,
        net_total=Decimal(100),
        gross_total=Decimal(100),
        drafted_at=NOW,
        issued_at=NOW,
    )


@pytest.mark.parametrize("role", ["owner", "trimmer"])
def test_a_crews_day_and_what_needs_a_decision(farm: Farm, role: str) -> None:
    business = farm.client.business
    today = a_coming_visit(farm)
    a_coming_visit(farm, TODAY + 2 * DAY)
    left_open = a_coming_visit(farm, TODAY - DAY)
    urgent = a_request(farm, urgency=Urgency.URGENT)
    an_overdue_recheck(farm)
    week = ProposedWeek.objects.create(
        business=business, monday=dt.date(2026, 3, 9), state=WeekState.PROPOSED, asked_at=NOW
    )

    answer = signed_in(a_member(business, role)).get("/")

    context = answer.context
    assert [list(round.visits) for round in context["rounds_today"]] == [[today]]
    assert [round.date for round in context["rounds_next"]] == [TODAY + 2 * DAY]
    assert list(context["unfinished"]) == [left_open]
    assert list(context["waiting"]) == [urgent]
    assert (context["rechecks_overdue"], list(context["weeks"])) == (1, [week])
    assert context["first_steps"] == []


def test_a_trimmer_sees_no_bills(farm: Farm) -> None:
    an_overdue_invoice(farm)
    answer = signed_in(a_member(farm.client.business, "trimmer")).get("/")
    assert "overdue_count" not in answer.context
    assert "2026-17" not in answer.text


@pytest.mark.parametrize("role", ["owner", "office"])
def test_what_is_to_be_billed_and_chased(farm: Farm, role: str) -> None:
    done = a_coming_visit(farm, TODAY - DAY, state=VisitState.DONE)
    overdue = an_overdue_invoice(farm)
    faulty = SheetImport.objects.create(
        business=farm.client.business, kind="animals", file_name="herd.csv", state=SheetState.FAULTY, brought_at=NOW
    )

    answer = signed_in(a_member(farm.client.business, role)).get("/")

    assert list(answer.context["to_bill"]) == [done]
    assert list(answer.context["overdue"]) == [overdue]
    assert list(answer.context["sheets"]) == [faulty]
    assert "2026-17" in answer.text


def test_an_office_without_work_is_told_so(farm: Farm) -> None:
    a_coming_visit(farm)
    assert "Nothing waits for the office" in signed_in(a_member(farm.client.business, "office")).get("/").text


@pytest.mark.parametrize("role", ["owner", "trimmer", "office"])
def test_a_new_business_is_told_its_first_steps(role: str) -> None:
    business = a_business()
    a_crew(business)

    answer = signed_in(a_member(business, role)).get("/")

    assert [step["done"] for step in answer.context["first_steps"]] == [True, True, False, False, False, False]


def test_first_steps_go_once_all_are_done() -> None:
    business = a_business()
    PriceList.objects.create(business=business, name="Prices", valid_from=TODAY)
    a_crew(business)
    a_request(a_farm(a_client(business)))
    assert signed_in(a_member(business)).get("/").context["first_steps"] == []


def test_first_steps_lead_only_where_one_may_go() -> None:
    business = a_business()
    steps = signed_in(a_member(business, "trimmer")).get("/").context["first_steps"]
    assert [step["url"] for step in steps] == ["", "", "", "/farms/add", "", "/requests/add"]


def test_a_farm_sees_its_next_visit_rechecks_and_bills(farm: Farm) -> None:
    visit = a_coming_visit(farm)
    an_overdue_recheck(farm)
    bill = an_overdue_invoice(farm)
    neighbour = a_farm(a_client(farm.client.business))
    a_coming_visit(neighbour)
    an_overdue_recheck(neighbour)
    an_overdue_invoice(neighbour, number="2026-18")

    answer = signed_in(a_farm_person(farm.client)).get("/")

    assert answer.context["visits"] == [visit]
    assert [row.recheck.animal.farm for row in answer.context["rechecks"]] == [farm]
    assert list(answer.context["bills"]) == [bill]
    assert "2026-18" not in answer.text
    assert "09:00–10:00" in answer.text
    assert "Ask for a visit" in answer.text


def test_a_farm_person_without_rights_sees_no_bills_and_cannot_ask(farm: Farm) -> None:
    an_overdue_invoice(farm)
    answer = signed_in(a_farm_person(farm.client, may_ask=False, may_see_invoices=False)).get("/")
    assert "2026-17" not in answer.text
    assert "Ask for a visit" not in answer.text


def test_a_farm_that_waits_is_told_so(farm: Farm) -> None:
    a_request(farm)
    a_request(farm, state=RequestState.DECLINED)
    answer = signed_in(a_farm_person(farm.client)).get("/")
    assert "Your request waits" in answer.text
    assert len(answer.context["waiting"]) == 1


@pytest.mark.parametrize("role", ["owner", "trimmer", "office"])
def test_first_pages_take_few_queries(farm: Farm, role: str, django_assert_max_num_queries: Any) -> None:
    crew = a_crew(farm.client.business)
    for days in range(-6, 6):
        a_coming_visit(farm, TODAY + days * DAY, crew=crew)
        a_request(farm)
    browser = signed_in(a_member(farm.client.business, role))
    with django_assert_max_num_queries(32):
        assert browser.get("/").status_code == HTTPStatus.OK


def test_a_person_who_sits_nowhere_is_told_what_to_do() -> None:
    member = a_member(a_business())
    browser = signed_in(member)
    member.user.memberships.all().delete()
    assert browser.get("/").status_code == HTTPStatus.OK


def test_health_answers_anyone(client: Any) -> None:
    assert client.get("/health").text == "ok"
