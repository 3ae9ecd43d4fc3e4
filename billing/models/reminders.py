"""Asking for what is overdue."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from billing.models.amounts import AmountField
from billing.models.invoices import Invoice
from trimmer.models import Business, BusinessQuerySet, Client, OwnedModel, SentMessage, User, choices_hold


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
