"""What it earned: billed against hours at the farm and on the road."""

import datetime as dt
from dataclasses import replace
from decimal import Decimal as D
from typing import Any

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from pytest_django import DjangoAssertNumQueries
from rest_framework.test import APIClient

from billing.charges.earnings import Stop, earned, per_hour, road_minutes
from billing.models import Invoice
from billing.queries.earnings import Group, earnings_of
from billing.services.credits import credit_invoice
from billing.services.drafts import DiscountValues, draft_invoices, revise_draft
from billing.services.issuing import issue_invoice
from billing.views.earnings import BARS, plot_of
from tests import make
from tests.billing import bills
from trimmer.models import Business, Crew, Visit

FIRST, LAST = dt.date(2026, 3, 1), dt.date(2026, 3, 31)
NEAR = Stop(1, head=40, billed=D("600"), travel=D("30"), chute=240, leg=20, leg_metres=20_000, alone_metres=40_000)
FAR = Stop(2, head=10, billed=D("150"), travel=D("20"), chute=60, leg=40, leg_metres=40_000, alone_metres=120_000)


def test_the_road_of_a_round_is_shared_by_the_distance_each_would_be_driven_alone() -> None:
    """Worked by hand: legs 20 + 40 min over 60 km, home 60 km at that pace 60 min: 120 min, shared 40 : 120 km."""
    assert road_minutes([NEAR, FAR]) == (30, 90)


def test_without_the_distances_each_has_its_leg() -> None:
    assert road_minutes([NEAR, replace(FAR, alone_metres=None)]) == (20, 40)
    assert road_minutes([replace(NEAR, alone_metres=None), FAR]) == (20, 40 + 60)
    assert road_minutes([NEAR, replace(FAR, leg_metres=None)]) == (15, 45)  # the way home is not known
    assert road_minutes([]) == ()


@given(st.lists(st.tuples(st.integers(0, 300), st.integers(1, 200_000)), min_size=1, max_size=12))
def test_the_shares_of_a_round_add_up_to_its_road(legs: list[tuple[int, int]]) -> None:
    stops = [
        Stop(place, head=1, billed=D(1), travel=D(0), chute=1, leg=leg, leg_metres=0, alone_metres=alone)
        for place, (leg, alone) in enumerate(legs)
    ]
    assert sum(road_minutes(stops)) == sum(leg for leg, _alone in legs)


def test_an_hour_brings_what_was_billed_by_all_its_minutes() -> None:
    near, far = earned([[NEAR, FAR]], lambda stop: stop.key)
    assert (near.an_hour, near.a_chute_hour, near.travel_a_road_hour) == (D("133.33"), D("150.00"), D("60.00"))
    assert (far.an_hour, far.a_chute_hour, far.travel_a_road_hour) == (D("60.00"), D("150.00"), D("13.33"))
    [both] = earned([[NEAR, FAR]], lambda _stop: "")
    assert (both.billed, both.chute, both.road, both.head) == (D(750), 300, 120, 50)
    assert per_hour(D(1), 0) is None


def test_a_visit_that_waits_for_its_bill_is_counted_apart() -> None:
    [row] = earned([[NEAR, replace(FAR, billed=None)]], lambda _stop: "")
    assert (row.visits, row.waiting, row.chute, row.road, row.billed) == (1, 1, 240, 30, D(600))


def test_minutes_below_zero_are_refused() -> None:
    with pytest.raises(ValueError, match="0 or more"):
        replace(NEAR, leg=-1)


# From the database


@pytest.fixture
def business(db: None) -> Business:
    business = bills.a_trimming_business(time_zone="UTC")
    bills.a_price_list(business, bills.PRICES | {"call_out": "25.00"})
    return business


def at(hour: int, minute: int = 0) -> dt.datetime:
    return dt.datetime(2026, 3, 4, hour, minute, tzinfo=dt.UTC)


def a_round(business: Business) -> tuple[Crew, list[Visit]]:
    """Two farms of one day: 40 cows from 8 to 12, 5 from 12:30 to 13:30. 605.00 and 97.50 before tax."""
    crew = make.a_crew(business, name="North")
    near = make.a_farm(make.a_client(business, name="Alder"), name="Alder Bank")
    far = make.a_farm(make.a_client(business, name="Beck"), name="Beck Side")
    shared: dict[str, Any] = {"crew": crew}
    first = bills.a_done_visit(
        near.client,
        farm=near,
        arrived_at=at(8),
        left_at=at(12),
        drive_minutes_planned=20,
        distance_planned_m=20_000,
        distance_alone_m=40_000,
        **shared,
    )
    second = bills.a_done_visit(
        far.client,
        farm=far,
        head={"cow": 5},
        arrived_at=at(12, 40),
        left_at=at(13, 40),
        drive_minutes_planned=99,
        distance_planned_m=40_000,
        distance_alone_m=120_000,
        position=1,
        **shared,
    )
    return crew, [first, second]


def billed(business: Business, visits: list[Visit]) -> list[Invoice]:
    drafts = draft_invoices(business=business, visits=visits, by=None, now=make.NOW).drafts
    return [issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW) for draft in drafts]


def test_farms_stand_by_what_an_hour_brought(business: Business) -> None:
    billed(business, a_round(business)[1])
    found = earnings_of(business, FIRST, LAST, Group.FARM)
    rows = [(row.name, row.earned.chute, row.earned.road, row.earned.an_hour, row.below) for row in found.rows]
    assert rows == [
        ("Alder Bank", 240, 30, D("134.44"), False),  # 605.00 in 4.5 h
        ("Beck Side", 60, 90, D("39.00"), True),  # 97.50 in 2.5 h: its drive eats it
    ]
    assert found.total is not None
    assert (found.total.billed, found.total.travel, found.total.head) == (D("702.50"), D("50.00"), 45)


@pytest.mark.parametrize(("group", "name"), [(Group.CREW, "North"), (Group.ROUND, "4 Mar 2026, North")])
def test_crews_and_rounds_too(business: Business, group: Group, name: str) -> None:
    billed(business, a_round(business)[1])
    [row] = earnings_of(business, FIRST, LAST, group).rows
    assert (row.name, row.earned.visits, row.earned.billed, row.farm) == (name, 2, D("702.50"), None)


def test_credit_notes_are_taken_off_and_what_is_credited_whole_waits_again(business: Business) -> None:
    invoices = billed(business, a_round(business)[1])
    note = credit_invoice(invoice=invoices[1], reason="Miscounted", by=None, now=make.NOW)
    issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)
    rows = {row.name: row.earned for row in earnings_of(business, FIRST, LAST, Group.FARM).rows}
    assert (rows["Beck Side"].visits, rows["Beck Side"].waiting, rows["Beck Side"].an_hour) == (0, 1, None)
    assert rows["Alder Bank"].billed == D("605.00")


def test_a_discount_under_the_lines_is_taken_off_and_given_back_with_a_credit(business: Business) -> None:
    """Worked by hand: 10 % off leave 544.50 of 605.00, and 22.50 of the 25.00 for coming."""
    _crew, visits = a_round(business)
    drafts = draft_invoices(business=business, visits=visits, by=None, now=make.NOW).drafts
    revise_draft(invoice=drafts[0], discounts=[DiscountValues("Paid by debit", percent=D(10))])
    first, _second = (issue_invoice(invoice=one, on=make.TODAY, by=None, now=make.NOW) for one in drafts)
    found = earnings_of(business, FIRST, LAST, Group.FARM)
    assert {row.name: row.earned.billed for row in found.rows} == {"Alder Bank": D("544.50"), "Beck Side": D("97.50")}
    assert found.total is not None
    assert found.total.travel == D("47.50")
    note = credit_invoice(invoice=first, reason="Miscounted", by=None, now=make.NOW)
    issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)
    rows = {row.name: row.earned for row in earnings_of(business, FIRST, LAST, Group.FARM).rows}
    assert (rows["Alder Bank"].visits, rows["Alder Bank"].waiting) == (0, 1)


def test_without_times_it_is_as_planned_and_said_so(business: Business) -> None:
    client = make.a_client(business)
    visit = bills.a_done_visit(client, planned_start=at(8), planned_end=at(10))
    billed(business, [visit])
    [row] = earnings_of(business, FIRST, LAST, Group.FARM).rows
    assert (row.earned.chute, row.earned.estimated) == (120, 1)


def test_another_period_and_another_business_are_not_told(business: Business) -> None:
    billed(business, a_round(business)[1])
    assert earnings_of(business, LAST, LAST, Group.FARM).rows == ()
    assert earnings_of(bills.a_trimming_business(name="Stranger"), FIRST, LAST, Group.FARM).rows == ()


def test_many_visits_take_as_few_queries(
    business: Business, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    crew = make.a_crew(business)
    billed(business, [bills.a_done_visit(make.a_client(business, name=f"C{n}"), crew=crew) for n in range(12)])
    with django_assert_max_num_queries(4):
        earnings_of(business, FIRST, LAST, Group.FARM)


# The page


def test_the_office_reads_table_and_plot(business: Business) -> None:
    billed(business, a_round(business)[1])
    office = make.signed_in(make.a_member(business, "office"))
    asked = "?first=2026-03-01&last=2026-03-31&by=farm"
    page = office.get(reverse("earnings") + asked).content.decode()
    assert "134.44" in page
    assert "below all together" in page
    assert page.count('class="chute" x="210"') == 2
    sheet = office.get(reverse("earnings-csv") + asked).content.decode("utf-8-sig")
    assert "Beck Side,Beck,1,0,5,97.50,25.00,60,90,39.00,97.50,EUR" in sheet


def test_a_period_without_work_says_what_to_do(business: Business) -> None:
    page = make.signed_in(make.a_member(business)).get(reverse("earnings") + "?first=2025-01-01&last=2025-01-31")
    assert "Nothing was done in this period" in page.content.decode()


def test_a_period_the_wrong_way_round_is_said(business: Business) -> None:
    page = make.signed_in(make.a_member(business)).get(reverse("earnings") + "?first=2026-03-31&last=2026-03-01")
    assert "lies before the first" in page.content.decode()


def test_a_trimmer_does_not_see_it(business: Business) -> None:
    assert make.signed_in(make.a_member(business, "trimmer")).get(reverse("earnings")).status_code == 403


def test_a_long_list_shows_its_two_ends(business: Business) -> None:
    crew = make.a_crew(business)
    visits = [
        bills.a_done_visit(make.a_client(business, name=f"C{n}"), crew=crew, arrived_at=at(8), left_at=at(9))
        for n in range(BARS + 5)
    ]
    billed(business, visits)
    plot = plot_of(earnings_of(business, FIRST, LAST, Group.FARM))
    assert plot is not None
    assert (len(plot.bars), plot.left_out) == (BARS, 5)


def test_a_program_reads_it(business: Business) -> None:
    billed(business, a_round(business)[1])
    program = APIClient()
    program.force_login(make.a_member(business, "owner").user)
    rows = program.get(reverse("api-earnings"), {"first": str(FIRST), "last": str(LAST)}).json()
    assert [(row["name"], row["an_hour"], row["below"]) for row in rows] == [
        ("Alder Bank", "134.44", False),
        ("Beck Side", "39.00", True),
    ]
    assert program.get(reverse("api-earnings"), {"first": str(LAST), "last": str(FIRST)}).status_code == 400
