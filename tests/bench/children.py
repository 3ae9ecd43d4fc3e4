"""A planner at work in a process of its own, so that neither memory nor what was imported is shared."""

import json
import os
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Answer:
    """What a child said, and its peak memory in megabytes."""

    said: Mapping[str, Any]
    peak_mb: float


def ask(planner: str, problem: str, seconds: float) -> Answer:
    """Let the planner of that name (a module of `planners`) work on a week file's text for so many seconds."""
    module = f"{__package__}.planners"
    child = subprocess.Popen(
        [sys.executable, "-m", module, planner, str(seconds)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
    )
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(problem)
    child.stdin.close()
    said = child.stdout.read()
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise RuntimeError(f"{planner} ended with {child.returncode}")
    kilobytes = used.ru_maxrss / (1024 if sys.platform == "darwin" else 1)
    return Answer(said=json.loads(said.splitlines()[-1]), peak_mb=kilobytes / 1024)
