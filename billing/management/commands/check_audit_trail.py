"""Check that the audit trail is whole: nothing changed in it, nothing taken away."""

from __future__ import annotations

from argparse import ArgumentParser, ArgumentTypeError
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from billing.models import TrailEntry
from billing.queries.trail import BrokenLink, check_trail
from trimmer.models import Business


def _anchor(text: str) -> tuple[int, str]:
    place, _colon, digest = text.partition(":")
    if not place.isdigit() or len(digest) != 64:
        raise ArgumentTypeError("give PLACE:HASH as the manifest of a handed over ZIP has it, such as 120:5f0c…")
    return int(place), digest.lower()


class Command(BaseCommand):
    """Walks the chain of each business and names the first link that does not hold."""

    help = "Check the audit trail of every business, link by link; name the first that is broken and end with 1."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--business", type=int, help="The key of the only business to check.")
        parser.add_argument(
            "--anchor",
            type=_anchor,
            action="append",
            default=[],
            metavar="PLACE:HASH",
            help="A link that was handed over (manifest.json of the ZIP); needs --business. May be given often.",
        )

    def handle(
        self, *args: Any, business: int | None = None, anchor: list[tuple[int, str]] | None = None, **options: Any
    ) -> None:
        if anchor and business is None:
            raise CommandError("say whose anchor it is, by --business")
        rows = Business.objects.filter(pk=business) if business is not None else Business.objects.order_by("pk")
        if business is not None and not rows:
            raise CommandError(f"there is no business {business}")
        broken = False
        for row in rows:
            found = check_trail(row, anchors=anchor or ())
            broken = broken or found is not None
            links = TrailEntry.objects.of(row).sealed().count()
            self.stdout.write(f"{row.name} ({row.pk}): {_told(found) if found else f'{links} links hold'}")
        if broken:
            raise CommandError("the audit trail is broken")


def _told(found: BrokenLink) -> str:
    entry = "" if found.entry is None else f", entry {found.entry}"
    return f"BROKEN at link {found.position} ({found.how}){entry}"
