"""Clients, who pay, and farms, where the cows are."""

from __future__ import annotations

from decimal import Decimal

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models.accounts import Business, ChuteKind, PostalAddress, Weekday
from trimmer.models.scope import Archivable, ArchivableQuerySet, BusinessQuerySet, OwnedModel


class Client(OwnedModel, Archivable, PostalAddress):
    """Who pays. Has one farm or several."""

    client_path = "pk"

    business = models.ForeignKey(Business, models.CASCADE, related_name="clients")
    number = models.CharField(_("client number"), max_length=20)
    name = models.CharField(_("name"), max_length=120)
    email = models.EmailField(_("e-mail"), blank=True)
    phone = models.CharField(_("phone"), max_length=40, blank=True)
    tax_id = models.CharField(_("tax registration (VAT id)"), max_length=40, blank=True)
    payment_days = models.PositiveSmallIntegerField(
        _("days to pay"), null=True, blank=True, help_text=_("Empty: as the business has it.")
    )
    on_hold = models.BooleanField(_("on hold"), default=False, help_text=_("No new visits are proposed."))
    note = models.TextField(_("note"), blank=True)

    objects = ArchivableQuerySet["Client"].as_manager()

    class Meta:
        verbose_name = _("client")
        verbose_name_plural = _("clients")
        ordering = ["name", "pk"]
        constraints = [models.UniqueConstraint(fields=["business", "number"], name="client_number_is_used_once")]

    def __str__(self) -> str:
        return self.name


class HealthTier(models.IntegerChoices):
    """How clean a herd is: a round goes from the cleanest to the most infectious herd."""

    CLEAN = 0, _("clean")
    USUAL = 1, _("usual")
    INFECTIOUS = 2, _("infectious")
    LAST = 3, _("last visit of the day")


class BarnKind(models.TextChoices):
    FREE_STALL = "free_stall", _("free stall")
    TIE_STALL = "tie_stall", _("tie stall")
    OTHER = "other", _("other")


def every_working_day() -> list[int]:
    """Monday to Friday."""
    return [0, 1, 2, 3, 4]


class Farm(OwnedModel, Archivable, PostalAddress):
    """Where the cows are."""

    business_path = "client__business"
    client_path = "client"

    client = models.ForeignKey(Client, models.PROTECT, related_name="farms", verbose_name=_("client"))
    name = models.CharField(_("name"), max_length=120)
    latitude = models.FloatField(_("latitude"), null=True, blank=True)
    longitude = models.FloatField(_("longitude"), null=True, blank=True)
    gate_latitude = models.FloatField(_("gate: latitude"), null=True, blank=True)
    gate_longitude = models.FloatField(_("gate: longitude"), null=True, blank=True)
    barn = models.CharField(_("barn"), max_length=12, choices=BarnKind.choices, default=BarnKind.FREE_STALL)
    milking = models.PositiveIntegerField(_("milking cows"), default=0)
    dry = models.PositiveIntegerField(_("dry cows"), default=0)
    heifers = models.PositiveIntegerField(_("heifers"), default=0)
    health_tier = models.PositiveSmallIntegerField(
        _("health tier"), choices=HealthTier.choices, default=HealthTier.USUAL
    )
    days_that_suit = models.JSONField(_("days that suit"), default=every_working_day, blank=True)
    lock_up_hours = models.DecimalField(
        _("lock-up limit (hours)"), max_digits=4, decimal_places=2, default=Decimal("3")
    )
    chute_kind_needed = models.CharField(_("chute needed"), max_length=12, choices=ChuteKind.choices, blank=True)
    handling_notes = models.TextField(_("handling notes"), blank=True)
    access_notes = models.TextField(_("access notes"), blank=True)
    visit_interval_weeks = models.PositiveSmallIntegerField(
        _("weeks between visits"), null=True, blank=True, help_text=_("A standing arrangement. Empty: on request only.")
    )

    objects = ArchivableQuerySet["Farm"].as_manager()

    class Meta:
        verbose_name = _("farm")
        verbose_name_plural = _("farms")
        ordering = ["name", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["client", "name"], name="farm_name_is_used_once_by_a_client"),
            models.CheckConstraint(
                condition=models.Q(latitude__isnull=True, longitude__isnull=True)
                | models.Q(latitude__range=(-90, 90), longitude__range=(-180, 180)),
                name="farm_lies_on_the_globe_or_nowhere",
            ),
            models.CheckConstraint(
                condition=models.Q(gate_latitude__isnull=True, gate_longitude__isnull=True)
                | models.Q(gate_latitude__range=(-90, 90), gate_longitude__range=(-180, 180)),
                name="gate_lies_on_the_globe_or_nowhere",
            ),
            models.CheckConstraint(condition=models.Q(health_tier__lte=3), name="health_tier_is_0_to_3"),
            models.CheckConstraint(
                condition=models.Q(lock_up_hours__gt=0, lock_up_hours__lte=24), name="lock_up_limit_is_within_a_day"
            ),
            models.CheckConstraint(
                condition=models.Q(visit_interval_weeks__isnull=True) | models.Q(visit_interval_weeks__range=(1, 104)),
                name="visit_interval_is_1_to_104_weeks",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def position(self) -> tuple[float, float] | None:
        """Where a rig drives to (latitude, longitude): the gate where one is set by hand, otherwise the farm itself."""
        for latitude, longitude in (
            (self.gate_latitude, self.gate_longitude),
            (self.latitude, self.longitude),
        ):
            if latitude is not None and longitude is not None:
                return latitude, longitude
        return None

    @property
    def herd(self) -> int:
        """All head: milking, dry and heifers."""
        return self.milking + self.dry + self.heifers


class AccessWindow(OwnedModel):
    """Hours (local clock) of a weekday in which a crew may work at the farm. A day that suits without any: all day."""

    business_path = "farm__client__business"
    client_path = "farm__client"

    farm = models.ForeignKey(Farm, models.CASCADE, related_name="access_windows")
    weekday = models.PositiveSmallIntegerField(_("weekday"), choices=Weekday.choices)
    opens = models.TimeField(_("from"))
    closes = models.TimeField(_("to"))

    objects = BusinessQuerySet["AccessWindow"].as_manager()

    class Meta:
        verbose_name = _("access window")
        verbose_name_plural = _("access windows")
        ordering = ["weekday", "opens"]
        constraints = [
            models.CheckConstraint(condition=models.Q(weekday__lte=6), name="access_weekday_is_0_to_6"),
            models.CheckConstraint(
                condition=models.Q(closes__gt=models.F("opens")), name="access_window_closes_after_it_opens"
            ),
            models.UniqueConstraint(fields=["farm", "weekday", "opens"], name="access_window_opens_once_at_an_hour"),
        ]

    def __str__(self) -> str:
        return f"{self.get_weekday_display()} {self.opens:%H:%M}-{self.closes:%H:%M}"


class Contact(OwnedModel):
    """Somebody to call or write to at a farm."""

    business_path = "farm__client__business"
    client_path = "farm__client"

    farm = models.ForeignKey(Farm, models.CASCADE, related_name="contacts")
    name = models.CharField(_("name"), max_length=120)
    phone = models.CharField(_("phone"), max_length=40, blank=True)
    email = models.EmailField(_("e-mail"), blank=True)
    job = models.CharField(_("job at the farm"), max_length=80, blank=True)
    told_of_visits = models.BooleanField(_("told of visits by e-mail"), default=True)

    objects = BusinessQuerySet["Contact"].as_manager()

    class Meta:
        verbose_name = _("contact")
        verbose_name_plural = _("contacts")
        ordering = ["pk"]

    def __str__(self) -> str:
        return self.name
