"""E-invoices: an issued document as another program reads it, checked before there is a number to regret."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from stdnum.eu import vat as eu_vat

from billing.charges.totals import TaxCategory, TaxGroup
from billing.currencies import in_currency
from billing.documents.einvoice import (
    CREDIT_NOTE,
    INVOICE,
    REASON_CODES,
    EAdjustment,
    EInvoice,
    ELine,
    EParty,
    EPayment,
    ESums,
    ETax,
)
from billing.documents.einvoice_check import EMAIL, SEPA, Fault, FaultKind, find_faults
from billing.documents.einvoice_cii import is_iban_like, write_cii
from billing.documents.einvoice_rules import Failure, failures, rule_set, warm_up
from billing.documents.einvoice_rules import Syntax as RuleSyntax
from billing.documents.einvoice_ubl import write_ubl
from billing.models import (
    Invoice,
    InvoiceAllowance,
    InvoiceKind,
    InvoiceLine,
    InvoiceState,
    InvoiceXml,
    Syntax,
)
from billing.queries.prices import settings_of
from billing.services.amounts import totals_of
from billing.services.documents import DocumentIsDamaged, buyer_as_printed, seller_as_printed
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business

NOT_SAID: Final = "1"
"""UNTDID 4461: how to pay is not said here."""
TRANSFER: Final = "30"
EURO: Final = "EUR"

WRITERS: Final = {Syntax.CII: write_cii, Syntax.UBL: write_ubl}

# Where a tax registration has the letters of its country before it; elsewhere it is a tax number.
_VAT_COUNTRIES: Final = frozenset(map(str.upper, eu_vat.MEMBER_STATES)) | {"CH", "GB", "LI", "NO"}


class EInvoiceRefused(Refusal):
    code = "e_invoice_refused"
    message = "%(sentences)s"


@dataclass(frozen=True, slots=True)
class Mend:
    """What is wrong with an e-invoice, in a sentence that names the field, and the page where it is mended."""

    text: str
    page: str = ""
    address: str = ""
    """The name of the page's address"""
    key: int | None = None
    """Whose page it is, where there are several"""


def wants_e_invoices(business: Business) -> bool:
    """Whether the business makes e-invoices. One that does not hears nothing of them."""
    return settings_of(business).e_invoices


def e_invoice_of(invoice: Invoice) -> EInvoice:
    """A document as EN 16931 sees it: of an issued one from its own copies alone, of a draft from what holds now."""
    draft = invoice.state == InvoiceState.DRAFT and not invoice.seller
    # A copy of an earlier day may say less; what it does not say is not there.
    seller = defaultdict(str, seller_as_printed(invoice.business) if draft else invoice.seller)
    buyer = defaultdict(str, buyer_as_printed(invoice.client) if draft else invoice.buyer)
    credit = invoice.kind == InvoiceKind.CREDIT_NOTE
    lines = list(invoice.lines.order_by("position"))
    days = sorted({line.visit_date for line in lines if line.visit_date})
    credited = invoice.credits if credit else None
    off = list(invoice.allowances.order_by("pk"))

    def money(amount: Decimal) -> Decimal:
        return in_currency(amount, invoice.currency)

    return EInvoice(
        number=invoice.number or "",
        issued_on=invoice.issued_on or dt.date.max,
        kind=CREDIT_NOTE if credit else INVOICE,
        currency=invoice.currency,
        seller=_seller(seller),
        buyer=_buyer(buyer, seller, taxed=all(line.tax_code != TaxCategory.OUTSIDE_SCOPE for line in lines)),
        lines=tuple(_line(line, money) for line in lines),
        adjustments=tuple(_allowance(row, money) for row in off),
        taxes=tuple(
            ETax(
                category=row.code,
                rate=row.rate,
                base=money(row.base),
                tax=money(row.tax),
                reason=row.exemption_reason,
                reason_code=REASON_CODES.get(TaxCategory(row.code), ""),
            )
            for row in invoice.taxes.order_by("pk")
        ),
        sums=ESums(
            line_net_total=money(sum((line.net for line in lines), Decimal(0))),
            net_total=money(invoice.net_total),
            tax_total=money(invoice.tax_total),
            gross_total=money(invoice.gross_total),
            due=money(invoice.gross_total),
            allowance_total=money(sum((row.amount for row in off), Decimal(0))),
        ),
        payment=None if credit else _payment(invoice, seller),
        due_on=None if credit else invoice.due_on,
        terms=_terms(invoice),
        buyer_reference=str(buyer["reference"]),
        notes=tuple(text for text in (invoice.credit_reason, invoice.note) if text),
        credits_number=str(credited.number) if credited else "",
        credits_date=credited.issued_on if credited else None,
        delivered_on=days[-1] if days else None,
        first=days[0] if len(days) > 1 else None,
        last=days[-1] if len(days) > 1 else None,
    )


def _terms(invoice: Invoice) -> str:
    if invoice.credits is None:
        return ""
    with business_locale(invoice.business):
        return _("Settles invoice %(number)s; what is left over is credit on your account.") % {
            "number": invoice.credits.number
        }


def _allowance(row: InvoiceAllowance, money: Callable[[Decimal], Decimal]) -> EAdjustment:
    """An allowance under the lines. On a credit note it is a part of one, so the percentage is not told."""
    return EAdjustment(
        amount=money(row.amount),
        is_charge=False,
        reason=row.reason,
        category=row.tax_code,
        rate=row.tax_rate,
        percent=row.percent,
        base=money(row.base) if row.percent is not None else None,
    )


def _line(line: InvoiceLine, money: Callable[[Decimal], Decimal]) -> ELine:
    off: tuple[EAdjustment, ...] = ()
    if line.allowance:
        percent = line.allowance_percent
        base = money(line.net + line.allowance) if percent is not None else None
        off = (EAdjustment(money(line.allowance), False, line.allowance_reason, percent=percent, base=base),)
    return ELine(
        key=str(line.position),
        name=line.name,
        text=": ".join(filter(None, (line.farm_name, line.detail))),
        adjustments=off,
        article=line.article,
        quantity=line.quantity,
        unit=line.unit,
        price=line.price,
        net=money(line.net),
        category=line.tax_code,
        rate=line.tax_rate,
        first=line.visit_date,
        last=line.visit_date,
    )


def _compact(number: str) -> str:
    return "".join(sign for sign in number.upper() if sign.isalnum())


def _is_vat_id(number: str, country: str) -> bool:
    return number[:2].isalpha() or country in _VAT_COUNTRIES


def _seller(seller: dict[str, Any]) -> EParty:
    tax_id = _compact(seller["tax_id"])
    vat = _is_vat_id(tax_id, seller["country"])
    tax_number = seller["tax_number"] if vat else seller["tax_number"] or seller["tax_id"]
    return EParty(
        name=seller["name"],
        country=seller["country"],
        street=seller["street"],
        city=seller["city"],
        postcode=seller["postcode"],
        region=seller["region"],
        vat_id=tax_id if vat else "",
        tax_number=tax_number,
        register_number=seller["register_number"],
        key="" if (tax_id and vat) or seller["register_number"] else tax_number,
        contact=seller["contact"],
        phone=seller["phone"],
        email=seller["email"],
        **_address(seller),
    )


def _buyer(buyer: dict[str, Any], seller: dict[str, Any], *, taxed: bool) -> EParty:
    """A client without a country is of the business's own; what is not subject to tax names no VAT id (BR-O-02)."""
    country = buyer["country"] or seller["country"]
    tax_id = _compact(buyer["tax_id"])
    return EParty(
        name=buyer["name"],
        country=country,
        street=buyer["street"],
        city=buyer["city"],
        postcode=buyer["postcode"],
        region=buyer["region"],
        vat_id=tax_id if taxed and _is_vat_id(tax_id, country) else "",
        register_number=buyer["register_number"],
        key=buyer["number"],
        email=buyer["email"],
        **_address(buyer),
    )


def _address(party: dict[str, Any]) -> dict[str, str]:
    """The electronic address; without one, the e-mail address is it."""
    given = str(party["e_address"])
    if given:
        return {"address": given, "scheme": str(party["e_scheme"])}
    return {"address": party["email"], "scheme": EMAIL} if party["email"] else {}


def _payment(invoice: Invoice, seller: dict[str, Any]) -> EPayment:
    account = str(seller["iban"])
    if is_iban_like(account):
        account = _compact(account)
    means = NOT_SAID
    if account:
        means = SEPA if invoice.currency == EURO and is_iban_like(account) else TRANSFER
    return EPayment(
        means=means,
        reference=invoice.reference or str(invoice.number or ""),
        account=account,
        holder=seller["name"] if account else "",
        bic=_compact(seller["bic"]) if account else "",
    )


def check_e_invoice(invoice: Invoice, *, taxes: Sequence[TaxGroup]) -> EInvoice:
    """The document as EN 16931 sees it, once our own check finds nothing. Raises EInvoiceRefused.

    `taxes` are the groups worked out from the lines.
    """
    document = e_invoice_of(invoice)
    if faults := find_faults(document, taxes=taxes):
        raise EInvoiceRefused(sentences=" ".join(mend.text for mend in mends_for(faults, invoice)))
    return document


@transaction.atomic
def keep_e_invoices(*, invoice: Invoice, taxes: Sequence[TaxGroup], now: dt.datetime) -> list[InvoiceXml]:
    """Write a document that is about to be issued in both syntaxes, check it by all rules, and keep the bytes.

    It has its number and copies already, and becomes frozen right after. Raises EInvoiceRefused.
    """
    document = check_e_invoice(invoice, taxes=taxes)
    kept = []
    for syntax in Syntax:
        content = written(document, syntax)
        kept.append(
            InvoiceXml(
                invoice=invoice,
                syntax=syntax,
                content=content,
                sha256=hashlib.sha256(content).hexdigest(),
                rules=rule_set(RuleSyntax(syntax)),
                made_at=now,
            )
        )
    return InvoiceXml.objects.bulk_create(kept)


def written(document: EInvoice, syntax: Syntax) -> bytes:
    """A document in a syntax, once the official rules say nothing against it. Raises EInvoiceRefused."""
    content = WRITERS[syntax](document)
    if against := failures(content, RuleSyntax(syntax)):
        raise EInvoiceRefused(sentences=" ".join(_official(failure) for failure in against))
    return content


def get_ready() -> None:
    """Load the official rules: before the transaction that needs them."""
    warm_up()


def xml_of(*, invoice: Invoice, syntax: Syntax) -> bytes:
    """An issued document in a syntax: the kept bytes, or made now from its frozen copies if none were kept.

    Raises DocumentIsDamaged if the kept bytes are not what their hash says, EInvoiceRefused if none were kept and the
    document cannot be written by the rules.
    """
    kept = InvoiceXml.objects.filter(invoice=invoice, syntax=syntax).first()
    if kept is None:
        document = check_e_invoice(invoice, taxes=worked_out(invoice))
        return written(document, syntax)
    content = bytes(kept.content)
    if hashlib.sha256(content).hexdigest() != kept.sha256:
        raise DocumentIsDamaged
    return content


def worked_out(invoice: Invoice) -> tuple[TaxGroup, ...]:
    """The tax groups by the lines, whatever is stored."""
    return totals_of(invoice, list(invoice.lines.order_by("position"))).tax_groups


def mends_of(draft: Invoice) -> list[Mend]:
    """What would keep a draft from becoming an e-invoice; nothing for a business that makes none."""
    if not wants_e_invoices(draft.business):
        return []
    document = e_invoice_of(draft)
    return mends_for([fault for fault in find_faults(document, taxes=worked_out(draft)) if _of_a_draft(fault)], draft)


def mends_of_business(business: Business, *, today: dt.date) -> list[Mend]:
    """What of the business itself would keep any invoice from becoming an e-invoice."""
    if not wants_e_invoices(business):
        return []
    blank = Invoice(business=business, currency=business.currency, issued_on=today)
    seller = seller_as_printed(business)
    document = EInvoice(
        number="",
        issued_on=today,
        kind=INVOICE,
        currency=business.currency,
        seller=_seller(seller),
        buyer=EParty("", ""),
        lines=(),
        taxes=(),
        sums=ESums(*[Decimal(0)] * 5),
        payment=_payment(blank, seller),
    )
    faults = find_faults(document)
    return mends_for((one for one in faults if one.where.startswith(("seller.", "payment.", "currency"))), blank)


def _of_a_draft(fault: Fault) -> bool:
    """Number and days come with issuing; what the tax rules say is told beside the draft anyway."""
    return fault.where not in ("number", "due_on") and fault.kind != FaultKind.TAX_RULE


_FIELDS: Final = {
    "seller.name": gettext_lazy("name of your business"),
    "seller.country": gettext_lazy("country of your business"),
    "seller.city": gettext_lazy("town of your business"),
    "seller.vat_id": gettext_lazy("tax registration of your business"),
    "seller.key": gettext_lazy("tax registration, tax number or register number of your business"),
    "seller.address": gettext_lazy("electronic address of your business"),
    "buyer.name": gettext_lazy("name of the client"),
    "buyer.country": gettext_lazy("country of the client"),
    "buyer.vat_id": gettext_lazy("tax registration of the client"),
    "buyer.address": gettext_lazy("electronic address of the client"),
    "payment.account": gettext_lazy("IBAN or account"),
    "payment.bic": gettext_lazy("BIC or routing number"),
    "payment.reference": gettext_lazy("payment reference"),
    "due_on": gettext_lazy("day to pay by"),
    "currency": gettext_lazy("currency"),
    "credits_number": gettext_lazy("number of the credited invoice"),
}


def mends_for(faults: Iterable[Fault], invoice: Invoice) -> list[Mend]:
    """Faults as sentences, each with the page where it is mended."""
    return [_mend(fault, invoice) for fault in faults]


def _mend(fault: Fault, invoice: Invoice) -> Mend:
    page, address, key = _page(fault, invoice)
    values = {
        "field": _FIELDS.get(fault.where, fault.where),
        "page": page,
        "found": fault.found,
        "expected": fault.expected,
        "line": _line_number(fault.where),
    }
    return Mend(str(_sentence(fault) % values), str(page), address, key)


def _page(fault: Fault, invoice: Invoice) -> tuple[str, str, int | None]:
    who = fault.where.partition(".")[0]
    if fault.where == "seller.address" or fault.kind == FaultKind.CURRENCY_TOO_FINE:
        return _("settings of e-invoices"), "e-invoice-settings", None
    if who in ("seller", "payment", "currency"):
        return _("settings of the business"), "business-edit", None
    if fault.where == "buyer.address":
        return _("bills of the client"), "client-billing", invoice.client_id
    if who == "buyer":
        return _("page of the client"), "client-page", invoice.client_id
    return _("page of the draft"), "invoice-page", invoice.pk


def _line_number(where: str) -> str:
    parts = where.split(".")
    return str(int(parts[1]) + 1) if parts[0] == "lines" and len(parts) > 1 else ""


def _sentence(fault: Fault) -> str:
    if fault.kind == FaultKind.MISSING and fault.where.startswith("lines."):
        return _("Line %(line)s has no name or unit. Add it on the %(page)s.")
    if fault.kind == FaultKind.TAX_RULE:
        return _("The tax breaks a rule of e-invoices (%(found)s). Ask your accountant.")
    return str(_SENTENCES.get(fault.kind, _ODD))


_ODD: Final = gettext_lazy(
    "The e-invoice does not add up (%(field)s: %(found)s in place of %(expected)s). Drop the draft and make it anew."
)
_SENTENCES: Final = {
    FaultKind.MISSING: gettext_lazy("E-invoices need the %(field)s. Add it: %(page)s."),
    FaultKind.CURRENCY_TOO_FINE: gettext_lazy(
        "E-invoices know two decimals and %(found)s has more, so none can be made. Turn them off: %(page)s."
    ),
    FaultKind.NO_DUE_DATE: gettext_lazy("An e-invoice needs a day to pay by. Choose it on the %(page)s."),
    FaultKind.DUE_TOO_EARLY: gettext_lazy("It cannot be due before it is issued. Choose a later day on the %(page)s."),
    FaultKind.ACCOUNT: gettext_lazy(
        "The %(field)s is not right (%(found)s): its check digits do not fit. Correct it: %(page)s."
    ),
    FaultKind.BANK: gettext_lazy("The %(field)s is not right (%(found)s). Correct it: %(page)s."),
    FaultKind.VAT_ID: gettext_lazy(
        "The %(field)s is not right (%(found)s): it begins with the letters of its country, and its check digits must "
        "fit. Correct it: %(page)s."
    ),
    FaultKind.COUNTRY: gettext_lazy("The %(field)s is no country code (%(found)s). Correct it: %(page)s."),
    FaultKind.ADDRESS: gettext_lazy(
        "The %(field)s (%(found)s) does not fit its kind. Correct it and its kind: %(page)s."
    ),
    FaultKind.NEGATIVE: gettext_lazy("An e-invoice cannot be below zero. Look at the %(page)s."),
}


def _official(failure: Failure) -> str:
    return _("The official rules for e-invoices say (%(rule)s): %(text)s") % {
        "rule": failure.rule,
        "text": failure.text,
    }
