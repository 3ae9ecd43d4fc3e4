"""`manage.py serve`: everything on this machine from one command."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import pytest

from trimmer import embedded
from trimmer.management.commands import serve

SERVE = [sys.executable, "manage.py", "serve"]


@contextmanager
def serving(var: Path, database: str) -> Iterator[str]:
    """Run the command; yields the address it prints."""
    child = embedded.Child(
        "serve", SERVE, env={"TRIMROUND_VAR": str(var), "DATABASE_URL": database}, log=var.with_suffix(".log")
    )
    with embedded.running(child):
        child.wait_until(lambda: "Trimround is at" in child.last_lines(), seconds=120)
        (address,) = re.findall(r"http://\S+", child.last_lines())
        yield address


def run_serve(var: Path, database: str, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the command where it is expected to refuse."""
    env = os.environ | {"TRIMROUND_VAR": str(var), "DATABASE_URL": database}
    return subprocess.run([*SERVE, *options], cwd=embedded.BASE_DIR, env=env, capture_output=True, text=True)


@pytest.mark.slow
def test_it_migrates_and_serves_pages_and_their_files_on_the_address_it_prints(
    tmp_path: Path, fresh_database: str
) -> None:
    with serving(tmp_path / "var", fresh_database) as address, urlopen(f"{address}accounts/login/", timeout=60) as page:
        sheet = re.findall(r'href="/(static/[^"]+\.css)"', page.read().decode())[0]
        with urlopen(address + sheet, timeout=60) as answer:
            assert answer.headers["Content-Type"].startswith("text/css")


@pytest.mark.slow
def test_a_folder_is_served_once(tmp_path: Path, fresh_database: str) -> None:
    var = tmp_path / "var"
    with serving(var, fresh_database):
        again = run_serve(var, fresh_database)

    assert again.returncode == 1
    assert "in use by a running service" in again.stderr


def test_without_a_port_a_free_one_is_taken_when_the_usual_one_is_in_use(monkeypatch: pytest.MonkeyPatch) -> None:
    with embedded.local_address() as taken:
        monkeypatch.setattr(serve, "USUAL_PORT", taken.getsockname()[1])
        with serve.listen(None) as address:
            assert address.getsockname()[1] not in {0, taken.getsockname()[1]}


def test_a_port_in_use_is_refused(tmp_path: Path, fresh_database: str) -> None:
    with embedded.local_address() as taken:
        port = str(taken.getsockname()[1])
        refused = run_serve(tmp_path / "var", fresh_database, "--port", port)

    assert refused.returncode == 1
    assert f"port {port} of 127.0.0.1: Address already in use" in refused.stderr
