"""Forms about e-invoices."""

from __future__ import annotations

from billing.models import BillingSettings, ClientBilling
from trimmer.forms import FactForm


class EInvoiceSettingsForm(FactForm[BillingSettings]):
    """Whether e-invoices are made, and what stands on them of the business."""

    class Meta:
        model = BillingSettings
        fields = ["e_invoices", "contact", "e_address", "e_scheme"]


class ClientBillingForm(FactForm[ClientBilling]):
    """What a client wants on its bills."""

    class Meta:
        model = ClientBilling
        fields = ["bills", "buyer_reference", "register_number", "e_address", "e_scheme"]
