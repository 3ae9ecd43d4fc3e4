"""Forms about visits. Times are typed as clock times on the day of the visit, in the business's zone."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, Final, cast

from django import forms
from django.db.models import QuerySet
from django.http import QueryDict
from django.utils import timezone
from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from trimmer.forms.requests import HeadForm, among
from trimmer.models import Business, Crew, Farm, Units, Visit, VisitRequest, VisitState
from trimmer.queries.visits import BookingCaution
from trimmer.services.visits import MOMENTS, VisitTimes
from trimmer.showing import METRES_IN_KM, METRES_IN_MILE, round_half_up, show_day, to_local

CAUTIONS: Final[Mapping[BookingCaution, str | Promise]] = {
    "crew_is_off": gettext_lazy("The crew has that day off."),
    "crew_does_not_work": gettext_lazy("The crew does not go out on that weekday."),
    "outside_working_hours": gettext_lazy("The hours lie outside the crew's working hours."),
    "day_does_not_suit": gettext_lazy("That weekday does not suit the farm as a rule."),
    "outside_access_hours": gettext_lazy("The hours lie outside the farm's access windows."),
    "client_on_hold": gettext_lazy("The client is on hold."),
    "other_chute_needed": gettext_lazy("The farm needs another kind of chute than this crew tows."),
    "crew_is_elsewhere": gettext_lazy("The crew is at another farm at that time."),
}


def at_clock(day: dt.date, clock: dt.time) -> dt.datetime:
    """A clock time of a day in the zone in force."""
    return timezone.make_aware(dt.datetime.combine(day, clock))


class HoursForm(forms.Form):
    """Which crew comes, when, and what the farm is told."""

    crew = forms.ModelChoiceField(label=gettext_lazy("Crew"), queryset=Crew.objects.none())
    date = forms.DateField(label=gettext_lazy("Date"))
    planned_start = forms.TimeField(label=gettext_lazy("From"))
    planned_end = forms.TimeField(label=gettext_lazy("To"))
    told_from = forms.TimeField(label=gettext_lazy("Told from"), required=False)
    told_to = forms.TimeField(label=gettext_lazy("Told to"), required=False)
    tell = forms.BooleanField(label=gettext_lazy("Tell the farm by e-mail"), required=False, initial=True)
    in_spite_of = forms.CharField(required=False, widget=forms.HiddenInput())
    """The cautions that were on the page, which sending it again passes over."""

    def __init__(self, *args: Any, crews: QuerySet[Crew], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        among(self, "crew", crews)

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        start, end = values.get("planned_start"), values.get("planned_end")
        if start and end and end <= start:
            self.add_error("planned_end", _("The end is not after the beginning."))
        told = (values.get("told_from"), values.get("told_to"))
        if (told[0] is None) != (told[1] is None):
            self.add_error("told_to", _("Give both hours the farm is told, or neither."))
        elif told[0] and told[1] and told[1] <= told[0]:
            self.add_error("told_to", _("The end is not after the beginning."))
        return values

    def hours(self) -> dict[str, Any]:
        """Crew, date and hours as the services take them."""
        values = self.cleaned_data
        day = values["date"]
        told = None
        if values["told_from"]:
            told = (at_clock(day, values["told_from"]), at_clock(day, values["told_to"]))
        return {
            "crew": values["crew"],
            "date": day,
            "planned_start": at_clock(day, values["planned_start"]),
            "planned_end": at_clock(day, values["planned_end"]),
            "told": told,
            "tell": values["tell"],
        }

    def passes_over(self, cautions: list[BookingCaution]) -> bool:
        """Whether each caution stood on the page already. Keeps them for the next time if not."""
        seen = set(self.cleaned_data["in_spite_of"].split(","))
        if seen.issuperset(cautions):
            return True
        sent = cast(QueryDict, self.data).copy()
        sent[self.add_prefix("in_spite_of")] = ",".join(cautions)
        self.data = sent
        return False


class RequestsField(forms.ModelMultipleChoiceField):  # type: ignore[type-arg]
    """Requests by the day they were asked and what they ask for."""

    def label_from_instance(self, obj: Any) -> str:
        business = obj.farm.client.business
        asked = show_day(to_local(obj.asked_at, business.time_zone).date(), business.language, year=False)
        head = ", ".join(f"{row.count} × {row.get_kind_display()}" for row in obj.head.all())
        return f"{asked}: {head}"


class BookingForm(HoursForm, HeadForm):
    """A visit booked by hand, and which requests it serves."""

    requests = RequestsField(
        label=gettext_lazy("Serves the requests"),
        queryset=VisitRequest.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple(),
    )
    note = forms.CharField(
        label=gettext_lazy("Note for the crew"), required=False, widget=forms.Textarea(attrs={"rows": 3})
    )

    def __init__(self, *args: Any, requests: QuerySet[VisitRequest], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        among(self, "requests", requests)
        if not requests.exists():
            del self.fields["requests"]

    def clean(self) -> dict[str, Any]:
        values = super().clean()
        if not any(values.get(name) for name in self.head_names):
            self.add_error(None, _("Say how many head are planned."))
        return values


class PlanForm(HeadForm):
    """Head planned, and the note for the crew."""

    note = forms.CharField(
        label=gettext_lazy("Note for the crew"), required=False, widget=forms.Textarea(attrs={"rows": 3})
    )


class DoneForm(HeadForm):
    """Head done."""


class TimesForm(forms.Form):
    """When things happened on a visit, and how far the crew drove to it."""

    arrived = forms.TimeField(label=gettext_lazy("Arrived"), required=False)
    first_head = forms.TimeField(label=gettext_lazy("First head in"), required=False)
    last_head = forms.TimeField(label=gettext_lazy("Last head out"), required=False)
    left = forms.TimeField(label=gettext_lazy("Left"), required=False)
    distance = forms.DecimalField(
        label=gettext_lazy("Distance driven"), required=False, min_value=0, max_value=2000, decimal_places=1
    )

    def __init__(self, data: QueryDict | None = None, *, visit: Visit) -> None:
        self.visit = visit
        self.business: Business = visit.farm.client.business
        initial: dict[str, Any] = {name: self._clock(name) for name in MOMENTS}
        if visit.distance_driven_m is not None:
            initial["distance"] = round_half_up(visit.distance_driven_m / self._unit, 1)
        super().__init__(data, initial=initial)
        self.fields["distance"].label = (
            _("Miles driven to the farm") if self.business.units == Units.US else _("Kilometres driven to the farm")
        )

    def times(self) -> VisitTimes:
        """The times as the service takes them; one left as it stood keeps its seconds and its day."""
        found: dict[str, dt.datetime | None] = {}
        for name in MOMENTS:
            clock = self.cleaned_data[name]
            stored = getattr(self.visit, f"{name}_at")
            if name not in self.changed_data:
                found[name] = stored
            else:
                found[name] = at_clock(self.visit.date, clock) if clock else None
        return VisitTimes(**found)

    def distance_m(self) -> int | None:
        """The distance in metres."""
        if "distance" not in self.changed_data:
            return self.visit.distance_driven_m
        typed = self.cleaned_data["distance"]
        return None if typed is None else int(round_half_up(typed * self._unit, 0))

    @property
    def _unit(self) -> Decimal:
        return METRES_IN_MILE if self.business.units == Units.US else METRES_IN_KM

    def _clock(self, name: str) -> dt.time | None:
        moment = getattr(self.visit, f"{name}_at")
        if moment is None:
            return None
        return to_local(moment, self.business.time_zone).time().replace(second=0, microsecond=0)


class VisitFilter(forms.Form):
    """Which visits to show."""

    date_from = forms.DateField(label=gettext_lazy("From"), required=False)
    date_to = forms.DateField(label=gettext_lazy("To"), required=False)
    crew = forms.ModelChoiceField(
        label=gettext_lazy("Crew"), required=False, queryset=Crew.objects.none(), empty_label=gettext_lazy("all crews")
    )
    farm = forms.ModelChoiceField(
        label=gettext_lazy("Farm"), required=False, queryset=Farm.objects.none(), empty_label=gettext_lazy("all farms")
    )
    state = forms.ChoiceField(
        label=gettext_lazy("State"), required=False, choices=[("", gettext_lazy("all")), *VisitState.choices]
    )

    def __init__(self, *args: Any, crews: QuerySet[Crew], farms: QuerySet[Farm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        among(self, "crew", crews)
        among(self, "farm", farms)

    def narrow(self, found: QuerySet[Visit]) -> QuerySet[Visit]:
        """The visits asked for; a filter that makes no sense is left out."""
        self.is_valid()
        values = self.cleaned_data
        lookups = {"date_from": "date__gte", "date_to": "date__lte", "crew": "crew", "farm": "farm", "state": "state"}
        return found.filter(**{lookup: values[name] for name, lookup in lookups.items() if values.get(name)})


class FarmChoice(forms.Form):
    """For which farm."""

    farm = forms.ModelChoiceField(label=gettext_lazy("Farm"), queryset=Farm.objects.none())

    def __init__(self, *args: Any, farms: QuerySet[Farm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        among(self, "farm", farms)


class DayChoice(forms.Form):
    """Which day, and which crew's."""

    date = forms.DateField(label=gettext_lazy("Date"), required=False)
    crew = forms.ModelChoiceField(
        label=gettext_lazy("Crew"), required=False, queryset=Crew.objects.none(), empty_label=gettext_lazy("all crews")
    )

    def __init__(self, *args: Any, crews: QuerySet[Crew], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        among(self, "crew", crews)
