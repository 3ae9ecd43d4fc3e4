"""What is sent to change a proposed week."""

from __future__ import annotations

from django import forms
from django.utils.translation import gettext_lazy as _

from trimmer.models import Business, Crew


class ChangeForm(forms.Form):
    """A change names the version of the proposal it was made on."""

    version = forms.IntegerField(min_value=1, widget=forms.HiddenInput)


class PlaceForm(forms.Form):
    """A place for a visit: a crew, a day, and the place in the round (empty: where it is cheapest)."""

    part = forms.IntegerField(min_value=1, required=False, widget=forms.HiddenInput)
    crew = forms.ModelChoiceField(Crew.objects.none(), label=_("Crew"))
    date = forms.DateField(label=_("Day"))
    place = forms.IntegerField(min_value=0, required=False, label=_("Place in the round"))

    def __init__(self, *args: object, business: Business, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)  # type: ignore[arg-type]
        crews = self.fields["crew"]
        assert isinstance(crews, forms.ModelChoiceField)  # noqa: S101
        crews.queryset = Crew.objects.of(business)


class PinForm(ChangeForm):
    """A pin, with the hour or without."""

    hour = forms.BooleanField(required=False, widget=forms.HiddenInput)
