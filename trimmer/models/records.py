"""Records: what was found on an animal in the chute and what was done; and the rechecks that follow."""

from __future__ import annotations

import uuid
from typing import ClassVar, Self

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models.accounts import Business, User
from trimmer.models.animals import Animal
from trimmer.models.requests import HeadKind
from trimmer.models.scope import BusinessQuerySet, OwnedModel, choices_hold
from trimmer.models.visits import Visit


class Scale(models.TextChoices):
    """Published locomotion and mobility scales (trimmer.locomotion)."""

    SPRECHER = "sprecher_1_5", _("locomotion 1-5 (Sprecher 1997)")
    AHDB = "ahdb_0_3", _("mobility 0-3 (AHDB)")


class Foot(models.TextChoices):
    LF = "LF", _("left front")
    RF = "RF", _("right front")
    LH = "LH", _("left hind")
    RH = "RH", _("right hind")


class Claw(models.TextChoices):
    INNER = "inner", _("inner (medial)")
    OUTER = "outer", _("outer (lateral)")


class ChuteRecord(OwnedModel):
    """An animal in the chute on a visit. Its id is made by the phone that wrote it: sending it twice is harmless."""

    business_path: ClassVar[str] = "visit__farm__client__business"
    client_path: ClassVar[str] = "visit__farm__client"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    visit = models.ForeignKey(Visit, models.PROTECT, related_name="records")
    animal = models.ForeignKey(Animal, models.PROTECT, related_name="records")
    kind = models.CharField(_("kind of work"), max_length=8, choices=HeadKind.choices, default=HeadKind.COW)
    score = models.PositiveSmallIntegerField(_("locomotion score"), null=True, blank=True)
    scale = models.CharField(_("scale"), max_length=12, choices=Scale.choices, blank=True)
    feet_trimmed = models.JSONField(_("feet trimmed"), default=list, blank=True)
    minutes = models.DecimalField(_("minutes"), max_digits=5, decimal_places=1, null=True, blank=True)
    note = models.CharField(_("note"), max_length=300, blank=True)
    recorded_at = models.DateTimeField(_("recorded at"))
    recorded_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["ChuteRecord"].as_manager()

    class Meta:
        verbose_name = _("record")
        verbose_name_plural = _("records")
        ordering = ["recorded_at", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["visit", "animal"], name="animal_is_recorded_once_on_a_visit"),
            models.CheckConstraint(condition=choices_hold("kind", HeadKind), name="record_kind_is_known"),
            models.CheckConstraint(
                condition=models.Q(score__isnull=True, scale="")
                | models.Q(scale="sprecher_1_5", score__range=(1, 5))
                | models.Q(scale="ahdb_0_3", score__range=(0, 3)),
                name="score_lies_on_its_scale",
            ),
            models.CheckConstraint(
                condition=models.Q(minutes__isnull=True) | models.Q(minutes__gt=0), name="record_minutes_are_positive"
            ),
        ]
        indexes = [models.Index(fields=["animal", "recorded_at"])]

    def __str__(self) -> str:
        return f"{self.animal} {self.recorded_at:%Y-%m-%d}"

    @property
    def trimmed(self) -> bool:
        """At least one foot was trimmed."""
        return bool(self.feet_trimmed)


class Finding(OwnedModel):
    """A lesion found on a foot: ICAR code, claw and zone of the international foot map (0-12)."""

    business_path: ClassVar[str] = "record__visit__farm__client__business"
    client_path: ClassVar[str] = "record__visit__farm__client"

    record = models.ForeignKey(ChuteRecord, models.CASCADE, related_name="findings")
    foot = models.CharField(_("foot"), max_length=2, choices=Foot.choices)
    claw = models.CharField(_("claw"), max_length=5, choices=Claw.choices, blank=True)
    zone = models.PositiveSmallIntegerField(_("zone"), null=True, blank=True)
    lesion = models.CharField(_("lesion"), max_length=4)
    m_stage = models.CharField(_("M-stage"), max_length=4, blank=True)
    note = models.CharField(_("note"), max_length=200, blank=True)

    objects = BusinessQuerySet["Finding"].as_manager()

    class Meta:
        verbose_name = _("lesion found")
        verbose_name_plural = _("lesions found")
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("foot", Foot), name="finding_is_on_one_of_four_feet"),
            models.CheckConstraint(
                condition=models.Q(zone__isnull=True) | models.Q(zone__lte=12), name="zone_is_0_to_12"
            ),
            models.CheckConstraint(
                condition=models.Q(m_stage="") | models.Q(lesion="DD"), name="m_stage_belongs_to_digital_dermatitis"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.foot} {self.lesion}"


class TreatmentKind(models.TextChoices):
    """What was done beyond trimming."""

    LOOSE_HORN_REMOVED = "loose_horn_removed", _("loose horn removed")
    WALL_OPENED = "wall_opened", _("wall opened")
    BLOCK = "block", _("block")
    BLOCK_REMOVED = "block_removed", _("block removed")
    WRAP = "wrap", _("wrap")
    WRAP_REMOVED = "wrap_removed", _("wrap removed")
    TOPICAL = "topical", _("topical product")
    REFERRAL = "referral", _("referred to the veterinarian")


class BlockKind(models.TextChoices):
    WOOD = "wood", _("wood")
    FLEXIBLE = "flexible", _("rubber or foam, flexible")
    PLASTIC = "plastic", _("plastic shoe")


class Treatment(OwnedModel):
    """A treatment on a foot. Withholding is kept as the label or the veterinarian says; nothing here works it out."""

    business_path: ClassVar[str] = "record__visit__farm__client__business"
    client_path: ClassVar[str] = "record__visit__farm__client"

    record = models.ForeignKey(ChuteRecord, models.CASCADE, related_name="treatments")
    kind = models.CharField(_("treatment"), max_length=20, choices=TreatmentKind.choices)
    foot = models.CharField(_("foot"), max_length=2, choices=Foot.choices, blank=True)
    claw = models.CharField(_("claw"), max_length=5, choices=Claw.choices, blank=True)
    block_kind = models.CharField(_("block kind"), max_length=10, choices=BlockKind.choices, blank=True)
    product = models.CharField(_("product"), max_length=120, blank=True)
    batch = models.CharField(_("batch"), max_length=60, blank=True)
    milk_withhold_until = models.DateTimeField(_("milk withheld until"), null=True, blank=True)
    meat_withhold_until = models.DateTimeField(_("meat withheld until"), null=True, blank=True)
    note = models.CharField(_("note"), max_length=200, blank=True)

    objects = BusinessQuerySet["Treatment"].as_manager()

    class Meta:
        verbose_name = _("treatment")
        verbose_name_plural = _("treatments")
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("kind", TreatmentKind), name="treatment_kind_is_known"),
            models.CheckConstraint(
                condition=~models.Q(kind="block") | ~models.Q(foot="", claw=""), name="block_has_its_foot"
            ),
            models.CheckConstraint(
                condition=models.Q(block_kind="") | models.Q(kind="block"), name="block_kind_belongs_to_a_block"
            ),
        ]

    def __str__(self) -> str:
        return self.get_kind_display()


class RecheckRule(OwnedModel):
    """When an animal is to be seen again because of what was done. Defaults and sources: trimmer.rechecks."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="recheck_rules")
    trigger = models.CharField(_("because of"), max_length=40)
    what = models.CharField(_("what to do"), max_length=40)
    from_days = models.PositiveSmallIntegerField(_("from day"))
    by_days = models.PositiveSmallIntegerField(_("by day"))
    warn_days = models.PositiveSmallIntegerField(_("warn from day"), null=True, blank=True)
    active = models.BooleanField(_("in use"), default=True)

    objects = BusinessQuerySet["RecheckRule"].as_manager()

    class Meta:
        verbose_name = _("recheck rule")
        verbose_name_plural = _("recheck rules")
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(by_days__gte=models.F("from_days")), name="recheck_rule_ends_after_it_begins"
            ),
            models.UniqueConstraint(
                fields=["business", "trigger", "what"], name="recheck_rule_stands_once_for_a_trigger"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.trigger}: {self.what}"


class RecheckQuerySet(BusinessQuerySet["Recheck"]):
    def open(self) -> Self:
        """Rechecks still to be done: not closed, and the animal and its farm are still worked with."""
        return self.filter(
            closed_at__isnull=True, animal__archived_at__isnull=True, animal__farm__archived_at__isnull=True
        )


class Recheck(OwnedModel):
    """A look again at one animal, due between two dates because of what was done."""

    business_path: ClassVar[str] = "animal__farm__client__business"
    client_path: ClassVar[str] = "animal__farm__client"

    animal = models.ForeignKey(Animal, models.PROTECT, related_name="rechecks")
    raised_by = models.ForeignKey(ChuteRecord, models.CASCADE, null=True, blank=True, related_name="rechecks_raised")
    trigger = models.CharField(_("because of"), max_length=40)
    what = models.CharField(_("what to do"), max_length=40)
    feet = models.JSONField(_("feet"), default=list, blank=True)
    raised_on = models.DateField(_("raised on"), null=True, blank=True)
    due_from = models.DateField(_("due from"))
    due_by = models.DateField(_("due by"))
    warn_from = models.DateField(_("warn from"), null=True, blank=True)
    note = models.CharField(_("note"), max_length=200, blank=True)
    closed_at = models.DateTimeField(_("closed at"), null=True, blank=True)
    closed_by_record = models.ForeignKey(
        ChuteRecord, models.SET_NULL, null=True, blank=True, related_name="rechecks_closed"
    )
    closed_reason = models.CharField(_("why closed"), max_length=300, blank=True)
    closed_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = RecheckQuerySet.as_manager()

    class Meta:
        verbose_name = _("recheck")
        verbose_name_plural = _("rechecks")
        ordering = ["due_by", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(due_by__gte=models.F("due_from")), name="recheck_is_due_by_after_due_from"
            ),
            models.UniqueConstraint(fields=["raised_by", "trigger", "what"], name="record_raises_a_recheck_once"),
        ]
        indexes = [models.Index(fields=["closed_at", "due_by"])]

    def __str__(self) -> str:
        return f"{self.animal}: {self.what}, {self.due_by}"
