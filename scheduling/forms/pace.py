"""What is asked and typed about the pace: a visit to estimate, minutes that stand in, what is on hand."""

from __future__ import annotations

from typing import Any, ClassVar, cast

from django import forms
from django.utils.translation import gettext_lazy as _

from scheduling.pace_models import PaceSettings, SupplyKind
from scheduling.services.supplies import MOST_ON_HAND
from trimmer.forms.requests import HeadForm
from trimmer.models import Business, Crew, Farm


class EstimateForm(HeadForm):
    """A visit to be estimated."""

    farm = forms.ModelChoiceField(Farm.objects.none(), label=_("Farm"))
    crew = forms.ModelChoiceField(Crew.objects.none(), label=_("Crew"), required=False, empty_label=_("any"))

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        farms = cast("forms.ModelChoiceField[Any]", self.fields["farm"])
        farms.queryset = Farm.objects.of(business).current().select_related("client__business").order_by("name", "pk")
        crews = cast("forms.ModelChoiceField[Any]", self.fields["crew"])
        crews.queryset = Crew.objects.of(business).filter(active=True).order_by("name", "pk")

    def clean(self) -> dict[str, Any]:
        """At least one head."""
        cleaned = super().clean() or {}
        if not self.errors and not any(self.head().values()):
            self.add_error(None, _("Count at least one head: there is nothing to estimate."))
        return cleaned


class PaceSettingsForm(forms.ModelForm[PaceSettings]):
    """Minutes that stand in until enough visits are recorded, and what weeks are planned and loaded with."""

    groups = (
        (_("Default minutes"), ("setup", "trim", "topical", "wrap", "block", "recheck", "heifer", "bull")),
        (_("Planning"), ("plan_with_learned", "plan_level")),
        (_("What to carry"), ("run_out_percent", "blocks_a_cartridge", "head_a_bottle")),
    )

    class Meta:
        model = PaceSettings
        fields: ClassVar[list[str]] = [
            *("setup", "trim", "topical", "wrap", "block", "recheck", "heifer", "bull"),
            *("plan_with_learned", "plan_level", "run_out_percent", "blocks_a_cartridge", "head_a_bottle"),
        ]


class StockForm(forms.Form):
    """Units on hand, by supply."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for supply, label in SupplyKind.choices:
            self.fields[supply] = forms.IntegerField(
                label=str(label)[:1].upper() + str(label)[1:],
                min_value=0,
                max_value=MOST_ON_HAND,
                widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
            )
