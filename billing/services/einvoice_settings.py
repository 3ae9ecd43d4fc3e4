"""Whether a business makes e-invoices, and what stands on them of itself and of each client."""

from __future__ import annotations

from http import HTTPStatus

from django.db import transaction
from django.utils.translation import gettext_lazy

from billing.documents.einvoice_check import EMAIL, is_address, is_e_mail
from billing.models import BillingSettings, BillsOfClient, ClientBilling
from trimmer.errors import Refusal
from trimmer.models import Business, Client


class AddressKindMissing(Refusal):
    code = "address_kind_missing"
    message = gettext_lazy(
        "Say what kind of address it is: four digits of the list EAS such as 0088, or EM for an e-mail address."
    )
    status = HTTPStatus.BAD_REQUEST


class BillsUnknown(Refusal):
    code = "bills_of_client_unknown"
    message = gettext_lazy("Choose how many visits stand on one invoice of this client.")
    status = HTTPStatus.BAD_REQUEST


@transaction.atomic
def keep_e_invoice_settings(
    *, business: Business, e_invoices: bool, e_address: str = "", e_scheme: str = "", contact: str = ""
) -> BillingSettings:
    """Say whether e-invoices are made, and what stands on them of the business. Raises AddressKindMissing."""
    address, scheme = _address(e_address, e_scheme)
    row, _made = BillingSettings.objects.update_or_create(
        business=business,
        defaults={
            "e_invoices": e_invoices,
            "e_address": address,
            "e_scheme": scheme,
            "contact": contact.strip()[:100],
        },
    )
    return row


@transaction.atomic
def keep_client_billing(
    *,
    client: Client,
    bills: str = BillsOfClient.TOGETHER,
    buyer_reference: str = "",
    e_address: str = "",
    e_scheme: str = "",
    register_number: str = "",
) -> ClientBilling:
    """Say what a client wants on its bills, and how many visits stand on one. What is issued keeps its copy.

    Raises BillsUnknown, AddressKindMissing.
    """
    if bills not in BillsOfClient.values:
        raise BillsUnknown.at("bills")
    address, scheme = _address(e_address, e_scheme)
    row, _made = ClientBilling.objects.update_or_create(
        client=client,
        defaults={
            "bills": bills,
            "buyer_reference": buyer_reference.strip()[:100],
            "e_address": address,
            "e_scheme": scheme,
            "register_number": register_number.strip()[:40],
        },
    )
    return row


def _address(address: str, scheme: str) -> tuple[str, str]:
    """An address with its kind: of an e-mail address, the kind is known."""
    given, kind = address.strip()[:120], scheme.strip().upper()
    if not given:
        return "", ""
    if not kind and is_e_mail(given):
        kind = EMAIL
    if not is_address(given, kind):
        raise AddressKindMissing.at("e_scheme")
    return given, kind
