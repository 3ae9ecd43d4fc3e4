"""Loading roads and keeping ways ready, as long work."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from celery import shared_task
from django.utils import timezone

from scheduling.services import roads, travel
from trimmer.errors import Refusal
from trimmer.models import Business, Crew
from trimmer.services.jobs import Save, Work, job_kind


@job_kind("load_roads")
def load_roads(work: Work) -> Save:
    """Read an extract, build it for every rig, try it; saving puts it in use."""
    business, arguments = work.job.business, work.job.arguments
    path = Path(arguments["path"])
    is_upload = path.is_relative_to(roads.roads_folder() / "uploads")
    try:
        prepared = roads.prepare_roads(business=business, path=path, file_name=arguments["file_name"], say=work.report)
    except Refusal:
        if is_upload:
            path.unlink(missing_ok=True)
        raise

    def save() -> dict[str, Any]:
        row = roads.use_roads(business=business, prepared=prepared, by=work.job.asked_by, now=timezone.now())
        if is_upload:  # not before: whoever takes this job over would look for it
            path.unlink(missing_ok=True)
        return {"extract": row.pk, "roads": row.road_count}

    return save


@job_kind("build_rig")
def build_rig(work: Work) -> Save:
    """Build the roads in use for a crew whose rig has changed."""
    crew = Crew.objects.of(work.job.business).select_related("business").get(pk=work.job.arguments["crew"])
    built = roads.build_rig(crew=crew, say=work.report)

    def save() -> dict[str, Any]:
        if built is None:
            return {}
        extract, rig, data_set = built
        return {"set": roads.note_set(extract=extract, rig=rig, data_set=data_set, now=timezone.now()).pk}

    return save


@shared_task  # type: ignore[untyped-decorator]
def keep_ways_ready() -> int:
    """Work out the ways of every business's new and moved places before somebody plans with them."""
    return sum(travel.keep_ready(business=business) for business in Business.objects.all())


@shared_task  # type: ignore[untyped-decorator]
def tidy_roads() -> int:
    """Take away what no business uses any more: data sets, uploads nobody loaded, tables of earlier roads."""
    now = timezone.now()
    for business in Business.objects.all():
        travel.forget_old_ways(business=business, now=now)
    return len(roads.sweep_roads(now=now)) + len(roads.sweep_uploads(now=now))
