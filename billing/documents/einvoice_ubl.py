"""UBL 2.1 (OASIS), Invoice and CreditNote: written, and read back.

The binding of terms to parts is that of CEN/TS 16931-3-2; the order of parts is that of the schema.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from lxml.etree import _Element as Element

from billing.documents.einvoice import (
    CREDIT_NOTE,
    SPECIFICATION,
    EAdjustment,
    EInvoice,
    ELine,
    EParty,
    EPayment,
    ESums,
    ETax,
)
from billing.documents.einvoice_xml import Names, NotAnEInvoice, as_bytes, as_figure, day_of, parsed, plain

_OASIS = "urn:oasis:names:specification:ubl:schema:xsd:"
SPACES = {"cac": f"{_OASIS}CommonAggregateComponents-2", "cbc": f"{_OASIS}CommonBasicComponents-2"}
X = Names(SPACES)

_UNTAXED = "O"
_ACCOUNT = "cac:PayeeFinancialAccount"


def write_ubl(invoice: EInvoice) -> bytes:
    """The invoice as UBL. The same invoice gives the same bytes."""
    credit = invoice.kind == CREDIT_NOTE
    local = "CreditNote" if credit else "Invoice"
    space = f"{_OASIS}{local}-2"
    root = X.root(space, local, {"": space} | SPACES)
    X.add(root, "cbc:CustomizationID", SPECIFICATION)
    X.add(root, "cbc:ID", invoice.number)
    X.add(root, "cbc:IssueDate", invoice.issued_on.isoformat())
    if not credit:
        _day(root, "cbc:DueDate", invoice.due_on)
    X.add(root, "cbc:CreditNoteTypeCode" if credit else "cbc:InvoiceTypeCode", invoice.kind)
    for note in invoice.notes:
        X.add(root, "cbc:Note", note)
    X.add(root, "cbc:DocumentCurrencyCode", invoice.currency)
    X.maybe(root, "cbc:BuyerReference", invoice.buyer_reference)
    _write_period(root, invoice.first, invoice.last)
    if invoice.credits_number:
        earlier = X.add(root, "cac:BillingReference/cac:InvoiceDocumentReference")
        X.add(earlier, "cbc:ID", invoice.credits_number)
        _day(earlier, "cbc:IssueDate", invoice.credits_date)
    _write_party(X.add(root, "cac:AccountingSupplierParty/cac:Party"), invoice.seller)
    _write_party(X.add(root, "cac:AccountingCustomerParty/cac:Party"), invoice.buyer)
    _write_delivery(root, invoice)
    _write_payment(root, invoice)
    X.maybe(root, "cac:PaymentTerms/cbc:Note", invoice.terms)
    for adjustment in invoice.adjustments:
        _write_adjustment(root, adjustment, invoice.currency)
    _write_taxes(root, invoice)
    _write_sums(X.add(root, "cac:LegalMonetaryTotal"), invoice)
    for line in invoice.lines:
        _write_line(X.add(root, "cac:CreditNoteLine" if credit else "cac:InvoiceLine"), line, invoice)
    return as_bytes(root)


def _day(parent: Element, path: str, day: date | None) -> None:
    if day is not None:
        X.add(parent, path, day.isoformat())


def _write_period(parent: Element, first: date | None, last: date | None) -> None:
    if first is not None or last is not None:
        period = X.add(parent, "cac:InvoicePeriod")
        _day(period, "cbc:StartDate", first)
        _day(period, "cbc:EndDate", last)


def _write_party(part: Element, party: EParty) -> None:
    X.maybe(part, "cbc:EndpointID", party.address, schemeID=party.scheme)
    X.maybe(part, "cac:PartyIdentification/cbc:ID", party.key)
    address = X.add(part, "cac:PostalAddress")
    X.maybe(address, "cbc:StreetName", party.street)
    X.maybe(address, "cbc:CityName", party.city)
    X.maybe(address, "cbc:PostalZone", party.postcode)
    X.maybe(address, "cbc:CountrySubentity", party.region)
    X.add(address, "cac:Country/cbc:IdentificationCode", party.country)
    for number, scheme in ((party.vat_id, "VAT"), (party.tax_number, "FC")):
        if number:
            tax = X.add(part, "cac:PartyTaxScheme")
            X.add(tax, "cbc:CompanyID", number)
            X.add(tax, "cac:TaxScheme/cbc:ID", scheme)
    legal = X.add(part, "cac:PartyLegalEntity")
    X.add(legal, "cbc:RegistrationName", party.name)
    X.maybe(legal, "cbc:CompanyID", party.register_number)
    if party.contact or party.phone or party.email:
        contact = X.add(part, "cac:Contact")
        X.maybe(contact, "cbc:Name", party.contact)
        X.maybe(contact, "cbc:Telephone", party.phone)
        X.maybe(contact, "cbc:ElectronicMail", party.email)


def _write_delivery(root: Element, invoice: EInvoice) -> None:
    if invoice.delivered_on is not None or invoice.deliver_country:
        delivery = X.add(root, "cac:Delivery")
        _day(delivery, "cbc:ActualDeliveryDate", invoice.delivered_on)
        X.maybe(
            delivery,
            "cac:DeliveryLocation/cac:Address/cac:Country/cbc:IdentificationCode",
            invoice.deliver_country,
        )


def _write_payment(root: Element, invoice: EInvoice) -> None:
    """A credit note's day to pay has its place here; without any means of payment there is none for it."""
    payment = invoice.payment
    if payment is None:
        return
    part = X.add(root, "cac:PaymentMeans")
    X.add(part, "cbc:PaymentMeansCode", payment.means)
    if invoice.kind == CREDIT_NOTE:
        _day(part, "cbc:PaymentDueDate", invoice.due_on)
    X.maybe(part, "cbc:PaymentID", payment.reference)
    if payment.account:
        account = X.add(part, _ACCOUNT)
        X.add(account, "cbc:ID", payment.account)
        X.maybe(account, "cbc:Name", payment.holder)
        X.maybe(account, "cac:FinancialInstitutionBranch/cbc:ID", payment.bic)


def _write_adjustment(parent: Element, adjustment: EAdjustment, currency: str) -> None:
    part = X.add(parent, "cac:AllowanceCharge")
    X.add(part, "cbc:ChargeIndicator", "true" if adjustment.is_charge else "false")
    X.maybe(part, "cbc:AllowanceChargeReason", adjustment.reason)
    if adjustment.percent is not None:
        X.add(part, "cbc:MultiplierFactorNumeric", plain(adjustment.percent))
    X.add(part, "cbc:Amount", f"{adjustment.amount:f}", currencyID=currency)
    if adjustment.base is not None:
        X.add(part, "cbc:BaseAmount", f"{adjustment.base:f}", currencyID=currency)
    if adjustment.category:
        _write_category(X.add(part, "cac:TaxCategory"), adjustment.category, adjustment.rate)


def _write_category(part: Element, category: str, rate: Decimal, reason_code: str = "", reason: str = "") -> None:
    X.add(part, "cbc:ID", category)
    if category != _UNTAXED:
        X.add(part, "cbc:Percent", plain(rate))
    X.maybe(part, "cbc:TaxExemptionReasonCode", reason_code)
    X.maybe(part, "cbc:TaxExemptionReason", reason)
    X.add(part, "cac:TaxScheme/cbc:ID", "VAT")


def _write_taxes(root: Element, invoice: EInvoice) -> None:
    total = X.add(root, "cac:TaxTotal")
    X.add(total, "cbc:TaxAmount", f"{invoice.sums.tax_total:f}", currencyID=invoice.currency)
    for tax in invoice.taxes:
        part = X.add(total, "cac:TaxSubtotal")
        X.add(part, "cbc:TaxableAmount", f"{tax.base:f}", currencyID=invoice.currency)
        X.add(part, "cbc:TaxAmount", f"{tax.tax:f}", currencyID=invoice.currency)
        _write_category(X.add(part, "cac:TaxCategory"), tax.category, tax.rate, tax.reason_code, tax.reason)


def _write_sums(part: Element, invoice: EInvoice) -> None:
    sums = invoice.sums
    amounts = [
        ("cbc:LineExtensionAmount", sums.line_net_total),
        ("cbc:TaxExclusiveAmount", sums.net_total),
        ("cbc:TaxInclusiveAmount", sums.gross_total),
        ("cbc:AllowanceTotalAmount", sums.allowance_total),
        ("cbc:ChargeTotalAmount", sums.charge_total),
        ("cbc:PrepaidAmount", sums.paid),
    ]
    if sums.rounding:
        amounts.append(("cbc:PayableRoundingAmount", sums.rounding))
    for name, amount in (*amounts, ("cbc:PayableAmount", sums.due)):
        X.add(part, name, f"{amount:f}", currencyID=invoice.currency)


def _write_line(part: Element, line: ELine, invoice: EInvoice) -> None:
    currency = invoice.currency
    X.add(part, "cbc:ID", line.key)
    name = "cbc:CreditedQuantity" if invoice.kind == CREDIT_NOTE else "cbc:InvoicedQuantity"
    X.add(part, name, plain(line.quantity), unitCode=line.unit)
    X.add(part, "cbc:LineExtensionAmount", f"{line.net:f}", currencyID=currency)
    _write_period(part, line.first, line.last)
    for adjustment in line.adjustments:
        _write_adjustment(part, adjustment, currency)
    item = X.add(part, "cac:Item")
    X.maybe(item, "cbc:Description", line.text)
    X.add(item, "cbc:Name", line.name)
    X.maybe(item, "cac:SellersItemIdentification/cbc:ID", line.article)
    _write_category(X.add(item, "cac:ClassifiedTaxCategory"), line.category, line.rate)
    for label, value in line.attributes:
        attribute = X.add(item, "cac:AdditionalItemProperty")
        X.add(attribute, "cbc:Name", label)
        X.add(attribute, "cbc:Value", value)
    price = X.add(part, "cac:Price")
    X.add(price, "cbc:PriceAmount", plain(line.price), currencyID=currency)
    if line.base_quantity != 1:
        X.add(price, "cbc:BaseQuantity", plain(line.base_quantity), unitCode=line.unit)


def read_ubl(content: bytes) -> EInvoice:
    """What a UBL document says, as far as `write_ubl` writes it. Raises NotAnEInvoice."""
    root = parsed(content)
    local = root.tag.rpartition("}")[2]
    if root.tag not in {f"{{{_OASIS}{name}-2}}{name}" for name in ("Invoice", "CreditNote")}:
        raise NotAnEInvoice("neither invoice nor credit note")
    credit = local == "CreditNote"
    issued_on = day_of(X.text(root, "cbc:IssueDate"))
    if issued_on is None:
        raise NotAnEInvoice("the date is missing")
    earlier = "cac:BillingReference/cac:InvoiceDocumentReference"
    return EInvoice(
        number=X.text(root, "cbc:ID"),
        issued_on=issued_on,
        kind=X.text(root, "cbc:CreditNoteTypeCode" if credit else "cbc:InvoiceTypeCode"),
        currency=X.text(root, "cbc:DocumentCurrencyCode"),
        seller=_read_party(X.need(root, "cac:AccountingSupplierParty/cac:Party")),
        buyer=_read_party(X.need(root, "cac:AccountingCustomerParty/cac:Party")),
        lines=tuple(_read_line(part) for part in X.all(root, "cac:CreditNoteLine" if credit else "cac:InvoiceLine")),
        taxes=tuple(_read_tax(part) for part in X.all(root, "cac:TaxTotal/cac:TaxSubtotal")),
        sums=_read_sums(root),
        payment=_read_payment(root),
        due_on=day_of(X.text(root, "cac:PaymentMeans/cbc:PaymentDueDate" if credit else "cbc:DueDate")),
        terms=X.text(root, "cac:PaymentTerms/cbc:Note"),
        buyer_reference=X.text(root, "cbc:BuyerReference"),
        notes=tuple(note.text or "" for note in X.all(root, "cbc:Note")),
        credits_number=X.text(root, f"{earlier}/cbc:ID"),
        credits_date=day_of(X.text(root, f"{earlier}/cbc:IssueDate")),
        delivered_on=day_of(X.text(root, "cac:Delivery/cbc:ActualDeliveryDate")),
        deliver_country=X.text(
            root, "cac:Delivery/cac:DeliveryLocation/cac:Address/cac:Country/cbc:IdentificationCode"
        ),
        first=day_of(X.text(root, "cac:InvoicePeriod/cbc:StartDate")),
        last=day_of(X.text(root, "cac:InvoicePeriod/cbc:EndDate")),
        adjustments=tuple(_read_adjustment(part) for part in X.all(root, "cac:AllowanceCharge")),
    )


def _read_party(part: Element) -> EParty:
    address = X.find(part, "cbc:EndpointID")
    taxes = {
        X.text(one, "cac:TaxScheme/cbc:ID"): X.text(one, "cbc:CompanyID") for one in X.all(part, "cac:PartyTaxScheme")
    }
    vat_id = taxes.pop("VAT", "")
    return EParty(
        name=X.text(part, "cac:PartyLegalEntity/cbc:RegistrationName"),
        country=X.text(part, "cac:PostalAddress/cac:Country/cbc:IdentificationCode"),
        street=X.text(part, "cac:PostalAddress/cbc:StreetName"),
        city=X.text(part, "cac:PostalAddress/cbc:CityName"),
        postcode=X.text(part, "cac:PostalAddress/cbc:PostalZone"),
        region=X.text(part, "cac:PostalAddress/cbc:CountrySubentity"),
        vat_id=vat_id,
        tax_number=next(iter(taxes.values()), ""),
        register_number=X.text(part, "cac:PartyLegalEntity/cbc:CompanyID"),
        key=X.text(part, "cac:PartyIdentification/cbc:ID"),
        address="" if address is None else address.text or "",
        scheme="" if address is None else address.get("schemeID", ""),
        contact=X.text(part, "cac:Contact/cbc:Name"),
        phone=X.text(part, "cac:Contact/cbc:Telephone"),
        email=X.text(part, "cac:Contact/cbc:ElectronicMail"),
    )


def _read_payment(root: Element) -> EPayment | None:
    part = X.find(root, "cac:PaymentMeans")
    if part is None:
        return None
    return EPayment(
        means=X.text(part, "cbc:PaymentMeansCode"),
        reference=X.text(part, "cbc:PaymentID"),
        account=X.text(part, f"{_ACCOUNT}/cbc:ID"),
        holder=X.text(part, f"{_ACCOUNT}/cbc:Name"),
        bic=X.text(part, f"{_ACCOUNT}/cac:FinancialInstitutionBranch/cbc:ID"),
    )


def _read_adjustment(part: Element) -> EAdjustment:
    factor = "cbc:MultiplierFactorNumeric"
    return EAdjustment(
        amount=X.figure(part, "cbc:Amount"),
        is_charge=X.text(part, "cbc:ChargeIndicator") == "true",
        reason=X.text(part, "cbc:AllowanceChargeReason"),
        category=X.text(part, "cac:TaxCategory/cbc:ID"),
        rate=X.figure(part, "cac:TaxCategory/cbc:Percent", "0"),
        percent=X.figure(part, factor) if X.text(part, factor) else None,
        base=X.figure(part, "cbc:BaseAmount") if X.text(part, "cbc:BaseAmount") else None,
    )


def _read_tax(part: Element) -> ETax:
    return ETax(
        category=X.text(part, "cac:TaxCategory/cbc:ID"),
        rate=X.figure(part, "cac:TaxCategory/cbc:Percent", "0"),
        base=X.figure(part, "cbc:TaxableAmount"),
        tax=X.figure(part, "cbc:TaxAmount"),
        reason=X.text(part, "cac:TaxCategory/cbc:TaxExemptionReason"),
        reason_code=X.text(part, "cac:TaxCategory/cbc:TaxExemptionReasonCode"),
    )


def _read_sums(root: Element) -> ESums:
    part = X.need(root, "cac:LegalMonetaryTotal")
    return ESums(
        line_net_total=X.figure(part, "cbc:LineExtensionAmount"),
        net_total=X.figure(part, "cbc:TaxExclusiveAmount"),
        tax_total=X.figure(root, "cac:TaxTotal/cbc:TaxAmount"),
        gross_total=X.figure(part, "cbc:TaxInclusiveAmount"),
        allowance_total=X.figure(part, "cbc:AllowanceTotalAmount", "0"),
        charge_total=X.figure(part, "cbc:ChargeTotalAmount", "0"),
        paid=X.figure(part, "cbc:PrepaidAmount", "0"),
        rounding=X.figure(part, "cbc:PayableRoundingAmount", "0"),
        due=X.figure(part, "cbc:PayableAmount"),
    )


def _read_line(part: Element) -> ELine:
    quantity = X.find(part, "cbc:InvoicedQuantity")
    if quantity is None:
        quantity = X.need(part, "cbc:CreditedQuantity")
    item = X.need(part, "cac:Item")
    return ELine(
        key=X.text(part, "cbc:ID"),
        name=X.text(item, "cbc:Name"),
        text=X.text(item, "cbc:Description"),
        article=X.text(item, "cac:SellersItemIdentification/cbc:ID"),
        quantity=as_figure(quantity.text or "", "quantity"),
        unit=quantity.get("unitCode", ""),
        price=X.figure(part, "cac:Price/cbc:PriceAmount"),
        base_quantity=X.figure(part, "cac:Price/cbc:BaseQuantity", "1"),
        net=X.figure(part, "cbc:LineExtensionAmount"),
        category=X.text(item, "cac:ClassifiedTaxCategory/cbc:ID"),
        rate=X.figure(item, "cac:ClassifiedTaxCategory/cbc:Percent", "0"),
        first=day_of(X.text(part, "cac:InvoicePeriod/cbc:StartDate")),
        last=day_of(X.text(part, "cac:InvoicePeriod/cbc:EndDate")),
        adjustments=tuple(_read_adjustment(one) for one in X.all(part, "cac:AllowanceCharge")),
        attributes=tuple(
            (X.text(one, "cbc:Name"), X.text(one, "cbc:Value")) for one in X.all(item, "cac:AdditionalItemProperty")
        ),
    )
