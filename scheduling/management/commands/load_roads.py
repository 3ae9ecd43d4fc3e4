"""Loads an OpenStreetMap extract: builds it for every crew's rig and puts it in use."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management import BaseCommand, CommandError
from django.utils import timezone
from django.utils.translation import gettext as _

from scheduling.services import roads, travel
from trimmer.errors import Refusal
from trimmer.models import Business


class Command(BaseCommand):
    help = (
        "Build road data of an OpenStreetMap extract (.osm.pbf) for every crew's rig and put it in use. The roads used "
        "so far stay in use until the new ones have answered."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("extract", type=Path, metavar="EXTRACT.osm.pbf")
        parser.add_argument("--business", type=int, metavar="ID", help="default: every business of this server")

    def handle(self, *args: Any, extract: Path, business: int | None, **options: Any) -> None:
        chosen = Business.objects.all() if business is None else Business.objects.filter(pk=business)
        businesses = list(chosen.order_by("pk"))
        if not businesses:
            raise CommandError(_("There is no such business here."))
        began = timezone.now()
        try:
            roads.load_roads(businesses=businesses, path=extract, by=None, now=began, say=self._say)
            for one in businesses:
                travel.keep_ready(business=one)
        except Refusal as refusal:
            raise CommandError(str(refusal)) from refusal
        for one in businesses:
            self._tell(one)
        seconds = (timezone.now() - began).total_seconds()
        self.stdout.write(_("Loaded in %(seconds).1f s.") % {"seconds": seconds})

    def _say(self, percent: int, what: str) -> None:
        self.stderr.write(f"{percent:3d} %  {what}", style_func=str)

    def _tell(self, business: Business) -> None:
        row = roads.extract_in_use(business)
        assert row is not None  # noqa: S101  (just loaded)
        dated = f"{row.dated_at:%Y-%m-%d}" if row.dated_at else _("not told")
        self.stdout.write(
            _(
                "%(business)s drives by %(file)s: %(roads)s roads, map data of %(dated)s, latitude %(south).3f to "
                "%(north).3f, longitude %(west).3f to %(east).3f, SHA-256 %(checksum)s."
            )
            % {
                "business": business,
                "file": row.file_name,
                "roads": row.road_count,
                "dated": dated,
                "south": row.south,
                "north": row.north,
                "west": row.west,
                "east": row.east,
                "checksum": row.checksum,
            }
        )
