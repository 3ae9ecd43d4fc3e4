import datetime as dt
from decimal import Decimal as D

import pytest

from billing.models import Price, TaxCategory
from billing.services import prices
from billing.services.prices import PriceValues, keep_billing_settings, keep_price_list, keep_tax_category
from tests import make
from tests.billing import bills
from trimmer.errors import Refusal
from trimmer.models import Business

pytestmark = pytest.mark.django_db

JANUARY = dt.date(2026, 1, 1)


@pytest.fixture
def business() -> Business:
    return bills.a_trimming_business()


def test_a_price_list_holds_what_was_said(business: Business) -> None:
    tax = bills.a_tax(business)
    kept = keep_price_list(
        business=business, name=" Prices ", valid_from=JANUARY, prices=[PriceValues("head_cow", D("14.50"), tax)]
    )
    assert kept.name == "Prices"
    assert [(price.article, price.amount) for price in kept.prices.all()] == [("head_cow", D("14.50"))]


def test_keeping_a_list_again_says_anew_what_it_holds(business: Business) -> None:
    tax = bills.a_tax(business)
    kept = bills.a_price_list(business, {"head_cow": "14.50", "call_out": "60"})
    keep_price_list(
        business=business,
        price_list=kept,
        name="Prices 2026",
        valid_from=JANUARY,
        prices=[PriceValues("head_cow", D("15"), tax), PriceValues("head_bull", D("30"), tax)],
    )
    assert set(Price.objects.values_list("article", "amount")) == {("head_cow", D(15)), ("head_bull", D(30))}


def test_an_agreement_is_a_list_with_a_client(business: Business) -> None:
    client = make.a_client(business)
    agreement = bills.a_price_list(business, client=client, name="Alder Bank")
    assert list(client.agreements.all()) == [agreement]


@pytest.mark.parametrize(
    ("changes", "refusal", "field"),
    [
        ({"name": " "}, prices.NameIsMissing, "name"),
        ({"name": "Taken"}, prices.NameIsTaken, "name"),
        ({"valid_to": dt.date(2025, 12, 31)}, prices.ListEndsBeforeItBegins, "valid_to"),
    ],
)
def test_a_list_that_makes_no_sense_is_refused(
    business: Business, changes: dict[str, object], refusal: type[Refusal], field: str
) -> None:
    bills.a_price_list(business, name="Taken")
    values = {"name": "Prices", "valid_from": JANUARY, "prices": []} | changes
    with pytest.raises(refusal) as refused:
        keep_price_list(business=business, **values)  # type: ignore[arg-type]
    assert field in refused.value.fields


@pytest.mark.parametrize("amount", ["-0.01", "14.50001", "1000000"])
def test_a_price_that_makes_no_sense_is_refused(business: Business, amount: str) -> None:
    with pytest.raises(prices.PriceRefused) as refused:
        bills.a_price_list(business, {"head_cow": amount})
    assert "prices.0.amount" in refused.value.fields


def test_an_unknown_article_is_refused(business: Business) -> None:
    with pytest.raises(prices.PriceRefused):
        bills.a_price_list(business, {"head_goat": "5"})


def test_two_prices_for_one_article_are_refused(business: Business) -> None:
    twice = [PriceValues("head_cow", D(1), bills.a_tax(business))] * 2
    with pytest.raises(prices.ArticleTwice):
        keep_price_list(business=business, name="Prices", valid_from=JANUARY, prices=twice)


def test_what_belongs_to_another_business_is_refused(business: Business) -> None:
    other = make.a_business(name="Stranger")
    foreign = PriceValues("head_cow", D(1), bills.a_tax(other))
    with pytest.raises(prices.NotOfThisBusiness):
        keep_price_list(business=business, name="Prices", valid_from=JANUARY, prices=[foreign])
    with pytest.raises(prices.NotOfThisBusiness):
        bills.a_price_list(business, client=make.a_client(other))
    with pytest.raises(prices.NotOfThisBusiness):
        keep_tax_category(business=business, category=bills.a_tax(other), name="VAT", code="S", rate=D(19))


def test_a_list_made_by_mistake_is_dropped(business: Business) -> None:
    prices.drop_price_list(price_list=bills.a_price_list(business))
    assert not Price.objects.exists()


@pytest.mark.parametrize(
    ("values", "refusal"),
    [
        ({"name": ""}, prices.NameIsMissing),
        ({"name": "Taken"}, prices.NameIsTaken),
        ({"code": "S", "rate": D(0)}, prices.TaxRateRefused),
        ({"code": "S", "rate": D(101)}, prices.TaxRateRefused),
        ({"code": "S", "rate": D("7.0005")}, prices.TaxRateRefused),
        ({"code": "Z", "rate": D(5)}, prices.TaxRateRefused),
        ({"code": "X"}, prices.TaxRateRefused),
        ({"code": "E", "rate": D(0)}, prices.ExemptionTextMissing),
        ({"code": "AE", "rate": D(0), "exemption_reason": " "}, prices.ExemptionTextMissing),
        ({"exemption_reason": "because"}, prices.ExemptionTextNotUsed),
    ],
)
def test_a_tax_category_that_makes_no_sense_is_refused(
    business: Business, values: dict[str, object], refusal: type[Refusal]
) -> None:
    bills.a_tax(business, name="Taken")
    with pytest.raises(refusal):
        keep_tax_category(business=business, **({"name": "VAT", "code": "S", "rate": D(19)} | values))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("code", "rate", "text"), [("S", "9.975", ""), ("Z", "0", ""), ("E", "0", "exempt"), ("O", "0", "not subject")]
)
def test_a_sound_tax_category_is_kept(business: Business, code: str, rate: str, text: str) -> None:
    kept = keep_tax_category(business=business, name="Tax", code=code, rate=D(rate), exemption_reason=text)
    assert (kept.code, kept.rate, kept.exemption_reason) == (code, D(rate), text)


def test_a_tax_category_that_prices_use_is_not_dropped(business: Business) -> None:
    tax = bills.a_tax(business)
    bills.a_price_list(business)
    with pytest.raises(prices.TaxCategoryInUse):
        prices.drop_tax_category(category=tax)


def test_a_tax_category_nobody_uses_is_dropped(business: Business) -> None:
    prices.drop_tax_category(category=bills.a_tax(business))
    assert not TaxCategory.objects.exists()


def test_settings_are_kept_once(business: Business) -> None:
    keep_billing_settings(business=business, credit_prefix="cn-", travel_counts=True)
    kept = keep_billing_settings(business=business, credit_prefix="", travel_counts=True)
    assert (kept.credit_prefix, kept.travel_counts) == ("", True)
    assert business.billing_settings.pk == kept.pk


@pytest.mark.parametrize("letters", ["Ä-", "CREDITNOTES", "A B"])
def test_letters_that_no_reference_knows_are_refused(business: Business, letters: str) -> None:
    with pytest.raises(prices.LettersRefused):
        keep_billing_settings(business=business, credit_prefix=letters, travel_counts=False)
