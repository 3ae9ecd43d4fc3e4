"""The period of a herd report."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from django import forms
from django.utils.translation import gettext_lazy as _

LONGEST: Final = dt.timedelta(days=5 * 366)


def last_twelve_months(today: dt.date) -> tuple[dt.date, dt.date]:
    """The period shown when none is asked for: twelve months that end today."""
    return (today - dt.timedelta(days=364)), today


class PeriodForm(forms.Form):
    """From a day to a day, both included."""

    first = forms.DateField(label=_("From"))
    last = forms.DateField(label=_("To"))

    def clean(self) -> dict[str, Any]:
        values = super().clean() or self.cleaned_data
        first, last = values.get("first"), values.get("last")
        if first and last and last < first:
            self.add_error("last", _("The period ends before it begins. Give a later day."))
        elif first and last and last - first > LONGEST:
            self.add_error("first", _("A report covers five years at most. Give a later day."))
        return values
