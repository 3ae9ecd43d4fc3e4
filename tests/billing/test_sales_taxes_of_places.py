"""Sales taxes of places: dated rates and certificates, from the page to the document."""

import datetime as dt
from decimal import Decimal as D
from io import BytesIO
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse
from pypdf import PdfReader
from rest_framework.test import APIClient

from billing.models import FarmSalesTax, Invoice, InvoiceLine, InvoiceSalesTax, SalesTaxPlace, TaxCategory
from billing.queries.visits import priced_visits, visits_to_bill
from billing.services import prices, sales_tax
from billing.services.credits import LineCredit, credit_invoice
from billing.services.documents import bytes_of, keep_document
from billing.services.drafts import LineRefused, LineValues, draft_invoices, look_at_prices, revise_draft
from billing.services.issuing import issue_invoice
from billing.services.sales_tax import RateValues, keep_certificate, keep_place, keep_rounding
from tests import make
from tests.billing import bills
from trimmer.models import Business, Farm

pytestmark = pytest.mark.django_db
NEW_YEAR = dt.date(2026, 1, 1)
US = [
    RateValues("State", D(4), NEW_YEAR),
    RateValues("County", D("1.25"), NEW_YEAR),
    RateValues("City", D("0.5"), NEW_YEAR),
]


@pytest.fixture
def business() -> Business:
    return bills.a_trimming_business(currency="USD", units="us", language="en-US", tax_id="", tax_number="12-3456789")


@pytest.fixture
def farm(business: Business) -> Farm:
    return make.a_farm(make.a_client(business, name="Alder Bank Dairy"), name="Alder Bank")


@pytest.fixture
def place(business: Business, farm: Farm) -> SalesTaxPlace:
    """State 4, county 1.25, city 0.5 per cent; the farm lies in it, and its work is taxed there."""
    row = keep_place(business=business, name="Orin County", rates=US, farms=[farm])
    bills.a_price_list(business, {"head_cow": "14.50"}, tax=a_sales_tax(business))
    return row


def a_sales_tax(business: Business, sold: str = "work") -> TaxCategory:
    return prices.keep_tax_category(business=business, name=f"Sales tax on {sold}", code="Z", rate=D(0), sales_tax=sold)


def a_certificate(farm: Farm, **more: Any) -> Any:
    values: dict[str, Any] = {"number": "F-77", "valid_from": NEW_YEAR} | more
    return keep_certificate(business=farm.client.business, client=farm.client, **values)


def drafted(farm: Farm, **more: Any) -> Invoice:
    visit = bills.a_done_visit(farm.client, farm=farm, **more)
    [draft] = draft_invoices(business=farm.client.business, visits=[visit], by=None, now=make.NOW).drafts
    return draft


def authorities(invoice: Invoice) -> list[tuple[str, D, D]]:
    return list(invoice.sales_taxes.order_by("pk").values_list("authority", "base", "tax"))


def test_each_authority_takes_its_own_of_a_draft(farm: Farm, place: SalesTaxPlace) -> None:
    """40 cows at 14.50 are 580.00: 23.20 + 7.25 + 2.90 = 33.35, worked by hand."""
    draft = drafted(farm)
    assert authorities(draft) == [
        ("State", D(580), D("23.20")),
        ("County", D(580), D("7.25")),
        ("City", D(580), D("2.90")),
    ]
    assert (draft.tax_total, draft.gross_total) == (D("33.35"), D("613.35"))
    group = draft.taxes.get()
    assert (group.code, group.rate, group.tax) == ("S", D("5.75"), D("33.35"))


def test_the_document_says_what_each_authority_takes(farm: Farm, place: SalesTaxPlace) -> None:
    invoice = issue_invoice(invoice=drafted(farm), on=make.TODAY, by=None, now=make.NOW)
    text = PdfReader(BytesIO(bytes_of(keep_document(invoice=invoice, now=make.NOW)))).pages[0].extract_text()
    for said in ("State, 4%", "County, 1.25%", "City, 0.5%", "23.20", "7.25", "2.90", "613.35"):
        assert said in text
    assert "5.75%" not in text


def test_a_certificate_frees_and_stands_on_the_document(farm: Farm, place: SalesTaxPlace) -> None:
    a_certificate(farm)
    draft = drafted(farm)
    group = draft.taxes.get()
    assert (group.code, group.tax, group.exemption_reason) == ("E", D(0), "Exempt by certificate F-77")
    assert authorities(draft) == []
    assert issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW).gross_total == D(580)


def test_a_certificate_for_one_tax_leaves_the_others(farm: Farm, place: SalesTaxPlace) -> None:
    a_certificate(farm, authorities=["State"])
    assert [name for name, _base, _tax in authorities(drafted(farm))] == ["County", "City"]


def test_a_certificate_that_ran_out_is_said_before_billing(farm: Farm, place: SalesTaxPlace) -> None:
    a_certificate(farm, valid_to=dt.date(2026, 2, 28))
    bills.a_done_visit(farm.client, farm=farm)
    [row] = priced_visits(place.business, visits_to_bill(place.business))
    assert "certificate_ran_out" in [caution.code for caution in row.cautions]
    assert row.ready


def test_a_farm_without_its_place_is_not_billed(farm: Farm, place: SalesTaxPlace) -> None:
    FarmSalesTax.objects.all().delete()
    bills.a_done_visit(farm.client, farm=farm)
    [row] = priced_visits(place.business, visits_to_bill(place.business))
    assert [caution.code for caution in row.obstacles] == ["no_sales_tax_place"]


def test_the_day_of_the_visit_says_which_rate(farm: Farm, place: SalesTaxPlace) -> None:
    rates = [RateValues("State", D(4), NEW_YEAR, dt.date(2026, 3, 3)), RateValues("State", D(5), dt.date(2026, 3, 4))]
    keep_place(business=place.business, place=place, name=place.name, rates=rates, farms=[farm])
    assert authorities(drafted(farm, date=dt.date(2026, 3, 3))) == [("State", D(580), D("23.20"))]
    assert authorities(drafted(farm, crew=make.a_crew(place.business, name="B"))) == [("State", D(580), D("29.00"))]


def test_what_a_place_does_not_tax_says_so(farm: Farm, place: SalesTaxPlace) -> None:
    rates = [RateValues("State", D(4), NEW_YEAR, on_work=False)]
    keep_place(business=place.business, place=place, name=place.name, rates=rates, farms=[farm])
    assert drafted(farm).taxes.get().exemption_reason == "No sales tax on this in Orin County"


def test_a_drafted_line_keeps_its_taxes_when_rates_change(farm: Farm, place: SalesTaxPlace) -> None:
    draft = drafted(farm)
    keep_place(
        business=place.business, place=place, name=place.name, rates=[RateValues("State", D(9), NEW_YEAR)], farms=[farm]
    )
    revise_draft(invoice=draft, note="looked at")
    assert issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW).tax_total == D("33.35")


def test_pricing_anew_shows_the_difference_a_rate_makes(farm: Farm, place: SalesTaxPlace) -> None:
    draft = drafted(farm)
    assert look_at_prices(invoice=draft).changes == ()
    keep_place(
        business=place.business, place=place, name=place.name, rates=[RateValues("State", D(9), NEW_YEAR)], farms=[farm]
    )
    [change] = look_at_prices(invoice=draft).changes
    assert change.before is not None
    assert change.after is not None
    assert (change.before.tax_rate, change.after.tax_rate) == (D("5.75"), D(9))


def test_taken_together_the_sum_is_rounded_once(farm: Farm, place: SalesTaxPlace) -> None:
    """10.10 at 5 % and 9.975 %: each 0.51 and 1.01, together 1.51."""
    canada = [RateValues("GST", D(5), NEW_YEAR), RateValues("QST", D("9.975"), NEW_YEAR)]
    keep_place(business=place.business, place=place, name=place.name, rates=canada, farms=[farm])
    draft = drafted(farm)
    line = draft.lines.get()
    values = LineValues("Cow trimmed", D(1), D("10.10"), line=line.pk)
    assert revise_draft(invoice=draft, lines=[values]).tax_total == D("1.52")
    keep_rounding(business=place.business, rounding="together")
    draft.refresh_from_db()
    assert revise_draft(invoice=draft, lines=[values]).tax_total == D("1.51")
    assert sum(tax for _name, _base, tax in authorities(draft)) == D("1.51")


def test_a_line_by_hand_takes_the_taxes_of_the_clients_place(farm: Farm, place: SalesTaxPlace) -> None:
    draft = drafted(farm)
    kept = LineValues("Cow trimmed", D(40), D("14.50"), line=draft.lines.get().pk)
    typed = LineValues("Hoof bath", D(1), D(100), unit="C62", tax_category=a_sales_tax(place.business, "goods"))
    revise_draft(invoice=draft, lines=[kept, typed])
    assert authorities(draft)[0] == ("State", D(680), D("27.20"))
    elsewhere = make.a_farm(farm.client, name="Far side")
    keep_place(business=place.business, name="Lake County", rates=US, farms=[elsewhere])
    draft.refresh_from_db()
    with pytest.raises(LineRefused) as refused:
        revise_draft(invoice=draft, lines=[typed])
    assert "lines.0.tax_category" in refused.value.fields


def test_credits_give_back_what_each_authority_took_to_the_last_cent(farm: Farm, place: SalesTaxPlace) -> None:
    draft = drafted(farm, head={"cow": 3})  # 43.50: 1.74 + 0.54 + 0.22 = 2.50
    invoice = issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    line = invoice.lines.get()
    for quantity in (D(1), D(1), None):
        note = credit_invoice(
            invoice=invoice, parts=[LineCredit(line, quantity=quantity)], reason="Miscounted", by=None, now=make.NOW
        )
        issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)
    for row in invoice.sales_taxes.all():
        back = InvoiceSalesTax.objects.filter(invoice__credits=invoice, authority=row.authority)
        assert (sum(one.base for one in back), sum(one.tax for one in back)) == (row.base, row.tax)
    assert sum(note.tax_total for note in invoice.credit_notes.all()) == invoice.tax_total == D("2.50")


def test_what_authorities_take_is_frozen_with_the_invoice(farm: Farm, place: SalesTaxPlace) -> None:
    invoice = issue_invoice(invoice=drafted(farm), on=make.TODAY, by=None, now=make.NOW)
    for change in (
        lambda: invoice.sales_taxes.update(tax=0),
        lambda: invoice.sales_taxes.all().delete(),
        lambda: InvoiceLine.objects.filter(invoice=invoice).update(levies=[]),
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            change()


# What is refused


def test_places_of_another_business_are_refused(business: Business, farm: Farm) -> None:
    stranger = bills.a_trimming_business(name="Stranger")
    with pytest.raises(sales_tax.PlaceOfAnotherBusiness):
        keep_place(business=stranger, name="Orin", rates=US, farms=[farm])
    with pytest.raises(sales_tax.PlaceOfAnotherBusiness):
        keep_certificate(business=stranger, client=farm.client, number="1", valid_from=NEW_YEAR)


def test_a_name_is_needed_and_used_once(place: SalesTaxPlace) -> None:
    with pytest.raises(sales_tax.PlaceNameMissing):
        keep_place(business=place.business, name=" ", rates=US)
    with pytest.raises(sales_tax.PlaceNameTaken):
        keep_place(business=place.business, name=place.name, rates=US)


@pytest.mark.parametrize(
    "rate",
    [
        RateValues(" ", D(4), NEW_YEAR),
        RateValues("State", D(0), NEW_YEAR),
        RateValues("State", D("4.0001"), NEW_YEAR),
        RateValues("State", D(4), NEW_YEAR, dt.date(2025, 12, 31)),
        RateValues("State", D(4), NEW_YEAR, on_work=False, on_goods=False),
    ],
)
def test_a_rate_that_makes_no_sense_is_refused(business: Business, rate: RateValues) -> None:
    with pytest.raises(sales_tax.SalesRateRefused):
        keep_place(business=business, name="Orin", rates=[rate])


def test_two_rates_of_one_tax_at_a_time_are_refused_but_not_of_work_and_goods(business: Business) -> None:
    with pytest.raises(sales_tax.SalesRatesOverlap):
        keep_place(business=business, name="Orin", rates=[US[0], RateValues("State", D(5), make.TODAY)])
    apart = [
        RateValues("State", D(4), NEW_YEAR, on_goods=False),
        RateValues("State", D(5), NEW_YEAR, on_work=False),
    ]
    assert keep_place(business=business, name="Orin", rates=apart).rates.count() == 2


def test_a_place_with_farms_is_not_dropped(place: SalesTaxPlace) -> None:
    with pytest.raises(sales_tax.PlaceInUse):
        sales_tax.drop_place(place=place)


@pytest.mark.parametrize(
    "wrong", [{"number": " "}, {"valid_to": dt.date(2025, 1, 1)}, {"on_work": False, "on_goods": False}]
)
def test_a_certificate_that_says_nothing_is_refused(farm: Farm, wrong: dict[str, Any]) -> None:
    with pytest.raises(sales_tax.CertificateRefused):
        a_certificate(farm, **wrong)


def test_a_certificate_is_kept_once(farm: Farm) -> None:
    a_certificate(farm)
    with pytest.raises(sales_tax.CertificateKeptAlready):
        a_certificate(farm)


def test_a_rounding_nobody_knows_is_refused(business: Business) -> None:
    with pytest.raises(sales_tax.RoundingUnknown):
        keep_rounding(business=business, rounding="down")


@pytest.mark.parametrize("wrong", [{"rate": D(5)}, {"exemption_reason": "x"}, {"sales_tax": "air"}])
def test_a_tax_of_the_place_has_no_rate_of_its_own(business: Business, wrong: dict[str, Any]) -> None:
    values: dict[str, Any] = {"name": "Sales tax", "code": "S", "rate": D(0), "sales_tax": "work"} | wrong
    with pytest.raises(prices.SalesTaxHasNoRate):
        prices.keep_tax_category(business=business, **values)


# The pages


def test_the_office_sets_up_a_place_and_keeps_a_certificate(business: Business, farm: Farm) -> None:
    office = make.signed_in(make.a_member(business, "office"))
    assert "No place yet" in office.get(reverse("sales-taxes")).content.decode()
    typed = {
        "name": "Orin County",
        "farms": [farm.pk],
        "rates-TOTAL_FORMS": 2,
        "rates-INITIAL_FORMS": 0,
        "rates-0-authority": "State",
        "rates-0-rate": "4",
        "rates-0-valid_from": "2026-01-01",
        "rates-0-on_work": "on",
    }
    office.post(reverse("sales-tax-place-add"), typed)
    place = SalesTaxPlace.objects.get()
    rate = place.rates.get()
    assert (rate.authority, rate.rate, rate.on_work, rate.on_goods) == ("State", D(4), True, False)
    certificate = {"client": farm.client_id, "number": "F-77", "valid_from": "2025-01-01", "valid_to": "2025-12-31"}
    office.post(reverse("exemption-certificate-add"), certificate | {"authorities": "State\n", "on_work": "on"})
    page = office.get(reverse("sales-taxes")).content.decode()
    for said in ("Orin County", "State 4 % (on work)", "F-77", "ran out"):
        assert said in page
    refused = office.post(reverse("sales-tax-place-drop", args=[place.pk])).content.decode()
    assert "Farms lie in this place" in refused
    office.post(reverse("exemption-certificate-drop", args=[farm.client.exemption_certificates.get().pk]))
    assert not farm.client.exemption_certificates.exists()
    office.post(reverse("sales-taxes"), {"rounding": "line"})
    assert place.business.sales_tax_settings.rounding == "line"


def test_a_tax_category_is_of_a_kind_or_of_the_place(business: Business) -> None:
    office = make.signed_in(make.a_member(business, "office"))
    typed = {"name": "Sales tax", "rate": "0"}
    assert "Choose one, or" in office.post(reverse("tax-category-add"), typed).content.decode()
    office.post(reverse("tax-category-add"), typed | {"sales_tax": "work"})
    assert TaxCategory.objects.get().sales_tax == "work"


def test_a_refusal_keeps_what_was_typed(business: Business) -> None:
    office = make.signed_in(make.a_member(business, "office"))
    typed = {"name": "Orin", "rates-TOTAL_FORMS": 2, "rates-INITIAL_FORMS": 0}
    for place, rate in enumerate(("4", "5")):
        typed |= {f"rates-{place}-authority": "State", f"rates-{place}-rate": rate}
        typed |= {f"rates-{place}-valid_from": "2026-01-01", f"rates-{place}-on_work": "on"}
    page = office.post(reverse("sales-tax-place-add"), typed).content.decode()
    assert "has two rates at a time" in page
    assert 'value="Orin"' in page
    assert not SalesTaxPlace.objects.exists()


def test_the_page_of_a_draft_says_what_each_takes(farm: Farm, place: SalesTaxPlace) -> None:
    office = make.signed_in(make.a_member(place.business, "office"))
    page = office.get(reverse("invoice-page", args=[drafted(farm).pk])).content.decode()
    assert "County, 1.25%" in page


def test_a_program_keeps_places_and_certificates(business: Business, farm: Farm) -> None:
    program = APIClient()
    program.force_login(make.a_member(business, "office").user)
    rates = [{"authority": "GST", "rate": "5", "valid_from": "2026-01-01"}]
    made = program.post(
        reverse("api-sales-tax-place-list"), {"name": "Orin", "rates": rates, "farms": [farm.pk]}, format="json"
    ).json()
    assert (made["farms"], made["rates"][0]["rate"]) == ([farm.pk], "5.000")
    way = reverse("api-sales-tax-place-detail", args=[made["id"]])
    assert program.delete(way).json()["code"] == "sales_tax_place_in_use"
    assert program.put(way, {"name": "Orin", "rates": []}, format="json").json()["farms"] == []
    assert program.delete(way).status_code == 204
    certificate = {"client": farm.client_id, "number": "F-77", "valid_from": "2026-01-01", "authorities": ["GST"]}
    kept = program.post(reverse("api-exemption-certificate-list"), certificate, format="json").json()
    assert kept["authorities"] == ["GST"]
    detail = reverse("api-exemption-certificate-detail", args=[kept["id"]])
    assert program.put(detail, certificate | {"number": "F-78"}, format="json").json()["number"] == "F-78"
    assert program.delete(detail).status_code == 204
