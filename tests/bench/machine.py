"""The machine and the versions figures were measured with."""

import os
import platform
from importlib.metadata import version
from pathlib import Path

PACKAGES = ("django", "numba", "numpy", "ortools", "pyvrp", "scipy")


def describe() -> str:
    """One line on the machine, one on the software."""
    return "\n".join(
        (
            f"{_processor()}, {os.cpu_count()} cores, {_memory()} GB; {platform.system()} {platform.release()}",
            ", ".join([f"Python {platform.python_version()}", *(f"{name} {version(name)}" for name in PACKAGES)]),
        )
    )


def _processor() -> str:
    facts = Path("/proc/cpuinfo")
    lines = facts.read_text(encoding="utf-8").splitlines() if facts.exists() else []
    named = [line.split(":", 1)[1].strip() for line in lines if line.startswith("model name")]
    return named[0] if named else platform.processor() or platform.machine()


def _memory() -> str:
    return f"{os.sysconf('SC_PAGE_SIZE') * os.sysconf('SC_PHYS_PAGES') / 2**30:.0f}"
