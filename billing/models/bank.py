"""What the bank told."""

from __future__ import annotations

from django.db import models
from django.utils.translation import gettext_lazy as _

from billing.models.amounts import AmountField
from billing.models.payments import Payment
from trimmer.models import Business, BusinessQuerySet, OwnedModel, User, choices_hold


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
