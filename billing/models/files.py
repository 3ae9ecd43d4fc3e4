"""What is kept of an issued document, and where it was sent."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from billing.models.invoices import Invoice
from trimmer.models import BusinessQuerySet, OwnedModel, SentMessage, User, choices_hold


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


class SendingState(models.TextChoices):
    QUEUED = "queued", _("on its way")
    SENT = "sent", _("handed over")
    FAILED = "failed", _("not sent")


class InvoiceSending(OwnedModel):
    """An issued document goes to somebody by e-mail: a worker hands it over, and tries again a few times."""

    business_path: ClassVar[str] = "invoice__business"
    client_path: ClassVar[str] = "invoice__client"

    invoice = models.ForeignKey(Invoice, models.PROTECT, related_name="sendings")
    message = models.OneToOneField(SentMessage, models.PROTECT, related_name="invoice_sending")
    sent_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    state = models.CharField(_("state"), max_length=6, choices=SendingState.choices, default=SendingState.QUEUED)
    reason = models.CharField(_("why not"), max_length=300, blank=True)
    tries = models.PositiveSmallIntegerField(_("tries"), default=0)
    tried_at = models.DateTimeField(_("last tried"), null=True, blank=True)

    objects = BusinessQuerySet["InvoiceSending"].as_manager()

    class Meta:
        verbose_name = _("sending of an invoice")
        verbose_name_plural = _("sendings of invoices")
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("state", SendingState), name="sending_state_is_known"),
            models.CheckConstraint(condition=~models.Q(state="failed", reason=""), name="sending_that_failed_says_why"),
        ]

    def __str__(self) -> str:
        return str(self.message)
