import datetime as dt
from decimal import Decimal as D
from typing import Any

import pytest
from django.db import IntegrityError, transaction

from billing.models import BilledVisit, Invoice, InvoiceLine, InvoiceTax
from billing.queries.visits import Caution, priced_visits, visits_to_bill
from billing.services import drafts
from billing.services.amounts import AmountTooLarge
from billing.services.credits import credit_invoice
from billing.services.drafts import (
    Drafting,
    LineValues,
    draft_invoices,
    look_at_prices,
    reprice_draft,
    revise_draft,
)
from billing.services.prices import PriceValues, keep_billing_settings, keep_price_list, keep_tax_category
from tests import make
from tests.billing import bills
from trimmer.models import Business, Client, HeadKind, Treatment, Units, Visit, VisitState

pytestmark = pytest.mark.django_db


@pytest.fixture
def business() -> Business:
    return bills.a_trimming_business()


@pytest.fixture
def client(business: Business) -> Client:
    return make.a_client(business)


def drafted(business: Business, **values: Any) -> Drafting:
    return draft_invoices(business=business, by=None, now=make.NOW, **values)


def rows_of(invoice: Invoice) -> list[tuple[str, D, D, D]]:
    return list(invoice.lines.order_by("position").values_list("article", "quantity", "price", "net"))


def codes(found: tuple[Caution, ...]) -> list[str]:
    return [caution.code for caution in found]


def test_a_done_visit_becomes_a_draft_with_everything_frozen(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    visit = bills.a_done_visit(client)
    [draft] = drafted(business).drafts
    [line] = draft.lines.all()
    assert (draft.state, draft.number, draft.client) == ("draft", None, client)
    assert (line.name, line.quantity, line.unit, line.price, line.net) == (
        "Cow trimmed",
        D(40),
        "HEA",
        D("14.5"),
        D(580),
    )
    assert (line.tax_code, line.tax_rate, line.tax_name) == ("S", D(19), "VAT 19 %")
    assert (line.visit, line.visit_date, line.farm_name) == (visit, make.TODAY, visit.farm.name)
    assert line.source == "Prices 2026, from 1 Jan 2026"
    assert (draft.net_total, draft.tax_total, draft.gross_total) == (D(580), D("110.20"), D("690.20"))


def test_treatments_recorded_at_the_chute_are_lines(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    visit = bills.a_done_visit(client, head={HeadKind.COW: 1})
    record = make.a_record(visit, make.an_animal(visit.farm))
    for kind in ("block", "block_removed", "wrap"):
        Treatment.objects.create(record=record, kind=kind, foot="LH", claw="outer")
    [draft] = drafted(business).drafts
    assert rows_of(draft) == [("head_cow", D(1), D("14.5"), D("14.5")), ("treatment_block", D(1), D(8), D(8))]


def test_all_visits_of_a_client_stand_on_one_draft_by_date(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    for day in (5, 3):
        bills.a_done_visit(client, date=dt.date(2026, 2, day))
    other = make.a_client(business, name="Beck Farm")
    bills.a_done_visit(other)
    made = drafted(business).drafts
    assert [(draft.client, draft.lines.count()) for draft in made] == [(client, 2), (other, 1)]
    assert [line.visit_date.day for line in made[0].lines.order_by("position") if line.visit_date] == [3, 5]


def test_an_agreement_stands_over_the_list(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    bills.a_price_list(business, {"head_cow": "13"}, client=client, name="Alder Bank")
    bills.a_done_visit(client)
    [draft] = drafted(business).drafts
    [line] = draft.lines.all()
    assert (line.price, line.source) == (D(13), "Alder Bank (agreement), from 1 Jan 2026")


def test_the_day_of_the_visit_picks_the_list(business: Business, client: Client) -> None:
    bills.a_price_list(business, {"head_cow": "12"}, name="Old", valid_from=dt.date(2025, 1, 1))
    bills.a_price_list(business, {"head_cow": "15"}, name="New", valid_from=dt.date(2026, 3, 1))
    bills.a_done_visit(client, date=dt.date(2026, 2, 28))
    bills.a_done_visit(client, date=dt.date(2026, 3, 1))
    [draft] = drafted(business).drafts
    assert [price for _article, _quantity, price, _net in rows_of(draft)] == [12, 15]


@pytest.mark.parametrize(
    ("units", "article", "quantity"), [(Units.METRIC, "distance_km", "32.2"), (Units.US, "distance_mile", "20")]
)
def test_distance_is_counted_as_the_business_counts(units: str, article: str, quantity: str) -> None:
    business = bills.a_trimming_business(units=units)
    client = make.a_client(business)
    bills.a_price_list(business, {"head_cow": "10", "distance_km": "0.85", "distance_mile": "1.40"})
    farm = make.a_farm(client, latitude=None, longitude=None)
    bills.a_done_visit(client, farm=farm, distance_planned_m=1, distance_driven_m=32187)
    [draft] = drafted(business).drafts
    assert [(row[0], row[1]) for row in rows_of(draft)][1:] == [(article, D(quantity))]


def test_the_planned_distance_stands_in_for_one_not_noted(business: Business, client: Client) -> None:
    bills.a_price_list(business, {"head_cow": "10", "distance_km": "1"})
    bills.a_done_visit(client, farm=make.a_farm(client, latitude=None, longitude=None), distance_planned_m=12_000)
    [draft] = drafted(business).drafts
    assert ("distance_km", D(12), D(1), D(12)) in rows_of(draft)


def test_hours_run_from_first_head_in_to_last_head_out(business: Business, client: Client) -> None:
    bills.a_price_list(business, {"head_cow": "0", "hour": "48"})
    begin = dt.datetime(2026, 3, 4, 8, 0, tzinfo=dt.UTC)
    bills.a_done_visit(client, first_head_at=begin, last_head_at=begin + dt.timedelta(minutes=45))
    [draft] = drafted(business).drafts
    assert rows_of(draft)[1] == ("hour", D("0.75"), D(48), D(36))


def test_travel_counts_towards_the_minimum_if_the_business_says_so(business: Business, client: Client) -> None:
    bills.a_price_list(business, {"head_cow": "10", "call_out": "50", "minimum": "100"})
    visit = bills.a_done_visit(client, head={HeadKind.COW: 3})
    [before] = priced_visits(business, [visit])
    keep_billing_settings(business=business, credit_prefix="", travel_counts=True)
    [after] = priced_visits(business, [visit])
    assert (before.net, after.net) == (D(150), D(100))


def test_only_done_visits_of_the_business_wait_to_be_billed(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    done = bills.a_done_visit(client)
    bills.a_done_visit(client, state=VisitState.BOOKED)
    stranger = make.a_business(name="Stranger")
    bills.a_done_visit(make.a_client(stranger))
    assert list(visits_to_bill(business)) == [done]


def test_until_a_day_and_for_one_client(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    early = bills.a_done_visit(client, date=dt.date(2026, 2, 27))
    bills.a_done_visit(client, date=dt.date(2026, 3, 2))
    bills.a_done_visit(make.a_client(business), date=dt.date(2026, 2, 1))
    [draft] = drafted(business, client=client, until=dt.date(2026, 2, 28)).drafts
    assert [line.visit for line in draft.lines.all()] == [early]


def test_a_visit_is_drafted_once(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    visit = bills.a_done_visit(client)
    drafted(business)
    again = drafted(business, visits=[visit])
    assert again.drafts == ()
    assert [codes(out.because) for out in again.left_out] == [["not_to_bill"]]


def test_the_database_bills_a_visit_once(client: Client) -> None:
    draft = bills.a_draft(client)
    visit = draft.billed_visits.get().visit
    second = Invoice.objects.create(business=client.business, client=client, currency="EUR", drafted_at=make.NOW)
    with pytest.raises(IntegrityError), transaction.atomic():
        BilledVisit.objects.create(invoice=second, visit=visit)


def test_when_another_bills_the_visit_meanwhile_it_is_left_out(
    business: Business, client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    bills.a_price_list(business)
    visit = bills.a_done_visit(client)
    free = bills.a_done_visit(make.a_client(business, name="Beck Farm"))
    rows = priced_visits(business, [visit, free])
    drafted(business, visits=[visit])
    monkeypatch.setattr(drafts, "priced_visits", lambda *_: rows)
    made = drafted(business)
    assert [draft.client for draft in made.drafts] == [free.farm.client]
    assert [(out.visit, codes(out.because)) for out in made.left_out] == [(visit, ["not_to_bill"])]


def test_a_visit_of_another_business_is_refused(business: Business) -> None:
    foreign = bills.a_done_visit(make.a_client(make.a_business(name="Stranger")))
    with pytest.raises(drafts.VisitOfAnotherBusiness):
        drafted(business, visits=[foreign])


def test_a_head_without_a_price_keeps_the_visit_out_and_says_which(business: Business, client: Client) -> None:
    bills.a_price_list(business, {"head_cow": "14.50"})
    bills.a_done_visit(client, head={HeadKind.COW: 2, HeadKind.BULL: 1})
    made = drafted(business)
    assert made.drafts == ()
    [caution] = made.left_out[0].because
    assert caution.code == "price_missing"
    assert "bull trimmed" in caution.text


def test_without_any_head_or_price_list_nothing_is_drafted(business: Business, client: Client) -> None:
    visit = bills.a_done_visit(client, head={})
    [row] = priced_visits(business, [visit])
    assert codes(row.obstacles) == ["nothing_done", "no_prices"]
    assert drafted(business).drafts == ()


def test_head_counted_and_recorded_are_held_against_each_other(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    visit = bills.a_done_visit(client, head={HeadKind.COW: 2})
    make.a_record(visit, make.an_animal(visit.farm))
    [row] = priced_visits(business, [visit])
    assert (row.billed, row.recorded) == (2, 1)
    assert codes(row.cautions) == ["head_differ"]


def test_more_recorded_than_counted_are_all_billed(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    visit = bills.a_done_visit(client, head={HeadKind.COW: 1})
    for _ in range(2):
        make.a_record(visit, make.an_animal(visit.farm))
    [draft] = drafted(business).drafts
    assert rows_of(draft) == [("head_cow", D(2), D("14.5"), D(29))]


def test_a_bill_without_records_says_so(business: Business, client: Client) -> None:
    bills.a_price_list(business)
    [row] = priced_visits(business, [bills.a_done_visit(client)])
    assert codes(row.cautions) == ["no_records"]
    assert row.ready


def test_what_was_not_measured_and_who_lacks_a_tax_id_are_said() -> None:
    business = bills.a_trimming_business(tax_id="")
    client = make.a_client(business)
    across = bills.a_tax(business, name="Reverse charge", code="AE", rate=D(0), exemption_reason="Reverse charge")
    bills.a_price_list(business, {"head_cow": "10", "distance_km": "1", "hour": "40"}, tax=across)
    [row] = priced_visits(business, [bills.a_done_visit(client)])
    assert codes(row.cautions) == ["no_records", "not_measured", "client_tax_id_missing", "own_tax_id_missing"]


def test_the_number_of_queries_does_not_grow_with_the_visits(
    business: Business, django_assert_max_num_queries: Any
) -> None:
    bills.a_price_list(business)
    for _ in range(8):
        bills.a_done_visit(make.a_client(business))
    with django_assert_max_num_queries(10):
        assert len(priced_visits(business, visits_to_bill(business))) == 8


# Changing a draft


def kept(draft: Invoice, **changes: Any) -> LineValues:
    """The draft's one line as it is, or changed."""
    line = draft.lines.get(article="head_cow")
    values: dict[str, Any] = {"name": line.name, "quantity": line.quantity, "price": line.price, "line": line.pk}
    return LineValues(**(values | changes))


def by_hand(business: Business, **changes: Any) -> LineValues:
    tax = bills.a_tax(business)
    values: dict[str, Any] = {"name": "Waiting", "quantity": D(1), "price": D(40), "unit": "HUR", "tax_category": tax}
    return LineValues(**(values | changes))


def test_a_line_written_by_hand_comes_last_and_counts(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, lines=[kept(draft), by_hand(business, quantity=D("1.5"))])
    draft.refresh_from_db()
    line = draft.lines.get(article="")
    assert (line.position, line.net, line.source, line.tax_name) == (2, D(60), "written by hand", "VAT 19 %")
    assert (draft.net_total, draft.tax_total) == (D(640), D("121.60"))


def test_money_off_is_a_line_with_a_negative_quantity(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, lines=[kept(draft), by_hand(business, name="Goodwill", quantity=D(-1), price=D(30))])
    draft.refresh_from_db()
    assert draft.net_total == 550


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": " "}, "name"),
        ({"quantity": D(0)}, "quantity"),
        ({"quantity": D("0.00001")}, "quantity"),
        ({"quantity": D(1_000_000)}, "quantity"),
        ({"price": D(-1)}, "price"),
        ({"unit": "XYZ"}, "unit"),
        ({"tax_category": None}, "tax_category"),
        ({"line": 0}, "line"),
    ],
)
def test_a_line_that_makes_no_sense_is_refused(
    business: Business, client: Client, changes: dict[str, Any], field: str
) -> None:
    draft = bills.a_draft(client)
    with pytest.raises(drafts.LineRefused) as refused:
        revise_draft(invoice=draft, lines=[kept(draft), by_hand(business, **changes)])
    assert list(refused.value.fields) == [f"lines.1.{field}"]
    assert draft.lines.count() == 1


def test_a_line_takes_no_tax_of_another_business(business: Business, client: Client) -> None:
    foreign = bills.a_tax(make.a_business(name="Stranger"))
    with pytest.raises(drafts.LineRefused):
        revise_draft(invoice=bills.a_draft(client), lines=[by_hand(business, tax_category=foreign)])


def test_a_changed_line_says_so_and_keeps_its_tax(client: Client) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, lines=[kept(draft, name="Cows", quantity=D(39))])
    draft.refresh_from_db()
    line = draft.lines.get()
    assert (line.net, line.source, line.tax_rate) == (D("565.50"), "changed by hand", D(19))
    assert draft.net_total == D("565.50")


def test_a_line_that_only_changes_its_name_keeps_its_source(client: Client) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, lines=[kept(draft, name="Cows")])
    assert draft.lines.get().source == "Prices 2026, from 1 Jan 2026"


def test_a_line_that_is_not_given_comes_off(client: Client) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, lines=[])
    draft.refresh_from_db()
    assert (draft.lines.count(), draft.gross_total, draft.taxes.count()) == (0, D(0), 0)


def test_a_note_stands_on_the_draft_and_leaves_the_lines_alone(client: Client) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, note=" Thank you ")
    draft.refresh_from_db()
    assert (draft.note, draft.lines.count()) == ("Thank you", 1)


def test_a_dropped_draft_sets_its_visits_free(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    drafts.drop_draft(invoice=draft)
    assert not Invoice.objects.exists()
    assert not InvoiceLine.objects.exists()
    assert not InvoiceTax.objects.exists()
    assert visits_to_bill(business).count() == 1


def test_nothing_of_an_issued_invoice_is_changed(client: Client) -> None:
    invoice = bills.an_invoice(client)
    for change in (
        lambda: revise_draft(invoice=invoice, lines=[]),
        lambda: revise_draft(invoice=invoice, note="Late"),
        lambda: drafts.drop_draft(invoice=invoice),
        lambda: reprice_draft(invoice=invoice, seen=""),
    ):
        with pytest.raises(drafts.NotADraft):
            change()


def test_the_lines_of_a_credit_note_are_not_changed_by_hand(client: Client) -> None:
    note = credit_invoice(invoice=bills.an_invoice(client), reason="Miscounted", by=None, now=make.NOW)
    with pytest.raises(drafts.IsACreditNote):
        revise_draft(invoice=note, lines=[])
    assert revise_draft(invoice=note, note="Sorry").note == "Sorry"


# Pricing anew


def new_price(business: Business, amount: str) -> None:
    tax = bills.a_tax(business)
    keep_price_list(
        business=business,
        price_list=business.price_lists.get(),
        name="Prices 2026",
        valid_from=dt.date(2026, 1, 1),
        prices=[PriceValues("head_cow", D(amount), tax)],
    )


def test_a_draft_keeps_its_prices_when_the_list_changes(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    new_price(business, "16")
    keep_tax_category(business=business, category=bills.a_tax(business), name="VAT 21 %", code="S", rate=D(21))
    draft.refresh_from_db()
    assert (draft.net_total, draft.lines.get().tax_rate) == (D(580), D(19))


def test_the_difference_is_shown_before_pricing_anew(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    new_price(business, "16")
    difference = look_at_prices(invoice=draft)
    [change] = difference.changes
    assert change.before is not None
    assert change.after is not None
    assert (change.before.price, change.after.price) == (D("14.5"), D(16))
    assert (difference.net_before, difference.net_after) == (D(580), D(640))


def test_pricing_anew_takes_what_was_looked_at_and_keeps_lines_written_by_hand(
    business: Business, client: Client
) -> None:
    draft = bills.a_draft(client)
    revise_draft(invoice=draft, lines=[kept(draft), by_hand(business)])
    visit = draft.billed_visits.get().visit
    new_price(business, "16")
    visit.head.update(done=41)
    reprice_draft(invoice=draft, seen=look_at_prices(invoice=draft).mark)
    draft.refresh_from_db()
    assert rows_of(draft) == [("head_cow", D(41), D(16), D(656)), ("", D(1), D(40), D(40))]
    assert draft.net_total == 696


def test_a_line_that_came_or_went_is_part_of_the_difference(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    visit = draft.billed_visits.get().visit
    Visit.objects.get(pk=visit.pk).head.update(kind=HeadKind.LAME)
    changes = look_at_prices(invoice=draft).changes
    assert [(change.name, change.before is None, change.after is None) for change in changes] == [
        ("Lame cow treated", True, False),
        ("Cow trimmed", False, True),
    ]


def test_prices_that_moved_while_one_looked_are_refused(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    seen = look_at_prices(invoice=draft).mark
    new_price(business, "16")
    with pytest.raises(drafts.PricesMoved):
        reprice_draft(invoice=draft, seen=seen)


def test_a_visit_that_has_lost_its_price_is_refused(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    business.price_lists.get().prices.all().delete()
    with pytest.raises(drafts.VisitCannotBePriced):
        look_at_prices(invoice=draft)


# Slips of the decimal sign


def test_a_line_that_comes_to_too_much_is_refused(business: Business, client: Client) -> None:
    draft = bills.a_draft(client)
    with pytest.raises(drafts.LineRefused) as refused:
        revise_draft(invoice=draft, lines=[by_hand(business, quantity=D(100_000), price=D(100_000))])
    assert list(refused.value.fields) == ["lines.0.price"]


def test_lines_that_together_come_to_too_much_are_refused(business: Business, client: Client) -> None:
    many = [by_hand(business, quantity=D(99_999), price=D(99_999))] * 2
    with pytest.raises(AmountTooLarge):
        revise_draft(invoice=bills.a_draft(client), lines=many)


def test_a_visit_that_comes_to_too_much_is_not_drafted(business: Business, client: Client) -> None:
    bills.a_price_list(business, {"head_cow": "10", "distance_km": "999999"})
    visit = bills.a_done_visit(client, distance_driven_m=2_000_000_000)
    [row] = priced_visits(business, [visit])
    assert codes(row.obstacles) == ["amount_too_large"]
    assert drafted(business).drafts == ()
