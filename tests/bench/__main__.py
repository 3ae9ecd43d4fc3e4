"""Run every subject, or those named, one after another, each in a process of its own.

    python -m tests.bench [SUBJECT ...]

A subject is a module of this package with a `main()`.
"""

import pkgutil
import subprocess
import sys
from pathlib import Path

from .machine import describe

HERE = Path(__file__).parent


def subjects() -> list[str]:
    """Names of the subjects there are, in order."""
    names = [found.name for found in pkgutil.iter_modules([str(HERE)]) if not found.ispkg and found.name != "__main__"]
    return sorted(name for name in names if "\ndef main(" in (HERE / f"{name}.py").read_text(encoding="utf-8"))


def run(wanted: list[str]) -> int:
    """Run them; the number of those that failed."""
    unknown = [name for name in wanted if name not in subjects()]
    if unknown:
        print(f"No such subject: {', '.join(unknown)}. There are: {', '.join(subjects())}.", file=sys.stderr)
        return len(unknown)
    print(describe(), flush=True)
    failed = 0
    for name in wanted or subjects():
        print(f"\n== {name} ==", flush=True)
        failed += subprocess.run([sys.executable, "-m", f"{__package__}.{name}"], check=False).returncode != 0
    return failed


if __name__ == "__main__":
    sys.exit(min(1, run(sys.argv[1:])))
