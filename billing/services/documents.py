"""The document as it is printed: set once from what is frozen in the invoice, kept, and never made anew."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable
from decimal import Decimal
from itertools import groupby
from typing import Any, Final, cast

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.currencies import places_of
from billing.documents.pdf import (
    InvoiceDocument,
    Paper,
    Party,
    PaymentBlock,
    PrintedLine,
    PrintedTax,
    PrintedTotals,
    VisitGroup,
    render_invoice,
)
from billing.documents.reference import ReferenceRefused, payment_code, spaced
from billing.models import (
    Invoice,
    InvoiceAllowance,
    InvoiceFile,
    InvoiceKind,
    InvoiceLine,
    InvoiceState,
    InvoiceXml,
    Syntax,
)
from billing.queries.prices import billing_of, settings_of
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, Client
from trimmer.showing import show_day, show_days, show_money, show_number, show_percent

SEPA_CURRENCY: Final = "EUR"


class DocumentIsDamaged(Refusal):
    code = "document_is_damaged"
    message = gettext_lazy(
        "The kept file of this document is damaged. Restore it from a backup; it cannot be made anew."
    )


def seller_as_printed(business: Business) -> dict[str, Any]:
    """All that an invoice says of the business, as plain values that can be kept with it."""
    bills = settings_of(business)
    return {
        "name": business.name,
        "address": business.address_lines(),
        "street": business.street,
        "postcode": business.postcode,
        "city": business.city,
        "region": business.region,
        "country": business.country,
        "email": business.email,
        "phone": business.phone,
        "tax_id": business.tax_id,
        "tax_number": business.tax_number,
        "register_number": business.register_number,
        "bank_name": business.bank_name,
        "iban": business.iban,
        "bic": business.bic,
        "footer": business.invoice_footer,
        "language": business.language,
        "paper": business.paper,
        "contact": bills.contact,
        "e_address": bills.e_address,
        "e_scheme": bills.e_scheme,
    }


def buyer_as_printed(client: Client) -> dict[str, Any]:
    """All that an invoice says of the client."""
    wishes = billing_of(client)
    return {
        "number": client.number,
        "name": client.name,
        "address": client.address_lines(),
        "street": client.street,
        "postcode": client.postcode,
        "city": client.city,
        "region": client.region,
        "country": client.country,
        "email": client.email,
        "tax_id": client.tax_id,
        "reference": wishes.buyer_reference,
        "register_number": wishes.register_number,
        "e_address": wishes.e_address,
        "e_scheme": wishes.e_scheme,
    }


def document_of(invoice: Invoice, *, today: dt.date) -> InvoiceDocument:
    """The document as text: of an issued invoice from its own copies alone, of a draft from what holds now."""
    draft = invoice.state == InvoiceState.DRAFT
    seller = seller_as_printed(invoice.business) if draft else invoice.seller
    buyer = buyer_as_printed(invoice.client) if draft else invoice.buyer
    language = str(seller["language"])
    places = places_of(invoice.currency)
    credit = invoice.kind == InvoiceKind.CREDIT_NOTE
    lines = list(invoice.lines.order_by("position"))
    taxes = list(invoice.taxes.order_by("pk"))
    levied = list(invoice.sales_taxes.order_by("pk"))
    by_place = {line.tax_rate for line in lines if line.levies}
    off = list(invoice.allowances.select_related("discount").order_by("pk"))

    def amount(value: Decimal) -> str:
        return show_number(value, language, places)

    return InvoiceDocument(
        kind="credit_note" if credit else "invoice",
        number="" if draft else str(invoice.number),
        dated=invoice.issued_on or today,
        language=language,
        currency=invoice.currency,
        seller=_seller(seller),
        buyer=_buyer(buyer),
        groups=tuple(_groups(lines, language, places)),
        taxes=(
            *(
                PrintedTax(tax_label(row.authority, row.rate, language), amount(row.base), amount(row.tax))
                for row in levied
            ),
            *(
                PrintedTax(tax_label(row.name, row.rate, language), amount(row.base), amount(row.tax))
                for row in taxes
                if row.rate and row.rate not in by_place
            ),
        ),
        totals=PrintedTotals(
            net=amount(invoice.net_total),
            tax=amount(invoice.tax_total),
            gross=amount(invoice.gross_total),
            due=amount(invoice.gross_total),
            line_net=amount(sum((line.net for line in lines), Decimal(0))) if off else "",
            adjustments=tuple((allowance_text(row, language), amount(-row.amount)) for row in off),
        ),
        payment=PaymentBlock() if credit else _payment(invoice, seller),
        issue_date=show_day(invoice.issued_on, language, weekday=False) if invoice.issued_on else "",
        due_date=show_day(invoice.due_on, language, weekday=False) if invoice.due_on and not credit else "",
        period=_period(lines, language),
        client_number=str(buyer["number"]),
        buyer_reference=str(buyer.get("reference", "")),
        credited_number=str(invoice.credits.number) if invoice.credits is not None else "",
        introduction=tuple(filter(None, (invoice.credit_reason, invoice.note))),
        exemptions=tuple(row.exemption_reason for row in taxes if row.exemption_reason),
        footer=tuple(line for line in str(seller["footer"]).splitlines() if line.strip()),
        draft=draft,
    )


def preview_document(*, invoice: Invoice, today: dt.date) -> bytes:
    """A draft as PDF, marked as one. Nothing is kept."""
    with business_locale(invoice.business):
        return _rendered(invoice, today)


def keep_document(*, invoice: Invoice, now: dt.datetime) -> InvoiceFile:
    """The kept file of an issued document, made at the first call. Two callers at once get the same one."""
    kept = InvoiceFile.objects.filter(invoice=invoice).first()
    if kept is not None:
        return kept
    with business_locale(invoice.business):
        pdf = _rendered(invoice, invoice.issued_on or now.date(), _kept_cii(invoice))
    try:
        with transaction.atomic():
            return InvoiceFile.objects.create(
                invoice=invoice, pdf=pdf, sha256=hashlib.sha256(pdf).hexdigest(), made_at=now
            )
    except IntegrityError:
        first = InvoiceFile.objects.filter(invoice=invoice).first()
        if first is None:
            raise
        return first


def bytes_of(kept: InvoiceFile) -> bytes:
    """The kept bytes, as they were. Raises DocumentIsDamaged if they are not what their hash says."""
    pdf = bytes(kept.pdf)
    if hashlib.sha256(pdf).hexdigest() != kept.sha256:
        raise DocumentIsDamaged
    return pdf


def _kept_cii(invoice: Invoice) -> bytes | None:
    """The e-invoice that was kept when the document was issued, to be carried by its page; None if there is none."""
    kept = InvoiceXml.objects.filter(invoice=invoice, syntax=Syntax.CII).first()
    if kept is None:
        return None
    content = bytes(kept.content)
    if hashlib.sha256(content).hexdigest() != kept.sha256:
        raise DocumentIsDamaged
    return content


def _rendered(invoice: Invoice, today: dt.date, e_invoice: bytes | None = None) -> bytes:
    seller = invoice.seller or seller_as_printed(invoice.business)
    return render_invoice(
        document_of(invoice, today=today),
        labels=_labels(),
        paper=cast(Paper, str(seller.get("paper", "a4"))),
        e_invoice=e_invoice,
    )


def _seller(seller: dict[str, Any]) -> Party:
    details = (
        (_("Tax registration"), seller["tax_id"]),
        (_("Tax number"), seller["tax_number"]),
        (_("Register"), seller["register_number"]),
        (_("Phone"), seller["phone"]),
        (_("E-mail"), seller["email"]),
    )
    return Party(seller["name"], tuple(seller["address"]), tuple(pair for pair in details if pair[1]))


def _buyer(buyer: dict[str, Any]) -> Party:
    details = ((_("Tax registration"), buyer["tax_id"]),) if buyer["tax_id"] else ()
    return Party(buyer["name"], tuple(buyer["address"]), details)


def _groups(lines: Iterable[InvoiceLine], language: str, places: int) -> Iterable[VisitGroup]:
    for (day, farm), found in groupby(lines, key=lambda line: (line.visit_date, line.farm_name)):
        rows = list(found)
        yield VisitGroup(
            date=show_day(day, language) if day else "",
            farm=farm,
            lines=tuple(_printed(line, language, places) for line in rows),
            net=show_number(sum((line.net for line in rows), Decimal(0)), language, places) if day else "",
        )


def _printed(line: InvoiceLine, language: str, places: int) -> PrintedLine:
    return PrintedLine(
        description=line.name,
        quantity=show_number(line.quantity.normalize(), language),
        unit=unit_name(line.unit),
        price=price_text(line.price, line.invoice.currency, language),
        net=show_number(line.net, language, places),
        detail="\n".join(filter(None, (line.detail, line_allowance_text(line, language)))),
    )


def line_allowance_text(line: InvoiceLine, language: str) -> str:
    """What is taken off a line, in words; nothing where nothing is."""
    if not line.allowance:
        return ""
    values = {"reason": line.allowance_reason, "amount": show_money(line.allowance, line.invoice.currency, language)}
    if line.allowance_percent is None:
        return _("less %(amount)s: %(reason)s") % values
    percent = show_percent(line.allowance_percent / 100, language, _decimals(line.allowance_percent))
    return _("less %(percent)s, %(amount)s: %(reason)s") % (values | {"percent": percent})


def allowance_text(row: InvoiceAllowance, language: str) -> str:
    """What is taken off under the lines: why, how much of what, and in which tax."""
    tax = tax_label("", row.tax_rate, language) if row.tax_rate else row.tax_code
    if row.percent is None:
        return _("%(reason)s (taxed at %(tax)s)") % {"reason": row.reason, "tax": tax}
    percent = show_percent(row.percent / 100, language, _decimals(row.percent))
    base = show_number(row.base, language, places_of(row.invoice.currency))
    values = {"reason": row.reason, "percent": percent, "base": base, "tax": tax}
    return _("%(reason)s: %(percent)s of %(base)s (taxed at %(tax)s)") % values


def unit_name(code: str) -> str:
    """A unit (UN/ECE Recommendation 20) in words; nothing where a count says it all."""
    return {
        "HEA": _("head"),
        "HUR": _("h"),
        "KMT": _("km"),
        "SMI": _("mi"),
    }.get(code, "")


def price_text(amount: Decimal, currency: str, language: str) -> str:
    """A price: as an amount of its currency, with more decimals where it has them."""
    return show_number(amount, language, max(places_of(currency), _decimals(amount)))


def tax_label(name: str, rate: Decimal, language: str) -> str:
    """What a tax is called, with its rate unless its name says it."""
    if not rate:
        return name
    percent = show_percent(rate / 100, language, _decimals(rate))
    if percent.replace("\u00a0", "") in name.replace(" ", "").replace("\u00a0", ""):
        return name
    return f"{name}, {percent}" if name else percent


def _decimals(value: Decimal) -> int:
    exponent = value.normalize().as_tuple().exponent
    return max(0, -exponent) if isinstance(exponent, int) else 0


def _period(lines: Iterable[InvoiceLine], language: str) -> str:
    days = sorted({line.visit_date for line in lines if line.visit_date})
    return show_days(days[0], days[-1], language) if days else ""


def _payment(invoice: Invoice, seller: dict[str, Any]) -> PaymentBlock:
    return PaymentBlock(
        account_holder=seller["name"] if seller["iban"] else "",
        bank=seller["bank_name"],
        iban=spaced(seller["iban"]) if seller["iban"][:2].isalpha() else seller["iban"],
        bic=seller["bic"],
        reference=spaced(invoice.reference) or str(invoice.number or ""),
        code=_code(invoice, seller),
    )


def _code(invoice: Invoice, seller: dict[str, Any]) -> str:
    """The payment code, where one can be asked for; a business without an IBAN has none."""
    if invoice.state == InvoiceState.DRAFT or invoice.currency != SEPA_CURRENCY or not invoice.reference:
        return ""
    try:
        return payment_code(
            name=seller["name"],
            iban=seller["iban"],
            amount=invoice.gross_total,
            reference=invoice.reference,
            bic=seller["bic"],
        )
    except ReferenceRefused:
        return ""


def _labels() -> dict[str, str]:
    return {
        "invoice": _("Invoice"),
        "credit_note": _("Credit note"),
        "draft": _("Draft"),
        "billed_to": _("Billed to"),
        "issue_date": _("Date"),
        "due_date": _("Due"),
        "period": _("Visits"),
        "client_number": _("Client number"),
        "credited_number": _("Credits invoice"),
        "buyer_reference": _("Your reference"),
        "to_pay": _("To pay"),
        "to_credit": _("Credited"),
        "pay_by": _("Please pay by"),
        "description": _("What was done"),
        "quantity": _("Quantity"),
        "price": _("Price"),
        "amount": _("Amount"),
        "line_net_total": _("Sum of the lines"),
        "net_total": _("Net"),
        "tax": _("Kind of tax"),
        "tax_base": _("Taxed amount"),
        "tax_total": _("Tax"),
        "gross_total": _("Total"),
        "paid": _("Paid"),
        "rounding": _("Rounding"),
        "due": _("To pay"),
        "payment": _("Payment"),
        "account_holder": _("Account of"),
        "bank": _("Bank"),
        "iban": _("IBAN or account"),
        "bic": _("BIC or routing number"),
        "reference": _("Reference"),
        "scan_to_pay": _("Scan to pay"),
        "page_of": _("Page {page} of {pages}"),
    }
