"""A farm's animals, one animal's history, and milk and meat withheld."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
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
from trimmer.forms.animals import AnimalFilter, AnimalForm
from trimmer.models import Animal, Farm
from trimmer.queries.animals import animals_to_show, cautions_of, history_of, open_rechecks_of, pens_of, withheld
from trimmer.queries.rechecks import as_rows
from trimmer.services.animals import StoredAnimal, add_animal, archive_animal, bring_back_animal, change_animal

ROWS_A_PAGE = 50


@may(*SEATED)
def animal_list(request: SeatedRequest, pk: int) -> HttpResponse:
    """The animals of a farm."""
    farm = _farm(request, pk)
    chosen = AnimalFilter(request.GET)
    chosen.is_valid()
    search, archived = chosen.cleaned_data.get("q", ""), chosen.cleaned_data.get("archived", False)
    found = animals_to_show(request.seat, farm, search=search, archived=archived)
    page = Paginator(found, ROWS_A_PAGE).get_page(request.GET.get("page"))
    values = {"farm": farm, "filter": chosen, "page": page, "narrowed": bool(search or archived)}
    return render(request, "trimmer/animal_list.html", values)


@may(*MEMBERS)
def animal_add(request: SeatedRequest, pk: int) -> HttpResponse:
    """Put an animal on a farm's list."""
    farm = _farm(request, pk)
    form = AnimalForm(posted(request), initial={"number": request.GET.get("number", "")})
    if request.method == "POST" and form.is_valid():
        try:
            stored = add_animal(farm=farm, values=form.values())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            _say_stored(request, stored)
            return redirect("animal-page", pk=stored.animal.pk)
    return render(request, "trimmer/animal_add.html", {"farm": farm, "form": form, "pens": pens_of(farm)})


@may(*SEATED)
def animal_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """One animal: what is known, what is open, what was found and done before."""
    animal = _animal(request, pk)
    today, now = timezone.localdate(), timezone.now()
    page = Paginator(history_of(animal), ROWS_A_PAGE).get_page(request.GET.get("page"))
    values = {
        "animal": animal,
        "cautions": cautions_of([animal], on=today, now=now)[animal.pk],
        "rechecks": as_rows(open_rechecks_of(animal), today=today),
        "page": page,
    }
    return render(request, "trimmer/animal_page.html", values)


@may(*MEMBERS)
def animal_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change what is known of an animal."""
    animal = _animal(request, pk)
    form = AnimalForm(posted(request), initial=model_to_dict(animal))
    if request.method == "POST" and form.is_valid():
        try:
            stored = change_animal(animal=animal, values=form.values())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            _say_stored(request, stored)
            return redirect("animal-page", pk=animal.pk)
    values = {"animal": _animal(request, pk), "form": form, "pens": pens_of(animal.farm)}
    return render(request, "trimmer/animal_edit.html", values)


@may(*MEMBERS)
def animal_archive(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then take an animal that left the herd off the lists."""
    animal = _animal(request, pk)
    if request.method == "POST":
        archive_animal(animal=animal, now=timezone.now())
        messages.success(request, _("%(number)s is off the lists; its records stay.") % {"number": animal.number})
        return redirect("animal-list", pk=animal.farm_id)
    values = {"animal": animal, "open": open_rechecks_of(animal).count()}
    return render(request, "trimmer/animal_archive.html", values)


@may(*MEMBERS)
@require_POST
def animal_bring_back(request: SeatedRequest, pk: int) -> HttpResponse:
    """Put an archived animal on the list again."""
    animal = _animal(request, pk)
    bring_back_animal(animal=animal)
    messages.success(request, _("%(number)s is on the list again.") % {"number": animal.number})
    return redirect("animal-page", pk=animal.pk)


@may(*SEATED)
def withhold_list(request: SeatedRequest, pk: int) -> HttpResponse:
    """Animals of a farm whose milk or meat may not be sold yet, as was entered."""
    farm = _farm(request, pk)
    now = timezone.now()
    rows = withheld(Animal.objects.seen_by(request.seat).filter(farm=farm), now=now)
    return render(request, "trimmer/withhold_list.html", {"farm": farm, "rows": rows, "now": now})


def _farm(request: SeatedRequest, pk: int) -> Farm:
    return get_object_or_404(Farm.objects.seen_by(request.seat).select_related("client__business"), pk=pk)


def _animal(request: SeatedRequest, pk: int) -> Animal:
    return get_object_or_404(Animal.objects.seen_by(request.seat).select_related("farm__client__business"), pk=pk)


def _say_stored(request: SeatedRequest, stored: StoredAnimal) -> None:
    messages.success(request, _("%(number)s is stored.") % {"number": stored.animal.number})
    for caution in stored.cautions:
        label = Animal._meta.get_field(caution.field).verbose_name  # type: ignore[union-attr]
        words = {"field": label, "number": getattr(stored.animal, caution.field), "caution": caution}
        messages.warning(request, _("Look at the %(field)s %(number)s again. %(caution)s") % words)


urlpatterns = [
    path("farms/<int:pk>/animals", animal_list, name="animal-list"),
    path("farms/<int:pk>/animals/add", animal_add, name="animal-add"),
    path("farms/<int:pk>/withhold", withhold_list, name="withhold-list"),
    path("animals/<int:pk>", animal_page, name="animal-page"),
    path("animals/<int:pk>/edit", animal_edit, name="animal-edit"),
    path("animals/<int:pk>/archive", animal_archive, name="animal-archive"),
    path("animals/<int:pk>/bring-back", animal_bring_back, name="animal-bring-back"),
]
