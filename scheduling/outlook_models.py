"""What the outlook reckons with."""

from __future__ import annotations

from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling.frequency import EVALUATIONS_PER_COW
from trimmer.models import Business, BusinessQuerySet, OwnedModel


class OutlookSettings(OwnedModel):
    """A business's figures for the work to come."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="outlook_settings")
    factor = models.DecimalField(
        _("evaluations a cow and year"),
        max_digits=4,
        decimal_places=2,
        default=EVALUATIONS_PER_COW,
        validators=[MinValueValidator(0), MaxValueValidator(12)],
        help_text=_("2.6 is two looks a cow, 30 % heifers and 30 % lame cows (G. Cramer, Dairy Herd Management)."),
    )
    cows_a_day = models.PositiveSmallIntegerField(
        _("cows trimmed well in a day"), default=40, validators=[MinValueValidator(1), MaxValueValidator(500)]
    )
    by_formula = models.BooleanField(
        _("count what herds without a standing arrangement need"),
        default=True,
        help_text=_("As much as the formula says, spread evenly, where nothing else is known."),
    )
    dry_off_days = models.PositiveSmallIntegerField(
        _("days before dry-off"),
        default=7,
        validators=[MaxValueValidator(60)],
        help_text=_("3 to 10 is practical; not on the day itself (AHDB)."),
    )
    calving_days = models.PositiveSmallIntegerField(
        _("days before calving, where no dry-off is planned"),
        default=60,
        validators=[MinValueValidator(28), MaxValueValidator(120)],
        help_text=_("About eight weeks; never in the last four."),
    )
    after_calving_days = models.PositiveSmallIntegerField(
        _("days after calving"),
        default=80,
        validators=[MaxValueValidator(200)],
        help_text=_("60 to 100 is usual."),
    )
    drive_minutes = models.PositiveSmallIntegerField(
        _("driving for a visit (minutes)"), default=40, validators=[MaxValueValidator(600)]
    )
    full_percent = models.PositiveSmallIntegerField(
        _("a week is too full from (% of the crews' hours)"),
        default=100,
        validators=[MinValueValidator(10), MaxValueValidator(200)],
    )

    objects = BusinessQuerySet["OutlookSettings"].as_manager()

    class Meta:
        verbose_name = _("outlook settings")
        verbose_name_plural = _("outlook settings")
        constraints = [
            models.CheckConstraint(condition=models.Q(factor__gte=Decimal(0)), name="evaluations_are_not_negative"),
            models.CheckConstraint(condition=models.Q(cows_a_day__gte=1), name="at_least_one_cow_is_trimmed_in_a_day"),
        ]

    def __str__(self) -> str:
        return str(self.business)
