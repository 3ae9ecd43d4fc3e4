"""One invoice a month over all farms of a client, each visit once; and the fee of a late cancellation."""

import datetime as dt
from decimal import Decimal as D

import pytest
from django.db import IntegrityError, transaction

from billing.models import Invoice
from billing.queries.visits import draft_cautions, priced_visits, visits_to_bill
from billing.services.drafts import Drafting, draft_invoices
from billing.services.einvoice_settings import BillsUnknown, keep_client_billing
from billing.services.fees import NotACancelledVisit, forgo_fee
from billing.services.issuing import issue_invoice
from billing.services.prices import keep_billing_settings
from tests import make
from tests.billing import bills
from trimmer.models import Business, Client, Visit, VisitState

pytestmark = pytest.mark.django_db

FEBRUARY = dt.date(2026, 2, 1)


@pytest.fixture
def business() -> Business:
    business = bills.a_trimming_business()
    bills.a_price_list(business, {"head_cow": "14.50", "late_cancellation": "60"})
    return business


@pytest.fixture
def client(business: Business) -> Client:
    client = make.a_client(business)
    keep_client_billing(client=client, bills="month")
    return client


def drafted(business: Business, visits: list[Visit] | None = None) -> Drafting:
    return draft_invoices(business=business, visits=visits, by=None, now=make.NOW)


def days_and_farms(draft: Invoice) -> list[tuple[str, int]]:
    return [(line.farm_name, line.visit_date.day) for line in draft.lines.order_by("position") if line.visit_date]


def test_a_month_over_all_farms_by_farm_and_day(business: Business, client: Client) -> None:
    upper, lower = make.a_farm(client, name="Upper"), make.a_farm(client, name="Lower")
    for farm, day in ((upper, 3), (lower, 5), (upper, 17), (lower, 26)):
        bills.a_done_visit(client, farm=farm, date=dt.date(2026, 2, day))
    bills.a_done_visit(client, farm=upper, date=dt.date(2026, 1, 31))
    january, february = sorted(drafted(business).drafts, key=lambda draft: draft.month or FEBRUARY)
    assert (january.month, february.month) == (dt.date(2026, 1, 1), FEBRUARY)
    assert days_and_farms(february) == [("Lower", 5), ("Lower", 26), ("Upper", 3), ("Upper", 17)]
    assert february.net_total == D(2320)


def test_a_month_that_is_not_over_waits(business: Business, client: Client) -> None:
    bills.a_done_visit(client)
    made = drafted(business)
    assert made.drafts == ()
    assert [out.because[0].code for out in made.left_out] == ["month_not_over"]


def test_a_late_visit_joins_the_draft_of_its_month(business: Business, client: Client) -> None:
    first = bills.a_done_visit(client, date=dt.date(2026, 2, 20))
    [draft] = drafted(business).drafts
    bills.a_done_visit(client, farm=first.farm, date=dt.date(2026, 2, 3))
    [same] = drafted(business).drafts
    assert (same, Invoice.objects.count()) == (draft, 1)
    assert [day for _farm, day in days_and_farms(same)] == [3, 20]
    same.refresh_from_db()
    assert same.net_total == D(1160)
    with pytest.raises(IntegrityError), transaction.atomic():
        Invoice.objects.create(business=business, client=client, currency="EUR", month=FEBRUARY, drafted_at=make.NOW)


def test_a_monthly_invoice_is_issued_with_every_visit_once(business: Business, client: Client) -> None:
    for day in (2, 9):
        bills.a_done_visit(client, date=dt.date(2026, 2, day))
    [draft] = drafted(business).drafts
    issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    assert not visits_to_bill(business).exists()
    assert drafted(business).drafts == ()


def test_each_visit_on_an_invoice_of_its_own(business: Business, client: Client) -> None:
    keep_client_billing(client=client, bills="visit")
    for day in (2, 9):
        bills.a_done_visit(client, date=dt.date(2026, 2, day))
    assert [draft.billed_visits.count() for draft in drafted(business).drafts] == [1, 1]


def test_an_unknown_wish_is_refused(client: Client) -> None:
    with pytest.raises(BillsUnknown):
        keep_client_billing(client=client, bills="yearly")


# Cancelled late


@pytest.fixture
def called_off(business: Business) -> Visit:
    keep_billing_settings(business=business, credit_prefix="", travel_counts=False, late_cancel_hours=24)
    farm = make.a_farm(make.a_client(business))
    visit = make.a_visit(farm, make.a_crew(business), planned_start=make.NOW, planned_end=make.NOW)
    visit.state, visit.cancelled_at = VisitState.CANCELLED, make.NOW - dt.timedelta(hours=3)
    visit.cancel_reason = "Vet is there"
    visit.save()
    return visit


def test_the_fee_is_asked_for_only_by_a_person(business: Business, called_off: Visit) -> None:
    [row] = priced_visits(business, visits_to_bill(business))
    assert (row.cancelled, row.net, row.cautions[0].code) == (True, D(60), "cancelled_late")
    assert drafted(business).drafts == ()
    [draft] = drafted(business, [called_off]).drafts
    assert issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW).net_total == D(60)


def test_one_called_off_in_time_bears_no_fee(business: Business, called_off: Visit) -> None:
    Visit.objects.update(cancelled_at=make.NOW - dt.timedelta(hours=25))
    assert not visits_to_bill(business).exists()


def test_a_forgone_fee_waits_no_more(business: Business, called_off: Visit) -> None:
    office = make.signed_in(make.a_member(business))
    assert "Ask nothing for it" in office.get("/invoices/to-bill").content.decode()
    office.post(f"/visits/{called_off.pk}/forgo-fee")
    assert not visits_to_bill(business).exists()


def test_a_visit_that_took_place_has_no_fee_to_forgo(business: Business) -> None:
    with pytest.raises(NotACancelledVisit):
        forgo_fee(visit=bills.a_done_visit(make.a_client(business)), by=None, now=make.NOW)


# Looked at before the run


def test_drafts_tell_what_speaks_against_them(business: Business) -> None:
    draft = bills.a_draft(make.a_client(business, country=""))
    codes = [caution.code for caution in draft_cautions([draft])[draft.pk]]
    assert codes == ["no_records", "country_taken_for_granted"]
    page = make.signed_in(make.a_member(business)).get("/invoices/drafts").content.decode()
    assert "Nothing was recorded at the chute" in page
    assert "it is taken to be in that of your business" in page
