"""The pace as learned: default minutes of a business, the fit that stands, and the stock the load list counts with."""

from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models import Business, BusinessQuerySet, OwnedModel, choices_hold


def _minutes(label: object, default: str) -> models.DecimalField[Decimal, Decimal]:
    return models.DecimalField(label, max_digits=4, decimal_places=1, default=Decimal(default))  # type: ignore[arg-type]


class PlanLevel(models.IntegerChoices):
    """With what minutes a visit is planned: a share of visits takes less."""

    HALF = 50, _("half of the visits take less")
    FOUR_IN_FIVE = 80, _("four in five take less")
    NINE_IN_TEN = 90, _("nine in ten take less")


class PaceSettings(OwnedModel):
    """What stands in until enough visits are recorded. Common practice: no published mean of minutes a head exists."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="pace_settings")
    setup = _minutes(_("set-up at a farm (minutes)"), "25")
    trim = _minutes(_("minutes a head, trim only"), "8")
    topical = _minutes(_("minutes a head with a topical product"), "9")
    wrap = _minutes(_("minutes a head with a wrap"), "10.5")
    block = _minutes(_("minutes a head with a block"), "15.5")
    recheck = _minutes(_("minutes a recheck"), "4")
    heifer = _minutes(_("minutes a heifer"), "7")
    bull = _minutes(_("minutes a bull"), "15")
    plan_with_learned = models.BooleanField(
        _("plan with the minutes learned"),
        default=True,
        help_text=_("Otherwise with the planner's own figures, also where visits say more."),
    )
    plan_level = models.PositiveSmallIntegerField(
        _("minutes to plan with"), choices=PlanLevel.choices, default=PlanLevel.HALF
    )
    run_out_percent = models.PositiveSmallIntegerField(
        _("a supply may run out in so many of 100 weeks"), default=5, help_text=_("Each supply by itself.")
    )
    blocks_a_cartridge = models.PositiveSmallIntegerField(_("blocks a cartridge of glue sets"), default=8)
    head_a_bottle = models.PositiveSmallIntegerField(_("head a bottle of product treats"), default=40)

    objects = BusinessQuerySet["PaceSettings"].as_manager()

    class Meta:
        verbose_name = _("pace settings")
        verbose_name_plural = _("pace settings")
        constraints = [
            models.CheckConstraint(condition=models.Q(setup__gte=0), name="set_up_takes_no_less_than_0_minutes"),
            models.CheckConstraint(
                condition=models.Q(trim__gt=0, topical__gt=0, wrap__gt=0, block__gt=0)
                & models.Q(recheck__gt=0, heifer__gt=0, bull__gt=0),
                name="each_kind_of_work_takes_time",
            ),
            models.CheckConstraint(condition=choices_hold("plan_level", PlanLevel), name="plan_level_is_learned"),
            models.CheckConstraint(
                condition=models.Q(run_out_percent__range=(1, 50)), name="supplies_run_out_in_1_to_50_of_100_weeks"
            ),
            models.CheckConstraint(
                condition=models.Q(blocks_a_cartridge__gte=1, head_a_bottle__gte=1), name="a_unit_serves_at_least_one"
            ),
        ]

    def __str__(self) -> str:
        return str(self.business)


class LearnedPace(OwnedModel):
    """The fit that stands. `figures`: scheduling.pace.standing; `tried`: past visits and what the others said of them;
    `set_aside`: records not used and why; `seen`: head by farm, kind brought and work they came to; `read`: what the
    visits came to when they were read, so that it is known whether there is something new."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="learned_pace")
    learned_on = models.DateField(_("learned on"))
    learned_at = models.DateTimeField(_("learned at"))
    visits = models.PositiveIntegerField(_("visits learned from"), default=0)
    figures = models.JSONField(default=dict)
    tried = models.JSONField(default=list)
    set_aside = models.JSONField(default=list)
    seen = models.JSONField(default=list)
    read = models.JSONField(default=dict)

    objects = BusinessQuerySet["LearnedPace"].as_manager()

    class Meta:
        verbose_name = _("learned pace")
        verbose_name_plural = _("learned pace")

    def __str__(self) -> str:
        return f"{self.business}, {self.learned_on}"


class SupplyKind(models.TextChoices):
    BLOCK = "block", _("blocks")
    GLUE = "glue", _("glue, cartridges")
    WRAP = "wrap", _("wraps")
    PRODUCT = "product", _("topical product, bottles")


class SupplyStock(OwnedModel):
    """How many units of a supply are on hand."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="supply_stock")
    supply = models.CharField(_("supply"), max_length=8, choices=SupplyKind.choices)
    on_hand = models.PositiveIntegerField(_("on hand"), default=0)

    objects = BusinessQuerySet["SupplyStock"].as_manager()

    class Meta:
        verbose_name = _("supply on hand")
        verbose_name_plural = _("supplies on hand")
        constraints = [
            models.UniqueConstraint(fields=["business", "supply"], name="supply_is_counted_once"),
            models.CheckConstraint(condition=choices_hold("supply", SupplyKind), name="supply_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.get_supply_display()}: {self.on_hand}"
