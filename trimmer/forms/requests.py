"""Forms about requests."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, ClassVar, cast

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from trimmer.locomotion import SCALES
from trimmer.models import Farm, HeadKind, RequestState, Scale, Urgency, VisitRequest, Weekday
from trimmer.services.requests import LameValues
from trimmer.wording import SCORE_MEANINGS, SCORES

MOST_HEAD = 9999
MOST_LAME_ROWS = 200

HEAD_LABELS: dict[str, Any] = {
    HeadKind.COW: _("Cows, routine trim"),
    HeadKind.HEIFER: _("Heifers"),
    HeadKind.BULL: _("Bulls"),
    HeadKind.LAME: _("Lame cows"),
    HeadKind.RECHECK: _("Rechecks"),
}


def among(form: forms.BaseForm, name: str, rows: QuerySet[Any]) -> bool:
    """Let a field of a form choose among these rows only. Whether there is but one: it is chosen then."""
    field = cast("forms.ModelChoiceField[Any]", form.fields[name])
    field.queryset = rows
    known = list(rows[:2])
    if len(known) != 1:
        return False
    if field.required and not form.initial.get(name):
        form.initial[name] = known[0].pk
    return True


class HeadForm(forms.Form):
    """How many head of each kind: one number a kind, empty for none."""

    head_names: ClassVar[tuple[str, ...]] = tuple(f"head_{kind}" for kind in HeadKind.values)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for kind, label in HEAD_LABELS.items():
            self.fields[f"head_{kind}"] = forms.IntegerField(
                label=label,
                required=False,
                min_value=0,
                max_value=MOST_HEAD,
                widget=forms.NumberInput(attrs={"inputmode": "numeric"}),
            )

    @property
    def head_fields(self) -> list[forms.BoundField]:
        return [self[name] for name in self.head_names]

    def head(self) -> dict[str, int]:
        """Head by kind, as typed."""
        return {kind: self.cleaned_data.get(f"head_{kind}") or 0 for kind in HeadKind.values}


def head_initial(head: Iterable[tuple[str, int]]) -> dict[str, int]:
    """Initial values of a HeadForm."""
    return {f"head_{kind}": count for kind, count in head if count}


class RequestForm(HeadForm):
    """What a farm wishes."""

    farm = forms.ModelChoiceField(label=_("Farm"), queryset=Farm.objects.none())
    urgency = forms.ChoiceField(
        label=_("How soon"),
        choices=Urgency.choices,
        initial=Urgency.ROUTINE,
        widget=forms.RadioSelect(attrs={"class": "tiles"}),
    )
    earliest_on = forms.DateField(label=_("Not before"), required=False)
    due_on = forms.DateField(label=_("No later than"), required=False)
    weekdays = forms.TypedMultipleChoiceField(
        label=_("Days that suit"),
        choices=Weekday.choices,
        coerce=int,
        required=False,
        widget=forms.CheckboxSelectMultiple(attrs={"class": "tiles"}),
        help_text=_("None ticked: the days that suit the farm as a rule."),
    )
    note = forms.CharField(label=_("Note"), required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, *args: Any, farms: QuerySet[Farm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if among(self, "farm", farms):
            self.fields["farm"].widget = forms.HiddenInput()

    def values(self) -> dict[str, Any]:
        """What the services take, besides the farm."""
        wish = ("urgency", "earliest_on", "due_on", "weekdays", "note")
        return {"head": self.head()} | {name: self.cleaned_data[name] for name in wish}


def score_choices() -> list[Any]:
    """Scores by scale, each score with its scale in one choice ("sprecher_1_5:3")."""
    groups: list[Any] = [("", _("not scored"))]
    for key, scale in SCALES.items():
        scores = [(f"{key}:{score}", f"{score} – {SCORES[key][score]}") for score in scale.values]
        groups.append((Scale(key).label, scores))
    return groups


def score_meanings() -> list[dict[str, Any]]:
    """The published scales, each score with its name and what it means."""
    return [
        {
            "label": Scale(key).label,
            "scores": [
                {"value": score, "name": SCORES[key][score], "meaning": SCORE_MEANINGS[key][score]}
                for score in scale.values
            ],
        }
        for key, scale in SCALES.items()
    ]


class LameForm(forms.Form):
    """A lame animal: its number, and how it walks on a published scale."""

    number = forms.CharField(label=_("Number"), max_length=20, widget=forms.TextInput(attrs={"autocomplete": "off"}))
    scored = forms.ChoiceField(label=_("How she walks"), required=False, choices=score_choices)
    note = forms.CharField(label=_("Note"), required=False, max_length=200)

    def values(self) -> LameValues | None:
        """The animal as the services take it; None for an empty row."""
        number = self.cleaned_data.get("number", "")
        if not number:
            return None
        scale, _colon, score = self.cleaned_data.get("scored", "").partition(":")
        return LameValues(number, int(score) if score else None, scale, self.cleaned_data.get("note", ""))


LameFormSet = forms.formset_factory(LameForm, extra=2, max_num=MOST_LAME_ROWS, validate_max=True)


class ReasonForm(forms.Form):
    """Why."""

    reason = forms.CharField(label=_("Why"), max_length=300, widget=forms.TextInput())

    def __init__(self, *args: Any, needed: bool = True, help_text: str = "", **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].required = needed
        self.fields["reason"].help_text = help_text


class RequestFilter(forms.Form):
    """Which requests to show."""

    state = forms.ChoiceField(
        label=_("State"), required=False, choices=[("", _("all")), *RequestState.choices], initial=""
    )
    farm = forms.ModelChoiceField(
        label=_("Farm"), required=False, queryset=Farm.objects.none(), empty_label=_("all farms")
    )

    def __init__(self, *args: Any, farms: QuerySet[Farm], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        among(self, "farm", farms)

    def narrow(self, found: QuerySet[VisitRequest]) -> QuerySet[VisitRequest]:
        """The requests asked for; a filter that makes no sense is left out."""
        self.is_valid()
        chosen = {name: value for name, value in self.cleaned_data.items() if value}
        return found.filter(**chosen)
