"""The page that carries its e-invoice: what PDF/A-3 and Factur-X ask of its parts, and what others read out of it.

The parts looked at are those of ISO 19005-3 and of Factur-X 1.0; this is no full check of PDF/A, which has its own
reference program.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from decimal import Decimal
from io import BytesIO
from typing import Any

import pytest
from lxml import etree
from pypdf import PdfReader
from pypdf.generic import IndirectObject, NameObject

from billing.documents.einvoice import CREDIT_NOTE, EInvoice, ELine
from billing.documents.einvoice_cii import read_cii, write_cii
from billing.documents.einvoice_pdf import NotAHybrid, described, e_invoice_in
from billing.documents.pdf import (
    LABELS,
    InvoiceDocument,
    Party,
    PaymentBlock,
    PrintedLine,
    PrintedTax,
    PrintedTotals,
    VisitGroup,
    render_invoice,
)
from billing.documents.reference import payment_code
from tests.billing.made_invoices import made_invoices

pytestmark = pytest.mark.pure

D = Decimal

NAMES = {key: key.replace("_", " ").capitalize() for key in LABELS} | {"page_of": "Page {page} of {pages}"}
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
FX = "{urn:factur-x:pdfa:CrossIndustryDocument:invoice:1p0#}"
PDFA_PROPERTY = "{http://www.aiim.org/pdfa/ns/property#}"


def code_of(invoice: EInvoice) -> str:
    payment = invoice.payment
    if payment is None or invoice.currency != "EUR" or invoice.sums.due <= 0:
        return ""
    return payment_code(
        name=payment.holder,
        iban=payment.account,
        amount=invoice.sums.due,
        reference=payment.reference,
        bic=payment.bic,
    )


def page_of(invoice: EInvoice) -> bytes:
    """The page of an e-invoice, as plain as it can be, with the e-invoice in it."""
    credit = invoice.kind == CREDIT_NOTE
    document = InvoiceDocument(
        kind="credit_note" if credit else "invoice",
        number=invoice.number,
        dated=invoice.issued_on,
        language="de-AT",
        currency=invoice.currency,
        seller=Party(invoice.seller.name),
        buyer=Party(invoice.buyer.name),
        groups=(
            VisitGroup(
                "",
                "",
                tuple(
                    PrintedLine(one.name, str(one.quantity), "", str(one.price), str(one.net)) for one in invoice.lines
                ),
            ),
        ),
        taxes=tuple(PrintedTax(one.category, str(one.base), str(one.tax)) for one in invoice.taxes),
        totals=PrintedTotals(
            net=str(invoice.sums.net_total), gross=str(invoice.sums.gross_total), due=str(invoice.sums.due)
        ),
        payment=PaymentBlock(iban=invoice.payment.account if invoice.payment else "", code=code_of(invoice)),
        exemptions=tuple(one.reason for one in invoice.taxes if one.reason),
    )
    return render_invoice(document, labels=NAMES, e_invoice=write_cii(invoice))


def _printed(line: ELine) -> PrintedLine:
    return PrintedLine(line.name, str(line.quantity), "", str(line.price), str(line.net))


def made(count: int) -> list[EInvoice]:
    return [invoice for invoice, _totals in made_invoices(count)]


def against_pdf_a(pdf: bytes) -> list[str]:
    """What the parts of a file have against being PDF/A-3b with a Factur-X file in it; empty if nothing."""
    reader = PdfReader(BytesIO(pdf))
    trailer: Any = reader.trailer
    root = trailer["/Root"]
    attached = root["/AF"][0]
    stream = attached["/EF"]["/F"]
    names = root["/Names"]["/EmbeddedFiles"]["/Names"]
    metadata = root["/Metadata"]
    described_as = etree.fromstring(metadata.get_data())
    holds = {
        "header": pdf.startswith(b"%PDF-1.7\n%") and all(byte > 127 for byte in pdf[10:14]),
        "identifier": len(trailer["/ID"]) == 2,
        "not encrypted": not reader.is_encrypted,
        "output intent": root["/OutputIntents"][0]["/S"] == "/GTS_PDFA1"
        and len(root["/OutputIntents"][0]["/DestOutputProfile"].get_data()) > 128,
        "tagged": root["/MarkInfo"]["/Marked"] is True or root["/MarkInfo"]["/Marked"].value is True,
        "structure": "/StructTreeRoot" in root,
        "language": root["/Lang"].startswith("de"),
        "no script or action": not {"/OpenAction", "/AA"} & set(root) and "/JavaScript" not in root["/Names"],
        "no form": "/AcroForm" not in root,
        "fonts": all(_is_embedded(font) for font in _fonts(reader)),
        "description is plain": "/Filter" not in metadata and metadata["/Subtype"] == "/XML",
        "one description": len(described_as.findall(f"{RDF}RDF")) == 1,
        "part 3": described_as.findtext(".//{http://www.aiim.org/pdfa/ns/id/}part") == "3",
        "level B": described_as.findtext(".//{http://www.aiim.org/pdfa/ns/id/}conformance") == "B",
        "one file, associated": len(root["/AF"]) == 1
        and len(names) == 2
        and names[1].get_object() == attached.get_object(),
        "its name": (attached["/F"], attached["/UF"], names[0]) == ("factur-x.xml",) * 3,
        "its relationship": isinstance(attached["/AFRelationship"], NameObject)
        and attached["/AFRelationship"] == "/Alternative",
        "its kind": stream["/Subtype"] == "/text/xml" and "/ModDate" in stream["/Params"],
        "both places are one file": attached["/EF"].raw_get("/F") == attached["/EF"].raw_get("/UF"),
        "profile": {
            name: described_as.findtext(f".//{FX}{name}")
            for name in ("DocumentType", "DocumentFileName", "Version", "ConformanceLevel")
        }
        == {
            "DocumentType": "INVOICE",
            "DocumentFileName": "factur-x.xml",
            "Version": "1.0",
            "ConformanceLevel": "EN 16931",
        },
        "profile is explained": {"DocumentType", "DocumentFileName", "Version", "ConformanceLevel"}
        <= {one.text for one in described_as.iter(f"{PDFA_PROPERTY}name")},
        "title": reader.metadata is not None
        and reader.metadata.title
        == described_as.findtext(f".//{{http://purl.org/dc/elements/1.1/}}title/{RDF}Alt/{RDF}li"),
    }
    return [name for name, held in holds.items() if not held]


def _fonts(reader: PdfReader) -> Iterator[Any]:
    for page in reader.pages:
        resources: Any = page["/Resources"]
        for font in resources.get("/Font", {}).values():
            yield from (one.get_object() for one in font.get_object().get("/DescendantFonts", [font]))


def _is_embedded(font: Any) -> bool:
    descriptor = font["/FontDescriptor"]
    return bool({"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor))


def test_the_parts_are_as_pdf_a_3_and_factur_x_ask() -> None:
    assert [against_pdf_a(page_of(invoice)) for invoice in made(10)] == [[]] * 10


def test_what_it_carries_reads_back_equal() -> None:
    for invoice in made(10):
        assert read_cii(e_invoice_in(page_of(invoice))) == invoice


def test_the_same_invoice_gives_the_same_page() -> None:
    [invoice] = made(1)
    assert page_of(invoice) == page_of(invoice)


def test_nothing_that_was_set_is_touched() -> None:
    """The description is added behind the last byte (ISO 32000-1, 7.5.6)."""
    [invoice] = made(1)
    pdf = page_of(invoice)
    trailer: Any = PdfReader(BytesIO(pdf)).trailer
    first = pdf.index(b"%%EOF") + len(b"%%EOF")
    assert trailer["/Prev"] == int(pdf[:first].rpartition(b"startxref")[2].split()[0])
    assert isinstance(trailer["/Root"].raw_get("/Metadata"), IndirectObject)
    assert b"ConformanceLevel" not in pdf[:first]
    assert b"ConformanceLevel" in pdf[first:]


@pytest.mark.parametrize("pdf", [b"", b"no PDF at all"])
def test_what_is_no_pdf_carries_nothing(pdf: bytes) -> None:
    with pytest.raises(NotAHybrid):
        e_invoice_in(pdf)


def test_a_page_without_an_e_invoice_is_not_described_as_one() -> None:
    [invoice] = made(1)
    document = InvoiceDocument(
        kind="invoice",
        number=invoice.number,
        dated=dt.date(2026, 3, 4),
        language="en",
        currency="EUR",
        seller=Party("A"),
        buyer=Party("B"),
        groups=(),
        taxes=(),
        totals=PrintedTotals("1", "1", "1"),
        payment=PaymentBlock(),
    )
    with pytest.raises(NotAHybrid):
        described(render_invoice(document, labels=NAMES))
