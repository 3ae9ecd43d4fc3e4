"""Forms about invoices: what to bill, what stands on a draft, when to issue, what to credit, whom to send it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import TYPE_CHECKING, Any, cast

from django import forms
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.forms.boundfield import BoundField
from django.http import QueryDict
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from billing.forms.prices import trimmed
from billing.models import Invoice, InvoiceDiscount, InvoiceLine, TaxCategory
from billing.queries.balances import Standing
from billing.services.credits import LineCredit, LineLeft
from billing.services.documents import tax_label
from billing.services.drafts import UNITS, DiscountValues, LineValues
from trimmer.errors import Refusal
from trimmer.models import Business, Client

if TYPE_CHECKING:
    from django.forms.formsets import BaseFormSet
else:

    class BaseFormSet[F](forms.BaseFormSet):
        """Django's own, which may name its form for the type checker."""


DECIMAL = {"step": "any", "inputmode": "decimal"}


class InvoiceFilter(forms.Form):
    """Which invoices to list."""

    standing = forms.ChoiceField(label=_("State"), required=False)
    client = forms.ModelChoiceField(Client.objects.none(), label=_("Client"), required=False, empty_label=_("all"))
    first = forms.DateField(label=_("From"), required=False)
    last = forms.DateField(label=_("To"), required=False)

    def __init__(self, *args: Any, business: Business, for_member: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        states = [(value, label) for value, label in Standing.choices if for_member or value != Standing.DRAFT]
        self.fields["standing"].choices = [("", _("all")), *states]  # type: ignore[attr-defined]
        if for_member:
            self.fields["client"].queryset = Client.objects.of(business)  # type: ignore[attr-defined]
        else:
            del self.fields["client"]


class VisitFilter(forms.Form):
    """Which visits to bill."""

    client = forms.ModelChoiceField(Client.objects.none(), label=_("Client"), required=False, empty_label=_("all"))
    until = forms.DateField(label=_("Until"), required=False)

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["client"].queryset = Client.objects.of(business)  # type: ignore[attr-defined]


class NoteForm(forms.Form):
    """What is said on the invoice, above its lines."""

    note = forms.CharField(
        label=_("Note on the invoice"), required=False, max_length=500, widget=forms.Textarea(attrs={"rows": 2})
    )


class LineForm(forms.Form):
    """A line of a draft; a new one has no key."""

    line = forms.IntegerField(required=False, widget=forms.HiddenInput)
    name = forms.CharField(label=_("What for"), max_length=200, widget=forms.TextInput(attrs={"size": 36}))
    quantity = forms.DecimalField(label=_("Quantity"), widget=forms.NumberInput(attrs=DECIMAL))
    unit = forms.ChoiceField(label=_("Unit"), choices=list(UNITS.items()), required=False, initial="C62")
    price = forms.DecimalField(label=_("Price"), widget=forms.NumberInput(attrs=DECIMAL))
    tax_category = forms.ModelChoiceField(TaxCategory.objects.none(), label=_("Tax"), required=False)
    percent = forms.DecimalField(label=_("Discount (%)"), required=False, widget=forms.NumberInput(attrs=DECIMAL))
    amount = forms.DecimalField(label=_("or amount off"), required=False, widget=forms.NumberInput(attrs=DECIMAL))
    reason = forms.CharField(label=_("Why"), max_length=100, required=False)

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        tax = self.fields["tax_category"]
        tax.queryset = TaxCategory.objects.of(business)  # type: ignore[attr-defined]
        if self.initial.get("line"):
            self.fields["unit"].disabled = True
            rate, name = self.initial["tax_rate"], self.initial["tax_name"]
            label = tax_label(name, rate, business.language)
            tax.empty_label = _now("%(tax)s, kept") % {"tax": label}  # type: ignore[attr-defined]
        else:
            tax.empty_label = ""  # type: ignore[attr-defined]

    def values(self) -> LineValues:
        """The line as the service takes it."""
        found = self.cleaned_data
        return LineValues(
            name=found["name"],
            quantity=found["quantity"],
            price=found["price"],
            line=found["line"],
            unit=found["unit"],
            tax_category=found["tax_category"],
            percent=found["percent"],
            amount=found["amount"],
            reason=found["reason"],
        )


class DiscountForm(forms.Form):
    """A discount under the lines of a draft; a new one has no key."""

    discount = forms.IntegerField(required=False, widget=forms.HiddenInput)
    reason = forms.CharField(label=_("Why"), max_length=100)
    percent = forms.DecimalField(label=_("Percent"), required=False, widget=forms.NumberInput(attrs=DECIMAL))
    amount = forms.DecimalField(
        label=_("or amount before tax"), required=False, widget=forms.NumberInput(attrs=DECIMAL)
    )


class BaseDiscountFormSet(BaseFormSet[DiscountForm]):
    """The discounts of a draft, with room for more."""

    def add_fields(self, form: DiscountForm, index: int | None) -> None:
        super().add_fields(form, index)
        form.fields["DELETE"].label = _("Take off")

    def kept(self) -> list[DiscountForm]:
        """The rows that stay or come, in their order."""
        gone = set(self.deleted_forms)
        rows = [form for form in self.forms if form not in gone]
        return [form for form in rows if form.has_changed() or form.initial.get("discount")]

    def values(self) -> list[DiscountValues]:
        names = ("reason", "percent", "amount", "discount")
        return [DiscountValues(**{name: form.cleaned_data[name] for name in names}) for form in self.kept()]

    def say_refusal(self, refusal: Refusal) -> bool:
        """Show the parts of a refusal beside the fields they name. Says whether there were any."""
        kept, said = self.kept(), False
        for name, sentence in refusal.fields.items():
            noun, place, field = [*name.split("."), "", ""][:3]
            if noun == "discounts" and place.isdigit() and int(place) < len(kept):
                kept[int(place)].add_error(field if field in kept[int(place)].fields else None, sentence)
                said = True
        return said


_DiscountFormSet = forms.formset_factory(DiscountForm, formset=BaseDiscountFormSet, extra=1, can_delete=True)


def discount_formset(sent: QueryDict | None, *, discounts: Iterable[InvoiceDiscount]) -> BaseDiscountFormSet:
    """The discounts of a draft to be changed, with what was sent if it was."""
    initial = [
        {"discount": one.pk, "reason": one.reason, "percent": _short(one.percent), "amount": _short(one.amount)}
        for one in discounts
    ]
    return cast(BaseDiscountFormSet, _DiscountFormSet(sent, initial=initial, prefix="discounts"))


def _short(figure: Decimal | None) -> Decimal | None:
    return None if figure is None else trimmed(figure)


class BaseLineFormSet(BaseFormSet[LineForm]):
    """The lines of a draft, with room for more."""

    def add_fields(self, form: LineForm, index: int | None) -> None:
        super().add_fields(form, index)
        form.fields["DELETE"].label = _("Take off")

    def kept(self) -> list[LineForm]:
        """The rows that stay or come, in their order."""
        gone = set(self.deleted_forms)
        return [form for form in self.forms if form not in gone and (form.has_changed() or form.initial.get("line"))]

    def values(self) -> list[LineValues]:
        return [form.values() for form in self.kept()]

    def say_refusal(self, refusal: Refusal) -> bool:
        """Show the parts of a refusal beside the fields they name. Says whether there were any."""
        kept = self.kept()
        said = False
        for name, sentence in refusal.fields.items():
            noun, place, field = [*name.split("."), "", ""][:3]
            if noun == "lines" and place.isdigit() and int(place) < len(kept):
                form = kept[int(place)]
                form.add_error(field if field in form.fields else None, sentence)
                said = True
        return said


_LineFormSet = forms.formset_factory(LineForm, formset=BaseLineFormSet, extra=1, can_delete=True)


def line_formset(sent: QueryDict | None, *, lines: Iterable[InvoiceLine], business: Business) -> BaseLineFormSet:
    """The lines of a draft to be changed, with what was sent if it was."""
    initial = [_initial(line) for line in lines]
    formset = _LineFormSet(sent, initial=initial, form_kwargs={"business": business}, prefix="lines")
    return cast(BaseLineFormSet, formset)


def _initial(line: InvoiceLine) -> dict[str, Any]:
    """A line of a draft as its form starts."""
    return {
        "line": line.pk,
        "name": line.name,
        "quantity": f"{line.quantity.normalize():f}",
        "unit": line.unit,
        "price": trimmed(line.price),
        "tax_rate": line.tax_rate,
        "tax_name": line.tax_name,
        "percent": _short(line.allowance_percent),
        "amount": trimmed(line.allowance) if line.allowance and line.allowance_percent is None else None,
        "reason": line.allowance_reason,
    }


class IssueForm(forms.Form):
    """When it is issued and due."""

    on = forms.DateField(label=_("Date of the invoice"))
    due_on = forms.DateField(label=_("To be paid by"), required=False)

    def __init__(self, *args: Any, invoice: Invoice, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        days = invoice.business.payment_days if invoice.client.payment_days is None else invoice.client.payment_days
        self.fields["due_on"].help_text = _now("Empty: %(days)d days after the date.") % {"days": days}
        if invoice.kind == "381":
            self.fields["on"].label = _now("Date of the credit note")
            del self.fields["due_on"]


class IssueManyForm(forms.Form):
    """Which drafts to issue, when, and whether to send them."""

    on = forms.DateField(label=_("Date on the invoices"))
    send = forms.BooleanField(
        label=_("Send each by e-mail to its client"),
        required=False,
        help_text=_("Those without an e-mail address are listed afterwards."),
    )
    invoices = forms.ModelMultipleChoiceField(Invoice.objects.none(), label=_("Drafts"))

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["invoices"].queryset = Invoice.objects.of(business).drafts()  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class CreditRow:
    """A line of the invoice with the fields to credit a part of it."""

    left: LineLeft
    quantity: BoundField
    amount: BoundField


class CreditForm(forms.Form):
    """What to credit of an issued invoice, and why."""

    WHOLE, PARTS = "whole", "parts"

    how = forms.ChoiceField(
        label=_("How much"),
        choices=[(WHOLE, _("All that is left of it")), (PARTS, _("Only parts of it"))],
        widget=forms.RadioSelect(attrs={"class": "tiles"}),
        initial=WHOLE,
    )
    reason = forms.CharField(label=_("Why"), max_length=300, help_text=_("It stands on the credit note."))

    def __init__(self, *args: Any, left: Sequence[LineLeft], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.left = [one for one in left if not one.gone]
        for one in self.left:
            for noun, label in (("quantity", _("Quantity")), ("amount", _("Amount before tax"))):
                self.fields[f"{noun}_{one.line.pk}"] = forms.DecimalField(
                    label=label, required=False, widget=forms.NumberInput(attrs=DECIMAL)
                )

    def rows(self) -> Iterator[CreditRow]:
        """The lines of which something is left."""
        for one in self.left:
            yield CreditRow(one, self[f"quantity_{one.line.pk}"], self[f"amount_{one.line.pk}"])

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        for one in self.left:
            if values.get(f"quantity_{one.line.pk}") is not None and values.get(f"amount_{one.line.pk}") is not None:
                self.add_error(f"amount_{one.line.pk}", _("Give a quantity or an amount, not both."))
        if values.get("how") == self.PARTS and not self.errors and not self._typed(values):
            raise ValidationError(_("Say how much of which line is to be credited."))
        return values

    def parts(self) -> list[LineCredit] | None:
        """What was typed, or None for all that is left."""
        return None if self.cleaned_data["how"] == self.WHOLE else self._typed(self.cleaned_data)

    def say_refusal(self, refusal: Refusal) -> None:
        """Show a refusal beside the lines it names, else above."""
        parts = self.parts() or []
        said = False
        for name, sentence in refusal.fields.items():
            noun, place, field = [*name.split("."), "", ""][:3]
            if noun == "parts" and place.isdigit() and int(place) < len(parts):
                self.add_error(f"{field}_{parts[int(place)].line.pk}", sentence)
                said = True
        if not said:
            self.add_error("reason" if "reason" in refusal.fields else None, str(refusal))

    def _typed(self, values: dict[str, Any]) -> list[LineCredit]:
        found = []
        for one in self.left:
            quantity, amount = values.get(f"quantity_{one.line.pk}"), values.get(f"amount_{one.line.pk}")
            if quantity is not None or amount is not None:
                found.append(LineCredit(one.line, quantity, amount))
        return found


class SendForm(forms.Form):
    """Whom to send it to."""

    recipients = forms.CharField(
        label=_("E-mail"), help_text=_("Several addresses: one a line."), widget=forms.Textarea(attrs={"rows": 2})
    )

    def clean_recipients(self) -> list[str]:
        addresses = str(self.cleaned_data["recipients"]).replace(",", "\n").replace(";", "\n").split()
        for address in addresses:
            validate_email(address)
        return addresses


class PeriodForm(forms.Form):
    """From one day to another, both included."""

    first = forms.DateField(label=_("From"))
    last = forms.DateField(label=_("To"))

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        first, last = values.get("first"), values.get("last")
        if isinstance(first, date) and isinstance(last, date) and last < first:
            self.add_error("last", _("The last day lies before the first."))
        return values
