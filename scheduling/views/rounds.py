"""Rounds on the map and on paper."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.conf import settings
from django.http import Http404, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _

from scheduling.services import weeks
from scheduling.services.rounds import DrivenRound, round_of, rounds_of_week
from scheduling.travel.trackfile import Mark, as_geojson, as_gpx
from trimmer.access import MEMBERS, SeatedRequest, may
from trimmer.models import Base, Crew, Farm
from trimmer.showing import show_day, show_hours


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise Http404 from error


def _crew(request: SeatedRequest, pk: int) -> Crew:
    return get_object_or_404(Crew.objects.seen_by(request.seat).select_related("base", "business"), pk=pk)


def tiles() -> dict[str, str]:
    """The tile address of the settings, if there is one."""
    return {"tiles": settings.MAP_TILES, "credit": settings.MAP_TILES_CREDIT}


@may(*MEMBERS)
def week_map(request: SeatedRequest, monday: str) -> HttpResponse:
    """Farms, bases and the week's rounds on a map."""
    date = _day(monday)
    first = date - dt.timedelta(days=date.weekday())
    if first != date:
        return redirect("week-map", monday=first.isoformat())
    rounds = rounds_of_week(business=request.seat.business, monday=first)
    values = {
        "monday": first,
        "sunday": first + dt.timedelta(days=6),
        "previous": first - dt.timedelta(weeks=1),
        "next": first + dt.timedelta(weeks=1),
        "rounds": rounds,
        "metres": sum(driven.metres for driven in rounds),
        "minutes": sum(driven.minutes for driven in rounds),
        "money": sum((driven.money for driven in rounds), start=0),
    }
    return render(request, "scheduling/week_map.html", values | tiles())


@may(*MEMBERS)
def week_map_places(request: SeatedRequest, monday: str) -> HttpResponse:
    """The same as GeoJSON: a point for each base and farm, a line for each round."""
    date = _day(monday)
    business = request.seat.business
    rounds = rounds_of_week(business=business, monday=date - dt.timedelta(days=date.weekday()))
    features = [_line(request, driven) for driven in rounds]
    features += [_point("base", base.name, (base.latitude, base.longitude), "") for base in Base.objects.of(business)]
    stops: dict[int, list[str]] = {}
    for driven in rounds:
        for number, stop in enumerate(driven.stops, start=1):
            stops.setdefault(stop.farm.pk, []).append(f"{_title(request, driven)}: {number}")
    for farm in Farm.objects.of(business).current():
        if farm.position:
            note = "; ".join(stops.get(farm.pk, ()))
            kind = "stop" if farm.pk in stops else "farm"
            features.append(_point(kind, farm.name, farm.position, note, reverse("farm-page", kwargs={"pk": farm.pk})))
    return JsonResponse({"type": "FeatureCollection", "features": features})


def _title(request: SeatedRequest, driven: DrivenRound) -> str:
    language = request.seat.business.language
    return f"{show_day(driven.date, language, year=False)}, {driven.crew}"


def _line(request: SeatedRequest, driven: DrivenRound) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {
            "kind": "round",
            "name": _title(request, driven),
            "day": driven.date.weekday(),
            "crew": driven.crew.pk,
            "by_road": driven.way is not None,
            "url": reverse("round-page", kwargs={"pk": driven.crew.pk, "day": driven.date.isoformat()}),
        },
        "geometry": {"type": "LineString", "coordinates": [[lon, lat] for lat, lon in driven.shape]},
    }


def _point(kind: str, name: str, place: tuple[float, float], note: str, url: str = "") -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"kind": kind, "name": name, "note": note, "url": url},
        "geometry": {"type": "Point", "coordinates": [place[1], place[0]]},
    }


@may(*MEMBERS)
def round_page(request: SeatedRequest, pk: int, day: str) -> HttpResponse:
    """One crew's round of a day: map, stops, drives, turns; to print and to take along."""
    crew, date = _crew(request, pk), _day(day)
    driven = round_of(business=request.seat.business, crew=crew, date=date)
    drives: list[Any] = []
    if driven:
        ways = driven.way.drives if driven.way else ()
        drives = [
            {"stop": stop, "turns": ways[number].turns if number < len(ways) else ()}
            for number, stop in enumerate(driven.stops)
        ]
    values = {
        "crew": crew,
        "day": date,
        "driven": driven,
        "drives": drives,
        "home_turns": driven.way.drives[-1].turns if driven and driven.way else (),
        "today": weeks.local_date(request.seat.business, timezone.now()),
        "before": date - dt.timedelta(days=1),
        "after": date + dt.timedelta(days=1),
        "monday": date - dt.timedelta(days=date.weekday()),
    }
    return render(request, "scheduling/round_page.html", values | tiles())


def _driven(request: SeatedRequest, pk: int, day: str) -> DrivenRound | None:
    return round_of(business=request.seat.business, crew=_crew(request, pk), date=_day(day))


def _marks(request: SeatedRequest, driven: DrivenRound) -> list[Mark]:
    business = request.seat.business
    base = Mark(place=driven.places[0], name=driven.base.name, kind="base")
    stops = [
        Mark(
            place=stop.place,
            name=stop.farm.name,
            note=show_hours(stop.start, stop.end, business.language, business.time_zone)
            if stop.start and stop.end
            else "",
        )
        for stop in driven.stops
    ]
    return [base, *stops, base]


def _named(driven: DrivenRound | None, crew: str, day: str, ending: str) -> str:
    return f'attachment; filename="{slugify(crew) or "round"}-{day}.{ending}"'


@may(*MEMBERS)
def round_gpx(request: SeatedRequest, pk: int, day: str) -> HttpResponse:
    """The round as GPX."""
    driven = _driven(request, pk, day)
    name = _title(request, driven) if driven else _("No round")
    text = as_gpx(name=name, marks=_marks(request, driven) if driven else [], shape=driven.shape if driven else ())
    answer = HttpResponse(text, content_type="application/gpx+xml")
    answer["Content-Disposition"] = _named(driven, str(driven.crew) if driven else "", day, "gpx")
    return answer


@may(*MEMBERS)
def round_geojson(request: SeatedRequest, pk: int, day: str) -> HttpResponse:
    """The round as GeoJSON."""
    driven = _driven(request, pk, day)
    name = _title(request, driven) if driven else _("No round")
    marks = _marks(request, driven) if driven else []
    answer = JsonResponse(as_geojson(name=name, marks=marks, shape=driven.shape if driven else ()))
    answer["Content-Type"] = "application/geo+json"
    answer["Content-Disposition"] = _named(driven, str(driven.crew) if driven else "", day, "geojson")
    return answer


urlpatterns = [
    path("weeks/<str:monday>/map", week_map, name="week-map"),
    path("weeks/<str:monday>/map.json", week_map_places, name="week-map-places"),
    path("crews/<int:pk>/rounds/<str:day>", round_page, name="round-page"),
    path("crews/<int:pk>/rounds/<str:day>/round.gpx", round_gpx, name="round-gpx"),
    path("crews/<int:pk>/rounds/<str:day>/round.geojson", round_geojson, name="round-geojson"),
]
