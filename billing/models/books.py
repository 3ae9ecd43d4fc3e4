"""What goes to the accountant."""

from __future__ import annotations

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models import Business, BusinessQuerySet, Job, OwnedModel, User, choices_hold


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
