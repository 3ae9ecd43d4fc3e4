"""From an extract to a road data set a process can ask: osrm-extract, then osrm-contract, then one question to try it.

Everything happens in a folder of its own beside the finished ones; only a data set that answered takes its name, by
one rename. So there is never half a data set, whenever the build is cut off.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from scheduling.travel.extract import Extract, Report, Unusable, library, write_background
from scheduling.travel.rig import PROFILE, Rig

NAME = "roads.osrm"
FORMAT = "b"
"""Of a data set's folder: what is written beside the engine's files. A new one makes new data sets."""
BUILDING = "building-"
TETHER = Path(__file__).resolve().parents[2] / "trimmer" / "tethered.py"

# Measured on extracts of 1.3 MB (files 2.8 MB, peak 60 MB) and 95 MB (peak 1 GB); with room to spare.
DISK_BYTES_EACH = 12
DISK_BYTES_LEAST = 20_000_000
MEMORY_BYTES_EACH = 14
MEMORY_BYTES_LEAST = 150_000_000


@dataclass(frozen=True, kw_only=True)
class DataSet:
    """A finished data set: its folder, how long it took, and how big it is on disk (bytes)."""

    folder: Path
    seconds: float
    size: int
    fresh: bool


def data_set_name(checksum: str, rig: Rig) -> str:
    """The folder of an extract's roads for a rig: the same roads for the same rig are built once."""
    return f"{checksum[:16]}-{rig.key}{FORMAT}"


def build(extract: Extract, rig: Rig, root: Path, report: Report = lambda percent, doing: None) -> DataSet:
    """Build the data set in `root`, unless it is there already.

    Raises Unusable: no-road-engine, disk-full (needed and free in bytes), memory-full (the same), build-failed.
    """
    osrm = library("osrm")
    finished = root / data_set_name(extract.checksum, rig)
    if (finished / "set.json").exists():
        report(100, "there-already")
        (finished / "set.json").touch()  # so that nobody sweeps it before it is noted as used
        told = json.loads((finished / "set.json").read_text())
        return DataSet(folder=finished, seconds=told["seconds"], size=told["size"], fresh=False)
    began = time.monotonic()
    with _clean_disk(root), _workplace(root) as folder:
        check_room(extract, root)
        report(5, "reading-roads")
        (folder / "rig_values.lua").write_text(rig.lua())
        programs = Path(osrm.__file__).parent
        _run(programs, "osrm-extract", folder, "-p", str(PROFILE), "-o", str(folder / NAME), str(extract.path))
        report(50, "shortening-ways")
        _run(programs, "osrm-contract", folder, str(folder / NAME))
        report(85, "drawing-background")
        write_background(extract.path, folder / "background.json")
        report(95, "trying-it")
        _try(osrm, folder, extract)
        size = sum(file.stat().st_size for file in folder.iterdir())
        seconds = round(time.monotonic() - began, 2)
        told = {"extract": extract.checksum, "rig": rig.key, "seconds": seconds, "size": size}
        (folder / "set.json").write_text(json.dumps(told))
        # Somebody else may have finished the same roads meanwhile: then theirs stay.
        with contextlib.suppress(OSError):
            folder.rename(finished)
    if not (finished / "set.json").exists():
        raise Unusable("build-failed", program="rename", said="")
    return DataSet(folder=finished, seconds=seconds, size=size, fresh=True)


def check_room(extract: Extract, root: Path) -> None:
    """Refuse before the work, not in the middle of it: free disk and memory for an extract of this size."""
    needed = extract.size * DISK_BYTES_EACH + DISK_BYTES_LEAST
    free = shutil.disk_usage(root).free
    if free < needed:
        raise Unusable("disk-full", needed=needed, free=free)
    needed = extract.size * MEMORY_BYTES_EACH + MEMORY_BYTES_LEAST
    available = free_memory()
    if available is not None and available < needed:
        raise Unusable("memory-full", needed=needed, free=available)


def free_memory() -> int | None:
    """Bytes of memory that can be had without swapping; None where the system does not say."""
    try:
        lines = Path("/proc/meminfo").read_text().splitlines()
    except OSError:
        return None
    sizes = {line.split(":")[0]: int(line.split()[1]) * 1024 for line in lines}
    return sizes.get("MemAvailable")


def sweep(root: Path, keep: set[str], *, built_before: float = math.inf) -> list[str]:
    """Take away data sets that are not named in `keep` and were built before then (seconds since 1970), and what
    broken-off builds left. Says what went."""
    gone = []
    for folder in root.iterdir() if root.is_dir() else ():
        if not folder.is_dir() or folder.name in keep:
            continue
        if folder.name.startswith(BUILDING) and _is_being_built(folder):
            continue
        made = folder / "set.json"
        if folder.name.startswith(BUILDING) or (made.exists() and made.stat().st_mtime < built_before):
            shutil.rmtree(folder, ignore_errors=True)
            gone.append(folder.name)
    return gone


@contextlib.contextmanager
def _workplace(root: Path) -> Iterator[Path]:
    """A folder to build in, locked for as long as this process lives, gone afterwards."""
    root.mkdir(parents=True, exist_ok=True)
    for left in root.glob(f"{BUILDING}*"):
        if not _is_being_built(left):
            shutil.rmtree(left, ignore_errors=True)
    folder = Path(tempfile.mkdtemp(prefix=BUILDING, dir=root))
    lock = (folder / "lock").open("w")
    fcntl.flock(lock, fcntl.LOCK_EX)
    try:
        yield folder
    finally:
        lock.close()
        shutil.rmtree(folder, ignore_errors=True)


def _is_being_built(folder: Path) -> bool:
    """Whether a living process holds the folder's lock."""
    try:
        with (folder / "lock").open("r+") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except BlockingIOError:
        return True
    return False


@contextlib.contextmanager
def _clean_disk(root: Path) -> Iterator[None]:
    """A disk that fills up in the middle is said as such."""
    try:
        yield
    except OSError as error:
        root_exists = root.is_dir()
        free = shutil.disk_usage(root).free if root_exists else 0
        raise Unusable("disk-full", needed=0, free=free) from error


def _run(programs: Path, name: str, folder: Path, *arguments: str) -> None:
    """Run one of the engine's programs, politely; it ends when this process does."""
    profiles = programs / "share" / "profiles"
    environment = {**os.environ, "LUA_PATH": f"{folder}/?.lua;{profiles}/?.lua"}
    executable = programs / "bin" / name
    if not executable.exists():
        executable = executable.with_suffix(".exe")
    tether = [sys.executable, "-I", "-S", str(TETHER), str(os.getpid()), ""] if sys.platform == "linux" else []
    with (folder / f"{name}.log").open("w") as log:
        done = subprocess.run(
            [*tether, str(executable), "-l", "WARNING", *arguments],
            env=environment,
            stdout=log,
            stderr=subprocess.STDOUT,
            check=False,
            cwd=folder,
        )
    if done.returncode == 0:
        return
    said = (folder / f"{name}.log").read_text(errors="replace")[-500:].strip()
    if "No space left" in said or shutil.disk_usage(folder).free < DISK_BYTES_LEAST // 20:
        raise Unusable("disk-full", needed=0, free=shutil.disk_usage(folder).free)
    if "no edges" in said.lower() or "nothing to" in said.lower():
        raise Unusable("no-roads", path=folder.name)
    raise Unusable("build-failed", program=name, said=said)


def _try(osrm: object, folder: Path, extract: Extract) -> None:
    """The new data set must find a road near the middle of its area before it may take over."""
    from scheduling.travel.roads import RoadEngine

    box = extract.box
    RoadEngine(folder).nearest(((box.south + box.north) / 2, (box.west + box.east) / 2))
