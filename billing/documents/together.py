"""Several documents as one, to be printed."""

from __future__ import annotations

from collections.abc import Iterable
from io import BytesIO

from pypdf import PdfReader, PdfWriter


def printed_together(files: Iterable[bytes]) -> bytes:
    """The pages of PDF files one after another, in their order. What comes out is for paper: the files kept with the
    documents are the originals, with their attachments."""
    writer = PdfWriter()
    for file in files:
        for page in PdfReader(BytesIO(file)).pages:
            writer.add_page(page)
    writer.compress_identical_objects(remove_duplicates=True, remove_unreferenced=True)
    out = BytesIO()
    writer.write(out)
    return out.getvalue()
