"""Forms about reminding."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from billing.models import InterestCount, Invoice
from billing.queries.balances import unsettled
from billing.services.reminders import MOST_STEPS
from trimmer.models import Business, Client


class StepForm(forms.Form):
    """From how many days past due a client is reminded, in which words."""

    days = forms.IntegerField(label=_("Days past due"), min_value=1, max_value=999)
    text = forms.CharField(label=_("Words"), max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))
    least = forms.DecimalField(label=_("Only from this much on"), min_value=0, required=False, initial=0)
    with_interest = forms.BooleanField(label=_("Tell the interest for late payment"), required=False)


class RateForm(forms.Form):
    """A rate that holds from a day on."""

    valid_from = forms.DateField(label=_("From"))
    percent = forms.DecimalField(label=_("Percent"), min_value=0, max_value=100, decimal_places=3)


class CountForm(forms.Form):
    """How the time of late payment is counted."""

    count = forms.ChoiceField(label=_("Time is counted by"), choices=InterestCount.choices)


StepFormSet = forms.formset_factory(StepForm, extra=1, max_num=MOST_STEPS, validate_max=True, can_delete=True)
RateFormSet = forms.formset_factory(RateForm, extra=1, max_num=50, validate_max=True, can_delete=True)


class StopForm(forms.Form):
    """Whom, or which invoice, nobody is to be reminded of."""

    invoice = forms.ModelChoiceField(
        Invoice.objects.none(), label=_("Invoice"), required=False, empty_label=_("all of this client's")
    )
    reason = forms.CharField(label=_("Why"), max_length=300, help_text=_("For instance: the count is disputed."))

    def __init__(self, *args: Any, business: Business, client: Client, today: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        waiting = unsettled(Invoice.objects.of(business).filter(client=client), today)
        self.fields["invoice"].queryset = waiting  # type: ignore[attr-defined]
