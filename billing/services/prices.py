"""Price lists, agreements with clients, tax categories. What is drafted or issued holds copies of them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from http import HTTPStatus

from django.db import IntegrityError, transaction
from django.db.models import ProtectedError
from django.utils.translation import gettext_lazy

from billing.charges.totals import rounded
from billing.models import Article, BillingSettings, Price, PriceList, SalesTaxOn, TaxCategory, TaxCode
from trimmer.errors import Refusal
from trimmer.models import Business, Client

PRICE_PLACES = 4
RATE_PLACES = 3
MOST = Decimal(1_000_000)
"""What one unit may cost at most: more is a slip of the decimal sign."""


@dataclass(frozen=True, slots=True)
class PriceValues:
    """The price of one article, before tax, in the business's currency."""

    article: str
    amount: Decimal
    tax_category: TaxCategory


class NameIsMissing(Refusal):
    code = "name_is_missing"
    message = gettext_lazy("Give it a name, so that it can be told from the others.")
    status = HTTPStatus.BAD_REQUEST


class NameIsTaken(Refusal):
    code = "name_is_taken"
    message = gettext_lazy("“%(name)s” is used already. Choose another name.")


class TaxRateRefused(Refusal):
    code = "tax_rate_refused"
    message = gettext_lazy("A taxed category has a rate above 0 and at most 100 %, and the others have none.")
    status = HTTPStatus.BAD_REQUEST


class ExemptionTextMissing(Refusal):
    code = "exemption_text_missing"
    message = gettext_lazy("Where no tax is charged, the invoice must say why. Ask your accountant for the wording.")
    status = HTTPStatus.BAD_REQUEST


class ExemptionTextNotUsed(Refusal):
    code = "exemption_text_not_used"
    message = gettext_lazy("A taxed or zero-rated category has no text of exemption. Leave it empty.")
    status = HTTPStatus.BAD_REQUEST


class SalesTaxHasNoRate(Refusal):
    code = "sales_tax_has_no_rate"
    message = gettext_lazy("Rates and texts of sales taxes come from the place of the farm. Leave both empty here.")
    status = HTTPStatus.BAD_REQUEST


class TaxCategoryInUse(Refusal):
    code = "tax_category_in_use"
    message = gettext_lazy("Prices use this tax category. Give them another one first.")


class NotOfThisBusiness(Refusal):
    code = "not_of_this_business"
    message = gettext_lazy("The client or tax category belongs to another business. Choose one of your own.")


class ListEndsBeforeItBegins(Refusal):
    code = "price_list_ends_before_it_begins"
    message = gettext_lazy("The last day lies before the first. Correct one of them.")
    status = HTTPStatus.BAD_REQUEST


class ArticleTwice(Refusal):
    code = "article_twice"
    message = gettext_lazy("There are two prices for “%(article)s”. Keep one of them.")
    status = HTTPStatus.BAD_REQUEST


class PriceRefused(Refusal):
    code = "price_refused"
    message = gettext_lazy("A price is 0 or more, below %(most)s, with at most four decimals.")
    status = HTTPStatus.BAD_REQUEST


class LettersRefused(Refusal):
    code = "number_letters_refused"
    message = gettext_lazy("Use at most ten letters A to Z, digits, hyphens or slashes.")
    status = HTTPStatus.BAD_REQUEST


@transaction.atomic
def keep_tax_category(
    *,
    business: Business,
    category: TaxCategory | None = None,
    name: str,
    code: str,
    rate: Decimal,
    exemption_reason: str = "",
    sales_tax: str = "",
) -> TaxCategory:
    """Add a tax category, or change one. Lines keep the tax they were priced with; `rate` is in per cent.

    With `sales_tax` (SalesTaxOn) the rates come from the place of the farm; it has no rate and no text of its own.
    """
    row = category or TaxCategory(business=business)
    if row.business_id != business.pk:
        raise NotOfThisBusiness
    row.name, row.code, row.rate = name.strip(), code, rate
    row.exemption_reason = exemption_reason.strip()
    row.sales_tax = sales_tax
    if sales_tax and (sales_tax not in SalesTaxOn.values or rate or row.exemption_reason):
        raise SalesTaxHasNoRate.at("sales_tax")
    if sales_tax:
        row.code = TaxCode.ZERO  # until the place says what it is
    check_tax_category(category=row)
    _save_named(row)
    return row


@transaction.atomic
def drop_tax_category(*, category: TaxCategory) -> None:
    """Take away a tax category that no price uses."""
    try:
        category.delete()
    except ProtectedError:
        raise TaxCategoryInUse from None


@transaction.atomic
def keep_price_list(
    *,
    business: Business,
    price_list: PriceList | None = None,
    client: Client | None = None,
    name: str,
    valid_from: date,
    valid_to: date | None = None,
    prices: Sequence[PriceValues],
) -> PriceList:
    """Add a price list, or say anew what one holds; with a `client` it is an agreement that stands over the lists.

    Both days count. What is drafted or issued keeps the prices it was made with.
    """
    row = price_list or PriceList(business=business)
    foreign = [one for one in prices if one.tax_category.business_id != business.pk]
    if row.business_id != business.pk or foreign or (client is not None and client.business_id != business.pk):
        raise NotOfThisBusiness
    if not name.strip():
        raise NameIsMissing.at("name")
    if valid_to is not None and valid_to < valid_from:
        raise ListEndsBeforeItBegins.at("valid_to")
    check_prices(prices=prices)
    row.name, row.client, row.valid_from, row.valid_to = name.strip(), client, valid_from, valid_to
    _save_named(row)
    row.prices.exclude(article__in=[one.article for one in prices]).delete()
    for one in prices:
        Price.objects.update_or_create(
            price_list=row, article=one.article, defaults={"amount": one.amount, "tax_category": one.tax_category}
        )
    return row


@transaction.atomic
def drop_price_list(*, price_list: PriceList) -> None:
    """Take away a list that was made by mistake. What was priced by it holds copies."""
    price_list.delete()


@transaction.atomic
def keep_billing_settings(*, business: Business, credit_prefix: str, travel_counts: bool) -> BillingSettings:
    """Say how credit notes are numbered and what counts towards a minimum."""
    letters = credit_prefix.strip().upper()
    if not re.fullmatch(r"[A-Z0-9/-]{0,10}", letters):
        raise LettersRefused.at("credit_prefix")
    row, _made = BillingSettings.objects.update_or_create(
        business=business, defaults={"credit_prefix": letters, "travel_counts": travel_counts}
    )
    return row


def check_tax_category(*, category: TaxCategory) -> None:
    """Refuse what a tax category cannot be, stored or about to be."""
    code, rate = category.code, category.rate
    if not category.name:
        raise NameIsMissing.at("name")
    if code not in TaxCode.values or rate != rounded(rate, RATE_PLACES):
        raise TaxRateRefused.at("rate")
    if (code == TaxCode.STANDARD) is not (0 < rate <= 100) or (code != TaxCode.STANDARD and rate):
        raise TaxRateRefused.at("rate")
    needs_text = code not in {TaxCode.STANDARD, TaxCode.ZERO}
    if needs_text and not category.exemption_reason:
        raise ExemptionTextMissing.at("exemption_reason")
    if category.exemption_reason and not needs_text:
        raise ExemptionTextNotUsed.at("exemption_reason")


def check_prices(*, prices: Sequence[PriceValues]) -> None:
    """Refuse what prices of one list cannot be: ``prices.<place>.<what>`` says which."""
    seen: set[str] = set()
    for place, one in enumerate(prices):
        if one.article not in Article.values:
            raise PriceRefused.at(f"prices.{place}.article", most=MOST)
        if one.article in seen:
            raise ArticleTwice.at(f"prices.{place}.article", article=Article(one.article).label)
        seen.add(one.article)
        if not 0 <= one.amount < MOST or one.amount != rounded(one.amount, PRICE_PLACES):
            raise PriceRefused.at(f"prices.{place}.amount", most=MOST)


def _save_named(row: TaxCategory | PriceList) -> None:
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as refused:
        if type(row).objects.of(row.business).filter(name=row.name).exclude(pk=row.pk).exists():
            raise NameIsTaken.at("name", name=row.name) from refused
        raise
