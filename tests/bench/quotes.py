"""Quotes: how near the best opening is to solving the whole week again, and how long it takes.

    python -m tests.bench.quotes [ASKS]

Each ask is for one farm in a week of two crews that stands planned, two visits in three confirmed.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from scheduling.planner import solve
from scheduling.planner.quote import quote
from tests.scheduling.test_quotes import asked_of, standing_week

ASKS = 200
WEEKS, VISITS = 6, 40
WITHIN = 1.03


def main() -> None:
    asks = int(sys.argv[1]) if len(sys.argv) > 1 else ASKS
    _how_near(asks)
    _how_long(min(asks, 50))


def _how_near(asks: int) -> None:
    near, exact = 0, 0
    for seed in range(asks):
        week, places, standing = standing_week(seed)
        asked = asked_of(seed, week, places)
        best = next(iter(quote([asked], "asked", standing=[standing])), None)
        truth = solve(asked, seconds=60, effort=60, standing=standing).cost - standing.cost
        if best is not None:
            near += best.extra <= WITHIN * truth + 1e-6
            exact += best.extra <= truth + 1e-6
    print(
        f"{asks} asks of weeks of 12 visits: the best quoted opening within 3 % of solving again on {near / asks:.1%}, "
        f"exactly it on {exact / asks:.1%}"
    )


def _how_long(asks: int) -> None:
    """Six weeks of forty visits, as long as one waits on the telephone."""
    week, places, standing = standing_week(1, jobs=VISITS)
    took = []
    for seed in range(asks):
        asked = asked_of(seed, week, places)
        began = time.perf_counter()
        quote([asked] * WEEKS, "asked", standing=[standing] * WEEKS)
        took.append(1000 * (time.perf_counter() - began))
    middle, most, worst = np.percentile(took, [50, 95, 100])
    print(
        f"{asks} asks over {WEEKS} weeks of {VISITS} visits and 2 crews: {middle:.0f} ms in the middle, {most:.0f} ms "
        f"at the 95th percentile, {worst:.0f} ms at most"
    )


if __name__ == "__main__":
    main()
