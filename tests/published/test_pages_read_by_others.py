"""Pages that carry their e-invoice, as programs of others read them.

qpdf (by pikepdf) checks the file, PDFium (by pypdfium2) draws it, and ZXing (by zxing-cpp) reads the payment code off
the drawing: none of them has a hand in making it. The code is that of EPC069-12, version 002.
"""

from __future__ import annotations

from decimal import Decimal
from io import BytesIO

import pytest

from billing.documents.einvoice import CREDIT_NOTE
from billing.documents.einvoice_cii import read_cii
from billing.documents.einvoice_pdf import e_invoice_in
from tests.billing.test_hybrid_pdf import against_pdf_a, code_of, made, page_of

pikepdf = pytest.importorskip("pikepdf")
pypdfium2 = pytest.importorskip("pypdfium2")
zxingcpp = pytest.importorskip("zxingcpp")

pytestmark = [pytest.mark.pure, pytest.mark.published]

D = Decimal


def against_qpdf(pdf: bytes) -> list[str]:
    """What qpdf has against a file: what `qpdf --check` says, by the library."""
    with pikepdf.open(BytesIO(pdf)) as opened:
        return list(opened.check_pdf_syntax())


def scanned(pdf: bytes) -> list[str]:
    """What a reader of codes, which is not the writer's, reads off the printed pages at 150 dots per inch."""
    with pypdfium2.PdfDocument(pdf) as pages:
        images = [page.render(scale=150 / 72).to_pil() for page in pages]
    return [one.text for image in images for one in zxingcpp.read_barcodes(image)]


def asked_for(text: str) -> Decimal:
    """The amount of a payment code, which may leave out zeros at its end (EPC069-12)."""
    return D(text.split("\n")[7].removeprefix("EUR"))


def test_qpdf_has_nothing_against_it() -> None:
    assert [against_qpdf(page_of(invoice)) for invoice in made(10)] == [[]] * 10


def test_qpdf_is_really_asked() -> None:
    [invoice] = made(1)
    pdf = page_of(invoice)
    assert against_qpdf(pdf[: pdf.index(b"stream")] + b"0" + pdf[pdf.index(b"stream") :])


def test_the_payment_code_is_read_off_the_page() -> None:
    invoice = next(one for one in made(20) if code_of(one))
    payment = invoice.payment
    assert payment is not None
    [text] = scanned(page_of(invoice))
    said = text.split("\n")
    assert said[:4] == ["BCD", "002", "1", "SCT"]
    assert said[4:7] == [payment.bic, payment.holder, payment.account]
    assert asked_for(text) == invoice.sums.due
    assert said[9] == payment.reference


def test_a_credit_note_and_other_money_have_no_payment_code() -> None:
    others = [one for one in made(8) if one.kind == CREDIT_NOTE or one.currency != "EUR"]
    assert [scanned(page_of(one)) for one in others] == [[]] * len(others)


@pytest.mark.slow
def test_three_hundred_pages_hold_their_invoices() -> None:
    codes = 0
    for invoice in made(300):
        pdf = page_of(invoice)
        assert against_pdf_a(pdf) == []
        assert read_cii(e_invoice_in(pdf)) == invoice
        assert against_qpdf(pdf) == []
        if code_of(invoice):
            codes += 1
            [text] = scanned(pdf)
            assert asked_for(text) == invoice.sums.due
    assert codes > 50
