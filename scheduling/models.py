"""Opinions about when: settings of the planner, a proposed week with its rounds and stops, and what did not fit."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling import road_models  # noqa: F401  (so that Django finds them)
from trimmer.models import (
    Business,
    BusinessQuerySet,
    Crew,
    Farm,
    Job,
    OwnedModel,
    User,
    Visit,
    VisitRequest,
    choices_hold,
)


class PlannerSettings(OwnedModel):
    """A business's own figures for planning. Minutes are common practice until the business's own are known: no
    published mean exists for minutes per head, set-up or wash-down."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="planner_settings")
    setup_minutes = models.PositiveSmallIntegerField(_("set-up and pack-up at a farm (minutes)"), default=55)
    cow_minutes = models.DecimalField(_("minutes a cow"), max_digits=4, decimal_places=1, default=Decimal("8"))
    heifer_minutes = models.DecimalField(_("minutes a heifer"), max_digits=4, decimal_places=1, default=Decimal("7"))
    bull_minutes = models.DecimalField(_("minutes a bull"), max_digits=4, decimal_places=1, default=Decimal("15"))
    lame_minutes = models.DecimalField(_("minutes a lame cow"), max_digits=4, decimal_places=1, default=Decimal("15"))
    recheck_minutes = models.DecimalField(_("minutes a recheck"), max_digits=4, decimal_places=1, default=Decimal("4"))
    wash_minutes = models.PositiveSmallIntegerField(_("wash-down (minutes)"), default=30)
    lunch_minutes = models.PositiveSmallIntegerField(_("lunch (minutes)"), default=30)
    told_window_minutes = models.PositiveSmallIntegerField(_("width of the hours told to a farm (minutes)"), default=60)
    crew_hour_cost = models.DecimalField(
        _("cost of a crew's hour"), max_digits=8, decimal_places=2, default=Decimal("60")
    )
    km_cost = models.DecimalField(_("cost of a kilometre"), max_digits=6, decimal_places=2, default=Decimal("0.60"))
    late_day_cost = models.DecimalField(_("cost of a day late"), max_digits=8, decimal_places=2, default=Decimal("40"))
    skip_head_cost = models.DecimalField(
        _("cost of leaving one head for another week"), max_digits=8, decimal_places=2, default=Decimal("8")
    )
    seconds = models.PositiveSmallIntegerField(_("seconds to plan a week"), default=10)

    objects = BusinessQuerySet["PlannerSettings"].as_manager()

    class Meta:
        verbose_name = _("planner settings")
        verbose_name_plural = _("planner settings")
        constraints = [
            models.CheckConstraint(condition=models.Q(seconds__range=(1, 120)), name="planning_takes_1_to_120_seconds")
        ]

    def __str__(self) -> str:
        return str(self.business)


class WeekState(models.TextChoices):
    PLANNING = "planning", _("being planned")
    PROPOSED = "proposed", _("proposed")
    CONFIRMED = "confirmed", _("confirmed")
    DROPPED = "dropped", _("dropped")
    FAILED = "failed", _("failed")


class ProposedWeek(OwnedModel):
    """A week as the planner would have it. Facts only come of it when it is confirmed."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="proposed_weeks")
    monday = models.DateField(_("week of"))
    state = models.CharField(_("state"), max_length=10, choices=WeekState.choices, default=WeekState.PLANNING)
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="proposed_week")
    cost = models.DecimalField(_("cost"), max_digits=12, decimal_places=2, null=True, blank=True)
    bound = models.DecimalField(_("no plan costs less than"), max_digits=12, decimal_places=2, null=True, blank=True)
    travel_source = models.CharField(_("how drives were reckoned"), max_length=200, blank=True)
    asked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    asked_at = models.DateTimeField(_("asked"))
    confirmed_at = models.DateTimeField(_("confirmed at"), null=True, blank=True)

    objects = BusinessQuerySet["ProposedWeek"].as_manager()

    class Meta:
        verbose_name = _("proposed week")
        verbose_name_plural = _("proposed weeks")
        ordering = ["-monday", "-asked_at"]
        constraints = [
            models.CheckConstraint(condition=choices_hold("state", WeekState), name="week_state_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.monday}"


class ProposedRound(OwnedModel):
    """A crew's visits of one day, in order."""

    business_path: ClassVar[str] = "week__business"

    week = models.ForeignKey(ProposedWeek, models.CASCADE, related_name="rounds")
    crew = models.ForeignKey(Crew, models.CASCADE, related_name="+")
    date = models.DateField(_("date"))
    leave_at = models.DateTimeField(_("leaves base"))
    back_at = models.DateTimeField(_("back at base"))
    lunch_at = models.DateTimeField(_("lunch"), null=True, blank=True)
    drive_minutes = models.PositiveIntegerField(_("drive (minutes)"))
    distance_m = models.PositiveIntegerField(_("distance (m)"))
    back_drive_minutes = models.PositiveIntegerField(_("drive back (minutes)"), default=0)
    cost = models.DecimalField(_("cost"), max_digits=10, decimal_places=2, null=True, blank=True)

    objects = BusinessQuerySet["ProposedRound"].as_manager()

    class Meta:
        verbose_name = _("proposed round")
        verbose_name_plural = _("proposed rounds")
        ordering = ["date", "crew", "pk"]
        constraints = [
            models.UniqueConstraint(fields=["week", "crew", "date"], name="crew_has_one_proposed_round_a_day")
        ]

    def __str__(self) -> str:
        return f"{self.crew}, {self.date}"


class ProposedStop(OwnedModel):
    """A visit as proposed, or a booked visit that stays where it is."""

    business_path: ClassVar[str] = "round__week__business"

    round = models.ForeignKey(ProposedRound, models.CASCADE, related_name="stops")
    position = models.PositiveSmallIntegerField(_("place in the round"))
    farm = models.ForeignKey(Farm, models.CASCADE, related_name="+")
    requests = models.ManyToManyField(VisitRequest, related_name="+", blank=True)
    visit = models.ForeignKey(
        Visit,
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="+",
        help_text=_("The booked visit, once it is one."),
    )
    was_booked = models.BooleanField(_("was booked before"), default=False)
    reason = models.CharField(_("why"), max_length=40)
    head = models.JSONField(_("head by kind"), default=dict)
    start_at = models.DateTimeField(_("start"))
    end_at = models.DateTimeField(_("end"))
    drive_minutes = models.PositiveIntegerField(_("drive (minutes)"))
    distance_m = models.PositiveIntegerField(_("distance (m)"))
    wash_minutes = models.PositiveIntegerField(_("wash-down before (minutes)"), default=0)
    part = models.PositiveSmallIntegerField(_("part"), default=1)
    parts = models.PositiveSmallIntegerField(_("parts"), default=1)

    objects = BusinessQuerySet["ProposedStop"].as_manager()

    class Meta:
        verbose_name = _("proposed stop")
        verbose_name_plural = _("proposed stops")
        ordering = ["round", "position"]
        constraints = [
            models.UniqueConstraint(fields=["round", "position"], name="place_in_a_round_is_taken_once"),
            models.CheckConstraint(
                condition=models.Q(end_at__gt=models.F("start_at")), name="stop_ends_after_it_starts"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.farm}"


class LeftOut(OwnedModel):
    """A farm that did not fit into the week, and why."""

    business_path: ClassVar[str] = "week__business"

    week = models.ForeignKey(ProposedWeek, models.CASCADE, related_name="left_out")
    farm = models.ForeignKey(Farm, models.CASCADE, related_name="+")
    requests = models.ManyToManyField(VisitRequest, related_name="+", blank=True)
    head = models.JSONField(_("head by kind"), default=dict)
    reason = models.CharField(_("reason"), max_length=40)
    details = models.JSONField(_("details"), default=dict)

    objects = BusinessQuerySet["LeftOut"].as_manager()

    class Meta:
        verbose_name = _("left out")
        verbose_name_plural = _("left out")
        ordering = ["pk"]

    def __str__(self) -> str:
        return f"{self.farm}: {self.reason}"
