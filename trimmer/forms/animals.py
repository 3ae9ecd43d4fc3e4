"""Forms about animals."""

from __future__ import annotations

from django import forms
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from trimmer.forms import FactForm
from trimmer.models import Animal
from trimmer.services.animals import AnimalValues


class AnimalForm(FactForm[Animal]):
    """What is known of an animal."""

    groups: tuple[tuple[str | Promise, tuple[str, ...]], ...] = (
        (_("Tags"), ("official_tag", "transponder")),
        (_("Dates"), ("calved_on", "calving_due_on", "dry_off_on", "born_on")),
    )

    class Meta:
        model = Animal
        fields = [
            "number",
            "animal_class",
            "group",
            "note",
            "official_tag",
            "transponder",
            "calved_on",
            "calving_due_on",
            "dry_off_on",
            "born_on",
        ]
        widgets = {
            "number": forms.TextInput(attrs={"autocomplete": "off"}),
            "animal_class": forms.RadioSelect(attrs={"class": "tiles"}),
            "group": forms.TextInput(attrs={"list": "pens", "autocomplete": "off"}),
        }
        help_texts = {
            "official_tag": _("As it stands on the ear tag, with or without spaces."),
            "transponder": _("15 digits, as the reader shows them."),
            "calving_due_on": _("Within four weeks of it a caution is shown before a trim."),
        }

    def values(self) -> AnimalValues:
        """What the services take."""
        return AnimalValues(**{name: self.cleaned_data[name] for name in self.Meta.fields})


class AnimalFilter(forms.Form):
    """Which animals to show."""

    q = forms.CharField(label=_("Number, tag or pen"), required=False, widget=forms.TextInput(attrs={"type": "search"}))
    archived = forms.BooleanField(label=_("Those that left the herd"), required=False)
