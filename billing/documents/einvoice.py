"""An invoice as EN 16931-1:2017+A1:2019 sees it: one frozen value that is written as CII or UBL and read back.

BT numbers are the standard's terms. The value says what stands on a document, right or wrong: `einvoice_check` finds
what is wrong with it, `einvoice_cii` and `einvoice_ubl` write and read it, `einvoice_rules` asks the official rules.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, fields
from datetime import date
from decimal import Decimal
from numbers import Number

from billing.charges.totals import TaxCategory, TaxGroup, Totals, exact

SPECIFICATION = "urn:cen.eu:en16931:2017"
"""BT-24: the core of the standard and nothing on top."""

INVOICE, CREDIT_NOTE = "380", "381"
"""BT-3, of UNTDID 1001."""

REASON_CODES = {
    TaxCategory.REVERSE_CHARGE: "VATEX-EU-AE",
    TaxCategory.INTRA_COMMUNITY: "VATEX-EU-IC",
    TaxCategory.EXPORT: "VATEX-EU-G",
    TaxCategory.OUTSIDE_SCOPE: "VATEX-EU-O",
}
"""BT-121 where the category leaves no choice (CEF code list VATEX); of E only the accountant knows which one."""


def printable(text: str) -> str:
    """The text as XML 1.0 can hold it: composed, trimmed, line breaks as one sign, without control characters."""
    kept = (
        sign
        for sign in unicodedata.normalize("NFC", text.replace("\r\n", "\n").replace("\r", "\n").replace("\t", " "))
        if sign == "\n" or unicodedata.category(sign) not in {"Cc", "Cs", "Co", "Cn"}
    )
    return "".join(kept).strip()


class _Clean:
    """Makes every text printable and every figure a Decimal."""

    __slots__ = ()

    def __post_init__(self) -> None:
        for one in fields(self):  # type: ignore[arg-type]
            value = getattr(self, one.name)
            if isinstance(value, str):
                object.__setattr__(self, one.name, printable(value))
            elif value is not True and value is not False and isinstance(value, Number):
                object.__setattr__(self, one.name, exact(value, one.name))  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class EParty(_Clean):
    """Seller (BG-4) or buyer (BG-7), with its postal address (BG-5, BG-8) and contact (BG-6, BG-9)."""

    name: str
    """BT-27, BT-44"""
    country: str
    """BT-40, BT-55; ISO 3166-1 alpha-2"""
    street: str = ""
    city: str = ""
    postcode: str = ""
    region: str = ""
    vat_id: str = ""
    """BT-31, BT-48; with the prefix of its country"""
    tax_number: str = ""
    """BT-32, seller only"""
    register_number: str = ""
    """BT-30, BT-47"""
    key: str = ""
    """BT-29, BT-46: of the buyer the seller's own number, of the seller whatever it is known by"""
    address: str = ""
    """BT-34, BT-49: where an e-invoice is delivered, in the scheme beside it"""
    scheme: str = ""
    """Of the CEF code list EAS; EM is an e-mail address"""
    contact: str = ""
    phone: str = ""
    email: str = ""


@dataclass(frozen=True, slots=True)
class EPayment(_Clean):
    """How to pay (BG-16, BG-17)."""

    means: str
    """BT-81, of UNTDID 4461: 58 SEPA credit transfer, 30 credit transfer, 1 not said"""
    reference: str = ""
    """BT-83"""
    account: str = ""
    """BT-84: IBAN, or the account as the bank has it"""
    holder: str = ""
    """BT-85"""
    bic: str = ""
    """BT-86"""


@dataclass(frozen=True, slots=True)
class EAdjustment(_Clean):
    """An allowance or charge, on a line (BG-27, BG-28) or on the whole document with its tax (BG-20, BG-21)."""

    amount: Decimal
    is_charge: bool
    reason: str
    category: str = ""
    rate: Decimal = Decimal(0)
    percent: Decimal | None = None
    base: Decimal | None = None


@dataclass(frozen=True, slots=True)
class ELine(_Clean):
    """One line (BG-25): quantity BT-129, unit BT-130, price BT-146, base quantity BT-149, net BT-131."""

    key: str
    name: str
    quantity: Decimal
    unit: str
    price: Decimal
    net: Decimal
    category: str
    rate: Decimal
    base_quantity: Decimal = Decimal(1)
    text: str = ""
    """BT-154"""
    article: str = ""
    """BT-155"""
    first: date | None = None
    """BT-134"""
    last: date | None = None
    """BT-135"""
    adjustments: tuple[EAdjustment, ...] = ()
    attributes: tuple[tuple[str, str], ...] = ()
    """BG-32: pairs of name and value"""


@dataclass(frozen=True, slots=True)
class ETax(_Clean):
    """One row of the tax breakdown (BG-23): base BT-116, tax BT-117, reason BT-120 and BT-121."""

    category: str
    rate: Decimal
    base: Decimal
    tax: Decimal
    reason: str = ""
    reason_code: str = ""


@dataclass(frozen=True, slots=True)
class ESums(_Clean):
    """The totals (BG-22), as they stand on the document."""

    line_net_total: Decimal
    """BT-106"""
    net_total: Decimal
    """BT-109"""
    tax_total: Decimal
    """BT-110"""
    gross_total: Decimal
    """BT-112"""
    due: Decimal
    """BT-115"""
    allowance_total: Decimal = Decimal(0)
    """BT-107"""
    charge_total: Decimal = Decimal(0)
    """BT-108"""
    paid: Decimal = Decimal(0)
    """BT-113"""
    rounding: Decimal = Decimal(0)
    """BT-114"""


@dataclass(frozen=True, slots=True)
class EInvoice(_Clean):
    """An invoice or credit note, whole."""

    number: str
    """BT-1"""
    issued_on: date
    """BT-2"""
    kind: str
    """BT-3: INVOICE or CREDIT_NOTE"""
    currency: str
    """BT-5"""
    seller: EParty
    buyer: EParty
    lines: tuple[ELine, ...]
    taxes: tuple[ETax, ...]
    sums: ESums
    payment: EPayment | None = None
    due_on: date | None = None
    """BT-9"""
    terms: str = ""
    """BT-20"""
    buyer_reference: str = ""
    """BT-10"""
    notes: tuple[str, ...] = ()
    """BT-22"""
    credits_number: str = ""
    """BT-25"""
    credits_date: date | None = None
    """BT-26"""
    delivered_on: date | None = None
    """BT-72: the day of the visit, or of the last of several"""
    deliver_country: str = ""
    """BT-80"""
    first: date | None = None
    """BT-73: the first of several visits"""
    last: date | None = None
    """BT-74"""
    adjustments: tuple[EAdjustment, ...] = ()

    def __post_init__(self) -> None:
        _Clean.__post_init__(self)
        object.__setattr__(self, "notes", tuple(kept for note in self.notes if (kept := printable(note))))


def sums_of(totals: Totals) -> ESums:
    """The totals that were computed, as they are to stand on the document."""
    return ESums(
        line_net_total=totals.line_net_total,
        allowance_total=totals.allowance_total,
        charge_total=totals.charge_total,
        net_total=totals.net_total,
        tax_total=totals.tax_total,
        gross_total=totals.gross_total,
        paid=totals.paid,
        rounding=totals.rounding,
        due=totals.due,
    )


def taxes_of(groups: Iterable[TaxGroup], reasons: dict[tuple[str, Decimal], str] | None = None) -> tuple[ETax, ...]:
    """The breakdown that was computed, each row with its text of exemption and the code that goes with its category."""
    texts = reasons or {}
    return tuple(
        ETax(
            category=str(group.category),
            rate=group.rate,
            base=group.base,
            tax=group.tax,
            reason=texts.get((str(group.category), group.rate), ""),
            reason_code=REASON_CODES.get(TaxCategory(group.category), ""),
        )
        for group in groups
    )
