"""The whole job on an invented valley: told on the console, then served to look around in."""

from __future__ import annotations

import datetime as dt
import os
import sys
from argparse import ArgumentParser
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Never
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.management import BaseCommand, CommandError, call_command
from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext as _

from trimmer import embedded
from trimmer.access import business_locale
from trimmer.acting import acting
from trimmer.errors import Refusal
from trimmer.management.scenario.bank import write_statement
from trimmer.management.scenario.clearing import clear_database, clear_folder
from trimmer.management.scenario.founding import MORNING, Ground, found
from trimmer.management.scenario.morning import bill_visit, confirm, plan_week, take_payment, visit_of_yesterday
from trimmer.management.scenario.pace import learn_overnight
from trimmer.management.scenario.past import live_through
from trimmer.management.scenario.roads import lay_roads
from trimmer.management.scenario.story import Story
from trimmer.management.scenario.valley import Valley, read_valley
from trimmer.management.scenario.waiting import ask_now, book_what_is_agreed, gather_requests

MARK = "TRIMROUND_DEMO"
"""Set to this process's id once it runs in the demo's own folder; a child that inherits it has another id."""

# What a deployment says of itself is not for the demo: above all, it sends no real e-mail.
LEFT_OUT = (
    *("SECRET_KEY", "ALLOWED_HOSTS", "CSRF_TRUSTED_ORIGINS", "HTTPS_ONLY", "BEHIND_PROXY", "STATIC_ROOT", "DEBUG"),
    *("EMAIL_HOST", "EMAIL_HOST_USER", "EMAIL_HOST_PASSWORD", "DEFAULT_FROM_EMAIL"),
)


class Command(BaseCommand):
    help = (
        "Build an invented valley in a folder of its own, tell what happens there from request to paid invoice, and "
        "serve it on 127.0.0.1 until Ctrl-C. Each run starts clean."
    )
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="end after the story")
        parser.add_argument("--today", type=dt.date.fromisoformat, metavar="YYYY-MM-DD", help="default: today")
        parser.add_argument("--port", type=int, default=0, help="default: a free one")

    def handle(self, *args: Any, no_serve: bool, today: dt.date | None, port: int, **options: Any) -> None:
        valley = read_valley()
        if os.environ.get(MARK) != str(os.getpid()):
            start_in_own_folder(
                no_serve=no_serve, today=today or today_in(valley, now=timezone.now()), port=port or free_port()
            )
        assert today is not None  # noqa: S101  (given by the start above)
        try:
            with embedded.stopped_by_signals(), broker():
                self._live(valley, today)
                if not no_serve:
                    self._serve(port)
        except (embedded.CannotStart, Refusal) as error:
            raise CommandError(str(error)) from error
        except KeyboardInterrupt:
            self.stdout.write(_("Stopped."))

    def _live(self, valley: Valley, today: dt.date) -> None:
        """Clear the ground, let the past happen, tell the story."""
        folder = settings.VAR_DIR
        if os.environ.get("DATABASE_URL"):
            clear_database(demo_email=valley.business["email"])
        clear_folder(folder)
        self._progress(_("Making the database"), 0)
        call_command("migrate", verbosity=0)
        with workers(folder / "log") as worker:
            self._progress(_("Founding the business"), 0)
            with transaction.atomic():
                ground = found(valley, today)
            self._progress(_("Building the valley's roads"), 0)
            if (refusal := lay_roads(ground, folder)) is not None:
                self.stderr.write(str(refusal), style_func=str)
            with business_locale(ground.business):
                live_through(ground, self._progress)
                learn_overnight(ground)
                self._tell(ground, worker, folder)
        self._sign_ins(valley)

    def _tell(self, ground: Ground, worker: embedded.Child, folder: Path) -> None:
        story = Story(ground, self.stdout.write)
        agreed, requests = book_what_is_agreed(ground), gather_requests(ground)
        story.opening()
        story.asked(requests, agreed)
        story.pace(requests)
        week = plan_week(ground, worker, self._progress)
        story.week(week)
        story.left_out(week)
        story.confirmed(confirm(ground, week), folder / "mail")
        story.asked_since(ask_now(ground, ground.valley.after_confirming))
        visit = visit_of_yesterday(ground)
        story.at_chute(visit)
        story.rechecks(visit)
        with acting(ground.people["office"], "demo"):
            bill = bill_visit(ground, visit, folder / "invoices")
            payment = take_payment(ground, bill.invoice)
        story.invoice(bill)
        story.payment(payment, bill.invoice)
        story.bank(*write_statement(ground, folder / "bank"))

    def _progress(self, message: str, percent: int) -> None:
        """On standard error, so that the story alone is on standard output; one line that is written over."""
        if self.stderr.isatty():
            ending = "" if percent < 100 else "\r\x1b[K"
            self.stderr.write(f"\r\x1b[K{percent:3d} % {message}", style_func=str, ending=ending)
            self.stderr.flush()

    def _sign_ins(self, valley: Valley) -> None:
        self.stdout.write("")
        self.stdout.write(_("Sign in as"))
        for key, what in (
            ("owner", _("owner, who trims")),
            ("trimmer", _("trimmer of the other crew")),
            ("office", _("office")),
            ("farm", _("farm")),
        ):
            person = valley.people[key]
            self.stdout.write(f"   {what:<26} {person['email']:<34} {person['password']}")
        self.stdout.write(_("These people and passwords are the demo's; every copy of it has the same."))

    def _serve(self, port: int) -> Never:
        with listen(port) as address:
            number = address.getsockname()[1]
            self.stdout.write("")
            self.stdout.write(_("The valley is at http://127.0.0.1:%(port)d/ (Ctrl-C ends it)") % {"port": number})
            self.stdout.flush()
            embedded.serve(address, say=self.stderr.write)


def today_in(valley: Valley, *, now: dt.datetime) -> dt.date:
    """The day on which the story is set: today there, or yesterday as long as its morning has not come."""
    local = now.astimezone(ZoneInfo(valley.business["time_zone"]))
    before_morning = local.time() < MORNING
    return local.date() - dt.timedelta(days=before_morning)


def start_in_own_folder(*, no_serve: bool, today: dt.date, port: int) -> Never:
    """Start anew in the demo's own folder, in place of this process: nothing of a business is touched."""
    arguments = [str(embedded.BASE_DIR / "manage.py"), "demo", "--today", today.isoformat(), "--port", str(port)]
    sys.stdout.flush()
    os.execve(
        sys.executable,
        [sys.executable, *arguments, *(["--no-serve"] if no_serve else [])],
        own_environment(os.environ, settings.VAR_DIR / "demo", port),
    )


def own_environment(environment: Mapping[str, str], folder: Path, port: int) -> dict[str, str]:
    """The environment of the demo. DATABASE_URL, and with it REDIS_URL, stay when they are given."""
    kept = {name: value for name, value in environment.items() if name not in LEFT_OUT}
    if not kept.get("DATABASE_URL"):
        kept.pop("REDIS_URL", None)
    return kept | {
        MARK: str(os.getpid()),
        "TRIMROUND_VAR": str(folder.absolute()),
        "EMAIL_FOLDER": str(folder.absolute() / "mail"),
        "SITE_URL": f"http://127.0.0.1:{port}",
    }


def free_port() -> int:
    """A port that nobody listens on just now; links in e-mails name it before it is served."""
    with embedded.local_address() as address:
        number: int = address.getsockname()[1]
        return number


@contextmanager
def listen(port: int) -> Iterator[Any]:
    """A listening socket on `port`. Raises CannotStart when somebody else has taken it."""
    try:
        address = embedded.local_address(port)
    except OSError as error:
        why = os.strerror(error.errno or 0)
        raise embedded.CannotStart(f"port {port} of 127.0.0.1: {why}") from error
    with address:
        yield address


@contextmanager
def broker() -> Iterator[None]:
    """The demo's Valkey, emptied, or the server of REDIS_URL. Either way nobody else runs in this folder."""
    if settings.REDIS_URL:
        with embedded.only_one(settings.VAR_DIR):
            yield
        return
    with embedded.valkey(settings.VAR_DIR):
        embedded.ask(embedded.socket_path(settings.VAR_DIR), "FLUSHALL")
        yield


@contextmanager
def workers(logs: Path) -> Iterator[embedded.Child]:
    """A worker, and beat beside it, for the time of the story."""
    quiet = ("--loglevel", "WARNING")
    worker = embedded.Child("worker", embedded.worker_command(*quiet, concurrency=1), log=logs / "worker.log")
    beat = embedded.Child("beat", embedded.beat_command(*quiet), log=logs / "beat.log")
    with ExitStack() as stack:
        for child in (worker, beat):
            stack.enter_context(embedded.running(child))
        yield worker
