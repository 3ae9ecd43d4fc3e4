"""What a business says of its bills, and what a client wants on them."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models import Business, BusinessQuerySet, Client, OwnedModel, choices_hold

E_SCHEME_HELP = _("A code of the list EAS, such as EM for e-mail or 0088 for a GLN.")


class TravelShare(models.TextChoices):
    """How the travel of a round comes onto the bills of its farms (billing.charges.share)."""

    ALONE = "alone", _("shared by what each farm would cost alone")
    EQUAL = "equal", _("shared equally")
    HEAD = "head", _("shared by head")
    ZONES = "zones", _("shared by the call-out zones of the price list")
    SHAPLEY = "shapley", _("shared by what each farm adds to the round (Shapley value)")
    LEGS = "legs", _("not shared: each farm pays the way driven to it")


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
    travel_share = models.CharField(
        _("travel of a round"),
        max_length=8,
        choices=TravelShare.choices,
        default=TravelShare.ALONE,
        help_text=_("Where a price list has a price per km or mile. What was issued stays as it was shared."),
    )
    late_cancel_hours = models.PositiveSmallIntegerField(
        _("a visit is cancelled late within (hours)"),
        null=True,
        blank=True,
        help_text=_("Before its planned start. Empty: no fee is proposed. The fee itself is a price of the list."),
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
        constraints = [
            models.CheckConstraint(condition=choices_hold("travel_share", TravelShare), name="travel_share_is_known")
        ]

    def __str__(self) -> str:
        return str(self.business)


class BillsOfClient(models.TextChoices):
    """How many visits stand on one invoice of a client."""

    TOGETHER = "together", _("what is billed at once, on one invoice")
    VISIT = "visit", _("each visit on an invoice of its own")
    MONTH = "month", _("one invoice a month, over all its farms")


class ClientBilling(OwnedModel):
    """What a client wants to read on its bills, and where its e-invoices go."""

    business_path: ClassVar[str] = "client__business"
    client_path: ClassVar[str] = "client"

    client = models.OneToOneField(Client, models.CASCADE, related_name="billing")
    bills = models.CharField(_("invoices"), max_length=8, choices=BillsOfClient.choices, default=BillsOfClient.TOGETHER)
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
        constraints = [
            models.CheckConstraint(condition=choices_hold("bills", BillsOfClient), name="bills_of_client_are_known")
        ]

    def __str__(self) -> str:
        return str(self.client)
