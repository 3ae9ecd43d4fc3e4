"""An invoice as a page: PDF/A-3b with tags, set by typst with its own fonts.

What is printed comes in as ready text; this module writes no sentence, formats no number and reads no clock. The same
document gives the same bytes, but keep what was issued: a later version of the typesetter may set it otherwise.
"""

import json
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, is_dataclass
from datetime import UTC, date, datetime, time
from functools import cache
from pathlib import Path
from typing import Any, Literal

import typst

from billing.documents.einvoice_pdf import FILE_NAME, described

type Paper = Literal["a4", "us-letter"]
type Kind = Literal["invoice", "credit_note"]

TEMPLATE = Path(__file__).with_name("invoice.typ")

LABELS = frozenset(
    {
        "invoice",  # title, and in the running head
        "credit_note",
        "draft",  # across the page of what is not issued
        "billed_to",
        "issue_date",
        "due_date",
        "period",
        "client_number",
        "credited_number",  # on a credit note: the invoice it credits
        "buyer_reference",
        "to_pay",  # over the amount at the top
        "to_credit",  # the same on a credit note
        "pay_by",  # before the due date
        "description",
        "quantity",
        "price",
        "amount",
        "line_net_total",
        "net_total",
        "tax",
        "tax_base",
        "tax_total",
        "gross_total",
        "paid",
        "rounding",
        "due",
        "payment",
        "account_holder",
        "bank",
        "iban",
        "bic",
        "reference",
        "scan_to_pay",  # under the payment code, and its text for those who cannot see it
        "page_of",  # with {page} and {pages}
    }
)
"""The labels a page needs, in the language of the document."""


@dataclass(frozen=True, slots=True)
class Party:
    """Seller or buyer: name, address lines, and pairs of label and value such as a tax number or a telephone."""

    name: str
    address: tuple[str, ...] = ()
    details: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PrintedLine:
    """One line. `detail` is small print under the description; `unit` follows the quantity."""

    description: str
    quantity: str
    unit: str
    price: str
    net: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class VisitGroup:
    """The lines of one visit under its date and farm, with their sum; both headings empty for lines of no visit."""

    date: str
    farm: str
    lines: tuple[PrintedLine, ...]
    net: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class PrintedTax:
    """One row of the tax breakdown, such as "19 %" with base and tax."""

    label: str
    base: str
    tax: str


@dataclass(frozen=True, slots=True)
class PrintedTotals:
    """The sums. What is empty is not printed; `adjustments` are allowances and charges as text and signed amount."""

    net: str
    gross: str
    due: str
    line_net: str = ""
    tax: str = ""
    paid: str = ""
    rounding: str = ""
    adjustments: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class PaymentBlock:
    """How to pay. `code` is an SVG image of a payment code; `terms` are paragraphs of the business's own."""

    account_holder: str = ""
    bank: str = ""
    iban: str = ""
    bic: str = ""
    reference: str = ""
    terms: tuple[str, ...] = ()
    code: str = ""


@dataclass(frozen=True, slots=True)
class InvoiceDocument:
    """All that stands on an invoice or credit note, as ready text.

    `dated` is the day that goes into the file's own description: of issue, or for a draft of its making. `language` is
    a tag such as "en" or "de-AT". A draft has no number.
    """

    kind: Kind
    number: str
    dated: date
    language: str
    currency: str
    seller: Party
    buyer: Party
    groups: tuple[VisitGroup, ...]
    taxes: tuple[PrintedTax, ...]
    totals: PrintedTotals
    payment: PaymentBlock
    issue_date: str = ""
    due_date: str = ""
    period: str = ""
    client_number: str = ""
    credited_number: str = ""
    buyer_reference: str = ""
    introduction: tuple[str, ...] = ()
    exemptions: tuple[str, ...] = ()
    footer: tuple[str, ...] = ()
    draft: bool = False

    def __post_init__(self) -> None:
        if self.kind not in {"invoice", "credit_note"}:
            raise ValueError(f"unknown kind {self.kind}")
        if self.draft is bool(self.number):
            raise ValueError("a draft has no number, and what is issued has one")
        if not re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z]{4})?(-[A-Za-z]{2})?", self.language):
            raise ValueError(f"{self.language!r} is not a language tag")
        _only_text(self)


def render_invoice(
    document: InvoiceDocument, *, labels: Mapping[str, str], paper: Paper = "a4", e_invoice: bytes | None = None
) -> bytes:
    """Set an invoice as PDF/A-3b. `labels` holds a translation for each of LABELS.

    With `e_invoice`, the invoice as CII, the page carries it as Factur-X does (`einvoice_pdf`). A character that no
    font at hand has is printed as an empty box. Raises ValueError for missing labels or an unknown paper.
    """
    pdf = _compiled(document, labels, paper, e_invoice, format="pdf", pdf_standards=["a-3b"])
    whole = b"".join(pdf) if isinstance(pdf, list) else pdf
    return whole if e_invoice is None else described(whole)


def render_pages(
    document: InvoiceDocument, *, labels: Mapping[str, str], paper: Paper = "a4", dots_per_inch: int = 144
) -> tuple[bytes, ...]:
    """The same pages as PNG images, for a preview on the screen."""
    pages = _compiled(document, labels, paper, format="png", ppi=dots_per_inch)
    return tuple(pages) if isinstance(pages, list) else (pages,)


def _compiled(
    document: InvoiceDocument,
    labels: Mapping[str, str],
    paper: Paper,
    e_invoice: bytes | None = None,
    **options: Any,
) -> bytes | list[bytes]:
    if missing := sorted(LABELS - labels.keys()):
        raise ValueError(f"labels missing: {', '.join(missing)}")
    if paper not in {"a4", "us-letter"}:
        raise ValueError(f"unknown paper {paper}")
    language, _, region = document.language.partition("-")
    page = {
        **asdict(document),
        "dated": [document.dated.year, document.dated.month, document.dated.day],
        "language": language.lower(),
        "region": region.rpartition("-")[2].lower(),
        "labels": {key: labels[key] for key in sorted(LABELS)},
        "paper": paper,
    }
    text = json.dumps(_printable(page), ensure_ascii=False, sort_keys=True)
    midnight = datetime.combine(document.dated, time(), UTC)
    attached = {} if e_invoice is None else {"attached": e_invoice.decode("utf-8"), "named": FILE_NAME}
    return _set(text, attached, timestamp=midnight, **options)


def _set(text: str, attached: Mapping[str, str], **options: Any) -> bytes | list[bytes]:
    """Compile with the fonts inside the typesetter; only for characters they lack, with those of the system too."""
    wider = False
    while True:
        try:
            compiled: bytes | list[bytes] = typst.compile(
                TEMPLATE,
                root=TEMPLATE.parent,
                font_paths=_fonts(with_system=wider),
                sys_inputs={"page": text, **attached},
                **options,
            )
            return compiled
        except typst.TypstError as refused:
            lacking = _lacking(refused)
            if not lacking:
                raise
            if wider:
                text = "".join("\u25a1" if sign in lacking else sign for sign in text)
            wider = True


@cache
def _fonts(*, with_system: bool) -> typst.Fonts:
    return typst.Fonts(include_system_fonts=with_system, include_embedded_fonts=True)


def _lacking(refused: typst.TypstError) -> frozenset[str]:
    """The characters for whose want of a glyph the typesetter refused to make a PDF/A; empty for any other refusal."""
    found = re.search(r'the text `"(.+)"` could not be displayed', refused.message, re.DOTALL)
    return frozenset(found[1]) - frozenset(map(chr, range(0x20, 0x7F))) if found else frozenset()


_DIRECTION_OVERRIDES = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def _printable(value: Any) -> Any:
    """The value with every text freed of control characters (line breaks stay) and of marks that turn its direction."""
    if isinstance(value, str):
        return "".join(
            sign
            for sign in unicodedata.normalize("NFC", value.replace("\r\n", "\n").replace("\t", " "))
            if sign == "\n" or (unicodedata.category(sign) not in {"Cc", "Cs", "Co", "Cn"} | {"Zl", "Zp"})
            if sign not in _DIRECTION_OVERRIDES
        )
    if isinstance(value, Mapping):
        return {key: _printable(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_printable(part) for part in value]
    return value


def _only_text(value: object) -> None:
    """Raise TypeError for a number where ready text is expected: formatting is not done here."""
    if is_dataclass(value) and not isinstance(value, type):
        for one in fields(value):
            _only_text(getattr(value, one.name))
    elif isinstance(value, tuple):
        for part in value:
            _only_text(part)
    elif not isinstance(value, str | bool | date):
        raise TypeError(f"{value!r} is not ready text")
