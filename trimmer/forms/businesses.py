"""Forms about the business itself: its details, bases, crews, working hours, days off."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django import forms
from django.forms import formset_factory
from django.utils.translation import gettext as now_translated
from django.utils.translation import gettext_lazy as _

from trimmer.forms import FactForm, country_field
from trimmer.models import Base, Business, Crew, User, Weekday, WorkingHours
from trimmer.services.crews import LONGEST_DAY, SHORTEST_DAY, HoursDetails
from trimmer.standards import currencies, time_zones


class BusinessForm(FactForm[Business]):
    """What is said of a business."""

    groups = (
        (_("The business"), ("name", "email", "phone")),
        (_("Address"), ("street", "postcode", "city", "region", "country")),
        (_("How values are shown"), ("language", "time_zone", "units", "currency")),
        (_("Tax"), ("tax_id", "tax_number", "register_number")),
        (_("Getting paid"), ("bank_name", "iban", "bic", "payment_days")),
        (_("Invoices"), ("invoice_prefix", "invoice_footer", "paper")),
    )

    class Meta:
        model = Business
        fields = [
            "name",
            "email",
            "phone",
            "street",
            "postcode",
            "city",
            "region",
            "country",
            "language",
            "time_zone",
            "units",
            "currency",
            "tax_id",
            "tax_number",
            "register_number",
            "bank_name",
            "iban",
            "bic",
            "payment_days",
            "invoice_prefix",
            "invoice_footer",
            "paper",
        ]
        help_texts = {
            "email": _("Farms answer to this address."),
            "time_zone": _("All hours are shown on this clock."),
            "tax_id": _("Ask locally which of these an invoice must bear."),
            "invoice_prefix": _("Such as 2026-. Numbers follow it without a gap."),
        }
        widgets = {
            "invoice_footer": forms.Textarea(attrs={"rows": 3}),
            "phone": forms.TextInput(attrs={"type": "tel"}),
        }

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        language = business.language
        zones = sorted({business.time_zone, *time_zones()})
        self.fields["country"] = country_field(language, required=True)
        self.fields["currency"] = forms.ChoiceField(label=_("Currency"), choices=list(currencies(language).items()))
        self.fields["time_zone"] = forms.ChoiceField(
            label=_("Time zone"),
            choices=[(zone, zone.replace("_", " ")) for zone in zones],
            help_text=self.fields["time_zone"].help_text,
        )
        self.fields["payment_days"] = forms.IntegerField(label=_("Days to pay"), min_value=0, max_value=365)


class BaseForm(FactForm[Base]):
    """Where a crew starts and ends its day."""

    class Meta:
        model = Base
        fields = ["name", "latitude", "longitude"]
        help_texts = {
            "latitude": _("Decimal degrees, such as 47.1234; south is below 0."),
            "longitude": _("Decimal degrees, such as 9.5432; west is below 0."),
        }


class CrewForm(FactForm[Crew]):
    """The people and the chute that travel together."""

    class Meta:
        model = Crew
        fields = ["name", "base", "members", "chute_kind", "longest_day", "active"]
        widgets = {"chute_kind": forms.RadioSelect(attrs={"class": "tiles"})}
        help_texts = {"active": _("Untick it for a crew that no longer goes out. Its visits stay.")}

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["base"] = forms.ModelChoiceField(label=_("Base"), queryset=Base.objects.of(business))
        self.fields["members"] = forms.ModelMultipleChoiceField(
            label=_("Who rides along"),
            queryset=User.objects.filter(memberships__business=business).order_by("name", "email"),
            required=False,
            widget=forms.CheckboxSelectMultiple(attrs={"class": "tiles"}),
        )
        self.fields["longest_day"].widget.attrs.update(min=SHORTEST_DAY, max=LONGEST_DAY)


class WorkingDayForm(forms.Form):
    """A weekday of a crew: both times, or none on a day it stays in."""

    weekday = forms.IntegerField(min_value=0, max_value=6, widget=forms.HiddenInput)
    leave_from = forms.TimeField(label=_("Leaves from"), required=False)
    back_by = forms.TimeField(label=_("Back by"), required=False)

    @property
    def day_name(self) -> str:
        """The weekday's name."""
        return str(Weekday(int(self["weekday"].value())).label)

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if bool(values.get("leave_from")) is not bool(values.get("back_by")) and not self.errors:
            self.add_error(
                "back_by" if values.get("leave_from") else "leave_from",
                now_translated("Give both times, or none on a day the crew stays in."),
            )
        return values


WorkingWeek = formset_factory(WorkingDayForm, extra=0, min_num=7, max_num=7, absolute_max=7, validate_max=True)


def week_initial(hours: Mapping[int, WorkingHours]) -> list[dict[str, Any]]:
    """Seven rows, Monday first, from the working hours by weekday."""
    return [
        {
            "weekday": weekday,
            "leave_from": hours[weekday].leave_from if weekday in hours else None,
            "back_by": hours[weekday].back_by if weekday in hours else None,
        }
        for weekday in Weekday.values
    ]


def hours_of(week: forms.BaseFormSet[WorkingDayForm]) -> list[HoursDetails]:
    """The days of a valid week on which the crew goes out."""
    return [
        HoursDetails(**row.cleaned_data)  # type: ignore[typeddict-item]
        for row in week.forms
        if row.cleaned_data.get("leave_from") is not None
    ]


class DaysOffForm(forms.Form):
    """Days on which a crew does not go out."""

    first = forms.DateField(label=_("First day"))
    last = forms.DateField(label=_("Last day"))
    note = forms.CharField(label=_("Note"), max_length=200, required=False)
