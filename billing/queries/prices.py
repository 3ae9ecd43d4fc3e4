"""Price lists as the arithmetic takes them."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from django.db.models import Prefetch, Q
from django.utils.text import capfirst

from billing.charges.prices import USUAL_UNITS, Band, PriceEntry, PriceSheet
from billing.models import BillingSettings, ClientBilling, Price, PriceBand, PriceList
from trimmer.models import Business, Client

PRICES_IN_FULL = (
    Price.objects.select_related("tax_category")
    .prefetch_related(Prefetch("bands", PriceBand.objects.order_by("above")))
    .order_by("pk")
)
"""Prices with their taxes and bands."""


@dataclass(frozen=True, slots=True)
class Prices:
    """The lists of a business and its agreements with some clients, read at once.

    `tax_names` holds what the tax category of a price is called, by key of the sheet and article.
    """

    lists: tuple[PriceSheet, ...]
    agreements: dict[str, tuple[PriceSheet, ...]]
    tax_names: dict[tuple[str, str], str] = field(default_factory=dict)
    sold: dict[tuple[str, str], str] = field(default_factory=dict)
    """What is sold, of prices with sales taxes of the place (billing.charges.sales_tax.Sold), by the same keys."""

    def sheets_of(self, client_id: int) -> tuple[PriceSheet, ...]:
        """What may price a visit of this client."""
        return self.lists + self.agreements.get(str(client_id), ())


def prices_of(business: Business, client_ids: Collection[int]) -> Prices:
    """All lists of a business, and its agreements with these clients, in two queries."""
    found = (
        PriceList.objects.of(business)
        .filter(Q(client__isnull=True) | Q(client__in=client_ids))
        .order_by("pk")
        .prefetch_related(Prefetch("prices", PRICES_IN_FULL))
    )
    lists: list[PriceSheet] = []
    agreements: dict[str, tuple[PriceSheet, ...]] = {}
    tax_names: dict[tuple[str, str], str] = {}
    sold: dict[tuple[str, str], str] = {}
    for row in found:
        sheet = _sheet(row, business.currency)
        tax_names |= {(sheet.key, price.article): price.tax_category.name for price in row.prices.all()}
        sold |= {
            (sheet.key, price.article): price.tax_category.sales_tax
            for price in row.prices.all()
            if price.tax_category.sales_tax
        }
        if sheet.client_key is None:
            lists.append(sheet)
        else:
            agreements[sheet.client_key] = (*agreements.get(sheet.client_key, ()), sheet)
    return Prices(tuple(lists), agreements, tax_names, sold)


def settings_of(business: Business) -> BillingSettings:
    """A business's billing settings; the defaults, not stored, where it has none yet."""
    return BillingSettings.objects.of(business).first() or BillingSettings(business=business)


def billing_of(client: Client) -> ClientBilling:
    """What a client wants on its bills; nothing, not stored, where it has said nothing yet."""
    return ClientBilling.objects.filter(client=client).first() or ClientBilling(client=client)


def _sheet(row: PriceList, currency: str) -> PriceSheet:
    return PriceSheet(
        key=str(row.pk),
        name=row.name,
        valid_from=row.valid_from,
        valid_to=row.valid_to,
        client_key=None if row.client_id is None else str(row.client_id),
        currency=currency,
        entries=tuple(entry_of(price) for price in row.prices.all()),
        discount=row.discount_percent,
        discount_reason=row.discount_reason,
        free_recheck_days=row.free_recheck_days,
    )


def entry_of(price: Price) -> PriceEntry:
    """A stored price as the arithmetic takes it."""
    tax = price.tax_category
    return PriceEntry(
        article=price.article,
        unit=USUAL_UNITS[price.article],
        price=price.amount,
        category=tax.code,
        rate=tax.rate,
        exemption=tax.exemption_reason,
        name=capfirst(price.get_article_display()),
        way=price.way,
        bands=tuple(Band(band.above, band.amount) for band in price.bands.all()),
    )
