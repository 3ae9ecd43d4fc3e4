"""Requests: a farm's wish for a visit."""

from __future__ import annotations

from typing import ClassVar, Self

from django.db import models
from django.utils.dates import WEEKDAYS_ABBR
from django.utils.translation import gettext_lazy as _

from trimmer.models.accounts import User
from trimmer.models.animals import Animal
from trimmer.models.clients import Farm
from trimmer.models.scope import BusinessQuerySet, OwnedModel, choices_hold


class HeadKind(models.TextChoices):
    """The kind of work an animal is brought for; work is counted and priced per head of a kind."""

    COW = "cow", _("cow, routine trim")
    HEIFER = "heifer", _("heifer")
    BULL = "bull", _("bull")
    LAME = "lame", _("lame cow")
    RECHECK = "recheck", _("recheck")


class Urgency(models.TextChoices):
    ROUTINE = "routine", _("routine")
    SOON = "soon", _("soon")
    URGENT = "urgent", _("urgent")


class RequestState(models.TextChoices):
    OPEN = "open", _("waiting")
    BOOKED = "booked", _("visit booked")
    DONE = "done", _("done")
    DECLINED = "declined", _("declined")
    WITHDRAWN = "withdrawn", _("withdrawn")


class AskedVia(models.TextChoices):
    FARM = "farm", _("by the farm")
    PHONE = "phone", _("by phone")


class VisitRequestQuerySet(BusinessQuerySet["VisitRequest"]):
    def waiting(self) -> Self:
        """Requests without a visit yet."""
        return self.filter(state=RequestState.OPEN)


class VisitRequest(OwnedModel):
    """A farm's wish for a visit, with head counts and days that suit."""

    business_path: ClassVar[str] = "farm__client__business"
    client_path: ClassVar[str] = "farm__client"

    farm = models.ForeignKey(Farm, models.PROTECT, related_name="requests", verbose_name=_("farm"))
    state = models.CharField(_("state"), max_length=10, choices=RequestState.choices, default=RequestState.OPEN)
    urgency = models.CharField(_("urgency"), max_length=8, choices=Urgency.choices, default=Urgency.ROUTINE)
    earliest_on = models.DateField(_("not before"), null=True, blank=True)
    due_on = models.DateField(_("no later than"), null=True, blank=True)
    weekdays = models.JSONField(
        _("days that suit"), default=list, blank=True, help_text=_("Empty: as the farm has it.")
    )
    note = models.TextField(_("note"), blank=True)
    asked_via = models.CharField(_("asked"), max_length=8, choices=AskedVia.choices, default=AskedVia.FARM)
    asked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    asked_at = models.DateTimeField(_("asked at"))
    answer = models.CharField(_("answer"), max_length=300, blank=True, help_text=_("Why it was declined or withdrawn."))

    objects = VisitRequestQuerySet.as_manager()

    class Meta:
        verbose_name = _("request")
        verbose_name_plural = _("requests")
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("state", RequestState), name="request_state_is_known"),
            models.CheckConstraint(
                condition=models.Q(earliest_on__isnull=True)
                | models.Q(due_on__isnull=True)
                | models.Q(due_on__gte=models.F("earliest_on")),
                name="request_is_not_due_before_its_earliest_day",
            ),
        ]
        indexes = [models.Index(fields=["farm", "state"])]

    def __str__(self) -> str:
        return f"{self.farm}, {self.asked_at:%Y-%m-%d}"

    @property
    def weekday_names(self) -> list[str]:
        """The weekdays that suit, in short; none for "as the farm has it"."""
        return [str(WEEKDAYS_ABBR[day]) for day in self.weekdays]


class RequestHead(OwnedModel):
    """How many head of a kind are asked for."""

    business_path: ClassVar[str] = "request__farm__client__business"
    client_path: ClassVar[str] = "request__farm__client"

    request = models.ForeignKey(VisitRequest, models.CASCADE, related_name="head")
    kind = models.CharField(_("kind"), max_length=8, choices=HeadKind.choices)
    count = models.PositiveIntegerField(_("head"))

    objects = BusinessQuerySet["RequestHead"].as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["request", "kind"], name="request_counts_a_kind_once"),
            models.CheckConstraint(condition=models.Q(count__gt=0), name="request_counts_at_least_one_head"),
        ]

    def __str__(self) -> str:
        return f"{self.count} x {self.get_kind_display()}"


class LameAnimal(OwnedModel):
    """A lame animal named in a request, with its score and the score's scale."""

    business_path: ClassVar[str] = "request__farm__client__business"
    client_path: ClassVar[str] = "request__farm__client"

    request = models.ForeignKey(VisitRequest, models.CASCADE, related_name="lame_animals")
    animal = models.ForeignKey(Animal, models.SET_NULL, null=True, blank=True, related_name="named_lame")
    number = models.CharField(_("number"), max_length=20)
    score = models.PositiveSmallIntegerField(_("score"), null=True, blank=True)
    scale = models.CharField(_("scale"), max_length=12, blank=True)
    note = models.CharField(_("note"), max_length=200, blank=True)

    objects = BusinessQuerySet["LameAnimal"].as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(score__isnull=True, scale="")
                | (models.Q(score__isnull=False) & ~models.Q(scale="")),
                name="lame_score_has_its_scale",
            )
        ]

    def __str__(self) -> str:
        return self.number
