"""Visits: one coming of one crew to one farm on one date. A visit exists from the moment it is booked."""

from __future__ import annotations

import datetime as dt
from typing import ClassVar, Final, Self

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models.accounts import Crew, User
from trimmer.models.animals import Animal
from trimmer.models.clients import Farm
from trimmer.models.requests import HeadKind, VisitRequest
from trimmer.models.scope import BusinessQuerySet, OwnedModel, choices_hold

QUARTER: Final = 15  # minutes: closer than this no farm is told how long the work takes


class VisitState(models.TextChoices):
    BOOKED = "booked", _("booked")
    UNDER_WAY = "under_way", _("under way")
    DONE = "done", _("done")
    CANCELLED = "cancelled", _("cancelled")


class VisitQuerySet(BusinessQuerySet["Visit"]):
    def standing(self) -> Self:
        """Visits that take place or took place: all but the cancelled."""
        return self.exclude(state=VisitState.CANCELLED)

    def to_come(self) -> Self:
        """Booked and not yet begun."""
        return self.filter(state=VisitState.BOOKED)

    def done(self) -> Self:
        return self.filter(state=VisitState.DONE)


class Visit(OwnedModel):
    """One coming of one crew to one farm on one date."""

    business_path: ClassVar[str] = "farm__client__business"
    client_path: ClassVar[str] = "farm__client"

    farm = models.ForeignKey(Farm, models.PROTECT, related_name="visits", verbose_name=_("farm"))
    crew = models.ForeignKey(Crew, models.PROTECT, related_name="visits", verbose_name=_("crew"))
    date = models.DateField(_("date"))
    position = models.PositiveSmallIntegerField(_("place in the round"), default=0)
    state = models.CharField(_("state"), max_length=10, choices=VisitState.choices, default=VisitState.BOOKED)
    requests = models.ManyToManyField(VisitRequest, related_name="visits", blank=True, verbose_name=_("requests"))
    planned_start = models.DateTimeField(_("planned start"), null=True, blank=True)
    planned_end = models.DateTimeField(_("planned end"), null=True, blank=True)
    told_from = models.DateTimeField(_("told: from"), null=True, blank=True)
    told_to = models.DateTimeField(_("told: to"), null=True, blank=True)
    told_at = models.DateTimeField(_("told at"), null=True, blank=True)
    times_told = models.PositiveIntegerField(_("times told"), default=0, editable=False)
    drive_minutes_planned = models.PositiveIntegerField(_("planned drive (minutes)"), null=True, blank=True)
    distance_planned_m = models.PositiveIntegerField(_("planned distance (m)"), null=True, blank=True)
    distance_alone_m = models.PositiveIntegerField(
        _("distance for this farm alone (m)"),
        null=True,
        blank=True,
        help_text=_("From the base and back, if nothing else lay on the way: for sharing a round's travel."),
    )
    distance_driven_m = models.PositiveIntegerField(_("driven distance (m)"), null=True, blank=True)
    arrived_at = models.DateTimeField(_("arrived"), null=True, blank=True)
    first_head_at = models.DateTimeField(_("first head in"), null=True, blank=True)
    last_head_at = models.DateTimeField(_("last head out"), null=True, blank=True)
    left_at = models.DateTimeField(_("left"), null=True, blank=True)
    cancelled_at = models.DateTimeField(_("cancelled at"), null=True, blank=True)
    cancel_reason = models.CharField(_("why cancelled"), max_length=300, blank=True)
    locked_at = models.DateTimeField(
        _("locked at"), null=True, blank=True, editable=False, help_text=_("Billed: its records stand as they are.")
    )
    billed_elsewhere = models.BooleanField(
        _("billed elsewhere"),
        default=False,
        help_text=_("Billed before it was known here: it does not wait for a bill."),
    )
    note = models.TextField(_("note"), blank=True)
    booked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = VisitQuerySet.as_manager()

    class Meta:
        verbose_name = _("visit")
        verbose_name_plural = _("visits")
        ordering = ["date", "crew", "position", "pk"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("state", VisitState), name="visit_state_is_known"),
            models.UniqueConstraint(
                fields=["farm", "crew", "date"],
                condition=~models.Q(state="cancelled"),
                name="crew_comes_to_a_farm_once_a_day",
            ),
            models.CheckConstraint(
                condition=models.Q(state="cancelled", cancelled_at__isnull=False)
                | (~models.Q(state="cancelled") & models.Q(cancelled_at__isnull=True)),
                name="visit_is_cancelled_at_a_time",
            ),
            models.CheckConstraint(
                condition=models.Q(planned_end__isnull=True) | models.Q(planned_end__gte=models.F("planned_start")),
                name="visit_is_planned_to_end_after_it_starts",
            ),
            models.CheckConstraint(
                condition=models.Q(told_to__isnull=True) | models.Q(told_to__gte=models.F("told_from")),
                name="told_hours_end_after_they_begin",
            ),
            models.CheckConstraint(
                condition=models.Q(first_head_at__isnull=True)
                | models.Q(arrived_at__isnull=True)
                | models.Q(first_head_at__gte=models.F("arrived_at")),
                name="first_head_is_in_after_arrival",
            ),
            models.CheckConstraint(
                condition=models.Q(last_head_at__isnull=True)
                | models.Q(first_head_at__isnull=True)
                | models.Q(last_head_at__gte=models.F("first_head_at")),
                name="last_head_is_out_after_first_is_in",
            ),
            models.CheckConstraint(
                condition=models.Q(left_at__isnull=True)
                | models.Q(last_head_at__isnull=True)
                | models.Q(left_at__gte=models.F("last_head_at")),
                name="crew_leaves_after_last_head_is_out",
            ),
        ]
        indexes = [models.Index(fields=["date", "crew"]), models.Index(fields=["farm", "state"])]

    def __str__(self) -> str:
        return f"{self.farm}, {self.date}"

    @property
    def work_minutes_told(self) -> int | None:
        """How long the work takes, in whole quarters of an hour, where the hours told are those of the arrival."""
        if not (self.told_to and self.planned_start and self.planned_end) or self.told_to >= self.planned_end:
            return None
        minutes = (self.planned_end - self.planned_start) // dt.timedelta(minutes=1)
        return -(-minutes // QUARTER) * QUARTER


class VisitHead(OwnedModel):
    """Head of a kind on a visit: how many were planned. How many were done is counted from the records."""

    business_path: ClassVar[str] = "visit__farm__client__business"
    client_path: ClassVar[str] = "visit__farm__client"

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="head")
    kind = models.CharField(_("kind"), max_length=8, choices=HeadKind.choices)
    planned = models.PositiveIntegerField(_("planned"), default=0)
    done = models.PositiveIntegerField(_("done"), default=0)

    objects = BusinessQuerySet["VisitHead"].as_manager()

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["visit", "kind"], name="visit_counts_a_kind_once")]

    def __str__(self) -> str:
        return f"{self.planned} x {self.get_kind_display()}"


class ListReason(models.TextChoices):
    RECHECK = "recheck", _("recheck due")
    LAME = "lame", _("named lame")
    CALVING = "calving", _("after calving")
    DRY_OFF = "dry_off", _("before dry-off")
    PICKED = "picked", _("farm's pick")


class TrimListEntry(OwnedModel):
    """An animal to be brought to the chute on a visit, and why."""

    business_path: ClassVar[str] = "visit__farm__client__business"
    client_path: ClassVar[str] = "visit__farm__client"

    visit = models.ForeignKey(Visit, models.CASCADE, related_name="trim_list")
    animal = models.ForeignKey(Animal, models.CASCADE, null=True, blank=True, related_name="trim_list_entries")
    number = models.CharField(_("number"), max_length=20)
    reason = models.CharField(_("why"), max_length=8, choices=ListReason.choices)
    note = models.CharField(_("note"), max_length=200, blank=True)
    picked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["TrimListEntry"].as_manager()

    class Meta:
        verbose_name = _("trim list entry")
        verbose_name_plural = _("trim list")
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(fields=["visit", "number", "reason"], name="animal_is_listed_once_for_a_reason")
        ]

    def __str__(self) -> str:
        return f"{self.number} ({self.get_reason_display()})"
