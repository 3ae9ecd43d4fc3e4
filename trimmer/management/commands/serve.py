"""Everything on this machine: Valkey, web, worker and beat as children of one command."""

import os
from argparse import ArgumentParser
from socket import socket
from typing import Any

from django.conf import settings
from django.core.management import BaseCommand, CommandError, call_command
from django.utils.translation import gettext as _

from trimmer import embedded

USUAL_PORT = 8000


class Command(BaseCommand):
    help = "Serve Trimround on 127.0.0.1 with its worker, until Ctrl-C. Migrates the database first."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", type=int, help=f"default: {USUAL_PORT}, or a free one when that is taken")

    def handle(self, *args: Any, port: int | None, **options: Any) -> None:
        try:
            with (
                embedded.stopped_by_signals(),
                embedded.broker(settings.VAR_DIR, given=settings.REDIS_URL),
                listen(port) as address,
            ):
                call_command("migrate", verbosity=0)
                url = f"http://127.0.0.1:{address.getsockname()[1]}/"
                self.stdout.write(_("Trimround is at %(url)s (Ctrl-C ends it)") % {"url": url})
                self.stdout.flush()
                embedded.serve(address, say=self.stderr.write)
        except embedded.CannotStart as error:
            raise CommandError(str(error)) from error
        except KeyboardInterrupt:
            self.stdout.write(_("Stopped."))


def listen(port: int | None) -> socket:
    """A listening socket on `port`; without one on the usual port, or a free one. Raises CommandError when taken."""
    try:
        return embedded.local_address(USUAL_PORT if port is None else port)
    except OSError as error:
        if port is None:
            return embedded.local_address(0)
        raise CommandError(f"port {port} of 127.0.0.1: {os.strerror(error.errno or 0)}") from error
