"""Forms about farms, their access hours and contacts."""

from __future__ import annotations

from typing import Any

from django import forms
from django.db.models import Q
from django.forms import BaseFormSet, formset_factory
from django.utils.translation import gettext_lazy as _

from trimmer.forms import FactForm, country_field
from trimmer.models import Business, ChuteKind, Client, Farm, Weekday
from trimmer.models.clients import every_working_day
from trimmer.services.farms import LIMITS


class FarmForm(FactForm[Farm]):
    """What is said of a farm."""

    groups = (
        (_("The farm"), ("client", "name", "barn", "milking", "dry", "heifers")),
        (_("Where it is"), ("street", "postcode", "city", "region", "country", "latitude", "longitude")),
        (_("When a visit suits"), ("days_that_suit", "visit_interval_weeks")),
        (
            _("At the farm"),
            ("health_tier", "lock_up_hours", "chute_kind_needed", "handling_notes", "access_notes"),
        ),
    )

    latitude = forms.FloatField(
        label=_("Latitude"), required=False, help_text=_("Decimal degrees, such as 47.1234; south is below 0.")
    )
    longitude = forms.FloatField(
        label=_("Longitude"), required=False, help_text=_("Decimal degrees, such as 9.5432; west is below 0.")
    )
    days_that_suit = forms.TypedMultipleChoiceField(
        label=_("Days that suit"),
        coerce=int,
        choices=Weekday.choices,
        initial=every_working_day,
        widget=forms.CheckboxSelectMultiple(attrs={"class": "tiles"}),
    )

    class Meta:
        model = Farm
        fields = [
            "client",
            "name",
            "barn",
            "milking",
            "dry",
            "heifers",
            "street",
            "postcode",
            "city",
            "region",
            "country",
            "latitude",
            "longitude",
            "days_that_suit",
            "visit_interval_weeks",
            "health_tier",
            "lock_up_hours",
            "chute_kind_needed",
            "handling_notes",
            "access_notes",
        ]
        help_texts = {
            "health_tier": _("A round goes from the cleanest to the most infectious herd."),
            "lock_up_hours": _("How long cows may stand held away from feed and bedding. Ask the veterinarian."),
            "handling_notes": _("How the cows are handled here. The farm does not see it."),
            "access_notes": _("Gates, dogs, where to set up the chute. The farm does not see it."),
        }
        widgets = {
            "handling_notes": forms.Textarea(attrs={"rows": 3}),
            "access_notes": forms.Textarea(attrs={"rows": 3}),
        }

    def __init__(self, *args: Any, business: Business, farm: Farm | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        own = Client.objects.of(business)
        clients = own.current() if farm is None else own.filter(Q(archived_at__isnull=True) | Q(pk=farm.client_id))
        self.fields["client"] = forms.ModelChoiceField(label=_("Client"), queryset=clients)
        self.fields["country"] = country_field(business.language)
        self.fields["chute_kind_needed"] = forms.ChoiceField(
            label=_("Chute needed"), choices=[("", _("any")), *ChuteKind.choices], required=False
        )
        for name in ("milking", "dry", "heifers", "visit_interval_weeks", "lock_up_hours"):
            least, most = LIMITS[name]
            self.fields[name].widget.attrs.update(min=least, max=most)


class AccessWindowForm(forms.Form):
    """Hours of a weekday in which a crew may work at the farm."""

    weekday = forms.TypedChoiceField(
        label=_("Weekday"), coerce=int, choices=Weekday.choices, initial=Weekday.MONDAY.value
    )
    opens = forms.TimeField(label=_("From"))
    closes = forms.TimeField(label=_("To"))


class ContactForm(forms.Form):
    """Somebody to call or write to."""

    name = forms.CharField(label=_("Name"), max_length=120)
    job = forms.CharField(label=_("Job at the farm"), max_length=80, required=False)
    phone = forms.CharField(
        label=_("Phone"), max_length=40, required=False, widget=forms.TextInput(attrs={"type": "tel"})
    )
    email = forms.EmailField(label=_("E-mail"), required=False)
    told_of_visits = forms.BooleanField(label=_("Told of visits by e-mail"), required=False, initial=True)

    def clean(self) -> dict[str, Any]:
        """Without an address nobody is told: the box is ticked on every new row."""
        values = super().clean() or {}
        values["told_of_visits"] = bool(values.get("told_of_visits") and values.get("email"))
        return values


AccessWindows = formset_factory(AccessWindowForm, extra=1, can_delete=True, max_num=42)
Contacts = formset_factory(ContactForm, extra=1, can_delete=True, max_num=20)


def kept_rows(rows: BaseFormSet[forms.Form]) -> list[dict[str, Any]]:
    """The filled-in rows of a valid formset that were not ticked to go."""
    values = (dict(row.cleaned_data) for row in rows.forms if row.cleaned_data)
    return [{name: value for name, value in row.items() if name != "DELETE"} for row in values if not row.get("DELETE")]
