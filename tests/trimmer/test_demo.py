"""The demo: the whole job told on the console, the same each time, in a folder of its own."""

from __future__ import annotations

import datetime as dt
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.conf import settings
from pypdf import PdfReader

pytestmark = pytest.mark.slow

PARTS = (
    "1. Who asks for a visit",
    "2. The week from",
    "3. What does not fit, and why",
    "4. The week is confirmed",
    "5. At the chute",
    "6. The rechecks it raises",
    "7. The invoice it becomes",
    "8. The payment",
)
TODAY = dt.date(2026, 3, 4)


def run_demo(folder: Path) -> str:
    """The story as printed on standard output."""
    names = ("DATABASE_URL", "REDIS_URL", "TRIMROUND_DEMO")
    environment = {name: value for name, value in os.environ.items() if name not in names}
    done = subprocess.run(
        [sys.executable, "manage.py", "demo", "--no-serve", "--today", TODAY.isoformat()],
        cwd=settings.BASE_DIR,
        env=environment | {"TRIMROUND_VAR": str(folder)},
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return done.stdout


def test_the_demo_tells_the_whole_job_and_starts_clean_each_time(tmp_path: Path) -> None:
    story = run_demo(tmp_path)
    assert [part for part in PARTS if part not in story] == []
    for state in ("draft", "open", "part paid", "overdue", "paid", "credited"):
        assert re.search(rf"[1-9]\d* {state}", story), state
    path = re.search(r"Its PDF lies in\s+(\S+)", story)
    assert path is not None
    text = "".join(page.extract_text() for page in PdfReader(path.group(1)).pages)
    assert Path(path.group(1)).stem in text
    assert (tmp_path / "demo" / "mail").is_dir()
    assert not (tmp_path / "trimround.sqlite3").exists()

    assert run_demo(tmp_path) == story
