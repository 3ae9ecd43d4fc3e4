"""A planner by name, as a child: `python -m tests.bench.planners NAME SECONDS < week.json`; the answer is one line of
JSON: {"plan", "seconds", "bound", "first", ...}."""

import importlib
import json
import sys
import time

from scheduling.planner import read_week


def answer(name: str, seconds: float) -> None:
    """Read the week, let the planner work, and say what it found."""
    planner = importlib.import_module(f"{__package__}.{name}")
    week = read_week(json.load(sys.stdin))
    began = time.monotonic()
    said = planner.plan(week, seconds)
    print(json.dumps(said | {"seconds": time.monotonic() - began}))


if __name__ == "__main__":
    answer(sys.argv[1], float(sys.argv[2]))
