"""Pure time-window routing as a week of one day: a vehicle is a crew, its load the head it may treat.

Distances are metres (ten to the unit, cut after the first decimal, as the published optima are) at a price of one, and
nothing else costs anything. A clock is whole minutes, of which a unit of the problem may have several; driving times
that are no whole minutes are rounded up (each plan is one of the problem's own) or down (each plan of the problem is
one of the week's): where both give the same distance it is the problem's.
"""

import json
import math
from pathlib import Path
from typing import Any

from scheduling.planner import Costs, Crew, Job, Rules, Week

FIXTURES = Path(__file__).parents[2] / "fixtures" / "routing"


def problem(name: str) -> dict[str, Any]:
    """The problem as its file says."""
    loaded: dict[str, Any] = json.loads((FIXTURES / f"{name}.json").read_text(encoding="utf-8"))
    return loaded


def week_of(given: dict[str, Any], customers: int, vehicles: int, *, minutes: int, up: bool = False) -> Week:
    """The first customers and so many vehicles. minutes: of a unit of the problem's time; up: how driving rounds."""
    x, y, opens, closes = given["depot"]
    rows = given["customers"][:customers]
    service = given["service"] * minutes
    points = [(x, y), *((row[0], row[1]) for row in rows)]
    tenths = [[math.isqrt(100 * ((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2)) for b in points] for a in points]
    drive = [[-(-minutes * value // 10) if up else minutes * value // 10 for value in row] for row in tenths]
    end = closes * minutes
    crews = [Crew.steady(n, days=(0,), earliest=opens * minutes, latest=end, longest_day=end) for n in range(vehicles)]
    return Week(
        crews=tuple(Crew(**(vars(crew) | {"most_head": given["capacity"]})) for crew in crews),
        jobs=tuple(
            Job(
                id=number,
                work=service,
                windows={0: ((ready * minutes, due * minutes + service),)},
                skip_cost=10**6,
                head=demand,
            )
            for number, (_, _, demand, ready, due) in enumerate(rows)
        ),
        out=(tuple(drive[0][1:]),) * vehicles,
        between=tuple(tuple(row[1:]) for row in drive[1:]),
        metres_out=(tuple(tenths[0][1:]),) * vehicles,
        metres_between=tuple(tuple(row[1:]) for row in tenths[1:]),
        costs=Costs(crew_day=0, drive=0, off_work=0, metre=1),
        rules=Rules(wash=0, lunch=0),
        days=1,
        name=f"{given['name']}, {customers} customers",
    )
