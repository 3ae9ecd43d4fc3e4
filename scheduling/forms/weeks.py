"""What is sent to change a proposed week."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django import forms
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext_lazy as _

from scheduling.services.replanning import CALLED_OFF, CREW_DOWN, REQUEST, TAKES_LONGER, Happened
from trimmer.models import Business, Crew, Visit, VisitRequest, VisitState


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


class DayForm(forms.Form):
    """A day of the week."""

    date = forms.DateField(label=_("Day"))


class HappenedForm(forms.Form):
    """What happened in a booked week; more than one thing may have."""

    called_off = forms.ModelMultipleChoiceField(
        Visit.objects.none(), label=_("Visits that farms called off"), required=False
    )
    down_crew = forms.ModelChoiceField(
        Crew.objects.none(), label=_("Crew that cannot go out"), required=False, empty_label=_("none")
    )
    down_date = forms.DateField(label=_("on"), required=False)
    longer = forms.ModelChoiceField(
        Visit.objects.none(), label=_("Visit that takes longer"), required=False, empty_label=_("none")
    )
    longer_minutes = forms.IntegerField(label=_("by (minutes)"), required=False, min_value=5, max_value=600)
    requests = forms.ModelMultipleChoiceField(
        VisitRequest.objects.none(), label=_("Requests to be squeezed in"), required=False
    )
    groups = (
        (_("Called off"), ("called_off",)),
        (_("A crew stays at home"), ("down_crew", "down_date")),
        (_("More work than planned"), ("longer", "longer_minutes")),
        (_("Something urgent"), ("requests",)),
    )

    def __init__(self, *args: Any, business: Business, first: dt.date, last: dt.date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        visits = Visit.objects.of(business).filter(state=VisitState.BOOKED, date__range=(first, last))
        visits = visits.select_related("farm", "crew").order_by("date", "planned_start")
        for name, rows in (
            ("called_off", visits),
            ("longer", visits),
            ("down_crew", Crew.objects.of(business).filter(active=True)),
            ("requests", VisitRequest.objects.of(business).waiting().select_related("farm")),
        ):
            field = self.fields[name]
            assert isinstance(field, forms.ModelChoiceField)  # noqa: S101
            field.queryset = rows
        for name, line in (("called_off", _visit_line), ("longer", _visit_line), ("requests", _request_line)):
            field = self.fields[name]
            field.label_from_instance = line  # type: ignore[attr-defined]
            if isinstance(field, forms.ModelMultipleChoiceField):
                field.widget = forms.CheckboxSelectMultiple({"class": "tiles"})
                field.widget.choices = field.choices
        self.fields["down_date"].widget.attrs |= {"min": first.isoformat(), "max": last.isoformat()}

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("down_crew") and not cleaned.get("down_date"):
            self.add_error("down_date", _("Say on which day."))
        if cleaned.get("longer") and not cleaned.get("longer_minutes"):
            self.add_error("longer_minutes", _("Say by how many minutes."))
        return cleaned

    def happened(self) -> list[Happened]:
        """What was said, one by one."""
        said = self.cleaned_data
        found = [Happened(kind=CALLED_OFF, visit=visit.pk) for visit in said["called_off"]]
        if said["down_crew"]:
            found.append(Happened(kind=CREW_DOWN, crew=said["down_crew"].pk, date=said["down_date"].isoformat()))
        if said["longer"]:
            found.append(Happened(kind=TAKES_LONGER, visit=said["longer"].pk, minutes=said["longer_minutes"]))
        return found + [Happened(kind=REQUEST, request=request.pk) for request in said["requests"]]


def _visit_line(visit: Visit) -> str:
    at = f" {timezone.localtime(visit.planned_start):%H:%M}" if visit.planned_start else ""
    return f"{visit.farm.name}: {date_format(visit.date, 'D j M')}{at}, {visit.crew.name}"


def _request_line(request: VisitRequest) -> str:
    return f"{request.farm.name} ({request.get_urgency_display()})"
