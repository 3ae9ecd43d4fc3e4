"""UN/CEFACT Cross Industry Invoice (D16B) in the EN 16931 profile: written, and read back.

The binding of terms to parts is that of CEN/TS 16931-3-3; the order of parts is that of the schema.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

from lxml.etree import _Element as Element

from billing.documents.einvoice import (
    SPECIFICATION,
    EAdjustment,
    EInvoice,
    ELine,
    EParty,
    EPayment,
    ESums,
    ETax,
)
from billing.documents.einvoice_xml import Names, NotAnEInvoice, as_bytes, compact, day_of, parsed, plain

_STANDARD = "urn:un:unece:uncefact:data:standard:"
SPACES = {
    "rsm": f"{_STANDARD}CrossIndustryInvoice:100",
    "ram": f"{_STANDARD}ReusableAggregateBusinessInformationEntity:100",
    "udt": f"{_STANDARD}UnqualifiedDataType:100",
    "qdt": f"{_STANDARD}QualifiedDataType:100",
}
X = Names(SPACES)

_ACCOUNT = "ram:PayeePartyCreditorFinancialAccount"
_BANK = "ram:PayeeSpecifiedCreditorFinancialInstitution/ram:BICID"
_UNTAXED = "O"


def write_cii(invoice: EInvoice) -> bytes:
    """The invoice as CII. The same invoice gives the same bytes."""
    root = X.root(SPACES["rsm"], "CrossIndustryInvoice", SPACES)
    X.add(root, "rsm:ExchangedDocumentContext/ram:GuidelineSpecifiedDocumentContextParameter/ram:ID", SPECIFICATION)
    document = X.add(root, "rsm:ExchangedDocument")
    X.add(document, "ram:ID", invoice.number)
    X.add(document, "ram:TypeCode", invoice.kind)
    _day(document, "ram:IssueDateTime", invoice.issued_on)
    for note in invoice.notes:
        X.add(document, "ram:IncludedNote/ram:Content", note)
    trade = X.add(root, "rsm:SupplyChainTradeTransaction")
    for line in invoice.lines:
        _write_line(X.add(trade, "ram:IncludedSupplyChainTradeLineItem"), line)
    agreement = X.add(trade, "ram:ApplicableHeaderTradeAgreement")
    X.maybe(agreement, "ram:BuyerReference", invoice.buyer_reference)
    _write_party(X.add(agreement, "ram:SellerTradeParty"), invoice.seller)
    _write_party(X.add(agreement, "ram:BuyerTradeParty"), invoice.buyer)
    delivery = X.add(trade, "ram:ApplicableHeaderTradeDelivery")
    X.maybe(delivery, "ram:ShipToTradeParty/ram:PostalTradeAddress/ram:CountryID", invoice.deliver_country)
    _day(delivery, "ram:ActualDeliverySupplyChainEvent/ram:OccurrenceDateTime", invoice.delivered_on)
    _write_settlement(X.add(trade, "ram:ApplicableHeaderTradeSettlement"), invoice)
    return as_bytes(root)


def _day(parent: Element, path: str, day: date | None, space: str = "udt") -> None:
    if day is not None:
        X.add(parent, f"{path}/{space}:DateTimeString", compact(day), format="102")


def _write_line(part: Element, line: ELine) -> None:
    X.add(part, "ram:AssociatedDocumentLineDocument/ram:LineID", line.key)
    product = X.add(part, "ram:SpecifiedTradeProduct")
    X.maybe(product, "ram:SellerAssignedID", line.article)
    X.add(product, "ram:Name", line.name)
    X.maybe(product, "ram:Description", line.text)
    for name, value in line.attributes:
        attribute = X.add(product, "ram:ApplicableProductCharacteristic")
        X.add(attribute, "ram:Description", name)
        X.add(attribute, "ram:Value", value)
    price = X.add(part, "ram:SpecifiedLineTradeAgreement/ram:NetPriceProductTradePrice")
    X.add(price, "ram:ChargeAmount", plain(line.price))
    if line.base_quantity != 1:
        X.add(price, "ram:BasisQuantity", plain(line.base_quantity), unitCode=line.unit)
    quantity = X.add(part, "ram:SpecifiedLineTradeDelivery")
    X.add(quantity, "ram:BilledQuantity", plain(line.quantity), unitCode=line.unit)
    settlement = X.add(part, "ram:SpecifiedLineTradeSettlement")
    _write_category(X.add(settlement, "ram:ApplicableTradeTax"), line.category, line.rate)
    _write_period(settlement, line.first, line.last)
    for adjustment in line.adjustments:
        _write_adjustment(settlement, adjustment)
    total = X.add(settlement, "ram:SpecifiedTradeSettlementLineMonetarySummation")
    X.add(total, "ram:LineTotalAmount", f"{line.net:f}")


def _write_category(part: Element, category: str, rate: Decimal) -> None:
    X.add(part, "ram:TypeCode", "VAT")
    X.add(part, "ram:CategoryCode", category)
    if category != _UNTAXED:
        X.add(part, "ram:RateApplicablePercent", plain(rate))


def _write_period(parent: Element, first: date | None, last: date | None) -> None:
    if first is not None or last is not None:
        period = X.add(parent, "ram:BillingSpecifiedPeriod")
        _day(period, "ram:StartDateTime", first)
        _day(period, "ram:EndDateTime", last)


def _write_adjustment(parent: Element, adjustment: EAdjustment) -> None:
    part = X.add(parent, "ram:SpecifiedTradeAllowanceCharge")
    X.add(part, "ram:ChargeIndicator/udt:Indicator", "true" if adjustment.is_charge else "false")
    if adjustment.percent is not None:
        X.add(part, "ram:CalculationPercent", plain(adjustment.percent))
    if adjustment.base is not None:
        X.add(part, "ram:BasisAmount", f"{adjustment.base:f}")
    X.add(part, "ram:ActualAmount", f"{adjustment.amount:f}")
    X.maybe(part, "ram:Reason", adjustment.reason)
    if adjustment.category:
        _write_category(X.add(part, "ram:CategoryTradeTax"), adjustment.category, adjustment.rate)


def _write_party(part: Element, party: EParty) -> None:
    X.maybe(part, "ram:ID", party.key)
    X.add(part, "ram:Name", party.name)
    X.maybe(part, "ram:SpecifiedLegalOrganization/ram:ID", party.register_number)
    if party.contact or party.phone or party.email:
        contact = X.add(part, "ram:DefinedTradeContact")
        X.maybe(contact, "ram:PersonName", party.contact)
        X.maybe(contact, "ram:TelephoneUniversalCommunication/ram:CompleteNumber", party.phone)
        X.maybe(contact, "ram:EmailURIUniversalCommunication/ram:URIID", party.email)
    address = X.add(part, "ram:PostalTradeAddress")
    X.maybe(address, "ram:PostcodeCode", party.postcode)
    X.maybe(address, "ram:LineOne", party.street)
    X.maybe(address, "ram:CityName", party.city)
    X.add(address, "ram:CountryID", party.country)
    X.maybe(address, "ram:CountrySubDivisionName", party.region)
    X.maybe(part, "ram:URIUniversalCommunication/ram:URIID", party.address, schemeID=party.scheme)
    X.maybe(part, "ram:SpecifiedTaxRegistration/ram:ID", party.vat_id, schemeID="VA")
    X.maybe(part, "ram:SpecifiedTaxRegistration/ram:ID", party.tax_number, schemeID="FC")


def _write_settlement(part: Element, invoice: EInvoice) -> None:
    payment = invoice.payment
    if payment is not None:
        X.maybe(part, "ram:PaymentReference", payment.reference)
    X.add(part, "ram:InvoiceCurrencyCode", invoice.currency)
    if payment is not None:
        means = X.add(part, "ram:SpecifiedTradeSettlementPaymentMeans")
        X.add(means, "ram:TypeCode", payment.means)
        if payment.account:
            account = X.add(means, _ACCOUNT)
            if is_iban_like(payment.account):
                X.add(account, "ram:IBANID", payment.account)
            X.maybe(account, "ram:AccountName", payment.holder)
            if not is_iban_like(payment.account):
                X.add(account, "ram:ProprietaryID", payment.account)
            X.maybe(means, _BANK, payment.bic)
    for tax in invoice.taxes:
        _write_tax(X.add(part, "ram:ApplicableTradeTax"), tax)
    _write_period(part, invoice.first, invoice.last)
    for adjustment in invoice.adjustments:
        _write_adjustment(part, adjustment)
    if invoice.terms or invoice.due_on is not None:
        terms = X.add(part, "ram:SpecifiedTradePaymentTerms")
        X.maybe(terms, "ram:Description", invoice.terms)
        _day(terms, "ram:DueDateDateTime", invoice.due_on)
    _write_sums(X.add(part, "ram:SpecifiedTradeSettlementHeaderMonetarySummation"), invoice)
    if invoice.credits_number:
        earlier = X.add(part, "ram:InvoiceReferencedDocument")
        X.add(earlier, "ram:IssuerAssignedID", invoice.credits_number)
        _day(earlier, "ram:FormattedIssueDateTime", invoice.credits_date, "qdt")


def is_iban_like(account: str) -> bool:
    """Whether an account is written as an IBAN; whether it is one, `einvoice_check` says."""
    return account[:2].isalpha() and account[2:4].isdigit()


def _write_tax(part: Element, tax: ETax) -> None:
    X.add(part, "ram:CalculatedAmount", f"{tax.tax:f}")
    X.add(part, "ram:TypeCode", "VAT")
    X.maybe(part, "ram:ExemptionReason", tax.reason)
    X.add(part, "ram:BasisAmount", f"{tax.base:f}")
    X.add(part, "ram:CategoryCode", tax.category)
    X.maybe(part, "ram:ExemptionReasonCode", tax.reason_code)
    if tax.category != _UNTAXED:
        X.add(part, "ram:RateApplicablePercent", plain(tax.rate))


def _write_sums(part: Element, invoice: EInvoice) -> None:
    sums = invoice.sums
    X.add(part, "ram:LineTotalAmount", f"{sums.line_net_total:f}")
    X.add(part, "ram:ChargeTotalAmount", f"{sums.charge_total:f}")
    X.add(part, "ram:AllowanceTotalAmount", f"{sums.allowance_total:f}")
    X.add(part, "ram:TaxBasisTotalAmount", f"{sums.net_total:f}")
    X.add(part, "ram:TaxTotalAmount", f"{sums.tax_total:f}", currencyID=invoice.currency)
    if sums.rounding:
        X.add(part, "ram:RoundingAmount", f"{sums.rounding:f}")
    X.add(part, "ram:GrandTotalAmount", f"{sums.gross_total:f}")
    X.add(part, "ram:TotalPrepaidAmount", f"{sums.paid:f}")
    X.add(part, "ram:DuePayableAmount", f"{sums.due:f}")


def read_cii(content: bytes) -> EInvoice:
    """What a CII document says, as far as `write_cii` writes it. Raises NotAnEInvoice."""
    root = parsed(content)
    if root.tag != X.tag("rsm:CrossIndustryInvoice"):
        raise NotAnEInvoice("not a cross industry invoice")
    document = X.need(root, "rsm:ExchangedDocument")
    trade = X.need(root, "rsm:SupplyChainTradeTransaction")
    agreement = X.need(trade, "ram:ApplicableHeaderTradeAgreement")
    settlement = X.need(trade, "ram:ApplicableHeaderTradeSettlement")
    issued_on = _read_day(document, "ram:IssueDateTime")
    if issued_on is None:
        raise NotAnEInvoice("the date is missing")
    currency = X.text(settlement, "ram:InvoiceCurrencyCode")
    return EInvoice(
        number=X.text(document, "ram:ID"),
        issued_on=issued_on,
        kind=X.text(document, "ram:TypeCode"),
        currency=currency,
        seller=_read_party(X.need(agreement, "ram:SellerTradeParty")),
        buyer=_read_party(X.need(agreement, "ram:BuyerTradeParty")),
        lines=tuple(_read_line(part) for part in X.all(trade, "ram:IncludedSupplyChainTradeLineItem")),
        taxes=tuple(_read_tax(part) for part in X.all(settlement, "ram:ApplicableTradeTax")),
        sums=_read_sums(X.need(settlement, "ram:SpecifiedTradeSettlementHeaderMonetarySummation"), currency),
        payment=_read_payment(settlement),
        due_on=_read_day(settlement, "ram:SpecifiedTradePaymentTerms/ram:DueDateDateTime"),
        terms=X.text(settlement, "ram:SpecifiedTradePaymentTerms/ram:Description"),
        buyer_reference=X.text(agreement, "ram:BuyerReference"),
        notes=tuple(X.text(note, "ram:Content") for note in X.all(document, "ram:IncludedNote")),
        credits_number=X.text(settlement, "ram:InvoiceReferencedDocument/ram:IssuerAssignedID"),
        credits_date=_read_day(settlement, "ram:InvoiceReferencedDocument/ram:FormattedIssueDateTime", "qdt"),
        delivered_on=_read_day(
            trade, "ram:ApplicableHeaderTradeDelivery/ram:ActualDeliverySupplyChainEvent/ram:OccurrenceDateTime"
        ),
        deliver_country=X.text(
            trade, "ram:ApplicableHeaderTradeDelivery/ram:ShipToTradeParty/ram:PostalTradeAddress/ram:CountryID"
        ),
        first=_read_day(settlement, "ram:BillingSpecifiedPeriod/ram:StartDateTime"),
        last=_read_day(settlement, "ram:BillingSpecifiedPeriod/ram:EndDateTime"),
        adjustments=tuple(_read_adjustment(part) for part in X.all(settlement, "ram:SpecifiedTradeAllowanceCharge")),
    )


def _read_day(parent: Element, path: str, space: str = "udt") -> date | None:
    return day_of(X.text(parent, f"{path}/{space}:DateTimeString"), form="%Y%m%d")


def _read_line(part: Element) -> ELine:
    product = X.need(part, "ram:SpecifiedTradeProduct")
    price = X.need(part, "ram:SpecifiedLineTradeAgreement/ram:NetPriceProductTradePrice")
    settlement = X.need(part, "ram:SpecifiedLineTradeSettlement")
    quantity = X.need(part, "ram:SpecifiedLineTradeDelivery/ram:BilledQuantity")
    return ELine(
        key=X.text(part, "ram:AssociatedDocumentLineDocument/ram:LineID"),
        name=X.text(product, "ram:Name"),
        text=X.text(product, "ram:Description"),
        article=X.text(product, "ram:SellerAssignedID"),
        quantity=X.figure(part, "ram:SpecifiedLineTradeDelivery/ram:BilledQuantity"),
        unit=quantity.get("unitCode", ""),
        price=X.figure(price, "ram:ChargeAmount"),
        base_quantity=X.figure(price, "ram:BasisQuantity", "1"),
        net=X.figure(settlement, "ram:SpecifiedTradeSettlementLineMonetarySummation/ram:LineTotalAmount"),
        category=X.text(settlement, "ram:ApplicableTradeTax/ram:CategoryCode"),
        rate=X.figure(settlement, "ram:ApplicableTradeTax/ram:RateApplicablePercent", "0"),
        first=_read_day(settlement, "ram:BillingSpecifiedPeriod/ram:StartDateTime"),
        last=_read_day(settlement, "ram:BillingSpecifiedPeriod/ram:EndDateTime"),
        adjustments=tuple(_read_adjustment(one) for one in X.all(settlement, "ram:SpecifiedTradeAllowanceCharge")),
        attributes=tuple(
            (X.text(one, "ram:Description"), X.text(one, "ram:Value"))
            for one in X.all(product, "ram:ApplicableProductCharacteristic")
        ),
    )


def _read_adjustment(part: Element) -> EAdjustment:
    return EAdjustment(
        amount=X.figure(part, "ram:ActualAmount"),
        is_charge=X.text(part, "ram:ChargeIndicator/udt:Indicator") == "true",
        reason=X.text(part, "ram:Reason"),
        category=X.text(part, "ram:CategoryTradeTax/ram:CategoryCode"),
        rate=X.figure(part, "ram:CategoryTradeTax/ram:RateApplicablePercent", "0"),
        percent=X.figure(part, "ram:CalculationPercent") if X.text(part, "ram:CalculationPercent") else None,
        base=X.figure(part, "ram:BasisAmount") if X.text(part, "ram:BasisAmount") else None,
    )


def _read_party(part: Element) -> EParty:
    address = X.find(part, "ram:URIUniversalCommunication/ram:URIID")
    taxes = {
        one.get("schemeID", ""): (one.text or "").strip() for one in X.all(part, "ram:SpecifiedTaxRegistration/ram:ID")
    }
    contact = "ram:DefinedTradeContact"
    return EParty(
        name=X.text(part, "ram:Name"),
        country=X.text(part, "ram:PostalTradeAddress/ram:CountryID"),
        street=X.text(part, "ram:PostalTradeAddress/ram:LineOne"),
        city=X.text(part, "ram:PostalTradeAddress/ram:CityName"),
        postcode=X.text(part, "ram:PostalTradeAddress/ram:PostcodeCode"),
        region=X.text(part, "ram:PostalTradeAddress/ram:CountrySubDivisionName"),
        vat_id=taxes.get("VA", ""),
        tax_number=taxes.get("FC", ""),
        register_number=X.text(part, "ram:SpecifiedLegalOrganization/ram:ID"),
        key=X.text(part, "ram:ID"),
        address="" if address is None else address.text or "",
        scheme="" if address is None else address.get("schemeID", ""),
        contact=X.text(part, f"{contact}/ram:PersonName"),
        phone=X.text(part, f"{contact}/ram:TelephoneUniversalCommunication/ram:CompleteNumber"),
        email=X.text(part, f"{contact}/ram:EmailURIUniversalCommunication/ram:URIID"),
    )


def _read_payment(settlement: Element) -> EPayment | None:
    means = X.find(settlement, "ram:SpecifiedTradeSettlementPaymentMeans")
    if means is None:
        return None
    return EPayment(
        means=X.text(means, "ram:TypeCode"),
        reference=X.text(settlement, "ram:PaymentReference"),
        account=X.text(means, f"{_ACCOUNT}/ram:IBANID") or X.text(means, f"{_ACCOUNT}/ram:ProprietaryID"),
        holder=X.text(means, f"{_ACCOUNT}/ram:AccountName"),
        bic=X.text(means, _BANK),
    )


def _read_tax(part: Element) -> ETax:
    return ETax(
        category=X.text(part, "ram:CategoryCode"),
        rate=X.figure(part, "ram:RateApplicablePercent", "0"),
        base=X.figure(part, "ram:BasisAmount"),
        tax=X.figure(part, "ram:CalculatedAmount"),
        reason=X.text(part, "ram:ExemptionReason"),
        reason_code=X.text(part, "ram:ExemptionReasonCode"),
    )


def _read_sums(part: Element, currency: str) -> ESums:
    tax = next((one for one in X.all(part, "ram:TaxTotalAmount") if one.get("currencyID", currency) == currency), None)
    if tax is None:
        raise NotAnEInvoice("the tax total is missing")
    return ESums(
        line_net_total=X.figure(part, "ram:LineTotalAmount"),
        charge_total=X.figure(part, "ram:ChargeTotalAmount", "0"),
        allowance_total=X.figure(part, "ram:AllowanceTotalAmount", "0"),
        net_total=X.figure(part, "ram:TaxBasisTotalAmount"),
        tax_total=X.figure(part, "ram:TaxTotalAmount"),
        rounding=X.figure(part, "ram:RoundingAmount", "0"),
        gross_total=X.figure(part, "ram:GrandTotalAmount"),
        paid=X.figure(part, "ram:TotalPrepaidAmount", "0"),
        due=X.figure(part, "ram:DuePayableAmount"),
    )
