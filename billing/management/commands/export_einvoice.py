"""Write an issued invoice as a file: as a program reads it, or as the page that carries it."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from billing.models import Invoice, Syntax
from billing.services.documents import bytes_of, keep_document
from billing.services.einvoices import xml_of
from trimmer.access import business_locale
from trimmer.errors import Refusal


class Command(BaseCommand):
    """Writes the kept bytes of an issued invoice or credit note."""

    help = (
        "Write an issued invoice or credit note: its CII or UBL file, or its PDF. What was kept when it was issued is "
        "written as it is; a business that keeps no e-invoices gets one made from the invoice's frozen copies, "
        "checked by the same rules."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("number", help="The number on the document, such as 2026-000123.")
        parser.add_argument("--syntax", choices=[*Syntax.values, "pdf"], default=Syntax.CII.value)
        parser.add_argument("--out", type=Path, required=True, help="The file to write.")
        parser.add_argument("--business", type=int, help="The key of the business, where two use the same number.")

    def handle(
        self, *args: Any, number: str, syntax: str, out: Path, business: int | None = None, **options: Any
    ) -> None:
        found = Invoice.objects.issued().filter(number=number).select_related("business", "client", "credits")
        rows = list(found.filter(business=business) if business else found)
        if not rows:
            raise CommandError(f"nothing is issued under the number {number}")
        if len(rows) > 1:
            keys = ", ".join(str(row.business_id) for row in rows)
            raise CommandError(f"{number} is used by several businesses: say which by --business ({keys})")
        [invoice] = rows
        with business_locale(invoice.business):
            try:
                content = _content(invoice, syntax)
            except Refusal as refusal:
                raise CommandError(f"{number} cannot be written: {refusal}") from refusal
        try:
            out.write_bytes(content)
        except OSError as wrong:
            raise CommandError(f"{out} cannot be written: {wrong.strerror}") from wrong
        self.stdout.write(f"{number} written to {out}, {len(content)} bytes")


def _content(invoice: Invoice, syntax: str) -> bytes:
    if syntax == "pdf":
        return bytes_of(keep_document(invoice=invoice, now=timezone.now()))
    return xml_of(invoice=invoice, syntax=Syntax(syntax))
