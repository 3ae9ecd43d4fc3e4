"""The page that carries its e-invoice: Factur-X (1.0, profile EN 16931), which is a PDF/A-3 with the CII file in it.

The typesetter sets the page and attaches the file; what it cannot say yet is in the document's own description that
there is an e-invoice and of which profile. This module adds that, behind the last byte of the page, as an incremental
update (ISO 32000-1, 7.5.6): nothing that the typesetter wrote is touched, and the same input gives the same bytes.
"""

from __future__ import annotations

import re
from io import BytesIO

from lxml import etree
from lxml.etree import _Element as Element
from pypdf import PdfReader
from pypdf.errors import PyPdfError
from pypdf.generic import DictionaryObject, IndirectObject, StreamObject

FILE_NAME = "factur-x.xml"
"""The name that the specification gives the file inside the page."""

PROFILE = "EN 16931"

_SPACES = {
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
    "fx": "urn:factur-x:pdfa:CrossIndustryDocument:invoice:1p0#",
    "pdfaExtension": "http://www.aiim.org/pdfa/ns/extension/",
    "pdfaSchema": "http://www.aiim.org/pdfa/ns/schema#",
    "pdfaProperty": "http://www.aiim.org/pdfa/ns/property#",
}
_VALUES = {
    "DocumentType": ("INVOICE", "the type of the hybrid document"),
    "DocumentFileName": (FILE_NAME, "the name of the embedded XML document"),
    "Version": ("1.0", "the version of the standard that the XML document follows"),
    "ConformanceLevel": (PROFILE, "the profile of the XML document"),
}


class NotAHybrid(ValueError):
    """The bytes are no PDF that carries an e-invoice."""


def described(pdf: bytes) -> bytes:
    """The page with the description of the e-invoice attached to it.

    `pdf` is what the typesetter wrote, with a cross-reference table and a description that is not compressed. Raises
    NotAHybrid if nothing of the right name is attached.
    """
    e_invoice_in(pdf)
    reader = PdfReader(BytesIO(pdf))
    place = _root(reader).raw_get("/Metadata")
    if not isinstance(place, IndirectObject):
        raise NotAHybrid("the document has no description")
    metadata = place.get_object()
    if not isinstance(metadata, StreamObject):
        raise NotAHybrid("the document has no description")
    return pdf + _update(pdf, place.idnum, _with_profile(metadata.get_data()))


def e_invoice_in(pdf: bytes) -> bytes:
    """The e-invoice that a page carries. Raises NotAHybrid."""
    try:
        files = PdfReader(BytesIO(pdf)).attachments.get(FILE_NAME)
    except (PyPdfError, KeyError, ValueError) as wrong:
        raise NotAHybrid("no PDF") from wrong
    if not files:
        raise NotAHybrid(f"no {FILE_NAME} is attached")
    return files[0]


def _root(reader: PdfReader) -> DictionaryObject:
    root = reader.trailer["/Root"]
    if not isinstance(root, DictionaryObject):
        raise NotAHybrid("no catalogue")
    return root


def _with_profile(description: bytes) -> bytes:
    packet = re.fullmatch(rb"(<\?xpacket.*?\?>)(.*)(<\?xpacket.*?\?>)\s*", description, re.DOTALL)
    if packet is None:
        raise NotAHybrid("the description is no packet")
    root = etree.fromstring(packet[2])
    rdf = root.find("rdf:RDF", _SPACES)
    schemas = root.find(".//pdfaExtension:schemas/rdf:Bag", _SPACES)
    if rdf is None or schemas is None:
        raise NotAHybrid("the description has no place for the profile")
    _add_schema(etree.SubElement(schemas, _name("rdf:li")))
    own = etree.SubElement(rdf, _name("rdf:Description"), nsmap={"fx": _SPACES["fx"]})
    own.set(_name("rdf:about"), "")
    for name, (value, _text) in _VALUES.items():
        etree.SubElement(own, _name(f"fx:{name}")).text = value
    written: bytes = etree.tostring(root, encoding="UTF-8", xml_declaration=False)
    return packet[1] + b"\n" + written + b"\n" + packet[3]


def _name(short: str) -> str:
    prefix, _, local = short.partition(":")
    return f"{{{_SPACES[prefix]}}}{local}"


def _add_schema(part: Element) -> None:
    """Says what the fx properties are, as PDF/A asks of properties that it does not know itself."""
    part.set(_name("rdf:parseType"), "Resource")
    for short, text in (
        ("schema", "Factur-X PDFA Extension Schema"),
        ("namespaceURI", _SPACES["fx"]),
        ("prefix", "fx"),
    ):
        etree.SubElement(part, _name(f"pdfaSchema:{short}")).text = text
    rows = etree.SubElement(etree.SubElement(part, _name("pdfaSchema:property")), _name("rdf:Seq"))
    for property_name, (_value, text) in _VALUES.items():
        row = etree.SubElement(rows, _name("rdf:li"))
        row.set(_name("rdf:parseType"), "Resource")
        for short, value in (
            ("name", property_name),
            ("valueType", "Text"),
            ("category", "external"),
            ("description", text),
        ):
            etree.SubElement(row, _name(f"pdfaProperty:{short}")).text = value


def _update(pdf: bytes, number: int, description: bytes) -> bytes:
    """An incremental update that says one object anew; the trailer is the old one, pointing back to itself."""
    trailer = re.search(rb"trailer\s*<<(.*)>>\s*startxref\s+(\d+)\s+%%EOF\s*\Z", pdf, re.DOTALL)
    if trailer is None:
        raise NotAHybrid("no cross-reference table")
    start = b"\n"
    placed = len(pdf) + len(start)
    body = (
        start
        + b"%d 0 obj\n<</Type/Metadata/Subtype/XML/Length %d>>\nstream\n" % (number, len(description))
        + description
        + b"\nendstream\nendobj\n"
    )
    return body + (
        b"xref\n0 1\n0000000000 65535 f\r\n%d 1\n%010d 00000 n\r\ntrailer\n<<%s/Prev %s>>\nstartxref\n%d\n%%%%EOF\n"
        % (number, placed, trailer[1], trailer[2], len(pdf) + len(body))
    )
