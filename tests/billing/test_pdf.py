from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader

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
    render_pages,
)
from billing.documents.reference import ReferenceRefused, payment_code, rf_reference, spaced

pytestmark = pytest.mark.pure

NAMES = {key: key.replace("_", " ").capitalize() for key in LABELS} | {"page_of": "Page {page} of {pages}"}

LINES = (
    PrintedLine("Cow, trimmed", "63", "head", "14.50", "913.50"),
    PrintedLine("Block", "5", "", "8.00", "40.00", "Animals 412, 388, 291, 117, 63"),
)

DOCUMENT = InvoiceDocument(
    kind="invoice",
    number="2026-000123",
    dated=date(2026, 3, 10),
    language="en-GB",
    currency="EUR",
    seller=Party("Hollerbach Hoof Care", ("Mill Lane 4", "12345 Oberfeld"), (("VAT id", "XX123456789"),)),
    buyer=Party("Talhof Milch\nAnna & Karl Brenner", ("Valley Road 17", "12399 Untertal")),
    groups=(VisitGroup("3 March 2026", "Talhof", LINES, "953.50"),),
    taxes=(PrintedTax("19 %", "953.50", "181.17"),),
    totals=PrintedTotals("953.50", "1,134.67", "1,134.67", tax="181.17"),
    payment=PaymentBlock("Hollerbach Hoof Care", "", "DE89 3704 0044 0532 0130 00", "", "RF46 2026 0001 23"),
    issue_date="10 March 2026",
    due_date="24 March 2026",
    footer=("Hollerbach Hoof Care, Mill Lane 4",),
)


def read(document: InvoiceDocument, paper: str = "a4") -> PdfReader:
    return PdfReader(BytesIO(render_invoice(document, labels=NAMES, paper=paper)))  # type: ignore[arg-type]


def text_of(document: InvoiceDocument) -> str:
    return " ".join(" ".join(page.extract_text() for page in read(document).pages).split())


def test_the_page_says_who_what_and_how_much() -> None:
    text = text_of(DOCUMENT)
    for part in ("Invoice", "2026-000123", "Hollerbach Hoof Care", "Anna & Karl Brenner", "3 March 2026", "Talhof"):
        assert part in text
    for part in ("Cow, trimmed", "63 head 14.50 913.50", "Animals 412, 388", "19 % 953.50 181.17", "1,134.67 EUR"):
        assert part in text
    for part in ("24 March 2026", "DE89 3704 0044 0532 0130 00", "RF46 2026 0001 23", "Page 1 of 1"):
        assert part in text


def test_every_label_comes_from_outside() -> None:
    labels = {key: f"<{place}>" for place, key in enumerate(sorted(LABELS))}
    pdf = render_invoice(replace(DOCUMENT, period="March"), labels=labels)
    text = "".join(page.extract_text() for page in PdfReader(BytesIO(pdf)).pages)
    for key in ("invoice", "billed_to", "to_pay", "pay_by", "description", "tax_base", "gross_total", "iban", "period"):
        assert labels[key] in text
    assert "Invoice" not in text


def test_the_file_says_that_it_is_tagged_pdf_a_3b() -> None:
    pdf = read(DOCUMENT)
    xmp = pdf.xmp_metadata
    assert xmp is not None
    assert (xmp.pdfaid_part, xmp.pdfaid_conformance) == ("3", "B")
    root: Any = pdf.root_object
    assert root["/MarkInfo"]["/Marked"].value is True
    assert "/StructTreeRoot" in root
    assert root["/OutputIntents"][0]["/S"] == "/GTS_PDFA1"
    assert root["/Lang"] == "en-GB"
    assert pdf.metadata is not None
    assert (pdf.metadata.title, pdf.metadata.author) == ("Invoice 2026-000123", "Hollerbach Hoof Care")


def test_every_font_is_in_the_file() -> None:
    fonts = list(_fonts(read(DOCUMENT)))
    assert fonts
    assert all("/FontFile3" in font or "/FontFile2" in font for font in fonts)


def _fonts(pdf: PdfReader) -> Iterator[dict[str, object]]:
    for page in pdf.pages:
        resources: Any = page["/Resources"]
        for font in resources["/Font"].values():
            yield font.get_object()["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()


def test_the_same_document_gives_the_same_bytes() -> None:
    assert render_invoice(DOCUMENT, labels=NAMES) == render_invoice(DOCUMENT, labels=NAMES)


def test_the_date_in_the_file_is_that_of_the_document() -> None:
    metadata = read(DOCUMENT).metadata
    assert metadata is not None
    assert metadata.creation_date is not None
    assert metadata.creation_date.date() == date(2026, 3, 10)


@pytest.mark.parametrize(("paper", "millimetres"), [("a4", (210, 297)), ("us-letter", (216, 279))])
def test_the_page_is_a4_or_letter(paper: str, millimetres: tuple[int, int]) -> None:
    box = read(DOCUMENT, paper).pages[0].mediabox
    assert (round(float(box.width) * 25.4 / 72), round(float(box.height) * 25.4 / 72)) == millimetres


def test_a_long_invoice_repeats_its_heads_and_counts_its_pages() -> None:
    visits = tuple(VisitGroup(f"day {day}", "Talhof", LINES * 10, "9,535.00") for day in range(1, 7))
    pages = [page.extract_text() for page in read(replace(DOCUMENT, groups=visits)).pages]
    assert len(pages) > 2
    for number, page in enumerate(pages, start=1):
        assert f"Page {number} of {len(pages)}" in page
        assert "2026-000123" in page
    assert all("Description" in page and "Amount EUR" in page for page in pages[:-1])
    assert "".join(pages).count("Cow, trimmed") == 60


def test_a_visit_that_goes_over_the_page_names_itself_again() -> None:
    pages = [
        page.extract_text()
        for page in read(replace(DOCUMENT, groups=(VisitGroup("3 March", "Talhof", LINES * 30),))).pages
    ]
    assert ["3 March" in page for page in pages[:2]] == [True, True]


def test_lines_of_no_visit_need_no_heading() -> None:
    assert "Cow, trimmed" in text_of(replace(DOCUMENT, groups=(VisitGroup("", "", LINES),)))


def test_a_draft_says_so_and_has_no_number() -> None:
    text = text_of(replace(DOCUMENT, number="", draft=True))
    assert "Draft" in text
    assert "2026-000123" not in text


def test_what_is_issued_says_nothing_of_a_draft() -> None:
    assert "Draft" not in text_of(DOCUMENT)


def test_a_credit_note_names_the_invoice_and_asks_for_no_money() -> None:
    credit = replace(
        DOCUMENT, kind="credit_note", number="2026-C0007", credited_number="2026-000123", payment=PaymentBlock()
    )
    text = text_of(credit)
    assert "Credit note 2026-C0007" in text
    assert "Credited number 2026-000123" in text
    assert "To credit" in text
    assert "To pay" not in text
    assert "Pay by" not in text


def test_discount_paid_rounding_and_exemption_are_printed() -> None:
    totals = PrintedTotals(
        "900.00",
        "900.00",
        "400.00",
        "953.50",
        paid="500.10",
        rounding="0.10",
        adjustments=(("Discount 5 %", "−53.50"),),
    )
    text = text_of(replace(DOCUMENT, totals=totals, taxes=(), exemptions=("Exempt, as the accountant says",)))
    for part in ("953.50", "Discount 5 %", "−53.50", "Paid 500.10", "Rounding 0.10", "Exempt, as the accountant says"):
        assert part in text


def test_markup_in_a_name_stays_text() -> None:
    buyer = Party('#panic("x") *bold* $x^2$ \\ `raw` <label> @ref // no', ("= heading", "- list"))
    text = text_of(replace(DOCUMENT, buyer=buyer))
    assert '#panic("x") *bold* $x^2$ \\ `raw` <label> @ref // no' in text
    assert "= heading" in text


def test_a_character_without_a_glyph_does_not_stop_an_invoice() -> None:
    text = text_of(replace(DOCUMENT, buyer=Party("Talhof \U0001f404\U000e0041 Milch", ("Łąka Žďár Ελλάς",))))
    assert "Talhof" in text
    assert "Milch" in text
    assert "Łąka Žďár Ελλάς" in text


def test_control_characters_are_left_out() -> None:
    assert "Talhof Milch" in text_of(replace(DOCUMENT, buyer=Party("Tal\x00hof\u202e \x07Milch")))


def test_pages_can_be_looked_at_as_images() -> None:
    pages = render_pages(DOCUMENT, labels=NAMES, dots_per_inch=40)
    assert [page[:8] for page in pages] == [b"\x89PNG\r\n\x1a\n"]


def test_a_missing_label_is_named() -> None:
    with pytest.raises(ValueError, match="labels missing: iban"):
        render_invoice(DOCUMENT, labels={key: name for key, name in NAMES.items() if key != "iban"})


def test_an_unknown_paper_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown paper"):
        read(DOCUMENT, "a5")


@pytest.mark.parametrize("change", [{"number": ""}, {"draft": True}, {"kind": "receipt"}, {"language": "english"}])
def test_an_impossible_document_cannot_exist(change: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"draft|kind|language"):
        replace(DOCUMENT, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize("amount", [Decimal("953.50"), 953.5])
def test_an_amount_that_is_not_ready_text_is_refused(amount: object) -> None:
    with pytest.raises(TypeError, match="ready text"):
        replace(DOCUMENT, totals=PrintedTotals(amount, "1", "1"))  # type: ignore[arg-type]


IBAN = "DE89370400440532013000"


def code(**change: object) -> str:
    given = {"name": "Hollerbach", "iban": IBAN, "amount": Decimal("1134.67"), "reference": "RF462026000123"}
    return payment_code(**given | change)  # type: ignore[arg-type]


def test_a_payment_code_goes_into_the_page() -> None:
    with_code = replace(DOCUMENT, payment=replace(DOCUMENT.payment, code=code()))
    assert "Scan to pay" in text_of(with_code)
    assert "Scan to pay" not in text_of(DOCUMENT)


@pytest.mark.parametrize(
    "change",
    [
        {"iban": "DE88370400440532013000"},
        {"bic": "COBADE"},
        {"reference": "RF472026000123"},
        {"amount": Decimal("0.004")},
        {"amount": Decimal(1000000000)},
        {"name": ""},
        {"name": "x" * 71},
    ],
)
def test_a_payment_code_that_a_bank_would_refuse_is_not_made(change: dict[str, object]) -> None:
    with pytest.raises(ReferenceRefused):
        code(**change)


def test_a_payment_code_takes_no_float() -> None:
    with pytest.raises(TypeError):
        code(amount=1134.67)


def test_a_payment_code_rounds_half_a_cent_up() -> None:
    assert code(amount=Decimal("12.345")) == code(amount=Decimal("12.35"))


@pytest.mark.parametrize("number", ["", "---", "x" * 22, "RÄ-1"])
def test_no_reference_is_made_from_what_cannot_be_one(number: str) -> None:
    with pytest.raises(ReferenceRefused):
        rf_reference(number)


def test_a_reference_is_printed_in_fours() -> None:
    assert spaced(rf_reference("2026-000123")) == "RF46 2026 0001 23"
