"""Roads, rigs and gates as forms."""

from __future__ import annotations

from typing import ClassVar

from django import forms
from django.utils.translation import gettext_lazy as _

from scheduling.road_models import CrewRig, TravelSettings

MOST_UPLOAD_MB = 500


class LoadRoadsForm(forms.Form):
    """An extract: uploaded, or one that lies in the folder the service may read."""

    upload = forms.FileField(
        label=_("Extract from this computer"),
        required=False,
        help_text=_("An OpenStreetMap extract of your region, a file that ends in .osm.pbf."),
        widget=forms.ClearableFileInput(attrs={"accept": ".pbf"}),
    )
    server_path = forms.CharField(label=_("Or a file on the server"), required=False, max_length=400)

    def clean(self) -> dict[str, object]:
        """One of the two."""
        values = super().clean() or {}
        if bool(values.get("upload")) == bool(values.get("server_path")):
            raise forms.ValidationError(_("Choose a file of this computer, or name one on the server."))
        upload = values.get("upload")
        if upload and upload.size > MOST_UPLOAD_MB * 1_000_000:
            self.add_error(
                "upload",
                _("This file is larger than %(most)s MB. Put it on the server and name it there.")
                % {"most": MOST_UPLOAD_MB},
            )
        return values


class RigForm(forms.ModelForm[CrewRig]):
    """A crew's rig."""

    groups = (
        (_("Speed"), ("top_kmh", "yard_kmh")),
        (_("Size"), ("height_m", "width_m", "length_m", "weight_kg")),
        (_("Time"), ("turn_seconds", "gate_seconds")),
    )

    class Meta:
        model = CrewRig
        fields: ClassVar[list[str]] = list(CrewRig.FIGURES)


class DrivingForm(forms.ModelForm[TravelSettings]):
    """A business's figures for driving."""

    class Meta:
        model = TravelSettings
        fields: ClassVar[list[str]] = ["farthest_from_road_m", "learns"]


class GateForm(forms.Form):
    """Where a rig drives in. Both empty: at the farm itself."""

    gate_latitude = forms.FloatField(
        label=_("Latitude of the gate"), required=False, widget=forms.NumberInput(attrs={"step": "any"})
    )
    gate_longitude = forms.FloatField(
        label=_("Longitude of the gate"), required=False, widget=forms.NumberInput(attrs={"step": "any"})
    )
