"""Forms about money that came in."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from django import forms
from django.utils.translation import gettext as _now
from django.utils.translation import gettext_lazy as _

from billing.models import Invoice, PaymentMethod
from billing.queries.balances import unsettled
from trimmer.models import Business, Client
from trimmer.showing import show_day, show_money

if TYPE_CHECKING:
    from django.forms import ModelMultipleChoiceField
else:

    class ModelMultipleChoiceField[M](forms.ModelMultipleChoiceField):
        """Django's own, which may name its model for the type checker."""


class ChooseClientForm(forms.Form):
    """Whose money it is."""

    client = forms.ModelChoiceField(Client.objects.none(), label=_("Client"), empty_label=_("choose"))

    def __init__(self, *args: Any, business: Business, required: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        client = self.fields["client"]
        client.queryset = Client.objects.of(business)  # type: ignore[attr-defined]
        client.widget.attrs["data-send"] = ""
        client.required = required
        if not required:
            client.empty_label = _now("all")  # type: ignore[attr-defined]


class OpenInvoices(ModelMultipleChoiceField[Invoice]):
    """Open invoices to tick, each with what is open of it."""

    widget = forms.CheckboxSelectMultiple

    def label_from_instance(self, invoice: Any) -> str:
        language = str(invoice.seller.get("language", "en"))
        return _now("%(number)s: %(open)s, due %(day)s") % {
            "number": invoice.number,
            "open": show_money(invoice.open_amount, invoice.currency, language),
            "day": show_day(invoice.due_on, language, weekday=False),
        }


class PaymentForm(forms.Form):
    """A payment of one client."""

    amount = forms.DecimalField(
        label=_("Amount"), widget=forms.NumberInput(attrs={"step": "any", "inputmode": "decimal"})
    )
    received_on = forms.DateField(label=_("Received"))
    method = forms.ChoiceField(label=_("How"), choices=PaymentMethod.choices)
    reference = forms.CharField(label=_("Reference"), required=False, max_length=140)
    note = forms.CharField(label=_("Note"), required=False, max_length=300)
    named_invoices = OpenInvoices(
        Invoice.objects.none(),
        label=_("For which invoices"),
        required=False,
        help_text=_("Those the payer named. Without any, and with what is left over, the oldest due come first."),
    )

    def __init__(self, *args: Any, client: Client, today: date, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        waiting = unsettled(Invoice.objects.filter(client=client), today)
        self.fields["named_invoices"].queryset = waiting  # type: ignore[attr-defined]
        if not waiting.exists():
            del self.fields["named_invoices"]


class WithdrawForm(forms.Form):
    """Why a payment is withdrawn."""

    reason = forms.CharField(label=_("Why"), max_length=300)
