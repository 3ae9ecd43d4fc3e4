"""The sheet of prices: lists known by name, their prices by article, tax categories by name.

What the sheet does not name stays: other lists, other articles of a list. Documents hold copies of prices and tax.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal
from typing import Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.models import Price, PriceList, TaxCategory
from billing.services.prices import PriceValues, check_prices, check_tax_category
from trimmer.access import OFFICE, OWNER
from trimmer.errors import Refusal
from trimmer.models import Business, Client
from trimmer.services.sheets import SheetFacts, sheet_kind
from trimmer.services.sheets.comparing import (
    ByWord,
    Cells,
    Comparison,
    Fact,
    Sheet,
    fixed,
    plain,
    row_saying,
    take,
    told_by,
    value,
    words,
)
from trimmer.sheets.layout import Row, rows_about, settled
from trimmer.sheets.layouts import PRICES, UNIT_OF_ARTICLE
from trimmer.sheets.writing import RowValues

TAX_FACTS: Final = (
    fixed("tax_code", "code"),
    Fact("tax_rate", "rate", lambda category: category.rate or None, Decimal(0)),
    words("tax_text", "exemption_reason"),
)
LIST_FACTS: Final = (fixed("valid_from", "valid_from"), value("valid_to", "valid_to"))
PRICE_FACTS: Final = (fixed("amount", "amount"),)
TAX_COLUMNS: Final = {fact.field: fact.column for fact in TAX_FACTS} | {"name": "tax_category"}


@sheet_kind("prices", title=gettext_lazy("Price list"), who=frozenset({OWNER, OFFICE}))
class Prices(SheetFacts):
    """Price lists, agreements with clients, and the taxes they name."""

    layout = PRICES

    def compare(self, sheet: Sheet) -> Comparison:
        return _Prices(sheet)

    def rows(
        self, business: Business, *, first: dt.date | None = None, last: dt.date | None = None
    ) -> Iterator[RowValues]:
        """Each price of each list; a list without prices is not told."""
        prices = Price.objects.of(business).select_related("price_list__client", "tax_category")
        for price in prices.order_by("price_list__valid_from", "price_list__name", "pk"):
            one, tax = price.price_list, price.tax_category
            yield {
                "list_name": plain(one.name),
                "client_number": plain(one.client.number) if one.client else None,
                "article": price.article,
                "unit": UNIT_OF_ARTICLE[price.article],
                "tax_category": plain(tax.name),
                **told_by(LIST_FACTS, one),
                **told_by(PRICE_FACTS, price),
                **told_by(TAX_FACTS, tax),
            }


class _Prices(Comparison):
    def __init__(self, sheet: Sheet) -> None:
        super().__init__(sheet)
        business = sheet.business
        self.categories = self.table("tax_categories")
        self.lists = self.table("price_lists")
        self.prices = self.table("prices")
        self._new: list[TaxCategory | PriceList | Price] = []
        self._changed: list[TaxCategory | PriceList | Price] = []
        self._clients = ByWord((client.number, client) for client in Client.objects.of(business).order_by("pk"))
        self._taxes = ByWord((tax.name, tax) for tax in TaxCategory.objects.of(business).order_by("pk"))
        stored = (
            PriceList.objects.of(business)
            .order_by("pk")
            .select_related("client")
            .prefetch_related("prices__tax_category")
        )
        self._lists = ByWord((one.name, one) for one in stored)
        for rows in rows_about(sheet.rows, ("tax_category",)).values():
            self._compare_tax(rows)
        for rows in rows_about(sheet.rows, ("list_name",)).values():
            self._compare_list(rows)

    def store(self) -> None:
        for kind in (TaxCategory, PriceList, Price):
            for row in (*self._new, *self._changed):
                if isinstance(row, kind):
                    row.save()

    def _compare_tax(self, rows: list[Row]) -> None:
        said = settled(rows, [fact.column for fact in TAX_FACTS])
        name = rows[0].values["tax_category"]
        tax = self._taxes.find(name)
        is_new = tax is None
        if tax is None:
            tax = TaxCategory(business=self.sheet.business, name=name)
            self._taxes.add(name, tax)
            if said["tax_code"] is None:
                text = _("There is no tax category called “%(name)s”. Give its code and rate, or correct the name.")
                self.refuse(rows[0], "tax_category", "tax_category_unknown", text, name=name)
                return
        elif said["tax_code"] is None:
            # Whoever only names a category leaves what it is alone; a rate or text alone is about the code it has.
            said = {
                fact.column: fact.read(tax) if said[fact.column] is None else said[fact.column] for fact in TAX_FACTS
            }
        if said["tax_rate"] == 0:
            said["tax_rate"] = None
        changes = take(TAX_FACTS, tax, said, self.sheet.given)
        if is_new or changes:
            try:
                check_tax_category(category=tax)
            except Refusal as refusal:
                self.refuse_as(rows, refusal, TAX_COLUMNS, "tax_category")
        if is_new:
            self.categories.note_added(rows[0], name)
            self._new.append(tax)
        elif changes:
            self.categories.note_changed(rows[0], name, changes)
            self._changed.append(tax)
        else:
            self.categories.same += 1

    def _compare_list(self, rows: list[Row]) -> None:
        said = settled(rows, ["client_number", *(fact.column for fact in LIST_FACTS)])
        name = rows[0].values["list_name"]
        one = self._lists.find(name)
        is_new = one is None
        if one is None:
            one = PriceList(business=self.sheet.business, name=name)
        known = {} if is_new else {price.article: price for price in one.prices.all()}
        changes = take(LIST_FACTS, one, said, self.sheet.given) + self._take_client(one, rows, said["client_number"])
        if one.valid_to is not None and one.valid_to < one.valid_from:
            column = "valid_to" if "valid_to" in self.sheet.given else "valid_from"
            text = _("The last day of the list lies before its first. Correct one of them.")
            self.refuse(row_saying(rows, column), column, "price_list_ends_before_it_begins", text)
        if is_new:
            self.lists.note_added(rows[0], name)
            self._new.append(one)
        elif changes:
            self.lists.note_changed(rows[0], name, changes)
            self._changed.append(one)
        else:
            self.lists.same += 1
        for row in rows:
            self._compare_price(one, known.get(row.values["article"]), row)

    def _take_client(self, one: PriceList, rows: list[Row], number: str | None) -> Cells:
        """Whose agreement it is: an empty cell says the list is for all, a column that is not there says nothing."""
        if "client_number" not in self.sheet.given:
            return []
        client = None if number is None else self._clients.find(number)
        if number is not None and client is None:
            text = _("There is no client with number %(value)s. Bring in clients and farms first, or correct it.")
            self.refuse(row_saying(rows, "client_number"), "client_number", "client_unknown", text)
            return []
        before = one.client if one.client_id else None
        if before == client:
            return []
        one.client = client
        return [("client_number", plain(before.number) if before else None, number)]

    def _compare_price(self, one: PriceList, price: Price | None, row: Row) -> None:
        tax = self._taxes.find(row.values["tax_category"])
        if tax is None:
            return
        is_new = price is None
        if price is None:
            price = Price(price_list=one, article=row.values["article"], tax_category=tax)
        changes = take(PRICE_FACTS, price, row.values, self.sheet.given)
        if not is_new and price.tax_category != tax:
            changes.append(("tax_category", plain(price.tax_category.name), row.values["tax_category"]))
            price.tax_category = tax
        try:
            check_prices(prices=[PriceValues(price.article, price.amount, tax)])
        except Refusal as refusal:
            self.refuse_as([row], refusal, {"prices.0.amount": "amount"}, "article")
        name = f"{one.name}, {self.sheet.text('article', price.article)}"
        if is_new:
            self.prices.note_added(row, name)
            self._new.append(price)
        elif changes:
            self.prices.note_changed(row, name, changes)
            self._changed.append(price)
        else:
            self.prices.same += 1
