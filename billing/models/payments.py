"""Money that came in, and what it settles."""

from __future__ import annotations

from typing import ClassVar, Self

from django.db import models
from django.utils.translation import gettext_lazy as _

from billing.models.amounts import AmountField
from billing.models.invoices import Invoice
from trimmer.models import Business, BusinessQuerySet, Client, OwnedModel, User, choices_hold


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
