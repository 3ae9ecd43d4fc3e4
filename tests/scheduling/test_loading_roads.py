"""Roads taken in: whole or not at all, and the ones used so far keep serving."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.db import IntegrityError

from scheduling import road_tasks
from scheduling.road_models import RoadExtract, RoadSet, StoredTravel
from scheduling.services import roads, travel
from scheduling.services.roads import RoadsAreElsewhere, RoadsRefused
from scheduling.travel import build
from scheduling.travel.matrix import ROADS, STRAIGHT
from scheduling.travel.rig import USUAL_RIG
from tests.make import NOW, a_base, a_business, a_client, a_crew, a_farm, a_member
from tests.roads import write_roads
from trimmer.embedded import BASE_DIR
from trimmer.management.scenario.extract import write_extract
from trimmer.models import Business, Job, JobState
from trimmer.services import jobs

pytestmark = pytest.mark.django_db

CORVANE, GORTALEEN, TARROW = (52.5010, -8.0910), (52.5720, -8.0210), (52.5560, -7.9870)


def at(place: tuple[float, float]) -> dict[str, float]:
    return {"latitude": place[0], "longitude": place[1]}


@pytest.fixture(autouse=True)
def var(tmp_path: Path, settings: Any) -> Path:
    settings.VAR_DIR = tmp_path
    settings.ROADS_FOLDER = tmp_path / "extracts"
    settings.ROADS_FOLDER.mkdir()
    return tmp_path


@pytest.fixture
def lennet(tmp_path: Path) -> Path:
    return write_extract(tmp_path / "lennet.osm.pbf")


@pytest.fixture
def business() -> Business:
    business = a_business()
    a_crew(business, base=a_base(business, **at(CORVANE)))
    client = a_client(business)
    a_farm(client, name="Gortaleen", **at(GORTALEEN))
    a_farm(client, name="Tarrow Grange", **at(TARROW))
    return business


def load(business: Business, path: Path) -> RoadExtract:
    roads.load_roads(businesses=[business], path=path, by=None, now=NOW, say=lambda percent, what: None)
    row = roads.extract_in_use(business)
    assert row is not None
    return row


def over_the_river(business: Business) -> float:
    """Metres from Gortaleen to Tarrow Grange, on the other bank."""
    return float(travel.ways(business=business, rig=USUAL_RIG, places=[GORTALEEN, TARROW]).block.metres[0, 1])


def refused(business: Business, path: Path) -> str:
    with pytest.raises((RoadsRefused, RoadsAreElsewhere)) as why:
        load(business, path)
    return str(why.value)


def test_what_was_loaded_is_remembered(business: Business, lennet: Path) -> None:
    row = load(business, lennet)
    assert (row.file_name, row.size_bytes, row.road_count) == ("lennet.osm.pbf", lennet.stat().st_size, 75)
    assert row.dated_at == dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
    assert (round(row.south, 1), round(row.east, 1), len(row.checksum)) == (52.4, -7.7, 64)
    assert [one.rig_key for one in row.sets.all()] == [USUAL_RIG.key]


def test_ways_go_by_road_once_roads_are_loaded(business: Business, lennet: Path) -> None:
    before = over_the_river(business)
    load(business, lennet)
    assert over_the_river(business) > 4 * before


def test_each_rig_of_the_business_has_its_roads(business: Business, lennet: Path) -> None:
    crew = a_crew(business, base=a_base(business, **at(CORVANE)))
    roads.keep_rig(crew=crew, by=None, top_kmh=50, weight_kg=14_000)
    row = load(business, lennet)
    assert {one.rig_key for one in row.sets.all()} == {USUAL_RIG.key, roads.rig_of(crew).key}


def test_new_roads_take_over_from_the_old(business: Business, lennet: Path, tmp_path: Path) -> None:
    old = load(business, lennet)
    bridge = {"gort": GORTALEEN, "tarrow": TARROW}
    new = load(
        business, write_roads(tmp_path / "bridge.osm.pbf", bridge, [(["gort", "tarrow"], {"highway": "primary"})])
    )
    old.refresh_from_db()
    assert (old.in_use, new.in_use) == (False, True)
    assert over_the_river(business) < 3_500
    assert (roads.roads_folder() / RoadSet.objects.get(extract=old).folder).exists()  # until it is tidied up


def test_loading_the_same_roads_again_changes_nothing_but_the_hour(business: Business, lennet: Path) -> None:
    first = load(business, lennet)
    assert load(business, lennet) == first
    assert RoadExtract.objects.count() == RoadSet.objects.count() == 1


def test_the_database_lets_one_extract_be_in_use(business: Business, lennet: Path) -> None:
    row = load(business, lennet)
    row.pk, row.checksum = None, "0" * 64
    with pytest.raises(IntegrityError):
        row.save(force_insert=True)


def test_another_business_keeps_its_own(business: Business, lennet: Path) -> None:
    other = a_business(name="Other Hooves")
    load(business, lennet)
    assert roads.extract_in_use(other) is None


# Whatever goes wrong, the roads used so far still serve


@pytest.fixture
def driving(business: Business, lennet: Path) -> Iterator[Business]:
    """A business with roads; afterwards they must still be there and answer."""
    load(business, lennet)
    far = over_the_river(business)
    yield business
    StoredTravel.objects.all().delete()
    assert over_the_river(business) == far > 20_000
    assert not list(roads.roads_folder().glob("building-*"))


def test_a_truncated_extract_is_refused(driving: Business, tmp_path: Path, lennet: Path) -> None:
    whole = lennet.read_bytes()
    for part in (len(whole) // 2, len(whole) - 20):
        (tmp_path / "half.osm.pbf").write_bytes(whole[:part])
        assert refused(driving, tmp_path / "half.osm.pbf").startswith("half.osm.pbf is cut short or damaged.")


def test_another_kind_of_file_is_refused(driving: Business, tmp_path: Path) -> None:
    (tmp_path / "herd.osm.pbf").write_text("number;name\n12;Daisy\n")
    said = refused(driving, tmp_path / "herd.osm.pbf")
    assert said.startswith("herd.osm.pbf is no OpenStreetMap extract.")
    assert said.endswith("The roads used so far stay in use.")


def test_an_empty_extract_is_refused(driving: Business, tmp_path: Path) -> None:
    assert "holds no roads" in refused(driving, write_roads(tmp_path / "none.osm.pbf", {}, []))
    footpath = write_roads(
        tmp_path / "path.osm.pbf", {"a": CORVANE, "b": GORTALEEN}, [(["a", "b"], {"highway": "footway"})]
    )
    assert "holds no roads" in refused(driving, footpath)


def test_an_empty_file_is_refused(driving: Business, tmp_path: Path) -> None:
    (tmp_path / "zero.osm.pbf").touch()
    assert "is no OpenStreetMap extract" in refused(driving, tmp_path / "zero.osm.pbf")


def test_a_file_that_is_not_there_is_refused(driving: Business, tmp_path: Path) -> None:
    assert "There is no file" in refused(driving, tmp_path / "lost.osm.pbf")


def test_the_extract_of_another_country_is_refused(driving: Business, tmp_path: Path) -> None:
    elsewhere = {"a": (47.1, 9.5), "b": (47.2, 9.6)}
    said = refused(driving, write_roads(tmp_path / "abroad.osm.pbf", elsewhere, [(["a", "b"], {"highway": "primary"})]))
    assert "abroad.osm.pbf covers latitude 47.10 to 47.20 and longitude 9.50 to 9.60. None of your bases" in said


def test_too_little_disk_is_said_before_the_work(
    driving: Business, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_roads(tmp_path / "new.osm.pbf", {"a": CORVANE, "b": GORTALEEN}, [(["a", "b"], {"highway": "primary"})])
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("scheduling.travel.build.shutil.disk_usage", lambda path: usage._replace(free=5_000_000))
    assert "The disk is too full to build the roads: 20 MB are needed, 5 MB are free." in refused(driving, path)


def test_too_little_memory_is_said_before_the_work(
    driving: Business, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_roads(tmp_path / "new.osm.pbf", {"a": CORVANE, "b": GORTALEEN}, [(["a", "b"], {"highway": "primary"})])
    monkeypatch.setattr(build, "free_memory", lambda: 90_000_000)
    assert "150 MB are needed, 90 MB are free. Choose a smaller extract." in refused(driving, path)


def test_a_disk_that_fills_up_in_the_middle_is_refused(
    driving: Business, tmp_path: Path, lennet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A real small file system, where this test may mount one."""
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", str(small)], capture_output=True)
    if mounted.returncode:
        pytest.skip("no right to mount a small file system here")
    try:
        monkeypatch.setattr(build, "check_room", lambda extract, root: None)
        monkeypatch.setattr(roads, "roads_folder", lambda: small)
        assert "The disk is too full to build the roads" in refused(driving, lennet)
        assert not list(small.glob("building-*"))
    finally:
        monkeypatch.undo()
        subprocess.run(["umount", str(small)], check=True)


def test_an_engine_that_fails_is_refused(driving: Business, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bad = tmp_path / "rig.lua"
    bad.write_text("this is no profile")
    monkeypatch.setattr(build, "PROFILE", bad)
    path = write_roads(tmp_path / "new.osm.pbf", {"a": CORVANE, "b": GORTALEEN}, [(["a", "b"], {"highway": "primary"})])
    assert "The road engine could not build roads of this extract (osrm-extract)." in refused(driving, path)


def test_a_computer_without_the_engine_says_so(
    business: Business, lennet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "osrm", None)
    assert refused(business, lennet).startswith("The road engine has no ready-made package for this computer (osrm")
    assert travel.ways(business=business, rig=USUAL_RIG, places=[GORTALEEN, TARROW]).by_straight_line == 2


def test_roads_gone_from_the_disk_leave_straight_lines(business: Business, lennet: Path) -> None:
    row = load(business, lennet)
    shutil.rmtree(roads.roads_folder() / row.sets.get().folder)
    ways = travel.ways(business=business, rig=USUAL_RIG, places=[CORVANE, TARROW])
    assert set(ways.block.made.flat) == {STRAIGHT}


BUILD_SLOWLY = """
import sys, time
from pathlib import Path
from scheduling.travel import build
from scheduling.travel.extract import read_extract
from scheduling.travel.rig import USUAL_RIG
def tell(percent, doing):
    print(doing, flush=True)
    if doing == "shortening-ways":
        time.sleep(60)
build.build(read_extract(Path(sys.argv[1])), USUAL_RIG, Path(sys.argv[2]), tell)
"""


def test_a_build_that_is_killed_leaves_nothing_that_counts(lennet: Path, tmp_path: Path) -> None:
    root = tmp_path / "sets"
    killed = subprocess.Popen(
        [sys.executable, "-c", BUILD_SLOWLY, str(lennet), str(root)], cwd=BASE_DIR, stdout=subprocess.PIPE, text=True
    )
    while killed.stdout.readline().strip() != "shortening-ways":
        assert killed.poll() is None
    (left,) = root.glob("building-*")
    assert build.sweep(root, keep=set()) == []  # somebody is at it
    os.kill(killed.pid, signal.SIGKILL)
    killed.wait()
    killed.stdout.close()
    assert build.sweep(root, keep=set()) == [left.name]
    from scheduling.travel.extract import read_extract

    made = build.build(read_extract(lennet), USUAL_RIG, root)
    assert [folder.name for folder in root.iterdir()] == [made.folder.name]


def test_what_nobody_uses_is_taken_away(business: Business, lennet: Path) -> None:
    row = load(business, lennet)
    (roads.roads_folder() / "uploads").mkdir()
    left = roads.roads_folder() / "uploads" / "1-old.osm.pbf"
    left.touch()
    os.utime(left, (0, 0))
    (kept,) = row.sets.values_list("folder", flat=True)
    for name in ("old", "new"):
        (roads.roads_folder() / name).mkdir()
        (roads.roads_folder() / name / "set.json").write_text("{}")
    for name in (kept, "old"):
        os.utime(roads.roads_folder() / name / "set.json", (0, 0))
    assert road_tasks.tidy_roads() == 2
    assert {file.name for file in roads.roads_folder().iterdir()} == {kept, "new", "extracts", "uploads"}
    assert not left.exists()


# By a worker, and by the command


def run(job: Job) -> Job:
    moments = iter(NOW + dt.timedelta(seconds=n) for n in range(1000))
    jobs.run(job.pk, clock=lambda: next(moments))
    job.refresh_from_db()
    return job


def test_an_uploaded_extract_is_loaded_by_a_job(business: Business, lennet: Path) -> None:
    upload = SimpleUploadedFile("valley.osm.pbf", lennet.read_bytes())
    owner = a_member(business).user
    job = run(roads.load_uploaded(business=business, chunks=upload.chunks(), file_name=str(upload.name), by=owner))
    assert job.state == JobState.DONE
    row = roads.extract_in_use(business)
    assert (row.file_name, row.loaded_by) == ("valley.osm.pbf", owner)
    assert not list((roads.roads_folder() / "uploads").iterdir())


def test_a_job_that_is_refused_says_why(driving: Business) -> None:
    job = run(roads.load_uploaded(business=driving, chunks=[b"nothing"], file_name="herd.csv", by=None))
    assert job.state == JobState.FAILED
    assert job.message.startswith("herd.csv is no OpenStreetMap extract.")
    assert not list((roads.roads_folder() / "uploads").iterdir())


def test_a_file_of_the_servers_folder_is_loaded(business: Business, var: Path, lennet: Path) -> None:
    shutil.copy(lennet, var / "extracts" / "here.osm.pbf")
    assert run(roads.load_from_server(business=business, name="here.osm.pbf", by=None)).state == JobState.DONE


@pytest.mark.parametrize("name", ["../secret_key", "/etc/passwd", "", "."])
def test_no_other_folder_is_read(business: Business, name: str) -> None:
    with pytest.raises(roads.PathIsNotOpen):
        roads.load_from_server(business=business, name=name, by=None)


def test_a_name_that_is_not_in_the_folder_is_refused(business: Business) -> None:
    with pytest.raises(RoadsRefused) as why:
        roads.load_from_server(business=business, name="lost.osm.pbf", by=None)
    assert why.value.why == "no-such-file"


def test_roads_are_loaded_once_at_a_time(business: Business, lennet: Path) -> None:
    roads.load_uploaded(business=business, chunks=[b"x"], file_name="one.osm.pbf", by=None)
    with pytest.raises(roads.RoadsAreBeingLoaded):
        roads.load_uploaded(business=business, chunks=[b"x"], file_name="two.osm.pbf", by=None)
    assert len(list((roads.roads_folder() / "uploads").iterdir())) == 1


def test_a_new_rig_has_the_roads_built_for_it(business: Business, lennet: Path) -> None:
    row = load(business, lennet)
    crew = a_crew(business, base=a_base(business, **at(CORVANE)))
    roads.keep_rig(crew=crew, by=None, top_kmh=45)
    before = travel.ways(business=business, rig=roads.rig_of(crew), places=[GORTALEEN, TARROW])
    run(Job.objects.get(kind="build_rig"))
    after = travel.ways(business=business, rig=roads.rig_of(crew), places=[GORTALEEN, TARROW])
    assert row.sets.filter(rig_key=roads.rig_of(crew).key).exists()
    assert set(before.block.made[0, 1:]) == {ROADS}  # until then by the roads of the usual rig
    assert after.block.seconds[0, 1] > before.block.seconds[0, 1]


def test_a_rig_that_cannot_be_is_refused(business: Business) -> None:
    crew = business.crews.get()
    with pytest.raises(roads.RigRefused) as why:
        roads.keep_rig(crew=crew, by=None, top_kmh=500, height_m=0)
    assert set(why.value.fields) == {"top_kmh", "height_m"}


def test_driving_settings_that_cannot_be_are_refused(business: Business) -> None:
    with pytest.raises(roads.DrivingRefused) as why:
        roads.keep_driving_settings(business=business, farthest_from_road_m=0)
    assert set(why.value.fields) == {"farthest_from_road_m"}


def test_the_command_loads_for_every_business(
    business: Business, lennet: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = a_business(name="Other Hooves")
    call_command("load_roads", str(lennet))
    said = capsys.readouterr().out
    assert "Hollin Hoof Care drives by lennet.osm.pbf: 75 roads, map data of 2026-01-05" in said
    assert roads.extract_in_use(other) is not None
    assert StoredTravel.objects.of(business).exists()


def test_the_command_says_what_is_wrong_in_one_sentence(business: Business, tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="There is no file"):
        call_command("load_roads", str(tmp_path / "lost.osm.pbf"))
    with pytest.raises(CommandError, match="no such business"):
        call_command("load_roads", str(tmp_path / "lost.osm.pbf"), business=0)
