"""Fixtures for every test: the test database, Valkey, a Celery worker, a browser."""

import os
import shutil
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg
import pytest
from django.conf import settings
from django.db import connection, transaction
from psycopg import sql

from trimmer import embedded

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page
    from pytest_django.live_server_helper import LiveServer

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
CHROMIUM_OPTIONS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
SECONDS_FOR_A_PAGE = 10


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings_parallel_suffix: None) -> None:
    """SQLite: a file and not memory, so that threads and processes of a test meet as they would in a deployment."""
    database = settings.DATABASES["default"]
    if database["ENGINE"].endswith("sqlite3"):
        database.setdefault("TEST", {})["NAME"] = str(settings.VAR_DIR / "test.sqlite3")


@pytest.fixture(scope="session")
def django_db_keepdb() -> bool:
    """Never drop the test database: its folder or its whole server is thrown away after the run."""
    return True


@pytest.fixture(autouse=True)
def _issued_documents_go_with_their_test(request: pytest.FixtureRequest) -> Iterator[None]:
    """Let the end of a test that commits sweep up what the database else refuses to let go: invoices, the trail."""
    marker = request.node.get_closest_marker("django_db")
    committing = {"transactional_db", "live_server"} & set(request.fixturenames)
    if not committing and not (marker and marker.kwargs.get("transaction")):
        yield
        return
    request.getfixturevalue("transactional_db")  # before the yield: its own clearing then comes after this one
    yield
    from billing import frozen_rows, trail

    with transaction.atomic():
        trail.lift(connection)
        frozen_rows.lift(connection)  # both are laid again once the test's rows are swept up


def live_database_url() -> str:
    """The test database as another process reads it from DATABASE_URL."""
    name = str(connection.settings_dict["NAME"])
    if connection.vendor == "sqlite":
        return f"sqlite:///{name}"
    return os.environ["DATABASE_URL"].rpartition("/")[0] + f"/{name}"


@pytest.fixture(scope="session")
def make_database(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], str]:
    """Make an empty database of the run's kind, for commands that run as processes of their own: its URL."""

    def make() -> str:
        server = os.environ.get("DATABASE_URL")
        if server is None:
            return f"sqlite:///{tmp_path_factory.mktemp('database') / 'fresh.sqlite3'}"
        name = f"fresh_{uuid.uuid4().hex}"
        with psycopg.connect(server, autocommit=True) as postgresql:
            postgresql.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(name)))
        return server.rpartition("/")[0] + f"/{name}"

    return make


@pytest.fixture
def fresh_database(make_database: Callable[[], str]) -> str:
    """The URL of an empty database for one test."""
    return make_database()


# Work that leaves the web process


@pytest.fixture(scope="session")
def valkey() -> Iterator[str]:
    """A running Valkey, the one the settings point to: its URL as Celery writes it."""
    with embedded.valkey(settings.VAR_DIR):
        yield settings.CELERY_BROKER_URL


class Worker(embedded.Child):
    """A Celery worker process on the test database and the test's Valkey."""

    def wait_until_it_answers(self, seconds: float = 60) -> None:
        """Wait for its answer to a ping."""
        from trimmer.celery import app

        me = f"{self.name}@"
        self.wait_until(lambda: any(me in host for answer in app.control.ping(timeout=0.3) for host in answer), seconds)


@pytest.fixture
def start_worker(transactional_db: None, valkey: str, tmp_path: Path) -> Iterator[Callable[[], Worker]]:
    """Start a Celery worker at each call. `Worker.kill` is a kill -9 of all its processes."""
    workers: list[Worker] = []
    with ExitStack() as stack:

        def start() -> Worker:
            name = f"worker{len(workers)}"
            command = embedded.worker_command("--hostname", f"{name}@%h", "--without-mingle", concurrency=1)
            worker = Worker(name, command, env={"DATABASE_URL": live_database_url()}, log=tmp_path / f"{name}.log")
            worker.start()
            stack.callback(worker.kill)
            workers.append(worker)
            worker.wait_until_it_answers()
            return worker

        yield start


@pytest.fixture
def worker(start_worker: Callable[[], Worker]) -> Worker:
    """One running Celery worker."""
    return start_worker()


# The browser


@pytest.fixture(scope="session")
def browser() -> "Iterator[Browser]":
    """A real Chromium."""
    if CHROMIUM is None:
        pytest.skip("no Chromium here: install the package `chromium`")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright, pytest.MonkeyPatch.context() as patch:
        # Playwright's event loop runs in the test's own thread, which Django would take for asynchronous code.
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "true")
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_OPTIONS)
        yield chromium
        chromium.close()


@pytest.fixture
def page_complaints() -> list[str]:
    """What the pages of the test complained of: script errors, refused content, requests that leave the service.

    A test that provokes one on purpose takes it out of the list; whatever is left fails it.
    """
    return []


@pytest.fixture
def open_context(
    browser: "Browser", live_server: "LiveServer", page_complaints: list[str]
) -> "Iterator[Callable[..., BrowserContext]]":
    """Open a browser context: one person's browser. Takes `width` and `height` in CSS pixels (a phone by default)."""
    contexts: list[BrowserContext] = []

    def open_one(*, width: int = 390, height: int = 844) -> "BrowserContext":
        context = browser.new_context(
            base_url=live_server.url, viewport={"width": width, "height": height}, locale="en-GB", timezone_id="UTC"
        )
        context.set_default_timeout(SECONDS_FOR_A_PAGE * 1000)
        context.on("weberror", lambda error: page_complaints.append(f"script: {error.error}"))
        context.on(
            "console",
            lambda message: page_complaints.append(f"console: {message.text}") if message.type == "error" else None,
        )
        context.on(
            "request",
            lambda request: (
                page_complaints.append(f"leaves the service: {request.url}")
                if not request.url.startswith((live_server.url, "data:", "blob:"))
                else None
            ),
        )
        contexts.append(context)
        return context

    yield open_one
    for context in contexts:
        context.close()
    assert page_complaints == []


@pytest.fixture
def page(open_context: "Callable[..., BrowserContext]") -> "Page":
    """A page of a phone-sized browser (390 x 844) whose relative addresses are the live server's."""
    return open_context().new_page()


@pytest.fixture
def wide_page(open_context: "Callable[..., BrowserContext]") -> "Page":
    """A page of a desk-sized browser (1280 x 900)."""
    return open_context(width=1280, height=900).new_page()
