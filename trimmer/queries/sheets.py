"""Sheets brought in, as lists and their own pages need them."""

from __future__ import annotations

from collections.abc import Collection

from django.db.models import QuerySet

from trimmer.access import Seat
from trimmer.models import SheetImport

LONG = ("content", "problems", "warnings")
"""What a list of sheets does not load: a file may have 25 MB."""


def sheets_to_show(seat: Seat, kinds: Collection[str]) -> QuerySet[SheetImport]:
    """Sheets of these kinds that were brought in, the newest first, without their content."""
    return (
        SheetImport.objects.seen_by(seat)
        .filter(kind__in=kinds)
        .select_related("job", "brought_by", "business")
        .defer("content")
        .order_by("-brought_at", "-pk")
    )
