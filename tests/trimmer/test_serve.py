"""`manage.py serve`: everything on this machine from one command."""

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.request import urlopen

import pytest

from trimmer import embedded
from trimmer.management.commands import serve

SERVE = [sys.executable, "manage.py", "serve"]


@dataclass(frozen=True)
class Served:
    """A running command: its folder, its database, the address it printed."""

    var: Path
    database: str
    address: str


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory, make_database: Callable[[], str]) -> Iterator[Served]:
    """The command at work on an empty database."""
    var, database = tmp_path_factory.mktemp("var"), make_database()
    env = {"TRIMROUND_VAR": str(var), "DATABASE_URL": database}
    child = embedded.Child("serve", SERVE, env=env, log=var.with_suffix(".log"))
    with embedded.running(child):
        child.wait_until(lambda: "Trimround is at" in child.last_lines(), seconds=120)
        (address,) = re.findall(r"http://\S+", child.last_lines())
        yield Served(var, database, address)


def run_serve(var: Path, database: str, *options: str) -> subprocess.CompletedProcess[str]:
    """Run the command where it is expected to refuse."""
    env = os.environ | {"TRIMROUND_VAR": str(var), "DATABASE_URL": database}
    return subprocess.run([*SERVE, *options], cwd=embedded.BASE_DIR, env=env, capture_output=True, text=True)


@pytest.mark.slow
def test_pages_and_their_files_are_served_on_the_printed_address(served: Served) -> None:
    with urlopen(f"{served.address}accounts/login/", timeout=60) as page:
        sheet = re.findall(r'href="/(static/[^"]+\.css)"', page.read().decode())[0]

    with urlopen(served.address + sheet, timeout=60) as answer:
        assert answer.headers["Content-Type"].startswith("text/css")


@pytest.mark.slow
def test_a_folder_is_served_once(served: Served) -> None:
    again = run_serve(served.var, served.database)

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
