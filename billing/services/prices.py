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

from billing.charges.prices import BANDED
from billing.charges.totals import rounded
from billing.models import (
    Article,
    BillingSettings,
    Price,
    PriceBand,
    PriceList,
    PriceWay,
    SalesTaxOn,
    TaxCategory,
    TaxCode,
    TravelShare,
)
from trimmer.errors import Refusal
from trimmer.models import Business, Client

PRICE_PLACES = 4
RATE_PLACES = 3
MOST = Decimal(1_000_000)
"""What one unit may cost at most: more is a slip of the decimal sign."""


@dataclass(frozen=True, slots=True)
class BandValues:
    """Above so many units (for zones: km or miles from the base) the price is another."""

    above: Decimal
    amount: Decimal


@dataclass(frozen=True, slots=True)
class PriceValues:
    """The price of one article, before tax, in the business's currency; with bands, that of the units below them."""

    article: str
    amount: Decimal
    tax_category: TaxCategory
    way: str = PriceWay.FLAT
    bands: tuple[BandValues, ...] = ()


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


class BandsRefused(Refusal):
    code = "bands_refused"
    message = gettext_lazy("Bands go up from above nothing, each a number with at most four decimals.")
    status = HTTPStatus.BAD_REQUEST


class BandsNotOfArticle(Refusal):
    code = "bands_not_of_article"
    message = gettext_lazy(
        "“%(article)s” has no bands of this kind. Zones are for the call-out, the others for counts."
    )
    status = HTTPStatus.BAD_REQUEST


class BandsMissing(Refusal):
    code = "bands_missing"
    message = gettext_lazy("Say from where on the price is another, or choose one price.")
    status = HTTPStatus.BAD_REQUEST


class BandsNotSaid(Refusal):
    code = "bands_not_said"
    message = gettext_lazy("Say what the bands mean: all at the band reached, or each at its own band.")
    status = HTTPStatus.BAD_REQUEST


class ListDiscountRefused(Refusal):
    code = "list_discount_refused"
    message = gettext_lazy("A discount is 0 to 100 %, with at most three decimals.")
    status = HTTPStatus.BAD_REQUEST


class ListDiscountWithoutReason(Refusal):
    code = "list_discount_without_reason"
    message = gettext_lazy("Say why there is a discount: it stands on the invoice.")
    status = HTTPStatus.BAD_REQUEST


class LettersRefused(Refusal):
    code = "number_letters_refused"
    message = gettext_lazy("Use at most ten letters A to Z, digits, hyphens or slashes.")
    status = HTTPStatus.BAD_REQUEST


class WayOfSharingUnknown(Refusal):
    code = "way_of_sharing_unknown"
    message = gettext_lazy("Choose one of the ways to share the travel of a round.")
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
    discount_percent: Decimal | None = None,
    discount_reason: str = "",
    free_recheck_days: int | None = None,
) -> PriceList:
    """Add a price list, or say anew what one holds; with a `client` it is an agreement that stands over the lists.

    Both days count. Of the discount and the days of free rechecks, None says nothing and 0 says there are none, so an
    agreement can take back what the list gives. What is drafted or issued keeps the prices it was made with.
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
    _check_discount(discount_percent, discount_reason)
    row.name, row.client, row.valid_from, row.valid_to = name.strip(), client, valid_from, valid_to
    row.discount_percent = discount_percent
    row.discount_reason = discount_reason.strip() if discount_percent else ""
    row.free_recheck_days = free_recheck_days
    _save_named(row)
    row.prices.exclude(article__in=[one.article for one in prices]).delete()
    for one in prices:
        price, _made = Price.objects.update_or_create(
            price_list=row,
            article=one.article,
            defaults={"amount": one.amount, "tax_category": one.tax_category, "way": one.way},
        )
        price.bands.all().delete()
        PriceBand.objects.bulk_create(
            PriceBand(price=price, above=band.above, amount=band.amount) for band in one.bands
        )
    return row


def _check_discount(percent: Decimal | None, reason: str) -> None:
    if percent is not None and (not 0 <= percent <= 100 or percent != rounded(percent, RATE_PLACES)):
        raise ListDiscountRefused.at("discount_percent")
    if percent and not reason.strip():
        raise ListDiscountWithoutReason.at("discount_reason")


@transaction.atomic
def drop_price_list(*, price_list: PriceList) -> None:
    """Take away a list that was made by mistake. What was priced by it holds copies."""
    price_list.delete()


@transaction.atomic
def keep_billing_settings(
    *,
    business: Business,
    credit_prefix: str,
    travel_counts: bool,
    travel_share: str = TravelShare.ALONE,
    late_cancel_hours: int | None = None,
) -> BillingSettings:
    """Say how credit notes are numbered, what counts towards a minimum, how the travel of a round is shared, and
    within how many hours a cancellation is late (None: never)."""
    if travel_share not in TravelShare.values:
        raise WayOfSharingUnknown.at("travel_share")
    letters = credit_prefix.strip().upper()
    if not re.fullmatch(r"[A-Z0-9/-]{0,10}", letters):
        raise LettersRefused.at("credit_prefix")
    row, _made = BillingSettings.objects.update_or_create(
        business=business,
        defaults={
            "credit_prefix": letters,
            "travel_counts": travel_counts,
            "travel_share": travel_share,
            "late_cancel_hours": late_cancel_hours,
        },
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
        _check_bands(place, one)


def _check_bands(place: int, one: PriceValues) -> None:
    starts = [band.above for band in one.bands]
    if one.way not in PriceWay.values or one.way not in BANDED[one.article]:
        raise BandsNotOfArticle.at(f"prices.{place}.way", article=Article(one.article).label)
    if one.bands and one.way == PriceWay.FLAT:
        raise BandsNotSaid.at(f"prices.{place}.way")
    if not one.bands and one.way != PriceWay.FLAT:
        raise BandsMissing.at(f"prices.{place}.bands")
    odd = any(not 0 < start < MOST or start != rounded(start, PRICE_PLACES) for start in starts)
    if odd or starts != sorted(set(starts)):
        raise BandsRefused.at(f"prices.{place}.bands")
    if any(not 0 <= band.amount < MOST or band.amount != rounded(band.amount, PRICE_PLACES) for band in one.bands):
        raise PriceRefused.at(f"prices.{place}.bands", most=MOST)


def _save_named(row: TaxCategory | PriceList) -> None:
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError as refused:
        if type(row).objects.of(row.business).filter(name=row.name).exclude(pk=row.pk).exists():
            raise NameIsTaken.at("name", name=row.name) from refused
        raise
