"""Opinions about worth until they are issued: prices, drafts; then documents that only credit notes correct."""

from billing.models.amounts import NEARLY_NOTHING, AmountField
from billing.models.bank import BankColumns, BankEntry, BankEntryState, BankFile
from billing.models.books import BookAccount, BookRole, BooksFile
from billing.models.files import InvoiceFile, InvoiceSending, InvoiceXml, SendingState, Syntax
from billing.models.invoices import (
    BilledVisit,
    Invoice,
    InvoiceKind,
    InvoiceLine,
    InvoiceQuerySet,
    InvoiceSeries,
    InvoiceState,
    InvoiceTax,
    IssueRun,
)
from billing.models.payments import Allocation, Payment, PaymentMethod, PaymentQuerySet
from billing.models.prices import Article, Price, PriceList, SalesTaxOn, TaxCategory, TaxCode
from billing.models.reminders import InterestCount, LateInterest, RemindedInvoice, Reminder, ReminderStep, ReminderStop
from billing.models.sales_tax import (
    ExemptionCertificate,
    FarmSalesTax,
    InvoiceSalesTax,
    SalesTaxPlace,
    SalesTaxRate,
    SalesTaxRounding,
    SalesTaxSettings,
)
from billing.models.settings import E_SCHEME_HELP, BillingSettings, ClientBilling
from billing.models.trail import Act, TrailEntry, TrailHead, TrailQuerySet

__all__ = [
    "E_SCHEME_HELP",
    "NEARLY_NOTHING",
    "Act",
    "Allocation",
    "AmountField",
    "Article",
    "BankColumns",
    "BankEntry",
    "BankEntryState",
    "BankFile",
    "BilledVisit",
    "BillingSettings",
    "BookAccount",
    "BookRole",
    "BooksFile",
    "ClientBilling",
    "ExemptionCertificate",
    "FarmSalesTax",
    "InterestCount",
    "Invoice",
    "InvoiceFile",
    "InvoiceKind",
    "InvoiceLine",
    "InvoiceQuerySet",
    "InvoiceSalesTax",
    "InvoiceSending",
    "InvoiceSeries",
    "InvoiceState",
    "InvoiceTax",
    "InvoiceXml",
    "IssueRun",
    "LateInterest",
    "Payment",
    "PaymentMethod",
    "PaymentQuerySet",
    "Price",
    "PriceList",
    "RemindedInvoice",
    "Reminder",
    "ReminderStep",
    "ReminderStop",
    "SalesTaxOn",
    "SalesTaxPlace",
    "SalesTaxRate",
    "SalesTaxRounding",
    "SalesTaxSettings",
    "SendingState",
    "Syntax",
    "TaxCategory",
    "TaxCode",
    "TrailEntry",
    "TrailHead",
    "TrailQuerySet",
]
