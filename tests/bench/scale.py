"""How time and memory grow with the size of the week: from 10 jobs to 200, on one core.

    python -m tests.bench.scale [--seconds 60] [--sizes 10 20 40 80 120 200]

Weeks come from `generator`; each is planned in a process of its own, whose peak memory is the system's figure. Every
plan is priced by `tests.scheduling.reference_price`. "within 1 %": when the cost was within 1 % of the last one.
"""

import argparse
import json
import math
from collections.abc import Sequence

from ..scheduling.reference_price import plan_price
from .children import ask
from .generator import week_file

CREWS = {10: 1, 20: 2, 40: 3, 80: 5, 120: 8, 200: 12}


def main(arguments: Sequence[str] | None = None) -> None:
    """Print one line for each size."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.scale", description="From 10 jobs to 200.")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--sizes", nargs="+", type=int, choices=sorted(CREWS), default=sorted(CREWS))
    chosen = parser.parse_args(arguments)
    heads = ["jobs", "crews", "cost", "bound", "gap %", "left out", "first plan", "within 1 %", "took", "peak MB"]
    print(f"At most {chosen.seconds:g} s each; times in seconds")
    print("  ".join(f"{head:>10}" for head in heads), flush=True)
    times = []
    for jobs in chosen.sizes:
        problem = week_file(jobs, CREWS[jobs])
        answer = ask("trimround", json.dumps(problem), chosen.seconds)
        said = answer.said
        cost, bound = plan_price(problem, said["plan"]), said["bound"]
        near = next(at for at, reached in said["reached"] if reached <= 1.01 * cost)
        done = {visit["job"] for entry in said["plan"]["rounds"] for visit in entry["visits"]}
        gap = "-" if bound is None else f"{100 * (cost - bound) / cost:.2f}"
        cells = [jobs, CREWS[jobs], f"{cost:g}", "-" if bound is None else f"{bound:.0f}", gap, jobs - len(done)]
        cells += [f"{said['first']:.2f}", f"{near:.2f}", f"{said['seconds']:.1f}", f"{answer.peak_mb:.0f}"]
        print("  ".join(f"{cell!s:>10}" for cell in cells), flush=True)
        times.append((jobs, said["first"], near))
    if len(times) > 1:
        (small, first, near), (large, last_first, last_near) = times[0], times[-1]
        grown = math.log(large / small)
        first_power = math.log(max(last_first, 0.001) / max(first, 0.001)) / grown
        near_power = math.log(max(last_near, 0.001) / max(near, 0.001)) / grown
        print(
            f"From {small} to {large} jobs: first plan as jobs^{first_power:.1f}, within 1 % as jobs^{near_power:.1f}"
        )


if __name__ == "__main__":
    main()
