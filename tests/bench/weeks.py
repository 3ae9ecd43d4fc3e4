"""The weeks of fixtures/weeks against their best known cost, beside two routing libraries given the same seconds.

    python -m tests.bench.weeks [--seconds 10 5 1] [--weeks w01 d03] [--planners trimround ortools_routing pyvrp_search]

Every plan is priced by `tests.scheduling.reference_price`, which shares nothing with the planner and refuses a plan
that breaks a rule. Each run is a process of its own; the order is the same for every week. The libraries get a model
of the week (`planners`), patterns for splits from outside, and their plans mended; their figures stand for that, not
for their limits.
"""

import argparse
import json
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..scheduling.reference_price import Refused, plan_price
from .children import ask

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weeks"

# Cost and whether it is proven: by listing every round a cheaper plan could be made of, for w01 and w03 also by a
# compact model in constraint programming. Without proof it is the best plan of runs of many minutes.
BEST_KNOWN = {
    "w01": (1662, True),
    "w03": (1197, True),
    "w05": (1488, True),
    "w07": (2804, True),
    "w08": (1995, True),
    "w10": (6984, True),
    "w12": (3775, True),
    "w13": (5313, True),
    "w14": (4848, False),
    "w16": (6072, True),
    "w18": (6707, False),
    "w20": (9727, False),
    "d01": (4864, False),
    "d03": (5058, False),
}
PLANNERS = ("trimround", "ortools_routing", "pyvrp_search")
OURS = PLANNERS[0]


@dataclass(frozen=True)
class Run:
    """One planner on one week. cost: None when the plan was refused; bound: None when none was told."""

    cost: float | None
    bound: float | None
    seconds: float
    peak_mb: float


def main(arguments: Sequence[str] | None = None) -> None:
    """Print a table for each number of seconds."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.weeks", description="Weeks against the best known.")
    parser.add_argument("--seconds", nargs="+", type=float, default=[10.0, 5.0, 1.0])
    parser.add_argument("--weeks", nargs="+", choices=sorted(BEST_KNOWN), default=list(BEST_KNOWN))
    parser.add_argument("--planners", nargs="+", choices=PLANNERS, default=list(PLANNERS))
    chosen = parser.parse_args(arguments)
    for seconds in chosen.seconds:
        _table(seconds, chosen.weeks, chosen.planners)


def _table(seconds: float, weeks: Sequence[str], planners: Sequence[str]) -> None:
    others = [planner for planner in planners if planner != OURS]
    print(f"\n{seconds:g} s each; percent above the best known")
    heads = [
        "week",
        "jobs",
        "crews",
        "best known",
        *(["cost", "above", "bound gap", "proven", "took"] if OURS in planners else []),
    ]
    print("  ".join(f"{head:>10}" for head in [*heads, *(planner[:10] for planner in others)]), flush=True)
    above: dict[str, list[float]] = {planner: [] for planner in planners}
    gaps = []
    for name in weeks:
        text = (FIXTURES / f"{name}.json").read_text(encoding="utf-8")
        problem, (best, proven) = json.loads(text), BEST_KNOWN[name]
        cells = [name, len(problem["jobs"]), len(problem["crews"]), f"{best}{'' if proven else ' ?'}"]
        for planner in planners:
            run = _run(planner, text, seconds)
            if run.cost is None:
                cells.append("refused")
                continue
            share = 100 * (run.cost - best) / best
            above[planner].append(share)
            if planner == OURS:
                gap = None if run.bound is None else 100 * (run.cost - run.bound) / run.cost
                gaps += [] if gap is None else [gap]
                closed = gap is not None and gap < 1e-6
                cells += [f"{run.cost:g}", f"{share:.2f}", "-" if gap is None else f"{gap:.2f}"]
                cells += ["yes" if closed else "no", f"{run.seconds:.1f}"]
                if (proven and run.cost < best - 1e-6) or (
                    run.bound is not None and proven and run.bound > best + 1e-6
                ):
                    cells.append("WRONG")
            else:
                cells.append(f"{share:.2f}")
        print("  ".join(f"{cell!s:>10}" for cell in cells), flush=True)
    for planner, shares in above.items():
        if shares:
            mean, middle, worst = statistics.fmean(shares), statistics.median(shares), max(shares)
            print(
                f"{planner}: {len(shares)} accepted; above: mean {mean:.2f}, median {middle:.2f}, worst {worst:.2f} %"
            )
    if gaps:
        print(f"{OURS}: bound gap mean {statistics.fmean(gaps):.2f} %, worst {max(gaps):.2f} %")


def _run(planner: str, text: str, seconds: float) -> Run:
    answer = ask(planner, text, seconds)
    said = answer.said
    try:
        cost: float | None = plan_price(json.loads(text), said["plan"])
    except Refused as refusal:
        print(f"{planner}: {refusal}")
        cost = None
    return Run(cost=cost, bound=said["bound"], seconds=said["seconds"], peak_mb=answer.peak_mb)


if __name__ == "__main__":
    main()
