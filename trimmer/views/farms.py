"""Farms, where the cows are."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import messages
from django.core.paginator import Paginator
from django.forms import BaseFormSet
from django.forms.models import model_to_dict
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from trimmer.access import MEMBERS, SEATED, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.forms.farms import AccessWindows, Contacts, FarmForm, kept_rows
from trimmer.models import Client, Farm, HealthTier
from trimmer.queries.farms import farm_with_hours, farms_to_show, overview_of, suitable_days
from trimmer.services.farms import (
    FARTHEST_METRES,
    add_farm,
    archive_farm,
    metres_to_nearest_base,
    restore_farm,
    update_farm,
)
from trimmer.showing import show_distance

ROWS_A_PAGE = 50


@may(*SEATED)
def farm_list(request: SeatedRequest) -> HttpResponse:
    """Farms by name; a farm's person sees their own."""
    search, tier = request.GET.get("q", "").strip(), request.GET.get("tier", "")
    archived = bool(request.GET.get("archived")) and request.seat.is_member
    farms = farms_to_show(
        request.seat,
        today=timezone.localdate(),
        search=search,
        archived=archived,
        tier=int(tier) if tier.isdigit() and request.seat.is_member else None,
    )
    values = {
        "farms": Paginator(farms, ROWS_A_PAGE).get_page(request.GET.get("page")),
        "search": search,
        "archived": archived,
        "tier": tier,
        "tiers": [(str(value), label) for value, label in HealthTier.choices],
    }
    return render(request, "trimmer/farm_list.html", values)


@may(*SEATED)
def farm_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """Everything known of a farm; a farm's person sees what is theirs and no notes of the business."""
    farm = get_object_or_404(farm_with_hours(request.seat), pk=pk)
    values = {
        "farm": farm,
        "days": suitable_days(farm),
        "overview": overview_of(farm, today=timezone.localdate()),
        "contacts": farm.contacts.all(),
    }
    return render(request, "trimmer/farm_page.html" if request.seat.is_member else "trimmer/farm_page_own.html", values)


@may(*MEMBERS)
def farm_add(request: SeatedRequest) -> HttpResponse:
    """A new farm, of the client named in the address or chosen on the page."""
    business = request.seat.business
    initial: dict[str, Any] = {"country": business.country}
    wanted = request.GET.get("client", "")
    client = Client.objects.of(business).current().filter(pk=wanted).first() if wanted.isdigit() else None
    if client is not None:
        place = ("street", "postcode", "city", "region", "country")
        initial |= {"client": client, "name": client.name} | model_to_dict(client, place)
    form = FarmForm(posted(request), business=business, initial=initial)
    windows, contacts = _rows(request)
    if request.method == "POST" and _all_valid(form, windows, contacts):
        try:
            farm = add_farm(**_details(form, windows, contacts))
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is stored.") % {"name": farm})
            _warn_if_far(request, farm)
            return redirect("farm-page", pk=farm.pk)
    values = {"form": form, "windows": windows, "contacts": contacts, "client": client}
    return render(request, "trimmer/farm_add.html", values)


@may(*MEMBERS)
def farm_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change what is said of a farm."""
    farm = get_object_or_404(farm_with_hours(request.seat), pk=pk)
    form = FarmForm(posted(request), business=request.seat.business, farm=farm, initial=model_to_dict(farm))
    windows, contacts = _rows(request, farm)
    if request.method == "POST" and _all_valid(form, windows, contacts):
        try:
            update_farm(farm=farm, **_details(form, windows, contacts))
        except Refusal as refusal:
            farm.refresh_from_db()
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is stored.") % {"name": farm})
            _warn_if_far(request, farm)
            return redirect("farm-page", pk=farm.pk)
    values = {"form": form, "windows": windows, "contacts": contacts, "farm": farm}
    return render(request, "trimmer/farm_edit.html", values)


@may(*MEMBERS)
def farm_archive(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then put a farm away."""
    farm = get_object_or_404(Farm.objects.seen_by(request.seat), pk=pk)
    form = forms.Form(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            archive_farm(farm=farm, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("%(name)s is archived.") % {"name": farm})
            return redirect("farm-page", pk=farm.pk)
    return render(request, "trimmer/farm_archive.html", {"form": form, "farm": farm})


@may(*MEMBERS)
@require_POST
def farm_restore(request: SeatedRequest, pk: int) -> HttpResponse:
    """Bring a farm back."""
    farm = get_object_or_404(Farm.objects.seen_by(request.seat).select_related("client"), pk=pk)
    restore_farm(farm=farm)
    messages.success(request, _("%(name)s is back.") % {"name": farm})
    return redirect("farm-page", pk=farm.pk)


def _rows(request: SeatedRequest, farm: Farm | None = None) -> tuple[BaseFormSet[Any], BaseFormSet[Any]]:
    """The rows of access hours and contacts, as stored or as sent."""
    windows = [model_to_dict(window) for window in farm.access_windows.all()] if farm else []
    contacts = [model_to_dict(contact) for contact in farm.contacts.all()] if farm else []
    return (
        AccessWindows(posted(request), prefix="windows", initial=windows),
        Contacts(posted(request), prefix="contacts", initial=contacts),
    )


def _all_valid(form: FarmForm, *rows: BaseFormSet[Any]) -> bool:
    """Ask each, so that each says what is wrong with it."""
    return all([form.is_valid(), *(each.is_valid() for each in rows)])


def _details(form: FarmForm, windows: BaseFormSet[Any], contacts: BaseFormSet[Any]) -> dict[str, Any]:
    return form.cleaned_data | {"access_windows": kept_rows(windows), "contacts": kept_rows(contacts)}


def _warn_if_far(request: SeatedRequest, farm: Farm) -> None:
    away = metres_to_nearest_base(farm=farm)
    if away is not None and away > FARTHEST_METRES:
        business = request.seat.business
        far = show_distance(away, business.units, business.language)
        said = _("%(name)s lies %(far)s from your nearest base. Is its position right, latitude before longitude?")
        messages.warning(request, said % {"name": farm, "far": far})


urlpatterns = [
    path("farms", farm_list, name="farm-list"),
    path("farms/add", farm_add, name="farm-add"),
    path("farms/<int:pk>", farm_page, name="farm-page"),
    path("farms/<int:pk>/edit", farm_edit, name="farm-edit"),
    path("farms/<int:pk>/archive", farm_archive, name="farm-archive"),
    path("farms/<int:pk>/restore", farm_restore, name="farm-restore"),
]
