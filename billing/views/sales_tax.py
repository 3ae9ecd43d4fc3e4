"""Sales taxes of places, and certificates of exemption."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Count
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from billing.forms.sales_tax import CertificateForm, PlaceForm, RoundingForm, SalesRateFormSet
from billing.models import ExemptionCertificate, SalesTaxPlace
from billing.services import sales_tax
from billing.services.sales_tax import RateValues, rounding_of
from trimmer.access import OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.models import Farm


@may(OWNER, OFFICE)
def sales_taxes(request: SeatedRequest) -> HttpResponse:
    """Places with what is taken there today, certificates, and what is rounded."""
    business, today = request.seat.business, timezone.localdate()
    form = RoundingForm(posted(request), initial={"rounding": rounding_of(business).value})
    if request.method == "POST" and form.is_valid():
        try:
            sales_tax.keep_rounding(business=business, rounding=form.cleaned_data["rounding"])
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The settings are stored."))
            return redirect("sales-taxes")
    places = SalesTaxPlace.objects.seen_by(request.seat).prefetch_related("rates").annotate(farm_count=Count("farms"))
    rows = [(place, [rate for rate in place.rates.all() if _holds(rate, today)]) for place in places]
    certificates = ExemptionCertificate.objects.seen_by(request.seat).select_related("client")
    values = {
        "form": form,
        "places": rows,
        "certificates": [(one, one.valid_to is not None and one.valid_to < today) for one in certificates],
        "without": Farm.objects.of(business).filter(archived_at__isnull=True, sales_tax__isnull=True).count(),
    }
    return render(request, "billing/sales_taxes.html", values)


def _holds(rate: Any, today: Any) -> bool:
    return bool(rate.valid_from <= today and (rate.valid_to is None or today <= rate.valid_to))


@may(OWNER, OFFICE)
def place_add(request: SeatedRequest) -> HttpResponse:
    """A new place."""
    return _place(request, None)


@may(OWNER, OFFICE)
def place_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Say anew what is taken in a place, and which farms lie in it."""
    return _place(request, get_object_or_404(SalesTaxPlace.objects.seen_by(request.seat), pk=pk))


def _place(request: SeatedRequest, place: SalesTaxPlace | None) -> HttpResponse:
    business = request.seat.business
    form = PlaceForm(posted(request), business=business, place=place)
    there = [] if place is None else list(place.rates.values())
    rates = SalesRateFormSet(
        posted(request), prefix="rates", initial=[row | {"rate": row["rate"].normalize()} for row in there]
    )
    if request.method == "POST" and all([form.is_valid(), rates.is_valid()]):
        typed = [
            RateValues(**{name: value for name, value in row.cleaned_data.items() if name != "DELETE"})
            for row in rates
            if row.cleaned_data.get("authority") and not row.cleaned_data.get("DELETE")
        ]
        try:
            kept = sales_tax.keep_place(business=business, place=place, rates=typed, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("“%(name)s” is stored.") % {"name": kept.name})
            return redirect("sales-taxes")
    return render(request, "billing/sales_tax_place.html", {"form": form, "rates": rates, "place": place})


@may(OWNER, OFFICE)
def place_drop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take a place away."""
    place = get_object_or_404(SalesTaxPlace.objects.seen_by(request.seat), pk=pk)
    return _dropped(request, place.name, lambda: sales_tax.drop_place(place=place))


@may(OWNER, OFFICE)
def certificate_add(request: SeatedRequest) -> HttpResponse:
    """A new certificate."""
    return _certificate(request, None)


@may(OWNER, OFFICE)
def certificate_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Say anew what a certificate says."""
    return _certificate(request, get_object_or_404(ExemptionCertificate.objects.seen_by(request.seat), pk=pk))


def _certificate(request: SeatedRequest, certificate: ExemptionCertificate | None) -> HttpResponse:
    business = request.seat.business
    form = CertificateForm(posted(request), business=business, certificate=certificate)
    if request.method == "POST" and form.is_valid():
        try:
            sales_tax.keep_certificate(business=business, certificate=certificate, **form.values())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The certificate is kept."))
            return redirect("sales-taxes")
    return render(request, "billing/exemption_certificate.html", {"form": form, "certificate": certificate})


@may(OWNER, OFFICE)
def certificate_drop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take a certificate away."""
    row = get_object_or_404(ExemptionCertificate.objects.seen_by(request.seat), pk=pk)
    return _dropped(request, row.number, lambda: sales_tax.drop_certificate(certificate=row))


def _dropped(request: SeatedRequest, name: str, drop: Any) -> HttpResponse:
    form = forms.Form(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            drop()
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("“%(name)s” is gone. Drafts and invoices keep their taxes.") % {"name": name})
            return redirect("sales-taxes")
    return render(request, "billing/sales_tax_drop.html", {"form": form, "name": name})


urlpatterns = [
    path("sales-taxes", sales_taxes, name="sales-taxes"),
    path("sales-tax-places/add", place_add, name="sales-tax-place-add"),
    path("sales-tax-places/<int:pk>/edit", place_edit, name="sales-tax-place-edit"),
    path("sales-tax-places/<int:pk>/drop", place_drop, name="sales-tax-place-drop"),
    path("exemption-certificates/add", certificate_add, name="exemption-certificate-add"),
    path("exemption-certificates/<int:pk>/edit", certificate_edit, name="exemption-certificate-edit"),
    path("exemption-certificates/<int:pk>/drop", certificate_drop, name="exemption-certificate-drop"),
]
