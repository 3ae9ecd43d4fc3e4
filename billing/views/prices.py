"""Price lists, agreements and tax categories."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.db.models import Count, Q
from django.forms.models import model_to_dict
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from billing.charges.prices import ARTICLES, cheaper_edges
from billing.currencies import places_of
from billing.forms import as_key
from billing.forms.prices import BillingSettingsForm, PriceListForm, TaxCategoryForm
from billing.models import PriceList, TaxCategory
from billing.queries.prices import PRICES_IN_FULL, entry_of, settings_of
from billing.services.prices import (
    drop_price_list,
    drop_tax_category,
    keep_billing_settings,
    keep_price_list,
    keep_tax_category,
)
from trimmer.access import OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal


@may(OWNER, OFFICE)
def price_lists(request: SeatedRequest) -> HttpResponse:
    """Lists and agreements, those of today first."""
    today = timezone.localdate()
    rows = (
        PriceList.objects.seen_by(request.seat)
        .select_related("client")
        .annotate(price_count=Count("prices"))
        .order_by("client__name", "-valid_from", "pk")
    )
    over = Q(valid_to__lt=today)
    return render(
        request,
        "billing/price_lists.html",
        {
            "lists": rows.exclude(over).filter(client__isnull=True),
            "agreements": rows.exclude(over).filter(client__isnull=False),
            "past": rows.filter(over),
            "today": today,
            "has_taxes": TaxCategory.objects.seen_by(request.seat).exists(),
        },
    )


@may(OWNER, OFFICE)
def price_list_add(request: SeatedRequest) -> HttpResponse:
    """A new list or agreement, from nothing or from a list that is there (?like=)."""
    business = request.seat.business
    like = PriceList.objects.seen_by(request.seat).filter(pk=as_key(request.GET.get("like"))).first()
    form = PriceListForm(posted(request), business=business, price_list=like)
    if like is not None:
        form.initial.update({"name": "", "valid_from": timezone.localdate(), "valid_to": None})
    if request.method == "POST" and form.is_valid() and (kept := _kept(request, form, None)):
        return redirect("price-list-page", pk=kept.pk)
    return render(request, "billing/price_list_edit.html", {"form": form, "price_list": None})


@may(OWNER, OFFICE)
def price_list_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """A list's prices."""
    row = get_object_or_404(PriceList.objects.seen_by(request.seat).select_related("client"), pk=pk)
    order = {article: place for place, article in enumerate(ARTICLES)}
    found = PRICES_IN_FULL.filter(price_list=row)
    prices = [
        {"price": price, "edges": cheaper_edges(entry_of(price), places_of(request.seat.business.currency))}
        for price in sorted(found, key=lambda price: order[price.article])
    ]
    return render(request, "billing/price_list_page.html", {"price_list": row, "prices": prices})


@may(OWNER, OFFICE)
def price_list_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change a list. What is drafted keeps its prices."""
    row = get_object_or_404(PriceList.objects.seen_by(request.seat), pk=pk)
    form = PriceListForm(posted(request), business=request.seat.business, price_list=row)
    if request.method == "POST" and form.is_valid() and _kept(request, form, row):
        return redirect("price-list-page", pk=row.pk)
    return render(request, "billing/price_list_edit.html", {"form": form, "price_list": row})


@may(OWNER, OFFICE)
def price_list_drop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take a list away."""
    row = get_object_or_404(PriceList.objects.seen_by(request.seat), pk=pk)
    if request.method == "POST":
        drop_price_list(price_list=row)
        messages.success(request, _("“%(name)s” is gone. Drafts and invoices keep their prices.") % {"name": row.name})
        return redirect("price-lists")
    return render(request, "billing/price_list_drop.html", {"price_list": row})


@may(OWNER, OFFICE)
def tax_categories(request: SeatedRequest) -> HttpResponse:
    """The taxes the business charges, and the settings of its bills."""
    rows = TaxCategory.objects.seen_by(request.seat).annotate(price_count=Count("prices"))
    return render(
        request,
        "billing/tax_categories.html",
        {"categories": rows, "settings": settings_of(request.seat.business)},
    )


@may(OWNER, OFFICE)
def tax_category_add(request: SeatedRequest) -> HttpResponse:
    """A new tax category."""
    return _tax_category(request, None)


@may(OWNER, OFFICE)
def tax_category_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change a tax category. What is drafted or issued keeps its copy."""
    return _tax_category(request, get_object_or_404(TaxCategory.objects.seen_by(request.seat), pk=pk))


@may(OWNER, OFFICE)
def tax_category_drop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take a tax category away."""
    row = get_object_or_404(TaxCategory.objects.seen_by(request.seat), pk=pk)
    form = forms.Form(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            drop_tax_category(category=row)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("“%(name)s” is gone.") % {"name": row.name})
            return redirect("tax-categories")
    return render(request, "billing/tax_category_drop.html", {"category": row, "form": form})


@may(OWNER, OFFICE)
def billing_settings(request: SeatedRequest) -> HttpResponse:
    """How credit notes are numbered, and what counts towards a minimum."""
    business = request.seat.business
    form = BillingSettingsForm(posted(request), initial=model_to_dict(settings_of(business)))
    if request.method == "POST" and form.is_valid():
        try:
            keep_billing_settings(business=business, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The settings are stored."))
            return redirect("tax-categories")
    return render(request, "billing/billing_settings.html", {"form": form})


def _kept(request: SeatedRequest, form: PriceListForm, row: PriceList | None) -> PriceList | None:
    values = form.cleaned_data
    try:
        kept = keep_price_list(
            business=request.seat.business,
            price_list=row,
            client=values["client"],
            name=values["name"],
            valid_from=values["valid_from"],
            valid_to=values["valid_to"],
            prices=form.prices(),
            discount_percent=values["discount_percent"],
            discount_reason=values["discount_reason"],
            free_recheck_days=values["free_recheck_days"],
        )
    except Refusal as refusal:
        if not form.say_refusal(refusal):
            say_refusal(form, refusal)
        return None
    messages.success(request, _("“%(name)s” is stored.") % {"name": kept.name})
    return kept


def _tax_category(request: SeatedRequest, row: TaxCategory | None) -> HttpResponse:
    form = TaxCategoryForm(posted(request), initial=model_to_dict(row) if row else None)
    if request.method == "POST" and form.is_valid():
        try:
            kept = keep_tax_category(business=request.seat.business, category=row, **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("“%(name)s” is stored.") % {"name": kept.name})
            return redirect("tax-categories")
    return render(request, "billing/tax_category_edit.html", {"form": form, "category": row})


urlpatterns = [
    path("price-lists", price_lists, name="price-lists"),
    path("price-lists/add", price_list_add, name="price-list-add"),
    path("price-lists/<int:pk>", price_list_page, name="price-list-page"),
    path("price-lists/<int:pk>/edit", price_list_edit, name="price-list-edit"),
    path("price-lists/<int:pk>/drop", price_list_drop, name="price-list-drop"),
    path("tax-categories", tax_categories, name="tax-categories"),
    path("tax-categories/add", tax_category_add, name="tax-category-add"),
    path("tax-categories/<int:pk>/edit", tax_category_edit, name="tax-category-edit"),
    path("tax-categories/<int:pk>/drop", tax_category_drop, name="tax-category-drop"),
    path("billing-settings", billing_settings, name="billing-settings"),
]
