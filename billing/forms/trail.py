"""The form that narrows the audit trail."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any

from django import forms
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

LARGEST_KEY = 2**63 - 1


class TrailForm(forms.Form):
    """By thing, person and period; by client or invoice when one comes from there."""

    thing = forms.ChoiceField(label=_("To what"), required=False)
    by = forms.TypedChoiceField(label=_("Who"), required=False, coerce=int, empty_value=None)
    first = forms.DateField(label=_("From"), required=False)
    last = forms.DateField(label=_("To"), required=False)
    client = forms.IntegerField(required=False, min_value=0, max_value=LARGEST_KEY, widget=forms.HiddenInput)
    invoice = forms.IntegerField(required=False, min_value=0, max_value=LARGEST_KEY, widget=forms.HiddenInput)

    def __init__(self, *args: Any, things: Mapping[str, str], people: Iterable[tuple[int, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        called = sorted(things.items(), key=lambda one: one[1].casefold())
        self.fields["thing"].choices = [("", _now("everything")), *called]  # type: ignore[attr-defined]
        self.fields["by"].choices = [("", _now("everybody")), *people]  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        first, last = values.get("first"), values.get("last")
        if isinstance(first, dt.date) and isinstance(last, dt.date) and last < first:
            self.add_error("last", _now("The last day lies before the first."))
        return values
