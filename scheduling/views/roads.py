"""Roads and driving: which extract is in use, loading another, each crew's rig, a farm's gate."""

from __future__ import annotations

import json
from typing import Any

from django.contrib import messages
from django.http import FileResponse, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from scheduling.forms.roads import DrivingForm, GateForm, LoadRoadsForm, RigForm
from scheduling.road_models import CrewRig
from scheduling.services import roads, travel
from trimmer.access import MEMBERS, OWNER, TRIMMER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.models import Crew, Farm, Job
from trimmer.services.farms import update_farm


def _say(form: Any, refusal: Refusal) -> None:
    for name, text in refusal.fields.items():
        form.add_error(name if name in form.fields else None, text)
    if not refusal.fields:
        form.add_error(None, str(refusal))


@may(*MEMBERS)
def road_page(request: SeatedRequest) -> HttpResponse:
    """What is in use, what is being loaded, what drives teach, which farms no road leads to."""
    return _road_page(request, LoadRoadsForm(), DrivingForm(instance=_driving(request)))


def _driving(request: SeatedRequest) -> Any:
    return roads.driving_settings_of(request.seat.business)


def _road_page(request: SeatedRequest, form: LoadRoadsForm, driving: DrivingForm) -> HttpResponse:
    business = request.seat.business
    extract = roads.extract_in_use(business)
    built = {row.rig_key for row in extract.sets.all()} if extract else set()
    learned = travel.learned_by_crew(business)
    crews = Crew.objects.of(business).filter(active=True).order_by("name")
    farms = list(Farm.objects.of(business).current().order_by("name"))
    job = Job.objects.of(business).filter(kind__in=["load_roads", "build_rig"]).first()
    return render(
        request,
        "scheduling/road_page.html",
        {
            "extract": extract,
            "job": job if job and job.state != "done" else None,
            "form": form,
            "driving": driving,
            "folder": roads.incoming_folder(),
            "crews": [
                {
                    "crew": crew,
                    "rig": (rig := roads.rig_of(crew)),
                    "built": rig.key in built,
                    "learned": learned.get(crew.pk),
                }
                for crew in crews
            ],
            "off": travel.off_the_roads(business=business, farms=farms).values(),
            "unplaced": [farm for farm in farms if not farm.position],
            "may_edit": request.seat.role == OWNER,
        },
    )


@require_POST
@may(OWNER)
def road_load(request: SeatedRequest) -> HttpResponse:
    """Have an extract loaded: uploaded, or found on the server."""
    business = request.seat.business
    form = LoadRoadsForm(request.POST, request.FILES)
    if form.is_valid():
        upload = form.cleaned_data["upload"]
        try:
            if upload:
                roads.load_uploaded(business=business, chunks=upload.chunks(), file_name=upload.name, by=request.user)
            else:
                roads.load_from_server(business=business, name=form.cleaned_data["server_path"], by=request.user)
        except Refusal as refusal:
            _say(form, refusal)
        else:
            messages.success(request, _("The roads are being built. The ones used so far stay in use meanwhile."))
            return redirect("road-page")
    return _road_page(request, form, DrivingForm(instance=_driving(request)))


@require_POST
@may(OWNER)
def driving_settings(request: SeatedRequest) -> HttpResponse:
    """Store the figures for driving."""
    form = DrivingForm(request.POST, instance=_driving(request))
    if form.is_valid():
        try:
            roads.keep_driving_settings(business=request.seat.business, **form.cleaned_data)
        except Refusal as refusal:
            _say(form, refusal)
        else:
            messages.success(request, _("The figures are kept. The next proposal uses them."))
            return redirect("road-page")
    return _road_page(request, LoadRoadsForm(), form)


@may(OWNER, TRIMMER)
def crew_rig(request: SeatedRequest, pk: int) -> HttpResponse:
    """How fast a crew tows, and how big its rig is."""
    crew = get_object_or_404(Crew.objects.seen_by(request.seat).select_related("business"), pk=pk)
    row = CrewRig.objects.filter(crew=crew).first() or CrewRig(crew=crew)
    form = RigForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        try:
            roads.keep_rig(crew=crew, by=request.user, **form.cleaned_data)
        except Refusal as refusal:
            _say(form, refusal)
        else:
            messages.success(request, _("The rig is kept. Where roads are in use they are built for it now."))
            return redirect("crew-page", pk=crew.pk)
    return render(request, "scheduling/crew_rig.html", {"crew": crew, "form": form})


@may(*MEMBERS)
def farm_gate(request: SeatedRequest, pk: int) -> HttpResponse:
    """Where a rig drives in at a farm: typed, or set on the map."""
    farm = get_object_or_404(Farm.objects.seen_by(request.seat).select_related("client__business"), pk=pk)
    initial = {"gate_latitude": farm.gate_latitude, "gate_longitude": farm.gate_longitude}
    form = GateForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        try:
            update_farm(farm=farm, **form.cleaned_data)
        except Refusal as refusal:
            _say(form, refusal)
            farm.refresh_from_db()
        else:
            messages.success(request, _("The gate is kept. Rounds lead there from now on."))
            return redirect("farm-page", pk=farm.pk)
    off = travel.off_the_roads(business=farm.client.business, farms=[farm]).get(farm.pk)
    return render(request, "scheduling/farm_gate.html", {"farm": farm, "form": form, "off": off})


@may(*MEMBERS)
def road_background(request: SeatedRequest) -> HttpResponseBase:
    """The roads of the extract in use, as GeoJSON, for the map's background."""
    extract = roads.extract_in_use(request.seat.business)
    row = extract.sets.first() if extract else None
    file = roads.roads_folder() / row.folder / "background.json" if row else None
    if file is None or not file.exists():
        return JsonResponse({"type": "FeatureCollection", "features": []})
    tag = f'"{file.parent.name}"'
    if request.headers.get("If-None-Match") == tag:
        return HttpResponse(status=304)
    answer = FileResponse(file.open("rb"), content_type="application/geo+json")
    answer["ETag"] = tag
    answer["Cache-Control"] = "private, max-age=0, must-revalidate"
    return answer


@may(*MEMBERS)
def farm_places(request: SeatedRequest, pk: int) -> HttpResponse:
    """A farm's place and gate, and the nearest road, as GeoJSON."""
    farm = get_object_or_404(Farm.objects.seen_by(request.seat).select_related("client__business"), pk=pk)
    places = []
    if farm.latitude is not None and farm.longitude is not None:
        places.append(("farm", farm.name, (farm.latitude, farm.longitude)))
    if farm.gate_latitude is not None and farm.gate_longitude is not None:
        places.append(("gate", _("Gate"), (farm.gate_latitude, farm.gate_longitude)))
    off = travel.off_the_roads(business=farm.client.business, farms=[farm]).get(farm.pk)
    if off:
        places.append(("road", _("Nearest road"), off.nearest.place))
    features = [
        {
            "type": "Feature",
            "properties": {"kind": kind, "name": name},
            "geometry": {"type": "Point", "coordinates": [place[1], place[0]]},
        }
        for kind, name, place in places
    ]
    return HttpResponse(
        json.dumps({"type": "FeatureCollection", "features": features}), content_type="application/geo+json"
    )


urlpatterns = [
    path("settings/roads", road_page, name="road-page"),
    path("settings/roads/load", road_load, name="road-load"),
    path("settings/driving", driving_settings, name="driving-settings"),
    path("crews/<int:pk>/rig", crew_rig, name="crew-rig"),
    path("farms/<int:pk>/gate", farm_gate, name="farm-gate"),
    path("farms/<int:pk>/places.json", farm_places, name="farm-places"),
    path("roads.json", road_background, name="road-background"),
]
