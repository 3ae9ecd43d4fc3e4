"""E-invoices: whether they are made, what stands on them, and the files themselves."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.forms.models import model_to_dict
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from billing.forms.einvoices import ClientBillingForm, EInvoiceSettingsForm
from billing.models import InvoiceState, Syntax
from billing.queries.balances import invoices_seen_by
from billing.queries.prices import billing_of, settings_of
from billing.services.einvoice_settings import keep_client_billing, keep_e_invoice_settings
from billing.services.einvoices import mends_of_business, xml_of
from billing.services.sending import NotIssuedYet, file_name
from trimmer.access import FARM, OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.models import Client


@may(OWNER, OFFICE)
def e_invoice_settings(request: SeatedRequest) -> HttpResponse:
    """Whether e-invoices are made, and what is still missing for them."""
    business = request.seat.business
    form = EInvoiceSettingsForm(posted(request), initial=model_to_dict(settings_of(business)))
    if request.method == "POST" and form.is_valid():
        try:
            keep_e_invoice_settings(business=business, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The settings are stored."))
            return redirect("e-invoice-settings")
    mends = mends_of_business(business, today=timezone.localdate())
    return render(request, "billing/e_invoice_settings.html", {"form": form, "mends": mends})


@may(OWNER, OFFICE)
def client_billing(request: SeatedRequest, pk: int) -> HttpResponse:
    """What a client wants on its bills."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    form = ClientBillingForm(posted(request), initial=model_to_dict(billing_of(client)))
    if request.method == "POST" and form.is_valid():
        try:
            keep_client_billing(client=client, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("What %(client)s wants on its bills is stored.") % {"client": client})
            return redirect("client-statement", pk=client.pk)
    return render(request, "billing/client_billing.html", {"form": form, "client": client})


@may(OWNER, OFFICE, FARM)
def invoice_cii(request: SeatedRequest, pk: int) -> HttpResponse:
    """An issued document as CII."""
    return _xml(request, pk, Syntax.CII)


@may(OWNER, OFFICE, FARM)
def invoice_ubl(request: SeatedRequest, pk: int) -> HttpResponse:
    """An issued document as UBL."""
    return _xml(request, pk, Syntax.UBL)


def _xml(request: SeatedRequest, pk: int, syntax: Syntax) -> HttpResponse:
    if not request.seat.is_member and not request.seat.may_see_invoices:
        raise PermissionDenied
    rows = invoices_seen_by(request.seat).select_related("business", "client", "credits")
    invoice = get_object_or_404(rows, pk=pk)
    if invoice.state != InvoiceState.ISSUED:
        raise NotIssuedYet
    response = HttpResponse(xml_of(invoice=invoice, syntax=syntax), content_type="application/xml")
    response["Content-Disposition"] = f'attachment; filename="{file_name(invoice, syntax)}"'
    response["Cache-Control"] = "private, no-store"
    return response


urlpatterns = [
    path("e-invoices", e_invoice_settings, name="e-invoice-settings"),
    path("clients/<int:pk>/billing", client_billing, name="client-billing"),
    path("invoices/<int:pk>/cii", invoice_cii, name="invoice-cii"),
    path("invoices/<int:pk>/ubl", invoice_ubl, name="invoice-ubl"),
]
