"""How forms are drawn: own field, form and formset templates, and the browser's own pickers for dates and times."""

from __future__ import annotations

from typing import Any, Final, cast

from django import forms
from django.db.models import BLANK_CHOICE_DASH
from django.forms.boundfield import BoundField
from django.forms.renderers import TemplatesSetting
from django.utils.translation import gettext_lazy as _


class DayInput(forms.DateInput):
    """A date picked with the browser's own calendar. The browser wants ISO 8601, whatever the language."""

    input_type = "date"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs=attrs, format="%Y-%m-%d")


class ClockInput(forms.TimeInput):
    """A time of day picked with the browser's own clock, to the minute."""

    input_type = "time"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs=attrs, format="%H:%M")


class MomentInput(forms.DateTimeInput):
    """A date and time picked together, to the minute, on the clock of the zone in force."""

    input_type = "datetime-local"

    def __init__(self, attrs: dict[str, Any] | None = None) -> None:
        super().__init__(attrs=attrs, format="%Y-%m-%dT%H:%M")


DASHES: Final = BLANK_CHOICE_DASH[0][1]  # what Django writes for "nothing chosen"

PICKERS: dict[type[forms.Widget], type[DayInput | ClockInput | MomentInput]] = {
    forms.DateInput: DayInput,
    forms.TimeInput: ClockInput,
    forms.DateTimeInput: MomentInput,
}


class PickerField(BoundField):
    """A field made ready once, before it is read or drawn: a picker for a date or time, words for no choice yet."""

    def __init__(self, form: forms.BaseForm, field: forms.Field, name: str) -> None:
        picker = PICKERS.get(type(field.widget))
        if picker is not None:
            plain = field.widget
            field.widget = picker(attrs=plain.attrs)
            field.widget.is_required = plain.is_required
        nothing = _("choose") if field.required else ""
        if isinstance(field, forms.ModelChoiceField):
            if field.empty_label == DASHES:
                field.empty_label = nothing
        elif isinstance(field, forms.ChoiceField):
            choices = list(cast("Any", field.choices))
            if choices[:1] == BLANK_CHOICE_DASH:
                field.choices = [("", nothing), *choices[1:]]
        super().__init__(form, field, name)


class FieldRenderer(TemplatesSetting):
    """The FORM_RENDERER: templates come from the project's own engine."""

    form_template_name = "forms/form.html"
    formset_template_name = "forms/formset.html"
    field_template_name = "forms/field.html"
    bound_field_class = PickerField
