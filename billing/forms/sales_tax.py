"""Forms about sales taxes."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from billing.models import ExemptionCertificate, SalesTaxPlace, SalesTaxRounding
from trimmer.models import Business, Client, Farm


class PlaceForm(forms.Form):
    """A place: its name, and the farms in it."""

    name = forms.CharField(label=_("Name"), max_length=80, help_text=_("Such as the county or the city."))
    farms = forms.ModelMultipleChoiceField(
        Farm.objects.none(),
        label=_("Farms here"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=_("A farm that lies in another place now is moved here."),
    )

    def __init__(self, *args: Any, business: Business, place: SalesTaxPlace | None, **kwargs: Any) -> None:
        initial: dict[str, Any] = {}
        here = Farm.objects.none()
        if place is not None:
            here = Farm.objects.filter(sales_tax__place=place)
            initial = {"name": place.name, "farms": list(here.values_list("pk", flat=True))}
        super().__init__(*args, **(kwargs | {"initial": initial}))
        farms = Farm.objects.of(business).filter(Q(archived_at__isnull=True) | Q(pk__in=here))
        self.fields["farms"].queryset = farms.select_related("client").order_by("name", "pk")  # type: ignore[attr-defined]


class SalesRateForm(forms.Form):
    """What one authority takes."""

    authority = forms.CharField(label=_("Tax, as on the invoice"), max_length=60)
    rate = forms.DecimalField(label=_("Rate (%)"), min_value=0, max_value=100, decimal_places=3)
    valid_from = forms.DateField(label=_("From"))
    valid_to = forms.DateField(label=_("To"), required=False)
    on_work = forms.BooleanField(label=_("On work"), required=False, initial=True)
    on_goods = forms.BooleanField(label=_("On goods"), required=False, initial=True)

    def has_changed(self) -> bool:
        """An empty row stays empty, whichever of its boxes are ticked."""
        return bool(set(self.changed_data) - {"on_work", "on_goods"}) or bool(self.initial and self.changed_data)


SalesRateFormSet = forms.formset_factory(SalesRateForm, extra=1, max_num=60, validate_max=True, can_delete=True)


class RoundingForm(forms.Form):
    """What is rounded."""

    rounding = forms.ChoiceField(
        label=_("Rounded is"), choices=SalesTaxRounding.choices, help_text=_("Ask locally which is asked of you.")
    )


class CertificateForm(forms.Form):
    """A client's certificate."""

    client = forms.ModelChoiceField(Client.objects.none(), label=_("Client"), empty_label=_("choose"))
    number = forms.CharField(label=_("Number"), max_length=60)
    valid_from = forms.DateField(label=_("Valid from"))
    valid_to = forms.DateField(label=_("Valid to"), required=False, help_text=_("Empty: without an end."))
    authorities = forms.CharField(
        label=_("Only from these taxes"),
        required=False,
        help_text=_("One a line, as they stand on the invoice. Empty: from all of the place."),
        widget=forms.Textarea(attrs={"rows": 2}),
    )
    on_work = forms.BooleanField(label=_("On work"), required=False, initial=True)
    on_goods = forms.BooleanField(label=_("On goods"), required=False, initial=True)

    def __init__(self, *args: Any, business: Business, certificate: ExemptionCertificate | None, **kwargs: Any) -> None:
        if certificate is not None:
            names = ("client", "number", "valid_from", "valid_to", "on_work", "on_goods")
            kwargs["initial"] = {name: getattr(certificate, name) for name in names} | {
                "authorities": "\n".join(certificate.authorities)
            }
        super().__init__(*args, **kwargs)
        self.fields["client"].queryset = Client.objects.of(business).order_by("name")  # type: ignore[attr-defined]

    def values(self) -> dict[str, Any]:
        """What was typed, as the service takes it."""
        return self.cleaned_data | {"authorities": self.cleaned_data["authorities"].splitlines()}
