"""Forms about prices and taxes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from django import forms
from django.forms.boundfield import BoundField
from django.utils.text import capfirst
from django.utils.translation import gettext_lazy as _

from billing.charges.prices import ARTICLES, BANDED, DISTANCE_KM, DISTANCE_MILE
from billing.models import Article, BillingSettings, Price, PriceList, PriceWay, TaxCategory
from billing.services.prices import PRICE_PLACES, BandValues, PriceValues
from trimmer.errors import Refusal
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
        fields = ["credit_prefix", "travel_counts", "travel_share", "late_cancel_hours"]


@dataclass(frozen=True, slots=True)
class PriceRow:
    """The fields of one article."""

    article: str
    label: str
    amount: BoundField
    tax: BoundField
    way: BoundField | None
    bands: BoundField | None


BANDS_HELP = _("Write each band as “above: price”, with a semicolon between them, such as 40: 14.50; 80: 13.")


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
    discount_percent = forms.DecimalField(
        label=_("Discount (%)"),
        required=False,
        min_value=0,
        max_value=100,
        decimal_places=3,
        widget=forms.NumberInput(attrs={"step": "any", "inputmode": "decimal"}),
        help_text=_(
            "Off all lines of a visit, shown under the sum. In an agreement, 0 takes the list's discount back."
        ),
    )
    discount_reason = forms.CharField(label=_("Why the discount"), max_length=100, required=False)
    free_recheck_days = forms.IntegerField(
        label=_("Rechecks are free for (days)"),
        required=False,
        min_value=0,
        max_value=365,
        help_text=_(
            "From the day the recheck was raised. They stand on the invoice at 0.00. Empty: they are not free."
        ),
    )

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
                "discount_percent": price_list.discount_percent and price_list.discount_percent.normalize(),
                "discount_reason": price_list.discount_reason,
                "free_recheck_days": price_list.free_recheck_days,
            }
        for article in ARTICLES:
            price = there.get(article)
            initial[f"amount_{article}"] = trimmed(price.amount) if price else None
            initial[f"tax_{article}"] = price.tax_category_id if price else usual
            initial[f"way_{article}"] = price.way if price else PriceWay.FLAT
            initial[f"bands_{article}"] = bands_text(price) if price else ""
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
            if len(BANDED[article]) > 1:
                ways = [(way.value, way.label) for way in PriceWay if way.value in BANDED[article]]
                self.fields[f"way_{article}"] = forms.ChoiceField(
                    label=_("Bands: %(article)s") % {"article": label}, choices=ways, required=False
                )
                self.fields[f"bands_{article}"] = BandsField(
                    label=_("Above so many, the price: %(article)s") % {"article": label}, required=False
                )

    def rows(self) -> Iterator[PriceRow]:
        """The articles with their fields."""
        for article in self.articles:
            label = capfirst(str(Article(article).label))
            banded = f"way_{article}" in self.fields
            yield PriceRow(
                article,
                label,
                self[f"amount_{article}"],
                self[f"tax_{article}"],
                self[f"way_{article}"] if banded else None,
                self[f"bands_{article}"] if banded else None,
            )

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
                way = self.cleaned_data.get(f"way_{article}") or PriceWay.FLAT
                bands = self.cleaned_data.get(f"bands_{article}") or ()
                found.append(PriceValues(article, amount, tax, way, bands))
        return found

    def say_refusal(self, refusal: Refusal) -> bool:
        """Show the parts of a refusal beside the prices they name. Says whether there were any."""
        articles = [one.article for one in self.prices()]
        said = False
        for name, sentence in refusal.fields.items():
            noun, place, field = [*name.split("."), "", ""][:3]
            if noun == "prices" and place.isdigit() and int(place) < len(articles):
                self.add_error(f"{field}_{articles[int(place)]}", sentence)
                said = True
        return said


class BandsField(forms.CharField):
    """Bands as a person types them: “40: 14.50; 80: 13” is 14.50 above 40, 13 above 80."""

    def __init__(self, **options: Any) -> None:
        super().__init__(widget=forms.TextInput(attrs={"size": 24, "placeholder": "40: 14.50; 80: 13"}), **options)

    def clean(self, value: Any) -> tuple[BandValues, ...]:
        text = str(super().clean(value) or "").strip().strip(";")
        if not text:
            return ()
        found = []
        for part in text.split(";"):
            above, colon, amount = part.partition(":")
            try:
                found.append(BandValues(_figure(above), _figure(amount)))
            except InvalidOperation:
                raise forms.ValidationError(BANDS_HELP) from None
            if not colon:
                raise forms.ValidationError(BANDS_HELP)
        return tuple(found)


def _figure(text: str) -> Decimal:
    figure = Decimal(text.strip().replace(",", "."))
    if not figure.is_finite():
        raise InvalidOperation
    return figure


def bands_text(price: Price) -> str:
    """The bands of a price as `BandsField` reads them."""
    return "; ".join(f"{band.above.normalize():f}: {trimmed(band.amount):f}" for band in price.bands.order_by("above"))


def trimmed(amount: Decimal) -> Decimal:
    """Without the zeros that storing adds, but with cents: 14.5000 is 14.50."""
    short = amount.quantize(Decimal("0.01"))
    return short if short == amount else amount.normalize()
