"""How the travel of a round was shared among its farms."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from billing.models.invoices import Invoice
from billing.models.settings import TravelShare
from trimmer.models import Business, BusinessQuerySet, Crew, OwnedModel, Visit, choices_hold


class SharedRound(OwnedModel):
    """The round of a crew on a day, as its travel is shared. Frozen once the first of its invoices is issued."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="shared_rounds")
    crew = models.ForeignKey(Crew, models.PROTECT, related_name="+")
    date = models.DateField(_("date"))
    way = models.CharField(_("shared"), max_length=8, choices=TravelShare.choices)
    metres = models.PositiveIntegerField(_("length (m)"))
    frozen_at = models.DateTimeField(_("frozen"), null=True, blank=True)
    frozen_by = models.ForeignKey(Invoice, models.PROTECT, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["SharedRound"].as_manager()

    class Meta:
        verbose_name = _("shared round")
        verbose_name_plural = _("shared rounds")
        ordering = ["-date", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["crew", "date"], name="round_is_shared_once"),
            models.CheckConstraint(condition=choices_hold("way", TravelShare), name="way_of_sharing_is_known"),
            models.CheckConstraint(
                condition=models.Q(frozen_at__isnull=True, frozen_by__isnull=True)
                | models.Q(frozen_at__isnull=False, frozen_by__isnull=False),
                name="round_is_frozen_by_an_invoice",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.crew}, {self.date}"


class RoundShare(OwnedModel):
    """What a visit bears of the travel of its round. The shares of a round add up to a thousand million."""

    business_path: ClassVar[str] = "round__business"

    round = models.ForeignKey(SharedRound, models.CASCADE, related_name="shares")
    visit = models.ForeignKey(Visit, models.PROTECT, related_name="+")
    place = models.PositiveSmallIntegerField(_("place in the round"))
    share = models.PositiveBigIntegerField(_("share"), help_text=_("In thousand millionths."))

    objects = BusinessQuerySet["RoundShare"].as_manager()

    class Meta:
        verbose_name = _("share of a round")
        verbose_name_plural = _("shares of rounds")
        ordering = ["round", "place"]
        constraints = [
            models.UniqueConstraint(fields=["round", "visit"], name="visit_has_one_share_of_its_round"),
            models.UniqueConstraint(fields=["round", "place"], name="round_share_has_its_place"),
        ]

    def __str__(self) -> str:
        return f"{self.visit} {self.share}"
