"""Our own check of an e-invoice: exact to the cent, and for what the official rules of form let pass.

They let pass (seen with CEN/TC 434 release 1.3.16): a tax that is wrong by less than one unit of currency, in the
breakdown and all totals alike; a quantity or price that does not make its line's amount; wrong check digits of an IBAN;
an invoice with neither a due date nor terms of payment.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal, localcontext
from enum import StrEnum

from stdnum import bic as bics
from stdnum import iban as ibans
from stdnum import iso11649
from stdnum.eu import vat as eu_vat
from stdnum.gb import vat as gb_vat

from billing.charges.totals import WIDE, TaxCategory, TaxGroup, TaxUse, check_tax_rules, part_of, rounded
from billing.currencies import places_of
from billing.documents.einvoice import CREDIT_NOTE, INVOICE, EAdjustment, EInvoice, ELine, ETax

MOST_PLACES = 2
"""EN 16931 knows no amount finer than this (BR-DEC-01 to 28)."""

SEPA = "58"
TRANSFERS = frozenset({"30", SEPA})
EMAIL = "EM"

_COUNTRY = re.compile(r"[A-Z]{2}")
_EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")
_SCHEME = re.compile(r"[0-9]{4}|AN|AQ|AS|AU|EM")
_LETTERS = re.compile(r"[A-Z]{2}[0-9]{2}")


class FaultKind(StrEnum):
    """What is wrong, with the rule of EN 16931 that says so where there is one."""

    MISSING = "missing"
    """BR-02 to BR-11, BR-16, BR-25: something every document must say"""
    CURRENCY_TOO_FINE = "currency_too_fine"
    """The currency has three decimals, the standard two"""
    TOO_MANY_DECIMALS = "too_many_decimals"
    """BR-DEC-01 to 28"""
    LINE_NET = "line_net"
    """A quantity, price and allowances that do not make the line's amount: no rule of the standard"""
    PERCENT = "percent"
    """A percentage and base that do not make the amount: no rule of the standard"""
    BASE = "base"
    """BR-S-08, BR-Z-08, BR-E-08, BR-AE-08, BR-IC-08, BR-G-08, BR-O-08, to the cent"""
    TAX = "tax"
    """BR-CO-17, to the cent"""
    SUM = "sum"
    """BR-CO-10 to 16"""
    TAX_RULE = "tax_rule"
    """`TaxProblem` says which"""
    NEGATIVE = "negative"
    """A document below zero, or a price (BR-27)"""
    NO_DUE_DATE = "no_due_date"
    """BR-CO-25, taken out of the official rules with release 1.3.16"""
    DUE_TOO_EARLY = "due_too_early"
    ACCOUNT = "account"
    """BR-61, and the check digits of ISO 13616, which no rule looks at"""
    BANK = "bank"
    REFERENCE = "reference"
    """ISO 11649"""
    VAT_ID = "vat_id"
    """BR-CO-09, and the check digits of the country"""
    COUNTRY = "country"
    ADDRESS = "address"
    """BR-62, BR-63"""
    PERIOD = "period"
    """BR-29, BR-30"""
    KEY_TWICE = "key_twice"
    CREDITED_MISSING = "credited_missing"
    """A credit note that does not say which invoice it credits"""
    REASON_MISSING = "reason_missing"
    """BR-33, BR-38, BR-41, BR-44"""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong: where (such as "lines.2.net" or "seller.vat_id"), what stands there, what should."""

    kind: FaultKind
    where: str
    found: str = ""
    expected: str = ""


def find_faults(invoice: EInvoice, *, taxes: Sequence[TaxGroup] | None = None) -> tuple[Fault, ...]:
    """All that is wrong with a document; empty if it may be issued.

    `taxes` are the groups worked out beforehand, for a tax that is not simply base times rate: the last credit of an
    invoice takes the remaining cent, sales taxes of several places are rounded each by itself.
    """
    places = min(MOST_PLACES, places_of(invoice.currency))
    return tuple(
        fault
        for part in (
            _said(invoice),
            _lines_said(invoice),
            _parties(invoice),
            _decimals(invoice, places),
            _line_nets(invoice, places),
            _tax_groups(invoice, places, taxes),
            _sums(invoice),
            _tax_rules(invoice),
            _paying(invoice),
            _days(invoice),
        )
        for fault in part
    )


def _said(invoice: EInvoice) -> Iterator[Fault]:
    if not invoice.number:
        yield Fault(FaultKind.MISSING, "number")
    if invoice.kind not in (INVOICE, CREDIT_NOTE):
        yield Fault(FaultKind.MISSING, "kind", invoice.kind)
    if not re.fullmatch(r"[A-Z]{3}", invoice.currency):
        yield Fault(FaultKind.MISSING, "currency", invoice.currency)
    elif places_of(invoice.currency) > MOST_PLACES:
        yield Fault(FaultKind.CURRENCY_TOO_FINE, "currency", invoice.currency)
    if invoice.kind == CREDIT_NOTE and not invoice.credits_number:
        yield Fault(FaultKind.CREDITED_MISSING, "credits_number")
    for where, adjustment in _adjustments(invoice):
        if not adjustment.reason:
            yield Fault(FaultKind.REASON_MISSING, where)


def _lines_said(invoice: EInvoice) -> Iterator[Fault]:
    if not invoice.lines:
        yield Fault(FaultKind.MISSING, "lines")
    for place, line in enumerate(invoice.lines):
        for name in ("key", "name", "unit"):
            if not getattr(line, name):
                yield Fault(FaultKind.MISSING, f"lines.{place}.{name}")
    for key, times in Counter(line.key for line in invoice.lines).items():
        if times > 1:
            yield Fault(FaultKind.KEY_TWICE, "lines", key)


def _adjustments(invoice: EInvoice) -> Iterator[tuple[str, EAdjustment]]:
    for place, adjustment in enumerate(invoice.adjustments):
        yield f"adjustments.{place}", adjustment
    for row, line in enumerate(invoice.lines):
        for place, adjustment in enumerate(line.adjustments):
            yield f"lines.{row}.adjustments.{place}", adjustment


def _parties(invoice: EInvoice) -> Iterator[Fault]:
    for who, party in (("seller", invoice.seller), ("buyer", invoice.buyer)):
        if not party.name:
            yield Fault(FaultKind.MISSING, f"{who}.name")
        if not party.country:
            yield Fault(FaultKind.MISSING, f"{who}.country")
        elif not _COUNTRY.fullmatch(party.country):
            yield Fault(FaultKind.COUNTRY, f"{who}.country", party.country)
        if party.vat_id and not is_vat_id(party.vat_id):
            yield Fault(FaultKind.VAT_ID, f"{who}.vat_id", party.vat_id)
        if party.address and not is_address(party.address, party.scheme):
            yield Fault(FaultKind.ADDRESS, f"{who}.address", party.address)
    if not invoice.seller.city:
        yield Fault(FaultKind.MISSING, "seller.city")
    if not (invoice.seller.vat_id or invoice.seller.register_number or invoice.seller.key):
        yield Fault(FaultKind.MISSING, "seller.key")  # BR-CO-26
    if invoice.deliver_country and not _COUNTRY.fullmatch(invoice.deliver_country):
        yield Fault(FaultKind.COUNTRY, "deliver_country", invoice.deliver_country)


def is_vat_id(number: str) -> bool:
    """Whether a VAT id begins with the letters of its country and, where the country's rule is known, is right."""
    prefix = number[:2]
    if not _COUNTRY.fullmatch(prefix) or len(number) < 4:
        return False
    if prefix == "GB":
        return bool(gb_vat.is_valid(number))
    if prefix.lower() in eu_vat.MEMBER_STATES or prefix == "EL":
        return bool(eu_vat.is_valid(number))
    return True


def is_address(address: str, scheme: str) -> bool:
    """Whether an electronic address has a kind of the list EAS, and fits it as far as can be seen."""
    if not _SCHEME.fullmatch(scheme):
        return False
    return scheme != EMAIL or is_e_mail(address)


def is_e_mail(address: str) -> bool:
    """Whether an electronic address looks like one for e-mail."""
    return _EMAIL.fullmatch(address) is not None


def _decimals(invoice: EInvoice, places: int) -> Iterator[Fault]:
    sums = invoice.sums
    amounts: list[tuple[str, Decimal]] = [(f"sums.{name}", getattr(sums, name)) for name in sums.__slots__]
    amounts += [(f"lines.{place}.net", line.net) for place, line in enumerate(invoice.lines)]
    amounts += [(f"taxes.{place}.base", tax.base) for place, tax in enumerate(invoice.taxes)]
    amounts += [(f"taxes.{place}.tax", tax.tax) for place, tax in enumerate(invoice.taxes)]
    for where, adjustment in _adjustments(invoice):
        amounts += [(f"{where}.amount", adjustment.amount)]
        amounts += [] if adjustment.base is None else [(f"{where}.base", adjustment.base)]
    for where, amount in amounts:
        if amount != rounded(amount, places):
            yield Fault(FaultKind.TOO_MANY_DECIMALS, where, f"{amount:f}", f"{rounded(amount, places):f}")


def _line_nets(invoice: EInvoice, places: int) -> Iterator[Fault]:
    for place, line in enumerate(invoice.lines):
        if line.price < 0 or line.base_quantity <= 0:
            yield Fault(FaultKind.NEGATIVE, f"lines.{place}.price", f"{line.price:f}")
            continue
        expected = _net(line, places)
        if line.net != expected:
            yield Fault(FaultKind.LINE_NET, f"lines.{place}.net", f"{line.net:f}", f"{expected:f}")
    for where, adjustment in _adjustments(invoice):
        if adjustment.percent is not None and adjustment.base is not None:
            expected = part_of(adjustment.base, adjustment.percent, places)
            if adjustment.amount != expected:
                yield Fault(FaultKind.PERCENT, f"{where}.amount", f"{adjustment.amount:f}", f"{expected:f}")


def _net(line: ELine, places: int) -> Decimal:
    with localcontext(WIDE):
        product = rounded(line.quantity * line.price / line.base_quantity, places)
        return product + _signed(line.adjustments)


def _signed(adjustments: Iterable[EAdjustment]) -> Decimal:
    return sum((one.amount if one.is_charge else -one.amount for one in adjustments), Decimal(0))


def _tax_groups(invoice: EInvoice, places: int, worked_out: Sequence[TaxGroup] | None) -> Iterator[Fault]:
    bases: dict[tuple[str, Decimal], Decimal] = {}
    with localcontext(WIDE):
        for line in invoice.lines:
            key = line.category, line.rate
            bases[key] = bases.get(key, Decimal(0)) + line.net
        for one in invoice.adjustments:
            key = one.category, one.rate
            bases[key] = bases.get(key, Decimal(0)) + _signed([one])
    known = {(str(group.category), group.rate): group.tax for group in worked_out or ()}
    seen: set[tuple[str, Decimal]] = set()
    for place, tax in enumerate(invoice.taxes):
        key = tax.category, tax.rate
        base = Decimal(0) if key in seen else bases.get(key, Decimal(0))
        seen.add(key)
        if tax.base != base:
            yield Fault(FaultKind.BASE, f"taxes.{place}.base", f"{tax.base:f}", f"{rounded(base, places):f}")
        expected = _tax(tax, places) if worked_out is None else known.get(key, Decimal(0))
        if tax.tax != expected:
            yield Fault(FaultKind.TAX, f"taxes.{place}.tax", f"{tax.tax:f}", f"{expected:f}")
    for category, rate in bases.keys() - seen:
        yield Fault(FaultKind.BASE, "taxes", "", f"{category} {rate:f}")


def _tax(tax: ETax, places: int) -> Decimal:
    return part_of(tax.base, tax.rate, places)


def _sums(invoice: EInvoice) -> Iterator[Fault]:
    sums = invoice.sums
    with localcontext(WIDE):
        zero = Decimal(0)
        expected = {
            "line_net_total": sum((line.net for line in invoice.lines), zero),
            "allowance_total": sum((one.amount for one in invoice.adjustments if not one.is_charge), zero),
            "charge_total": sum((one.amount for one in invoice.adjustments if one.is_charge), zero),
            "net_total": sums.line_net_total - sums.allowance_total + sums.charge_total,
            "tax_total": sum((tax.tax for tax in invoice.taxes), zero),
            "gross_total": sums.net_total + sums.tax_total,
            "due": sums.gross_total - sums.paid + sums.rounding,
        }
    for name, amount in expected.items():
        stands = getattr(sums, name)
        if stands != amount:
            yield Fault(FaultKind.SUM, f"sums.{name}", f"{stands:f}", f"{amount:f}")
    if sums.gross_total < 0:
        yield Fault(FaultKind.NEGATIVE, "sums.gross_total", f"{sums.gross_total:f}")


def _tax_rules(invoice: EInvoice) -> Iterator[Fault]:
    reasons = {(tax.category, tax.rate): tax.reason or tax.reason_code for tax in invoice.taxes}
    uses = [TaxUse(line.category, line.rate, reasons.get((line.category, line.rate), "")) for line in invoice.lines]
    uses += [TaxUse(one.category, one.rate, reasons.get((one.category, one.rate), "")) for one in invoice.adjustments]
    seller, buyer = invoice.seller, invoice.buyer
    for problem in check_tax_rules(
        uses, seller_vat_id=seller.vat_id, seller_tax_number=seller.tax_number, buyer_vat_id=buyer.vat_id
    ):
        yield Fault(FaultKind.TAX_RULE, "taxes", problem)
    if any(tax.category == TaxCategory.INTRA_COMMUNITY for tax in invoice.taxes):
        if not invoice.deliver_country:
            yield Fault(FaultKind.MISSING, "deliver_country")
        if invoice.delivered_on is None and invoice.first is None:
            yield Fault(FaultKind.MISSING, "delivered_on")


def _paying(invoice: EInvoice) -> Iterator[Fault]:
    if invoice.sums.due > 0 and invoice.due_on is None and not invoice.terms:
        yield Fault(FaultKind.NO_DUE_DATE, "due_on")
    payment = invoice.payment
    if payment is None:
        return
    if payment.means in TRANSFERS and not payment.account:
        yield Fault(FaultKind.ACCOUNT, "payment.account")
    elif (payment.means == SEPA or _LETTERS.match(payment.account)) and not ibans.is_valid(payment.account):
        yield Fault(FaultKind.ACCOUNT, "payment.account", payment.account)
    if payment.bic and not payment.bic.isdigit() and not bics.is_valid(payment.bic):
        yield Fault(FaultKind.BANK, "payment.bic", payment.bic)
    if _is_structured(payment.reference) and not iso11649.is_valid(payment.reference):
        yield Fault(FaultKind.REFERENCE, "payment.reference", payment.reference)


def _is_structured(reference: str) -> bool:
    return re.match(r"RF[0-9]{2}", reference) is not None


def _days(invoice: EInvoice) -> Iterator[Fault]:
    if invoice.due_on is not None and invoice.due_on < invoice.issued_on:
        yield Fault(FaultKind.DUE_TOO_EARLY, "due_on", invoice.due_on.isoformat())
    spans = [("period", invoice.first, invoice.last)]
    spans += [(f"lines.{place}.period", line.first, line.last) for place, line in enumerate(invoice.lines)]
    for where, first, last in spans:
        if first is not None and last is not None and last < first:
            yield Fault(FaultKind.PERIOD, where, last.isoformat())
