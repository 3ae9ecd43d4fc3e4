"""Opinions about worth until they are issued: prices, drafts; then documents that only credit notes correct."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, ClassVar, Self

from django.db import models
from django.db.models.expressions import Combinable
from django.utils.translation import gettext_lazy as _

from trimmer.models import (
    Business,
    BusinessQuerySet,
    Client,
    Job,
    OwnedModel,
    SentMessage,
    User,
    Visit,
    choices_hold,
)

NEARLY_NOTHING = Decimal("0.0005")
"""Half of the smallest step of an amount. SQLite adds and compares decimals as floating-point numbers, so a sum is held
against another with this much room; PostgreSQL is exact, and no two amounts lie so near without being equal."""


if TYPE_CHECKING:
    _Decimal = models.DecimalField[Decimal | int | str | Combinable, Decimal]
else:
    _Decimal = models.DecimalField


class AmountField(_Decimal):
    """An amount of money in the business's currency, up to three decimals (ISO 4217 has 0, 2 and 3)."""

    def __init__(self, *args: object, **options: object) -> None:
        options.setdefault("max_digits", 14)
        options.setdefault("decimal_places", 3)
        super().__init__(*args, **options)  # type: ignore[arg-type]


E_SCHEME_HELP = _("A code of the list EAS, such as EM for e-mail or 0088 for a GLN.")


class BillingSettings(OwnedModel):
    """What a business says of its bills beyond what stands in its own row."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="billing_settings")
    credit_prefix = models.CharField(
        _("letters before credit note numbers"),
        max_length=10,
        blank=True,
        help_text=_("Empty: credit notes are numbered in the series of the invoices. Ask your accountant."),
    )
    travel_counts = models.BooleanField(
        _("travel counts towards the minimum for a visit"),
        default=False,
        help_text=_("Call-out and distance are added up with the work before the minimum is looked at."),
    )
    e_invoices = models.BooleanField(
        _("make e-invoices"),
        default=False,
        help_text=_(
            "A file that programs read goes with each invoice (EN 16931). Ask your accountant whether you must."
        ),
    )
    e_address = models.CharField(
        _("your electronic address"), max_length=120, blank=True, help_text=_("Empty: your e-mail address.")
    )
    e_scheme = models.CharField(_("its kind"), max_length=4, blank=True, help_text=E_SCHEME_HELP)
    contact = models.CharField(_("whom to ask about an invoice"), max_length=100, blank=True)

    objects = BusinessQuerySet["BillingSettings"].as_manager()

    class Meta:
        verbose_name = _("billing settings")
        verbose_name_plural = _("billing settings")

    def __str__(self) -> str:
        return str(self.business)


class ClientBilling(OwnedModel):
    """What a client wants to read on its bills, and where its e-invoices go."""

    business_path: ClassVar[str] = "client__business"
    client_path: ClassVar[str] = "client"

    client = models.OneToOneField(Client, models.CASCADE, related_name="billing")
    buyer_reference = models.CharField(
        _("their reference"), max_length=100, blank=True, help_text=_("What they ask to see on each invoice.")
    )
    e_address = models.CharField(
        _("electronic address"), max_length=120, blank=True, help_text=_("Empty: their e-mail address.")
    )
    e_scheme = models.CharField(_("its kind"), max_length=4, blank=True, help_text=E_SCHEME_HELP)
    register_number = models.CharField(_("company register number"), max_length=40, blank=True)

    objects = BusinessQuerySet["ClientBilling"].as_manager()

    class Meta:
        verbose_name = _("what a client wants on its bills")
        verbose_name_plural = _("what clients want on their bills")

    def __str__(self) -> str:
        return str(self.client)


class TaxCode(models.TextChoices):
    """EN 16931 VAT category codes (UNCL5305 subset)."""

    STANDARD = "S", _("S: taxed")
    ZERO = "Z", _("Z: zero rated")
    EXEMPT = "E", _("E: exempt")
    REVERSE_CHARGE = "AE", _("AE: reverse charge")
    NOT_SUBJECT = "O", _("O: not subject to tax")


class TaxCategory(OwnedModel):
    """A tax the business charges, as its accountant says. None is set by default: ask locally."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="tax_categories")
    name = models.CharField(_("name"), max_length=60)
    code = models.CharField(_("category"), max_length=2, choices=TaxCode.choices)
    rate = models.DecimalField(_("rate (%)"), max_digits=6, decimal_places=3, default=Decimal("0"))
    exemption_reason = models.CharField(_("text on the invoice"), max_length=300, blank=True)

    objects = BusinessQuerySet["TaxCategory"].as_manager()

    class Meta:
        verbose_name = _("tax category")
        verbose_name_plural = _("tax categories")
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="tax_category_name_is_used_once"),
            models.CheckConstraint(condition=choices_hold("code", TaxCode), name="tax_category_code_is_known"),
            models.CheckConstraint(
                condition=models.Q(code="S", rate__gt=0, rate__lte=100) | (~models.Q(code="S") & models.Q(rate=0)),
                name="only_taxed_category_has_a_rate",
            ),
            models.CheckConstraint(
                condition=~models.Q(code__in=["E", "AE", "O"]) | ~models.Q(exemption_reason=""),
                name="untaxed_category_has_its_text",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Article(models.TextChoices):
    """What can have a price (billing.charges.prices)."""

    HEAD_COW = "head_cow", _("cow trimmed")
    HEAD_HEIFER = "head_heifer", _("heifer trimmed")
    HEAD_BULL = "head_bull", _("bull trimmed")
    HEAD_LAME = "head_lame", _("lame cow treated")
    HEAD_RECHECK = "head_recheck", _("recheck")
    BLOCK = "treatment_block", _("block")
    WRAP = "treatment_wrap", _("wrap")
    TOPICAL = "treatment_topical", _("topical product")
    LOOSE_HORN_REMOVED = "treatment_loose_horn_removed", _("loose horn removed")
    WALL_OPENED = "treatment_wall_opened", _("wall opened")
    REFERRAL = "treatment_referral", _("referral to the veterinarian")
    CALL_OUT = "call_out", _("call-out")
    SET_UP = "set_up", _("set-up")
    DISTANCE_KM = "distance_km", _("travel, per km")
    DISTANCE_MILE = "distance_mile", _("travel, per mile")
    HOUR = "hour", _("hour at the chute")
    MINIMUM = "minimum", _("minimum for a visit")


class PriceList(OwnedModel):
    """Prices with dates; with a client: an agreement that stands over the business's list."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="price_lists")
    client = models.ForeignKey(
        Client, models.PROTECT, null=True, blank=True, related_name="agreements", verbose_name=_("agreement with")
    )
    name = models.CharField(_("name"), max_length=80)
    valid_from = models.DateField(_("valid from"))
    valid_to = models.DateField(_("valid to"), null=True, blank=True)

    objects = BusinessQuerySet["PriceList"].as_manager()

    class Meta:
        verbose_name = _("price list")
        verbose_name_plural = _("price lists")
        ordering = ["client__name", "-valid_from"]
        constraints = [
            models.UniqueConstraint(fields=["business", "name"], name="price_list_name_is_used_once"),
            models.CheckConstraint(
                condition=models.Q(valid_to__isnull=True) | models.Q(valid_to__gte=models.F("valid_from")),
                name="price_list_ends_after_it_begins",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Price(OwnedModel):
    """What one unit of an article costs, before tax."""

    business_path: ClassVar[str] = "price_list__business"

    price_list = models.ForeignKey(PriceList, models.CASCADE, related_name="prices")
    article = models.CharField(_("article"), max_length=40, choices=Article.choices)
    amount = models.DecimalField(_("price"), max_digits=12, decimal_places=4)
    tax_category = models.ForeignKey(TaxCategory, models.PROTECT, related_name="prices", verbose_name=_("tax category"))

    objects = BusinessQuerySet["Price"].as_manager()

    class Meta:
        verbose_name = _("price")
        verbose_name_plural = _("prices")
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["price_list", "article"], name="article_has_one_price_in_a_list"),
            models.CheckConstraint(condition=models.Q(amount__gte=0), name="price_is_not_negative"),
            models.CheckConstraint(condition=choices_hold("article", Article), name="article_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.get_article_display()} {self.amount}"


class InvoiceSeries(OwnedModel):
    """The counter of one series of numbers. Moved in the transaction that stores the document, so without gaps."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="invoice_series")
    prefix = models.CharField(_("letters"), max_length=10, blank=True)
    year = models.PositiveSmallIntegerField(_("year"))
    last = models.PositiveIntegerField(_("last number"), default=0)
    last_on = models.DateField(_("date of the last number"), null=True, blank=True)

    objects = BusinessQuerySet["InvoiceSeries"].as_manager()

    class Meta:
        verbose_name = _("number series")
        verbose_name_plural = _("number series")
        constraints = [
            models.UniqueConstraint(fields=["business", "prefix", "year"], name="number_series_has_one_counter")
        ]

    def __str__(self) -> str:
        return f"{self.prefix}{self.year}"


class InvoiceKind(models.TextChoices):
    INVOICE = "380", _("invoice")
    CREDIT_NOTE = "381", _("credit note")


class InvoiceState(models.TextChoices):
    DRAFT = "draft", _("draft")
    ISSUED = "issued", _("issued")


class InvoiceQuerySet(BusinessQuerySet["Invoice"]):
    def drafts(self) -> Self:
        return self.filter(state=InvoiceState.DRAFT)

    def issued(self) -> Self:
        return self.filter(state=InvoiceState.ISSUED)


class Invoice(OwnedModel):
    """An invoice or credit note. A draft has no number and may change; an issued one is a copy that never does.

    Paid, part paid and overdue are derived, not stored. Amounts of a credit note are positive.
    """

    client_path: ClassVar[str] = "client"

    business = models.ForeignKey(Business, models.PROTECT, related_name="invoices")
    client = models.ForeignKey(Client, models.PROTECT, related_name="invoices", verbose_name=_("client"))
    kind = models.CharField(_("kind"), max_length=3, choices=InvoiceKind.choices, default=InvoiceKind.INVOICE)
    state = models.CharField(_("state"), max_length=8, choices=InvoiceState.choices, default=InvoiceState.DRAFT)
    number = models.CharField(_("number"), max_length=40, null=True, blank=True, editable=False)
    credits = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="credit_notes", verbose_name=_("credits")
    )
    credit_reason = models.CharField(_("why credited"), max_length=300, blank=True)
    reference = models.CharField(
        _("payment reference"), max_length=25, blank=True, editable=False, help_text=_("ISO 11649")
    )
    currency = models.CharField(_("currency"), max_length=3)
    issued_on = models.DateField(_("date"), null=True, blank=True)
    due_on = models.DateField(_("due"), null=True, blank=True)
    seller = models.JSONField(_("seller as printed"), default=dict, blank=True)
    buyer = models.JSONField(_("buyer as printed"), default=dict, blank=True)
    net_total = AmountField(_("net"), default=Decimal("0"))
    tax_total = AmountField(_("tax"), default=Decimal("0"))
    gross_total = AmountField(_("total"), default=Decimal("0"))
    note = models.CharField(_("note on the invoice"), max_length=500, blank=True)
    drafted_at = models.DateTimeField(_("drafted"))
    drafted_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")
    issued_at = models.DateTimeField(_("issued at"), null=True, blank=True)
    issued_by = models.ForeignKey(User, models.PROTECT, null=True, blank=True, related_name="+")

    objects = InvoiceQuerySet.as_manager()

    class Meta:
        verbose_name = _("invoice")
        verbose_name_plural = _("invoices")
        ordering = ["-issued_on", "-pk"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("state", InvoiceState), name="invoice_state_is_known"),
            models.CheckConstraint(condition=choices_hold("kind", InvoiceKind), name="invoice_kind_is_known"),
            models.UniqueConstraint(fields=["business", "number"], name="invoice_number_is_used_once"),
            models.CheckConstraint(
                condition=models.Q(state="draft", number__isnull=True, issued_on__isnull=True, issued_at__isnull=True)
                | models.Q(state="issued", number__isnull=False, issued_on__isnull=False, issued_at__isnull=False),
                name="invoice_has_a_number_once_issued",
            ),
            models.CheckConstraint(
                condition=models.Q(kind="381")
                | models.Q(due_on__isnull=True)
                | models.Q(issued_on__isnull=True)
                | models.Q(due_on__gte=models.F("issued_on")),
                name="invoice_is_due_after_it_is_issued",
            ),
            models.CheckConstraint(
                condition=~models.Q(kind="380", state="issued", due_on__isnull=True),
                name="issued_invoice_has_a_due_date",
            ),
            models.CheckConstraint(
                condition=models.Q(kind="380", credits__isnull=True) | models.Q(kind="381", credits__isnull=False),
                name="credit_note_credits_an_invoice",
            ),
            models.CheckConstraint(
                condition=models.Q(kind="380", credit_reason="") | (models.Q(kind="381") & ~models.Q(credit_reason="")),
                name="credit_note_says_why",
            ),
            models.UniqueConstraint(
                fields=["credits"], condition=models.Q(state="draft"), name="invoice_has_one_draft_of_a_credit_note"
            ),
            models.CheckConstraint(
                condition=models.Q(
                    gross_total__gt=models.F("net_total") + models.F("tax_total") - NEARLY_NOTHING,
                    gross_total__lt=models.F("net_total") + models.F("tax_total") + NEARLY_NOTHING,
                ),
                name="net_and_tax_make_the_total",
            ),
        ]
        indexes = [
            models.Index(fields=["client", "state"]),
            models.Index(fields=["business", "state", "issued_on"]),
        ]

    def __str__(self) -> str:
        return self.number or str(self.get_state_display())


class InvoiceLine(OwnedModel):
    """A line, with everything frozen into it and where its price came from."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="lines")
    credits = models.ForeignKey(
        "self", models.PROTECT, null=True, blank=True, related_name="credited_by", verbose_name=_("credits the line")
    )
    position = models.PositiveSmallIntegerField(_("line"))
    visit = models.ForeignKey(Visit, models.PROTECT, null=True, blank=True, related_name="+")
    visit_date = models.DateField(_("visit on"), null=True, blank=True)
    farm_name = models.CharField(_("farm"), max_length=120, blank=True)
    article = models.CharField(_("article"), max_length=40, blank=True)
    name = models.CharField(_("name"), max_length=200)
    quantity = models.DecimalField(_("quantity"), max_digits=12, decimal_places=4)
    unit = models.CharField(_("unit"), max_length=3, help_text=_("UN/ECE Recommendation 20"))
    price = models.DecimalField(_("price"), max_digits=12, decimal_places=4)
    net = AmountField(_("net"))
    tax_code = models.CharField(_("tax category"), max_length=2, choices=TaxCode.choices)
    tax_name = models.CharField(_("tax"), max_length=60, blank=True)
    tax_rate = models.DecimalField(_("tax rate (%)"), max_digits=6, decimal_places=3)
    exemption_reason = models.CharField(_("exemption text"), max_length=300, blank=True)
    source = models.CharField(_("where the price came from"), max_length=200, blank=True)

    objects = BusinessQuerySet["InvoiceLine"].as_manager()

    class Meta:
        verbose_name = _("invoice line")
        verbose_name_plural = _("invoice lines")
        ordering = ["invoice", "position"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "position"], name="invoice_line_has_its_place"),
            models.CheckConstraint(condition=models.Q(price__gte=0), name="line_price_is_not_negative"),
            models.CheckConstraint(condition=choices_hold("tax_code", TaxCode), name="line_tax_category_is_known"),
        ]

    def __str__(self) -> str:
        return self.name


class InvoiceTax(OwnedModel):
    """Tax of one category and rate: rounded once, on the sum of its lines."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="taxes")
    code = models.CharField(_("tax category"), max_length=2, choices=TaxCode.choices)
    name = models.CharField(_("tax"), max_length=200, blank=True)
    rate = models.DecimalField(_("rate (%)"), max_digits=6, decimal_places=3)
    base = AmountField(_("base"))
    tax = AmountField(_("tax"))
    exemption_reason = models.CharField(_("exemption text"), max_length=1000, blank=True)

    objects = BusinessQuerySet["InvoiceTax"].as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "code", "rate"], name="tax_group_stands_once_on_an_invoice")
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.rate}"


class BilledVisit(OwnedModel):
    """A visit is billed on one invoice. Crediting the whole invoice releases it, so that it can be billed again."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="billed_visits")
    visit = models.ForeignKey(Visit, models.PROTECT, related_name="billings")
    released_at = models.DateTimeField(_("released"), null=True, blank=True)

    objects = BusinessQuerySet["BilledVisit"].as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["visit"], condition=models.Q(released_at__isnull=True), name="visit_is_billed_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.visit} / {self.invoice}"


class InvoiceFile(OwnedModel):
    """The bytes of an issued document, kept and never made anew."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.OneToOneField(Invoice, models.PROTECT, related_name="file")
    pdf = models.BinaryField(editable=False)
    sha256 = models.CharField(max_length=64)
    made_at = models.DateTimeField()

    objects = BusinessQuerySet["InvoiceFile"].as_manager()

    def __str__(self) -> str:
        return self.sha256


class Syntax(models.TextChoices):
    """The syntaxes that EN 16931 is bound to (billing.documents.einvoice_rules)."""

    CII = "cii", _("CII: inside the PDF")
    UBL = "ubl", _("UBL 2.1")


class InvoiceXml(OwnedModel):
    """An issued document as a program reads it: written and checked while it was issued, frozen with it."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="xml_files")
    syntax = models.CharField(max_length=3, choices=Syntax.choices)
    content = models.BinaryField(editable=False)
    sha256 = models.CharField(max_length=64)
    rules = models.CharField(_("checked by"), max_length=120, help_text=_("The rules it passed, with their version."))
    made_at = models.DateTimeField()

    objects = BusinessQuerySet["InvoiceXml"].as_manager()

    class Meta:
        verbose_name = _("e-invoice")
        verbose_name_plural = _("e-invoices")
        ordering = ["syntax"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "syntax"], name="invoice_is_written_once_in_a_syntax"),
            models.CheckConstraint(condition=choices_hold("syntax", Syntax), name="e_invoice_syntax_is_known"),
        ]

    def __str__(self) -> str:
        return self.sha256


class InvoiceSending(OwnedModel):
    """An issued document was sent by e-mail. Whether the mail server took it stands with the message."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="sendings")
    message = models.OneToOneField(SentMessage, models.PROTECT, related_name="invoice_sending")
    sent_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["InvoiceSending"].as_manager()

    class Meta:
        verbose_name = _("sending of an invoice")
        verbose_name_plural = _("sendings of invoices")
        ordering = ["pk"]

    def __str__(self) -> str:
        return str(self.message)


class PaymentMethod(models.TextChoices):
    TRANSFER = "transfer", _("bank transfer")
    CHEQUE = "cheque", _("cheque")
    CASH = "cash", _("cash")
    CARD = "card", _("card")


class PaymentQuerySet(BusinessQuerySet["Payment"]):
    def standing(self) -> Self:
        """All but those recorded by mistake."""
        return self.filter(withdrawn_at__isnull=True)


class Payment(OwnedModel):
    """Money that came in from a client. One recorded by mistake is withdrawn, with a reason, and settles nothing."""

    client_path: ClassVar[str] = "client"

    business = models.ForeignKey(Business, models.PROTECT, related_name="payments")
    client = models.ForeignKey(Client, models.PROTECT, related_name="payments", verbose_name=_("client"))
    received_on = models.DateField(_("received"))
    amount = AmountField(_("amount"))
    method = models.CharField(_("how"), max_length=10, choices=PaymentMethod.choices, default=PaymentMethod.TRANSFER)
    reference = models.CharField(_("reference"), max_length=140, blank=True)
    note = models.CharField(_("note"), max_length=300, blank=True)
    recorded_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    recorded_at = models.DateTimeField(_("recorded"))
    withdrawn_at = models.DateTimeField(_("withdrawn"), null=True, blank=True)
    withdrawn_reason = models.CharField(_("why withdrawn"), max_length=300, blank=True)
    withdrawn_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = PaymentQuerySet.as_manager()

    class Meta:
        verbose_name = _("payment")
        verbose_name_plural = _("payments")
        ordering = ["-received_on", "-pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(amount__gt=0), name="payment_is_positive"),
            models.CheckConstraint(condition=choices_hold("method", PaymentMethod), name="payment_method_is_known"),
            models.CheckConstraint(
                condition=models.Q(withdrawn_at__isnull=True, withdrawn_reason="")
                | (models.Q(withdrawn_at__isnull=False) & ~models.Q(withdrawn_reason="")),
                name="payment_is_withdrawn_for_a_reason",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.received_on} {self.amount}"


class Allocation(OwnedModel):
    """The part of a payment, or of a credit note, that settles an invoice. What is left over is credit on account."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="allocations")
    payment = models.ForeignKey(Payment, models.PROTECT, null=True, blank=True, related_name="allocations")
    credit_note = models.ForeignKey(Invoice, models.PROTECT, null=True, blank=True, related_name="settles")
    amount = AmountField(_("amount"))

    objects = BusinessQuerySet["Allocation"].as_manager()

    class Meta:
        verbose_name = _("allocation")
        verbose_name_plural = _("allocations")
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(amount__gt=0), name="allocation_is_positive"),
            models.CheckConstraint(
                condition=models.Q(payment__isnull=False, credit_note__isnull=True)
                | models.Q(payment__isnull=True, credit_note__isnull=False),
                name="allocation_comes_from_a_payment_or_a_credit_note",
            ),
            models.UniqueConstraint(fields=["invoice", "payment"], name="payment_settles_an_invoice_in_one_part"),
            models.UniqueConstraint(fields=["invoice", "credit_note"], name="credit_settles_an_invoice_in_one_part"),
        ]

    def __str__(self) -> str:
        return f"{self.amount}"


class IssueRun(OwnedModel):
    """A batch of drafts to be issued by a worker, one transaction each."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="issue_runs")
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="issue_run")
    issue_on = models.DateField(_("date on the invoices"))
    invoices = models.ManyToManyField(Invoice, related_name="runs", blank=True)
    send = models.BooleanField(_("send each by e-mail"), default=False)
    asked_at = models.DateTimeField(_("asked"))
    asked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["IssueRun"].as_manager()

    class Meta:
        verbose_name = _("issue run")
        verbose_name_plural = _("issue runs")
        ordering = ["-asked_at"]

    def __str__(self) -> str:
        return f"{self.issue_on}"


class BankFile(OwnedModel):
    """A statement as the bank gave it, kept as it came. A CSV file whose columns are not known yet waits to be told."""

    business = models.ForeignKey(Business, models.PROTECT, related_name="bank_files")
    name = models.CharField(_("file"), max_length=200)
    content = models.BinaryField(editable=False)
    sha256 = models.CharField(max_length=64)
    account = models.CharField(_("account"), max_length=42, blank=True)
    number = models.CharField(_("statement number"), max_length=70, blank=True)
    not_booked = models.PositiveIntegerField(_("not booked yet"), default=0)
    known_already = models.PositiveIntegerField(_("known already"), default=0)
    brought_at = models.DateTimeField(_("brought in"))
    brought_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    read_at = models.DateTimeField(_("read"), null=True, blank=True)

    objects = BusinessQuerySet["BankFile"].as_manager()

    class Meta:
        verbose_name = _("bank file")
        verbose_name_plural = _("bank files")
        ordering = ["-brought_at", "-pk"]
        constraints = [models.UniqueConstraint(fields=["business", "sha256"], name="bank_file_is_brought_in_once")]

    def __str__(self) -> str:
        return self.name


class BankColumns(OwnedModel):
    """Which column of a bank's CSV file holds what, as somebody told for files with these titles."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="bank_columns")
    titles = models.CharField(max_length=64, help_text=_("SHA-256 of the titles"))
    columns = models.JSONField(default=dict)

    objects = BusinessQuerySet["BankColumns"].as_manager()

    class Meta:
        constraints = [models.UniqueConstraint(fields=["business", "titles"], name="bank_titles_are_told_once")]

    def __str__(self) -> str:
        return self.titles


class BankEntryState(models.TextChoices):
    WAITING = "waiting", _("waiting")
    SETTLED = "settled", _("settled")
    ASIDE = "aside", _("set aside")


class BankEntry(OwnedModel):
    """A line of the bank. What the bank told never changes; what was made of it can be taken back."""

    business = models.ForeignKey(Business, models.PROTECT, related_name="bank_entries")
    file = models.ForeignKey(BankFile, models.PROTECT, related_name="entries")
    key = models.CharField(max_length=64, help_text=_("The same whenever the bank tells the same line again."))
    account = models.CharField(_("account"), max_length=42, blank=True)
    booked_on = models.DateField(_("booked"))
    amount = AmountField(_("amount"))
    currency = models.CharField(_("currency"), max_length=3)
    payer = models.CharField(_("payer"), max_length=200, blank=True)
    payer_account = models.CharField(_("payer's account"), max_length=42, blank=True)
    references = models.JSONField(_("references"), default=list, blank=True)
    text = models.CharField(_("text"), max_length=1000, blank=True)
    end_to_end = models.CharField(_("payer's own reference"), max_length=70, blank=True)
    bank_reference = models.CharField(_("bank's reference"), max_length=70, blank=True)
    returned = models.BooleanField(_("went back"), default=False)
    state = models.CharField(_("state"), max_length=8, choices=BankEntryState.choices, default=BankEntryState.WAITING)
    payment = models.ForeignKey(Payment, models.PROTECT, null=True, blank=True, related_name="bank_entries")
    note = models.CharField(_("why set aside"), max_length=300, blank=True)
    decided_at = models.DateTimeField(_("decided"), null=True, blank=True)
    decided_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["BankEntry"].as_manager()

    class Meta:
        verbose_name = _("bank line")
        verbose_name_plural = _("bank lines")
        ordering = ["booked_on", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["business", "key"], name="bank_line_counts_once"),
            models.CheckConstraint(condition=choices_hold("state", BankEntryState), name="bank_line_state_is_known"),
            models.CheckConstraint(
                condition=models.Q(state="waiting", payment__isnull=True, note="")
                | models.Q(state="settled", payment__isnull=False, note="")
                | (models.Q(state="aside", payment__isnull=True) & ~models.Q(note="")),
                name="settled_bank_line_has_its_payment",
            ),
            models.CheckConstraint(condition=~models.Q(amount=0), name="bank_line_moves_money"),
        ]
        indexes = [models.Index(fields=["business", "state", "booked_on"])]

    def __str__(self) -> str:
        return f"{self.booked_on} {self.amount}"


class BookRole(models.TextChoices):
    """What an account of the books is for (billing.documents.ledger)."""

    RECEIVABLE = "receivable", _("what clients owe")
    REVENUE = "revenue", _("revenue")
    TAX = "tax", _("tax owed")
    TRANSFER = "transfer", _("bank")
    CHEQUE = "cheque", _("cheques")
    CASH = "cash", _("cash")
    CARD = "card", _("card")


class BookAccount(OwnedModel):
    """The accountant's number of an account. `detail` is a tax (S 19) or empty: all of the role."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="book_accounts")
    role = models.CharField(_("account"), max_length=12, choices=BookRole.choices)
    detail = models.CharField(_("of which"), max_length=20, blank=True)
    code = models.CharField(_("the accountant's number"), max_length=20)

    objects = BusinessQuerySet["BookAccount"].as_manager()

    class Meta:
        verbose_name = _("account of the books")
        verbose_name_plural = _("accounts of the books")
        ordering = ["role", "detail"]
        constraints = [
            models.UniqueConstraint(fields=["business", "role", "detail"], name="book_account_has_one_number"),
            models.CheckConstraint(condition=choices_hold("role", BookRole), name="book_account_role_is_known"),
        ]

    def __str__(self) -> str:
        return self.code


class BooksFile(OwnedModel):
    """All of a period for the accountant, as one ZIP, kept as it was handed over."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="books_files")
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="books_file")
    first = models.DateField(_("from"))
    last = models.DateField(_("to"))
    asked_at = models.DateTimeField(_("asked"))
    asked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    content = models.BinaryField(editable=False, null=True)
    sha256 = models.CharField(max_length=64, blank=True)
    made_at = models.DateTimeField(_("made"), null=True, blank=True)

    objects = BusinessQuerySet["BooksFile"].as_manager()

    class Meta:
        verbose_name = _("books of a period")
        verbose_name_plural = _("books of periods")
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=models.Q(last__gte=models.F("first")), name="books_end_after_they_begin"),
        ]

    def __str__(self) -> str:
        return f"{self.first} – {self.last}"


class ReminderStep(OwnedModel):
    """From how many days past due a client is reminded, in which words. Steps follow each other by their days."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="reminder_steps")
    days = models.PositiveSmallIntegerField(_("days past due"))
    text = models.TextField(_("words"), max_length=2000)
    least = AmountField(
        _("only from this much on"), default=Decimal("0"), help_text=_("A client that owes less is left in peace.")
    )
    with_interest = models.BooleanField(
        _("tell the interest for late payment"),
        default=False,
        help_text=_("By your own rates. It is told, not booked. Ask locally what may be asked for."),
    )

    objects = BusinessQuerySet["ReminderStep"].as_manager()

    class Meta:
        verbose_name = _("step of reminding")
        verbose_name_plural = _("steps of reminding")
        ordering = ["days"]
        constraints = [
            models.UniqueConstraint(fields=["business", "days"], name="reminder_step_has_its_own_day"),
            models.CheckConstraint(condition=models.Q(days__gte=1), name="reminder_step_is_after_the_due_day"),
            models.CheckConstraint(condition=models.Q(least__gte=0), name="reminder_step_asks_for_no_negative_sum"),
        ]

    def __str__(self) -> str:
        return str(self.days)


class InterestCount(models.TextChoices):
    """How time is counted (billing.charges.interest)."""

    DAYS_365 = "days_365", _("days of a year of 365, percent a year")
    DAYS_360 = "days_360", _("days of a year of 360, percent a year")
    FULL_MONTHS = "full_months", _("full months, percent a month")


class LateInterest(OwnedModel):
    """A rate of interest for late payment that holds from a day on. None is set by default: ask locally."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="late_interest")
    valid_from = models.DateField(_("from"))
    percent = models.DecimalField(_("percent"), max_digits=6, decimal_places=3)
    count = models.CharField(
        _("counted by"), max_length=12, choices=InterestCount.choices, default=InterestCount.DAYS_365
    )

    objects = BusinessQuerySet["LateInterest"].as_manager()

    class Meta:
        verbose_name = _("interest for late payment")
        verbose_name_plural = _("interest for late payment")
        ordering = ["valid_from"]
        constraints = [
            models.UniqueConstraint(fields=["business", "valid_from"], name="late_interest_has_one_rate_a_day"),
            models.CheckConstraint(
                condition=models.Q(percent__gte=0, percent__lte=100), name="late_interest_is_a_percentage"
            ),
            models.CheckConstraint(condition=choices_hold("count", InterestCount), name="late_interest_count_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.valid_from} {self.percent} %"


class ReminderStop(OwnedModel):
    """Nobody is reminded of this invoice, or this client of any, until it is lifted: a dispute, say."""

    client_path: ClassVar[str] = "client"

    business = models.ForeignKey(Business, models.CASCADE, related_name="reminder_stops")
    client = models.ForeignKey(Client, models.CASCADE, related_name="reminder_stops")
    invoice = models.ForeignKey(Invoice, models.PROTECT, null=True, blank=True, related_name="reminder_stops")
    reason = models.CharField(_("why"), max_length=300)
    set_at = models.DateTimeField(_("since"))
    set_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    lifted_at = models.DateTimeField(_("lifted"), null=True, blank=True)
    lifted_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["ReminderStop"].as_manager()

    class Meta:
        verbose_name = _("stop of reminders")
        verbose_name_plural = _("stops of reminders")
        ordering = ["-set_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["client"],
                condition=models.Q(lifted_at__isnull=True, invoice__isnull=True),
                name="client_is_stopped_once",
            ),
            models.UniqueConstraint(
                fields=["invoice"],
                condition=models.Q(lifted_at__isnull=True, invoice__isnull=False),
                name="invoice_is_stopped_once",
            ),
            models.CheckConstraint(condition=~models.Q(reason=""), name="reminder_stop_says_why"),
        ]

    def __str__(self) -> str:
        return self.reason


class Reminder(OwnedModel):
    """A client was reminded. Whether the mail server took it stands with the message."""

    client_path: ClassVar[str] = "client"

    business = models.ForeignKey(Business, models.CASCADE, related_name="reminders")
    client = models.ForeignKey(Client, models.PROTECT, related_name="reminders")
    days = models.PositiveSmallIntegerField(_("step, days past due"))
    message = models.OneToOneField(SentMessage, models.PROTECT, related_name="reminder")
    sent_on = models.DateField(_("sent"))
    sent_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["Reminder"].as_manager()

    class Meta:
        verbose_name = _("reminder")
        verbose_name_plural = _("reminders")
        ordering = ["-sent_on", "-pk"]

    def __str__(self) -> str:
        return str(self.message)


class RemindedInvoice(OwnedModel):
    """What a reminder said of an invoice."""

    business_path: ClassVar[str] = "reminder__business"
    client_path: ClassVar[str] = "reminder__client"

    reminder = models.ForeignKey(Reminder, models.CASCADE, related_name="invoices")
    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="reminders")
    days = models.PositiveSmallIntegerField(_("step, days past due"))
    open_amount = AmountField(_("open"))
    interest = AmountField(_("interest told"), default=Decimal("0"))

    objects = BusinessQuerySet["RemindedInvoice"].as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["invoice", "days"], name="invoice_is_reminded_once_a_step"),
        ]

    def __str__(self) -> str:
        return str(self.invoice)
