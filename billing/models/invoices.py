"""Drafts and issued documents, line by line."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar, Self

from django.db import models
from django.utils.translation import gettext_lazy as _

from billing.models.amounts import NEARLY_NOTHING, AmountField
from billing.models.prices import TaxCode
from trimmer.models import Business, BusinessQuerySet, Client, Job, OwnedModel, User, Visit, choices_hold


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
    month = models.DateField(
        _("collects the visits of the month"),
        null=True,
        blank=True,
        help_text=_("Its first day. Empty: it is no monthly invoice."),
    )
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
            models.UniqueConstraint(
                fields=["client", "month"],
                condition=models.Q(state="draft", month__isnull=False),
                name="client_has_one_draft_for_a_month",
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
    allowance = AmountField(_("discount"), default=Decimal("0"))
    allowance_percent = models.DecimalField(_("discount (%)"), max_digits=6, decimal_places=3, null=True, blank=True)
    allowance_reason = models.CharField(_("why the discount"), max_length=100, blank=True)
    net = AmountField(_("net"))
    tax_code = models.CharField(_("tax category"), max_length=2, choices=TaxCode.choices)
    tax_name = models.CharField(_("tax"), max_length=60, blank=True)
    tax_rate = models.DecimalField(_("tax rate (%)"), max_digits=6, decimal_places=3)
    exemption_reason = models.CharField(_("exemption text"), max_length=300, blank=True)
    source = models.CharField(_("where the price came from"), max_length=200, blank=True)
    levies = models.JSONField(
        _("sales taxes"), null=True, blank=True, help_text=_("Pairs of authority and rate; empty where it is exempt.")
    )
    detail = models.CharField(_("how it was reckoned"), max_length=200, blank=True)
    round_m = models.PositiveIntegerField(_("metres of the round shared"), null=True, blank=True)
    round_share = models.PositiveBigIntegerField(
        _("share of the round"), null=True, blank=True, help_text=_("In thousand millionths.")
    )

    objects = BusinessQuerySet["InvoiceLine"].as_manager()

    class Meta:
        verbose_name = _("invoice line")
        verbose_name_plural = _("invoice lines")
        ordering = ["invoice", "position"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "position"], name="invoice_line_has_its_place"),
            models.CheckConstraint(condition=models.Q(price__gte=0), name="line_price_is_not_negative"),
            models.CheckConstraint(condition=choices_hold("tax_code", TaxCode), name="line_tax_category_is_known"),
            models.CheckConstraint(
                condition=models.Q(allowance=0) | (models.Q(allowance__gt=0) & ~models.Q(allowance_reason="")),
                name="discount_of_a_line_says_why",
            ),
        ]

    def __str__(self) -> str:
        return self.name


class InvoiceDiscount(OwnedModel):
    """What is taken off a document under its lines, as somebody or a price list said: a percentage or an amount.

    `visits` are those whose lines it is taken off; empty for the whole document. What it comes to in each tax stands in
    its allowances.
    """

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="discounts")
    position = models.PositiveSmallIntegerField(_("place"))
    reason = models.CharField(_("why"), max_length=100)
    percent = models.DecimalField(_("percent"), max_digits=6, decimal_places=3, null=True, blank=True)
    amount = models.DecimalField(_("amount before tax"), max_digits=14, decimal_places=3, null=True, blank=True)
    visits = models.JSONField(default=list, blank=True)
    source = models.CharField(_("where it came from"), max_length=200, blank=True)
    by_hand = models.BooleanField(_("written by hand"), default=False)

    objects = BusinessQuerySet["InvoiceDiscount"].as_manager()

    class Meta:
        verbose_name = _("discount")
        verbose_name_plural = _("discounts")
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(fields=["invoice", "position"], name="discount_has_its_place"),
            models.CheckConstraint(condition=~models.Q(reason=""), name="discount_says_why"),
            models.CheckConstraint(
                condition=models.Q(percent__gt=0, percent__lte=100, amount__isnull=True)
                | models.Q(percent__isnull=True, amount__gt=0),
                name="discount_is_a_percentage_or_an_amount",
            ),
        ]

    def __str__(self) -> str:
        return self.reason


class InvoiceAllowance(OwnedModel):
    """The part of a discount in one tax category and rate (EN 16931, BG-20); on a credit note, what of it goes back."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="allowances")
    discount = models.ForeignKey(InvoiceDiscount, models.PROTECT, null=True, blank=True, related_name="allowances")
    credits = models.ForeignKey("self", models.PROTECT, null=True, blank=True, related_name="credited_by")
    reason = models.CharField(_("why"), max_length=100)
    percent = models.DecimalField(_("percent"), max_digits=6, decimal_places=3, null=True, blank=True)
    base = AmountField(_("of"))
    amount = AmountField(_("amount"))
    tax_code = models.CharField(_("tax category"), max_length=2, choices=TaxCode.choices)
    tax_rate = models.DecimalField(_("tax rate (%)"), max_digits=6, decimal_places=3)

    objects = BusinessQuerySet["InvoiceAllowance"].as_manager()

    class Meta:
        verbose_name = _("discount in one tax")
        verbose_name_plural = _("discounts in one tax")
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=~models.Q(reason=""), name="allowance_says_why"),
            models.CheckConstraint(
                condition=models.Q(discount__isnull=False, credits__isnull=True)
                | models.Q(discount__isnull=True, credits__isnull=False),
                name="allowance_is_of_a_discount_or_gives_one_back",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.reason} {self.amount}"


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


class ForgoneFee(OwnedModel):
    """A visit that was cancelled late, and for which nothing is asked."""

    business_path: ClassVar[str] = "visit__farm__client__business"

    visit = models.OneToOneField(Visit, models.CASCADE, related_name="forgone_fee")
    at = models.DateTimeField(_("when"))
    by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["ForgoneFee"].as_manager()

    class Meta:
        verbose_name = _("fee not asked for")
        verbose_name_plural = _("fees not asked for")

    def __str__(self) -> str:
        return str(self.visit)


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
