"""Roads: how long loading takes, how quick tables are, and how right beside straight lines and a search of its own.

    python -m tests.bench.roads [EXTRACT.osm.pbf]

Without an extract the demo's invented valley is measured; ROADS_EXTRACT names one too.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from scheduling.travel import build
from scheduling.travel.extract import Extract, read_extract
from scheduling.travel.matrix import Table, complete
from scheduling.travel.rig import USUAL_RIG
from scheduling.travel.roads import RoadSource, engine_of
from scheduling.travel.straight import STRAIGHT, Point, Straight
from tests.bench.shortest import Network, read_network
from trimmer.management.scenario.extract import write_extract

PLACES, MOVED, PAIRS, FARMS = 300, 5, 200, 40
WITHOUT_TURNS = replace(
    USUAL_RIG, turn_seconds=0, u_turn_seconds=0, gate_seconds=0, signal_seconds=0, turn_restrictions=False
)


def main() -> None:
    given = sys.argv[1] if len(sys.argv) > 1 else os.environ.get("ROADS_EXTRACT", "")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(given) if given else write_extract(Path(folder) / "lennet-valley.osm.pbf")
        extract = _load(path, Path(folder))
        network = read_network(path, WITHOUT_TURNS)
        _tables(extract, Path(folder), network)
        _compare(extract, Path(folder), network)
    _in_the_service(given)


def _load(path: Path, folder: Path) -> Extract:
    began = time.perf_counter()
    extract = read_extract(path)
    read = time.perf_counter() - began
    made = build.build(extract, USUAL_RIG, folder)
    own, children = (
        resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    print(f"{path.name}: {extract.size / 1e6:.1f} MB, {extract.roads} roads")
    print(
        f"  loaded in {read + made.seconds:.1f} s (reading {read:.1f} s); {made.size / 1e6:.1f} MB on disk; peak "
        f"memory {children:.0f} MB in the engine's programs, {own:.0f} MB here"
    )
    return extract


def _source(extract: Extract, folder: Path, rig: object = USUAL_RIG) -> RoadSource:
    made = build.build(extract, rig, folder)  # type: ignore[arg-type]
    return RoadSource(
        engine=engine_of(made.folder), rig=USUAL_RIG, farthest=500, instead=STRAIGHT, checksum=extract.checksum
    )


def _tables(extract: Extract, folder: Path, network: Network) -> None:
    chance = np.random.default_rng(7)
    nodes = chance.choice(network.plain, PLACES + MOVED, replace=False)
    near = network.places[nodes] + chance.uniform(-5e-4, 5e-4, (PLACES + MOVED, 2))
    places: list[Point] = [(float(latitude), float(longitude)) for latitude, longitude in near]
    began = time.perf_counter()
    source = _source(extract, folder)
    opened = time.perf_counter() - began
    began = time.perf_counter()
    table, computed = complete(Table.empty(), places[:PLACES], source)
    first = time.perf_counter() - began
    began = time.perf_counter()
    again, more = complete(table, places[MOVED:], source, drop=True)
    second = time.perf_counter() - began
    began = time.perf_counter()
    for a, b in zip(places[:100], places[100:200], strict=True):
        source.engine.way([a, b])
    ways = (time.perf_counter() - began) / 100
    over = (again.seconds[:, :, None] + again.seconds[None, :, :]).min(axis=1)
    beyond = again.seconds - over
    print(
        f"  data set opened in {opened:.3f} s; {PLACES} x {PLACES} minutes and metres in {first:.3f} s ({computed} "
        f"ways); with {MOVED} farms moved {second:.3f} s ({more} ways)"
    )
    print(
        f"  a way with shape and turns {ways * 1000:.1f} ms; quicker over a third farm by more than 5 s: "
        f"{(beyond > 5).sum()} of {beyond.size} pairs, at most {beyond.max():.0f} s"
    )


def _compare(extract: Extract, folder: Path, network: Network) -> None:
    chance = np.random.default_rng(11)
    pairs = chance.choice(network.plain, (PAIRS, 2))
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    began = time.perf_counter()
    truth = network.drives(pairs)
    searched = time.perf_counter() - began
    places = [tuple(map(float, network.places[node])) for node in pairs.ravel()]
    engine = _source(extract, folder, WITHOUT_TURNS).engine
    with_turns = _source(extract, folder).engine
    began = time.perf_counter()
    ours = np.array([engine.table(places[n : n + 2], [0], [1])[0][0, 0] for n in range(0, len(places), 2)])  # type: ignore[arg-type]
    asked = time.perf_counter() - began
    turning = np.array([with_turns.table(places[n : n + 2], [0], [1])[0][0, 0] for n in range(0, len(places), 2)])  # type: ignore[arg-type]
    straight = np.array([Straight().drive(a, b)[1] for a, b in zip(places[::2], places[1::2], strict=True)])  # type: ignore[arg-type]
    off = np.abs(ours / truth - 1)
    print(f"  {len(truth)} random pairs, shortest ways by scipy in {searched:.2f} s, by the engine in {asked:.3f} s:")
    print(
        f"    without turns the same minutes within 1 % on {(off <= 0.01).mean():.1%}; median {np.median(off):.3%}, "
        f"worst {off.max():.2%}"
    )
    crooked = np.abs(straight / turning - 1)
    print(
        f"    turns, gates and lights add {np.median(turning / ours - 1):.1%}; straight line x detour is off by "
        f"{np.median(crooked):.0%} in the middle, {np.quantile(crooked, 0.9):.0%} at the 90th percentile"
    )


SERVICE = """
import sys, time, datetime as dt
from pathlib import Path
import django
django.setup()
from django.core.management import call_command
from django.conf import settings
call_command("migrate", verbosity=0)
from scheduling.services import roads, travel
from scheduling.services.loading import load_week
from tests.make import NOW, TODAY, a_base, a_business, a_client, a_crew, a_request
from trimmer.services.farms import add_farm
import numpy as np
from tests.bench.roads import FARMS, WITHOUT_TURNS, read_network, write_extract
given = sys.argv[1] if len(sys.argv) > 1 else ""
path = Path(given) if given else write_extract(Path(settings.VAR_DIR) / "lennet-valley.osm.pbf")
network = read_network(path, WITHOUT_TURNS)
spots = network.places[np.random.default_rng(3).choice(network.plain, FARMS + 2, replace=False)]
business = a_business()
crew = a_crew(business, base=a_base(business, latitude=spots[0][0], longitude=spots[0][1]))
client = a_client(business)
def farm(number):
    latitude, longitude = map(float, spots[number])
    return add_farm(client=client, name=f"Farm {number}", latitude=latitude, longitude=longitude)
for number in range(1, FARMS + 1):
    a_request(farm(number))
roads.load_roads(businesses=[business], path=path, by=None, now=NOW, say=lambda *said: None)
travel.keep_ready(business=business)
def timed(what):
    began = time.perf_counter()
    found = what()
    return found, (time.perf_counter() - began) * 1000
monday = TODAY + dt.timedelta(days=5)
_, read = timed(lambda: load_week(business=business, monday=monday, today=TODAY))
_, ready = timed(lambda: travel.keep_ready(business=business))
_, added = timed(lambda: farm(FARMS + 1))
ways, filled = timed(lambda: travel.keep_ready(business=business))
print(f"  {FARMS} farms in a week: read with all its ways in {read:.0f} ms, ready already ({ready:.0f} ms to find so); "
      f"a farm more: stored in {added:.0f} ms, its {ways} ways in {filled:.0f} ms")
"""


def _in_the_service(given: str) -> None:
    """The same in a service with a database: what a planner and an added farm wait for."""
    with tempfile.TemporaryDirectory() as var:
        environment = os.environ | {"TRIMROUND_VAR": var, "DJANGO_SETTINGS_MODULE": "trimmer.settings"}
        environment.pop("DATABASE_URL", None)
        subprocess.run([sys.executable, "-c", SERVICE, *([given] if given else [])], env=environment, check=True)


if __name__ == "__main__":
    main()
