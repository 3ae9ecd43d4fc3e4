"""The form at the chute: one animal, what was found on it and what was done."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any
from uuid import uuid4

from django import forms
from django.forms.formsets import DELETION_FIELD_NAME
from django.http import QueryDict
from django.utils.translation import gettext_lazy as _

from trimmer.errors import Refusal
from trimmer.forms import say_refusal
from trimmer.forms.requests import score_choices
from trimmer.lesions import FEET, GROUPS, LESIONS
from trimmer.models import BlockKind, ChuteRecord, Claw, Foot, HeadKind, TreatmentKind
from trimmer.queries.chute import usual_feet
from trimmer.services.records import FindingValues, TreatmentValues, findings_of, treatments_of
from trimmer.wording import LESION_GROUPS, M_STAGES, ZONES, lesion_name

MOST_ROWS = 20
ROWS_TO_BEGIN_WITH = 3

TILES = {"class": "tiles"}
PAIR = {"class": "tiles pair"}


def lesion_choices() -> list[Any]:
    """Lesions by their plain name, those of a group together, in the order of the atlas."""
    loose: list[Any] = []
    grouped: dict[str, list[Any]] = {code: [] for code in GROUPS}
    for code, lesion in LESIONS.items():
        grouped.get(lesion.group, loose).append((code, f"{lesion_name(code)} ({code})"))
    return [("", _("choose")), *loose, *((LESION_GROUPS[code], rows) for code, rows in grouped.items())]


def zone_choices() -> list[Any]:
    return [("", _("not told")), *((zone, f"{zone} – {name}") for zone, name in ZONES.items())]


def m_stage_choices() -> list[Any]:
    return [("", _("not told")), *((stage, f"{stage} – {name}") for stage, name in M_STAGES.items())]


def claw_choices() -> list[Any]:
    return [("", _("neither")), (Claw.OUTER.value, _("outer")), (Claw.INNER.value, _("inner"))]


class RecordForm(forms.Form):
    """One animal in the chute. The id is made with the empty form, so that sending it twice stores one record."""

    id = forms.UUIDField(widget=forms.HiddenInput(), initial=uuid4)
    number = forms.CharField(
        label=_("Animal number"),
        max_length=20,
        widget=forms.TextInput(attrs={"autocomplete": "off", "list": "animal-numbers", "class": "number-read"}),
    )
    kind = forms.ChoiceField(
        label=_("Brought for"),
        choices=HeadKind.choices,
        initial=HeadKind.COW,
        widget=forms.RadioSelect(attrs=TILES),
    )
    feet_trimmed = forms.MultipleChoiceField(
        label=_("Feet trimmed"),
        choices=Foot.choices,
        required=False,
        widget=forms.CheckboxSelectMultiple(attrs=PAIR),
    )
    scored = forms.ChoiceField(label=_("How she walks"), required=False, choices=score_choices)
    minutes = forms.DecimalField(
        label=_("Minutes in the chute"),
        required=False,
        max_digits=5,
        decimal_places=1,
        widget=forms.NumberInput(attrs={"inputmode": "decimal"}),
    )
    note = forms.CharField(label=_("Note"), required=False, max_length=300)


class FindingForm(forms.Form):
    """A lesion found. A row in which nothing is chosen counts for nothing."""

    foot = forms.ChoiceField(label=_("Foot"), choices=Foot.choices, widget=forms.RadioSelect(attrs=PAIR))
    claw = forms.ChoiceField(
        label=_("Claw"), choices=claw_choices, required=False, widget=forms.RadioSelect(attrs=PAIR)
    )
    lesion = forms.ChoiceField(label=_("What was found"), choices=lesion_choices)
    m_stage = forms.ChoiceField(label=_("Stage"), choices=m_stage_choices, required=False)
    zone = forms.TypedChoiceField(label=_("Zone"), choices=zone_choices, required=False, coerce=int, empty_value=None)
    note = forms.CharField(label=_("Note"), required=False, max_length=200)

    def values(self) -> FindingValues:
        """The finding as the services take it; a stage chosen before another lesion is left off."""
        values = self.cleaned_data
        stage = values["m_stage"] if LESIONS[values["lesion"]].has_m_stage else ""
        return FindingValues(values["foot"], values["lesion"], values["claw"], values["zone"], stage, values["note"])


class TreatmentForm(forms.Form):
    """Something done beyond trimming. A row in which nothing is chosen counts for nothing."""

    kind = forms.ChoiceField(label=_("What was done"), choices=[("", _("choose")), *TreatmentKind.choices])
    foot = forms.ChoiceField(
        label=_("Foot"),
        choices=[("", _("not one foot")), *Foot.choices],
        required=False,
        widget=forms.RadioSelect(attrs=PAIR),
    )
    claw = forms.ChoiceField(
        label=_("Claw"), choices=claw_choices, required=False, widget=forms.RadioSelect(attrs=PAIR)
    )
    block_kind = forms.ChoiceField(label=_("Block"), choices=[("", _("not told")), *BlockKind.choices], required=False)
    product = forms.CharField(
        label=_("Product"),
        required=False,
        max_length=120,
        widget=forms.TextInput(attrs={"list": "products", "autocomplete": "off"}),
    )
    batch = forms.CharField(label=_("Batch"), required=False, max_length=60)
    milk_withhold_until = forms.DateTimeField(
        label=_("Milk withheld until"),
        required=False,
        help_text=_("As the label or the veterinarian says."),
    )
    meat_withhold_until = forms.DateTimeField(
        label=_("Meat withheld until"),
        required=False,
        help_text=_("As the label or the veterinarian says."),
    )
    note = forms.CharField(label=_("Note"), required=False, max_length=200)

    def values(self) -> TreatmentValues:
        """The treatment as the services take it; the kind of a block chosen before another treatment is left off."""
        values = {name: value for name, value in self.cleaned_data.items() if name in TreatmentForm.base_fields}
        if values["kind"] != TreatmentKind.BLOCK:
            values["block_kind"] = ""
        return TreatmentValues(**values)


class ChuteRows(forms.BaseFormSet[forms.Form]):
    """Rows of the form at the chute; one that is stored already can be taken out."""

    def add_fields(self, form: forms.Form, index: int | None) -> None:
        super().add_fields(form, index)
        if DELETION_FIELD_NAME in form.fields:
            form.fields[DELETION_FIELD_NAME].label = _("Take this out")


def _rows_of(form: type[forms.Form]) -> type[forms.BaseFormSet[forms.Form]]:
    return forms.formset_factory(
        form,
        formset=ChuteRows,
        extra=ROWS_TO_BEGIN_WITH,
        max_num=MOST_ROWS,
        validate_max=True,
        can_delete=True,
        can_delete_extra=False,
    )


FindingRows = _rows_of(FindingForm)
TreatmentRows = _rows_of(TreatmentForm)


class ChuteForms:
    """The animal, its findings and its treatments: three forms that are sent, checked and refused as one."""

    def __init__(
        self,
        sent: QueryDict | None,
        *,
        initial: dict[str, Any],
        findings: Iterable[FindingValues] = (),
        treatments: Iterable[TreatmentValues] = (),
    ) -> None:
        self.animal = RecordForm(sent, initial=initial)
        self.findings = FindingRows(sent, prefix="findings", initial=[_as_dict(row, FindingForm) for row in findings])
        self.treatments = TreatmentRows(
            sent, prefix="treatments", initial=[_as_dict(row, TreatmentForm) for row in treatments]
        )

    @classmethod
    def empty(cls, sent: QueryDict | None, *, number: str, kind: str) -> ChuteForms:
        """For an animal that walks in, with what is usual for what it was brought for."""
        return cls(sent, initial={"number": number, "kind": kind, "feet_trimmed": list(usual_feet(kind))})

    @classmethod
    def of(cls, sent: QueryDict | None, record: ChuteRecord) -> ChuteForms:
        """For a record that is there."""
        initial = {
            "id": record.pk,
            "number": record.animal.number,
            "kind": record.kind,
            "feet_trimmed": record.feet_trimmed,
            "scored": "" if record.score is None else f"{record.scale}:{record.score}",
            "minutes": record.minutes,
            "note": record.note,
        }
        return cls(sent, initial=initial, findings=findings_of(record), treatments=treatments_of(record))

    def is_valid(self) -> bool:
        # All three are asked, so that every fault is shown at once.
        return all([self.animal.is_valid(), self.findings.is_valid(), self.treatments.is_valid()])

    def values(self) -> dict[str, Any]:
        """What the services take, besides the visit and the id."""
        animal = self.animal.cleaned_data
        scale, _colon, score = animal["scored"].partition(":")
        return {
            "animal": animal["number"],
            "kind": animal["kind"],
            "findings": [form.values() for form in _used(self.findings)],
            "treatments": [form.values() for form in _used(self.treatments)],
            "score": int(score) if score else None,
            "scale": scale,
            "feet_trimmed": [foot for foot in FEET if foot in animal["feet_trimmed"]],
            "minutes": animal["minutes"],
            "note": animal["note"],
        }

    def say_refusal(self, refusal: Refusal) -> None:
        """Show a refusal beside the values it names, also in the rows; above the form when it names none."""
        rows = {"findings": _used(self.findings), "treatments": _used(self.treatments)}
        rest: dict[str, str] = {}
        for name, said in refusal.fields.items():
            table, _dot, place = name.partition(".")
            number, _dot, field = place.partition(".")
            if table in rows:
                rows[table][int(number)].add_error(field, said)
            else:
                rest["scored" if name in {"score", "scale"} else name] = said
        if rest or not refusal.fields:
            refusal.fields = rest
            say_refusal(self.animal, refusal)


def _used(rows: forms.BaseFormSet[forms.Form]) -> list[Any]:
    """Rows in which something stands and that are not to be taken out."""
    used = [form for form in rows.forms if form.initial or form.has_changed()]
    return [form for form in used if not form.cleaned_data.get(DELETION_FIELD_NAME)]


def _as_dict(row: FindingValues | TreatmentValues, form: type[forms.Form]) -> dict[str, Any]:
    return {name: getattr(row, name) for name in form.base_fields}
