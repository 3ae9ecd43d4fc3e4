"""Forms about rechecks and the trim list."""

from __future__ import annotations

from typing import Any, cast

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from trimmer.forms import FactForm
from trimmer.models import Farm, RecheckRule
from trimmer.queries.rechecks import SHOWS, Show
from trimmer.wording import PURPOSES

SHOW_LABELS = {
    "open": _("all open"),
    "overdue": _("overdue"),
    "week": _("due this week"),
    "closed": _("closed"),
}


class RecheckFilter(forms.Form):
    """Which rechecks to show."""

    farm = forms.ModelChoiceField(
        label=_("Farm"), required=False, queryset=Farm.objects.none(), empty_label=_("all farms")
    )
    show = forms.ChoiceField(label=_("Show"), required=False, choices=[(show, SHOW_LABELS[show]) for show in SHOWS])

    def __init__(self, *args: Any, farms: QuerySet[Farm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        cast("forms.ModelChoiceField[Farm]", self.fields["farm"]).queryset = farms

    def chosen(self) -> tuple[Farm | None, Show]:
        """The farm and what to show of it; a filter that makes no sense is left out."""
        self.is_valid()
        return self.cleaned_data.get("farm"), cast(Show, self.cleaned_data.get("show") or "open")


class CloseForm(forms.Form):
    """Why a recheck is closed by hand."""

    reason = forms.CharField(
        label=_("Why"),
        max_length=300,
        help_text=_("Such as: sold; block came off by itself; seen by the veterinarian."),
    )


class RecheckForm(forms.Form):
    """A recheck written down by hand."""

    what = forms.ChoiceField(label=_("What is to be done"), choices=list(PURPOSES.items()), initial="look_at_lesion")
    due_from = forms.DateField(label=_("Not before"))
    due_by = forms.DateField(label=_("By"))
    note = forms.CharField(label=_("Note"), required=False, max_length=200)


class RuleForm(FactForm[RecheckRule]):
    """The days of a recheck rule."""

    class Meta:
        model = RecheckRule
        fields = ["from_days", "by_days", "warn_days", "active"]
        help_texts = {
            "from_days": _("Days after the day of the record."),
            "warn_days": _("Empty: no warning before its time."),
        }


class PickForm(forms.Form):
    """An animal the farm wants to be seen."""

    number = forms.CharField(
        label=_("Animal number"),
        max_length=20,
        widget=forms.TextInput(attrs={"list": "animal-numbers", "autocomplete": "off"}),
    )
    note = forms.CharField(label=_("Why"), required=False, max_length=200)
