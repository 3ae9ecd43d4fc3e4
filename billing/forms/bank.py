"""Forms about what the bank tells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from billing import bank_sheets
from billing.forms.payments import OpenInvoices
from billing.models import Invoice
from billing.queries.balances import unsettled
from trimmer.models import Client

FIELD_NAMES = {
    bank_sheets.BOOKED_ON: _("Day of booking"),
    bank_sheets.AMOUNT: _("Amount, with its sign"),
    bank_sheets.PAID_IN: _("Paid in"),
    bank_sheets.PAID_OUT: _("Paid out"),
    bank_sheets.PAYER: _("Payer"),
    bank_sheets.PAYER_ACCOUNT: _("Payer's account"),
    bank_sheets.REFERENCE: _("Reference"),
    bank_sheets.TEXT: _("Text"),
    bank_sheets.BANK_REFERENCE: _("Bank's own number"),
}


class BringBankFileForm(forms.Form):
    """A statement from the bank."""

    file = forms.FileField(
        label=_("File from the bank"),
        help_text=_("camt.053 (XML, versions 02 and 08), CSV or XLSX. The same file twice changes nothing."),
        widget=forms.FileInput(attrs={"accept": ".xml,.csv,.xlsx,.txt"}),
    )


class ColumnsForm(forms.Form):
    """Which column holds what."""

    def __init__(self, *args: Any, titles: Sequence[str], guessed: Mapping[str, str], **kwargs: Any) -> None:
        super().__init__(*args, **({"initial": dict(guessed)} | kwargs))
        choices = [("", "–"), *((title, title) for title in titles)]
        for name, label in FIELD_NAMES.items():
            self.fields[name] = forms.ChoiceField(label=label, choices=choices, required=False)


class SettleForm(forms.Form):
    """For which invoices of a client a line is."""

    named_invoices = OpenInvoices(
        Invoice.objects.none(),
        label=_("For which invoices"),
        required=False,
        help_text=_("Without any, and with what is left over, the oldest due come first; the rest is credit."),
    )

    def __init__(self, *args: Any, client: Client, today: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        waiting = unsettled(Invoice.objects.filter(client=client), today)
        self.fields["named_invoices"].queryset = waiting  # type: ignore[attr-defined]
        if not waiting.exists():
            del self.fields["named_invoices"]


class AsideForm(forms.Form):
    """Why a line is none of the invoices' business."""

    reason = forms.CharField(
        label=_("Why"), max_length=300, help_text=_("For instance: the bank's charges, a private transfer.")
    )
