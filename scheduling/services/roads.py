"""Roads taken in: an extract read, built for every rig of a business, and put in use in one go."""

from __future__ import annotations

import datetime as dt
import os
import shutil
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from scheduling.road_models import CrewRig, RoadExtract, RoadSet, TravelSettings
from scheduling.travel import build
from scheduling.travel.extract import Box, Extract, Unusable, read_extract
from scheduling.travel.rig import USUAL_RIG, Rig
from scheduling.travel.straight import Point
from trimmer.errors import Refusal
from trimmer.models import Base, Business, Crew, Farm, Job, User
from trimmer.services.jobs import start_job

AROUND = 0.05
"""Degrees around an extract that still count as its area when its places are looked for: some five kilometres."""
SENTENCES = {
    "no-road-engine": gettext_lazy(
        "The road engine has no ready-made package for this computer (%(library)s is missing). Driving is reckoned by "
        "straight lines; name a road server in the settings if you run one."
    ),
    "no-such-file": gettext_lazy("There is no file %(path)s that the service may read."),
    "not-an-extract": gettext_lazy(
        "%(path)s is no OpenStreetMap extract. Choose a file that ends in .osm.pbf; others are not read."
    ),
    "broken-extract": gettext_lazy("%(path)s is cut short or damaged. Fetch it again and compare its size."),
    "no-roads": gettext_lazy("%(path)s holds no roads one can drive on. Choose another extract, or fetch it again."),
    "disk-full": gettext_lazy(
        "The disk is too full to build the roads: %(needed)s MB are needed, %(free)s MB are free. Make room first."
    ),
    "memory-full": gettext_lazy(
        "There is too little memory to build the roads: %(needed)s MB are needed, %(free)s MB are free. Choose a "
        "smaller extract."
    ),
    "build-failed": gettext_lazy("The road engine could not build roads of this extract (%(program)s)."),
    "data-set-gone": gettext_lazy("The roads in use are no longer on the disk. Load the extract again."),
}


class RoadsRefused(Refusal):
    """An extract that cannot be used; `code` of the instance says why."""

    code = "roads_refused"
    message = gettext_lazy("These roads cannot be used.")

    def __init__(self, *, why: str, **params: Any) -> None:
        super().__init__(**params)
        self.why = why

    def __str__(self) -> str:
        text = SENTENCES[self.why] % self.params
        return f"{text} {_('The roads used so far stay in use.')}" if self.params.get("in_use") else text


class RoadsAreElsewhere(Refusal):
    code = "roads_are_elsewhere"
    message = gettext_lazy(
        "%(file)s covers latitude %(south)s to %(north)s and longitude %(west)s to %(east)s. None of your bases and "
        "farms lies there. Choose the extract of your own country or region."
    )


class RoadsAreBeingLoaded(Refusal):
    code = "roads_are_being_loaded"
    message = gettext_lazy("Roads are being loaded already. Wait for that to end.")


class PathIsNotOpen(Refusal):
    code = "path_is_not_open"
    message = gettext_lazy("The service may only read extracts in %(folder)s. Put the file there, or upload it.")


class RigRefused(Refusal):
    code = "rig_refused"
    message = gettext_lazy("Some figures of the rig cannot be taken.")


class DrivingRefused(Refusal):
    code = "driving_settings_refused"
    message = gettext_lazy("Some figures for driving cannot be taken.")


type Say = Callable[[int, str], None]


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """An extract that was read and built, ready to be put in use: `sets` by rig."""

    extract: Extract
    file_name: str
    sets: Mapping[Rig, build.DataSet]


def roads_folder() -> Path:
    """Where data sets and kept extracts lie."""
    return Path(settings.VAR_DIR) / "roads"


def incoming_folder() -> Path:
    """Where a person of the server puts extracts for the pages to find, and where uploads wait."""
    return Path(settings.ROADS_FOLDER)


def rig_of(crew: Crew) -> Rig:
    """A crew's rig, or the usual one where it has not set any."""
    row = CrewRig.objects.filter(crew=crew).first()
    return row.values() if row else USUAL_RIG


def rigs_of(business: Business) -> dict[int, Rig]:
    """The rigs of the crews that go out, by crew."""
    own = {row.crew_id: row.values() for row in CrewRig.objects.of(business)}
    return {
        pk: own.get(pk, USUAL_RIG) for pk in Crew.objects.of(business).filter(active=True).values_list("pk", flat=True)
    }


def driving_settings_of(business: Business) -> TravelSettings:
    """The business's figures for driving, or the defaults."""
    return TravelSettings.objects.of(business).first() or TravelSettings(business=business)


def extract_in_use(business: Business) -> RoadExtract | None:
    """The extract the business drives by."""
    return RoadExtract.objects.of(business).filter(in_use=True).prefetch_related("sets").first()


def places_of(business: Business) -> list[Point]:
    """Positions of all bases and of the farms that are not archived."""
    places = [(base.latitude, base.longitude) for base in Base.objects.of(business)]
    farms = Farm.objects.of(business).current()
    return places + [farm.position for farm in farms if farm.position]


def load_roads(*, businesses: Iterable[Business], path: Path, by: User | None, now: dt.datetime, say: Say) -> None:
    """Read, build and put in use for several businesses of this server. Nothing changes unless all of it went well."""
    prepared = [(business, prepare_roads(business=business, path=path, say=say)) for business in businesses]
    with transaction.atomic():
        for business, ready in prepared:
            use_roads(business=business, prepared=ready, by=by, now=now)


def prepare_roads(*, business: Business, path: Path, say: Say, file_name: str = "") -> Prepared:
    """Read an extract and build its data sets, outside any transaction. `say` takes percent and a sentence.

    Refuses what cannot be used; whatever is in use stays so.
    """
    rigs = sorted(set(rigs_of(business).values()) | {USUAL_RIG}, key=lambda rig: rig.key)
    name = file_name or path.name
    try:
        say(2, _("Reading the extract"))
        extract = read_extract(path)
        _refuse_elsewhere(business, extract, name)
        kept = keep_extract(extract)
        sets = {}
        for number, rig in enumerate(rigs):
            sets[rig] = build.build(kept, rig, roads_folder(), _part(say, number, len(rigs)))
    except Unusable as unusable:
        raise refusal_of(unusable, in_use=extract_in_use(business) is not None, name=name) from unusable
    return Prepared(extract=extract, file_name=name, sets=sets)


def _part(say: Say, number: int, count: int) -> Say:
    """Progress of one build of several: 10 to 95 percent of the whole."""

    def report(percent: int, doing: str) -> None:
        text = {
            "reading-roads": _("Reading roads and turns"),
            "shortening-ways": _("Working out shortest ways"),
            "drawing-background": _("Drawing the map's background"),
            "trying-it": _("Trying the new roads"),
            "there-already": _("These roads are there already"),
        }[doing]
        if count > 1:
            text = _("%(what)s (rig %(number)s of %(count)s)") % {"what": text, "number": number + 1, "count": count}
        say(10 + round(85 * (number + percent / 100) / count), text)

    return report


def refusal_of(unusable: Unusable, *, in_use: bool, name: str) -> RoadsRefused:
    """What a person is told. in_use: other roads are, and stay so; name: the file as the person knows it."""
    params = dict(unusable.params)
    if "path" in params and unusable.code != "no-such-file":
        params["path"] = name
    for figure in ("needed", "free"):
        if figure in params:
            params[figure] = round(params[figure] / 1_000_000)
    if unusable.code == "disk-full" and not params["needed"]:
        params["needed"] = params["free"] + 1
    return RoadsRefused(why=unusable.code, in_use=in_use, **params)


def _refuse_elsewhere(business: Business, extract: Extract, name: str) -> None:
    places = places_of(business)
    box = extract.box
    if places and not any(box.holds(place, AROUND) for place in places):
        raise RoadsAreElsewhere(
            file=name,
            south=f"{box.south:.2f}",
            north=f"{box.north:.2f}",
            west=f"{box.west:.2f}",
            east=f"{box.east:.2f}",
        )


def keep_extract(extract: Extract) -> Extract:
    """Keep the file under its checksum: another rig is built of it later. Raises Unusable (disk-full)."""
    folder = roads_folder() / "extracts"
    kept = folder / f"{extract.checksum}.osm.pbf"
    if not kept.exists():
        folder.mkdir(parents=True, exist_ok=True)
        build.check_room(extract, folder)
        half = folder / f"{extract.checksum}.{os.getpid()}.part"
        try:
            shutil.copyfile(extract.path, half)
            half.rename(kept)
        except OSError as error:
            half.unlink(missing_ok=True)
            raise Unusable("disk-full", needed=extract.size, free=shutil.disk_usage(folder).free) from error
    return Extract(**{**vars(extract), "path": kept})


@transaction.atomic
def use_roads(*, business: Business, prepared: Prepared, by: User | None, now: dt.datetime) -> RoadExtract:
    """Put built roads in use: from this commit on every new question is asked of them."""
    extract = prepared.extract
    Business.objects.select_for_update().get(pk=business.pk)
    RoadExtract.objects.of(business).filter(in_use=True).update(in_use=False)
    row, _made = RoadExtract.objects.update_or_create(
        business=business,
        checksum=extract.checksum,
        defaults={
            "file_name": prepared.file_name,
            "size_bytes": extract.size,
            "dated_at": parse_datetime(extract.dated) if extract.dated else None,
            "south": extract.box.south,
            "west": extract.box.west,
            "north": extract.box.north,
            "east": extract.box.east,
            "road_count": extract.roads,
            "in_use": True,
            "loaded_at": now,
            "loaded_by": by,
        },
    )
    for rig, data_set in prepared.sets.items():
        note_set(extract=row, rig=rig, data_set=data_set, now=now)
    return row


def note_set(*, extract: RoadExtract, rig: Rig, data_set: build.DataSet, now: dt.datetime) -> RoadSet:
    """Remember a data set that was built."""
    row, _made = RoadSet.objects.update_or_create(
        extract=extract,
        rig_key=rig.key,
        defaults={
            "rig": vars(rig),
            "folder": data_set.folder.name,
            "build_seconds": data_set.seconds,
            "size_bytes": data_set.size,
            "built_at": now,
        },
    )
    return row


def sweep_roads(*, now: dt.datetime) -> list[str]:
    """Take data sets off the disk that no extract in use needs, an hour after they were built: by then whoever built
    them has noted them. Says which."""
    keep = set(RoadSet.objects.filter(extract__in_use=True).values_list("folder", flat=True))
    before = (now - dt.timedelta(hours=1)).timestamp()
    return build.sweep(roads_folder(), keep | {"extracts", "uploads"}, built_before=before)


def sweep_uploads(*, now: dt.datetime) -> list[str]:
    """Take away uploads that lie for longer than a day: their jobs came to nothing. Says which."""
    folder = roads_folder() / "uploads"
    oldest = (now - dt.timedelta(days=1)).timestamp()
    old = [file for file in folder.glob("*") if file.stat().st_mtime < oldest] if folder.is_dir() else []
    for file in old:
        file.unlink(missing_ok=True)
    return [file.name for file in old]


def box_of(extract: RoadExtract) -> Box:
    """The area of an extract."""
    return Box(south=extract.south, west=extract.west, north=extract.north, east=extract.east)


def start_loading(*, business: Business, path: Path, file_name: str, by: User | None) -> Job:
    """Have an extract loaded by a worker."""
    Business.objects.select_for_update().get(pk=business.pk)
    if Job.objects.of(business).unfinished().filter(kind="load_roads").exists():
        raise RoadsAreBeingLoaded
    return start_job(
        business=business, kind="load_roads", arguments={"path": str(path), "file_name": file_name}, asked_by=by
    )


@transaction.atomic
def load_from_server(*, business: Business, name: str, by: User | None) -> Job:
    """Load an extract that lies in the folder the service may read."""
    folder = incoming_folder().resolve()
    path = (folder / name.strip()).resolve()
    if not name.strip() or not path.is_relative_to(folder) or path == folder:
        raise PathIsNotOpen.at("server_path", folder=folder)
    if not path.is_file():
        raise RoadsRefused(why="no-such-file", path=path)
    return start_loading(business=business, path=path, file_name=path.name, by=by)


@transaction.atomic
def load_uploaded(*, business: Business, chunks: Iterable[bytes], file_name: str, by: User | None) -> Job:
    """Keep an uploaded extract until a worker has loaded it."""
    folder = roads_folder() / "uploads"
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{business.pk}-{os.urandom(6).hex()}.osm.pbf"
    try:
        with path.open("wb") as file:
            for chunk in chunks:
                file.write(chunk)
        return start_loading(business=business, path=path, file_name=Path(file_name).name[:200], by=by)
    except OSError as error:
        path.unlink(missing_ok=True)
        free = round(shutil.disk_usage(folder).free / 1_000_000)
        raise RoadsRefused(why="disk-full", needed=free + 1, free=free) from error
    except Refusal:
        path.unlink(missing_ok=True)
        raise


@transaction.atomic
def keep_rig(*, crew: Crew, by: User | None, **figures: float) -> CrewRig:
    """Store a crew's rig; where roads are in use, have them built for it."""
    row, _made = CrewRig.objects.select_for_update().get_or_create(crew=crew)
    for name, value in figures.items():
        setattr(row, name, value)
    try:
        row.full_clean()
    except ValidationError as error:
        raise RigRefused(fields={name: " ".join(texts) for name, texts in error.message_dict.items()}) from error
    row.save()
    extract = extract_in_use(crew.business)
    if extract and not extract.sets.filter(rig_key=row.values().key).exists():
        start_job(business=crew.business, kind="build_rig", arguments={"crew": crew.pk}, asked_by=by)
    return row


def build_rig(*, crew: Crew, say: Say) -> tuple[RoadExtract, Rig, build.DataSet] | None:
    """Build the roads in use for a crew's rig. None when no roads are in use."""
    row = extract_in_use(crew.business)
    if row is None:
        return None
    rig = rig_of(crew)
    path = roads_folder() / "extracts" / f"{row.checksum}.osm.pbf"
    extract = Extract(
        path=path,
        checksum=row.checksum,
        size=row.size_bytes,
        dated="",
        box=box_of(row),
        roads=row.road_count,
    )
    try:
        if not path.exists():
            raise Unusable("data-set-gone", folder=path.name)
        return row, rig, build.build(extract, rig, roads_folder(), _part(say, 0, 1))
    except Unusable as unusable:
        raise refusal_of(unusable, in_use=True, name=row.file_name) from unusable


@transaction.atomic
def keep_driving_settings(*, business: Business, **figures: Any) -> TravelSettings:
    """Store the business's figures for driving."""
    row, _made = TravelSettings.objects.select_for_update().get_or_create(business=business)
    for name, value in figures.items():
        setattr(row, name, value)
    try:
        row.full_clean()
    except ValidationError as error:
        raise DrivingRefused(fields={name: " ".join(texts) for name, texts in error.message_dict.items()}) from error
    row.save()
    return row
