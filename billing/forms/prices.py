"""Forms about prices and taxes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django import forms
from django.forms.boundfield import BoundField
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from billing.charges.prices import ARTICLES, DISTANCE_KM, DISTANCE_MILE
from billing.models import Article, BillingSettings, PriceList, TaxCategory
from billing.services.prices import PRICE_PLACES, PriceValues
from trimmer.forms import ModelForm
from trimmer.models import Business, Client, Units


class TaxCategoryForm(ModelForm[TaxCategory]):
    """A tax, as the accountant says."""

    class Meta:
        model = TaxCategory
        fields = ["name", "code", "rate", "exemption_reason", "sales_tax"]
        help_texts = {
            "name": _("As it is to stand on the invoice, such as “VAT 19 %”."),
            "code": _("Ask your accountant which applies to your work and to what you sell."),
            "exemption_reason": _("Needed where no tax is charged. Ask your accountant for the wording."),
        }
        widgets = {"exemption_reason": forms.Textarea(attrs={"rows": 2})}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["code"].required = False  # of sales taxes, the place says it

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if not values.get("code") and not values.get("sales_tax"):
            self.add_error("code", _("Choose one, or choose sales taxes of the place."))
        return values

    def _post_clean(self) -> None:
        """What the model would check, the service says with what to do about it."""


class BillingSettingsForm(ModelForm[BillingSettings]):
    """What a business says of its bills."""

    class Meta:
        model = BillingSettings
        fields = ["credit_prefix", "travel_counts"]


@dataclass(frozen=True, slots=True)
class PriceRow:
    """The fields of one article."""

    article: str
    label: str
    amount: BoundField
    tax: BoundField


class PriceListForm(forms.Form):
    """A price list: one row for each article, the empty ones without a price."""

    name = forms.CharField(label=_("Name"), max_length=80)
    client = forms.ModelChoiceField(
        Client.objects.none(),
        label=_("Agreement with"),
        required=False,
        empty_label=_("nobody: for all clients"),
        help_text=_("An agreement stands over the list, article by article."),
    )
    valid_from = forms.DateField(label=_("Valid from"), help_text=_("The day of the visit counts."))
    valid_to = forms.DateField(label=_("Valid to"), required=False, help_text=_("Empty: until a later list begins."))

    def __init__(self, *args: Any, business: Business, price_list: PriceList | None = None, **kwargs: Any) -> None:
        there = {price.article: price for price in price_list.prices.all()} if price_list else {}
        taxes = TaxCategory.objects.of(business)
        usual = next(iter(there.values())).tax_category_id if there else taxes.values_list("pk", flat=True).first()
        initial = dict(kwargs.pop("initial", None) or {})
        if price_list is not None:
            initial |= {
                "name": price_list.name,
                "client": price_list.client_id,
                "valid_from": price_list.valid_from,
                "valid_to": price_list.valid_to,
            }
        for article in ARTICLES:
            price = there.get(article)
            initial[f"amount_{article}"] = trimmed(price.amount) if price else None
            initial[f"tax_{article}"] = price.tax_category_id if price else usual
        super().__init__(*args, **(kwargs | {"initial": initial}))
        clients = Client.objects.of(business)
        known = clients.filter(pk=price_list.client_id) if price_list and price_list.client_id else clients.none()
        self.fields["client"].queryset = clients.current() | known  # type: ignore[attr-defined]
        other_distance = DISTANCE_KM if business.units == Units.US else DISTANCE_MILE
        self.articles = [article for article in ARTICLES if article != other_distance or article in there]
        for article in self.articles:
            label = str(Article(article).label)
            self.fields[f"amount_{article}"] = forms.DecimalField(
                label=_("Price: %(article)s") % {"article": label},
                required=False,
                decimal_places=PRICE_PLACES,
                min_value=0,
                widget=forms.NumberInput(attrs={"step": "any", "inputmode": "decimal"}),
            )
            self.fields[f"tax_{article}"] = forms.ModelChoiceField(
                taxes, label=_("Tax: %(article)s") % {"article": label}, required=False
            )

    def rows(self) -> Iterator[PriceRow]:
        """The articles with their fields."""
        for article in self.articles:
            label = capfirst(str(Article(article).label))
            yield PriceRow(article, label, self[f"amount_{article}"], self[f"tax_{article}"])

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        for article in self.articles:
            if values.get(f"amount_{article}") is not None and not values.get(f"tax_{article}"):
                self.add_error(f"tax_{article}", _("Choose its tax."))
        return values

    def prices(self) -> list[PriceValues]:
        """The prices that were typed."""
        found = []
        for article in self.articles:
            amount, tax = self.cleaned_data.get(f"amount_{article}"), self.cleaned_data.get(f"tax_{article}")
            if amount is not None and tax is not None:
                found.append(PriceValues(article, amount, tax))
        return found


def trimmed(amount: Decimal) -> Decimal:
    """Without the zeros that storing adds, but with cents: 14.5000 is 14.50."""
    short = amount.quantize(Decimal("0.01"))
    return short if short == amount else amount.normalize()
