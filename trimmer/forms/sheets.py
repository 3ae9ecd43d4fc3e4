"""Forms about sheets."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile
from django.utils.translation import gettext_lazy as _

from trimmer.services.sheets import SheetIsTooLarge
from trimmer.services.sheets.bringing import LARGEST


class BringForm(forms.Form):
    """The file to bring in."""

    file = forms.FileField(
        label=_("File"),
        help_text=_("CSV or XLSX. Nothing is stored before you have seen what it would change."),
        allow_empty_file=True,
        widget=forms.FileInput(attrs={"accept": ".csv,.tsv,.txt,.xlsx,text/csv"}),
    )

    def clean_file(self) -> UploadedFile[Any]:
        """Far too large a file is not even read."""
        file: UploadedFile[Any] = self.cleaned_data["file"]
        if (file.size or 0) > LARGEST:
            raise forms.ValidationError(str(SheetIsTooLarge()))
        return file


class DaysForm(forms.Form):
    """From which day to which; both may be left open."""

    first = forms.DateField(label=_("From"), required=False)
    last = forms.DateField(label=_("To"), required=False)

    def clean(self) -> dict[str, Any]:
        """The first day comes first."""
        values: dict[str, Any] = super().clean() or {}
        if values.get("first") and values.get("last") and values["last"] < values["first"]:
            self.add_error("last", _("The last day comes before the first. Turn them round."))
        return values
