"""Opinions about when: settings of the planner, a proposed week with its rounds and stops, and what did not fit."""

from __future__ import annotations

from decimal import Decimal
from typing import ClassVar

from django.core.validators import MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling import outlook_models, pace_models, road_models  # noqa: F401  (so that Django finds them)
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
    regroup_minutes = models.PositiveSmallIntegerField(
        _("penning the next group when lock-up runs out (minutes)"), default=0
    )
    most_head = models.PositiveSmallIntegerField(
        _("most head a crew treats in a day"), null=True, blank=True, validators=[MinValueValidator(1)]
    )
    two_crews_from_head = models.PositiveSmallIntegerField(
        _("head of a herd from which two crews may come on one day"),
        null=True,
        blank=True,
        validators=[MinValueValidator(2)],
    )
    most_drive_share = models.DecimalField(
        _("most driving for an hour of work (hours)"),
        max_digits=4,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(Decimal("0.01"))],
        help_text=_("A round with more driving is not made unless something in it is due or booked. Empty: any."),
    )
    bed_cost = models.DecimalField(
        _("cost of a crew's night away"),
        max_digits=8,
        decimal_places=2,
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text=_("Empty: crews sleep at base. Otherwise they may stay near far farms where that is cheaper."),
    )
    night_from_minutes = models.PositiveSmallIntegerField(
        _("drive from base from which a night away is thought of (minutes)"), default=60
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


class WeekKind(models.TextChoices):
    PLAN = "plan", _("a plan beside what is booked")
    REPLAN = "replan", _("the booked week planned anew")


class ProposedWeek(OwnedModel):
    """A week as the planner would have it, and as people changed it since. Facts only come of it when it is confirmed.

    `ground` is what the planner knew (scheduling.services.ground); `held` what the solving had to keep (pins, visits
    taken out), under which alone `bound` holds. `version` grows with every change, so that of two people who change
    the same proposal the second is told. `step` is the number of the step shown; later ones can be done again.
    """

    business = models.ForeignKey(Business, models.CASCADE, related_name="proposed_weeks")
    monday = models.DateField(_("week of"))
    state = models.CharField(_("state"), max_length=10, choices=WeekState.choices, default=WeekState.PLANNING)
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="proposed_week")
    cost = models.DecimalField(_("cost"), max_digits=12, decimal_places=2, null=True, blank=True)
    bound = models.DecimalField(_("no plan costs less than"), max_digits=12, decimal_places=2, null=True, blank=True)
    travel_source = models.CharField(_("how drives were reckoned"), max_length=200, blank=True)
    kind = models.CharField(_("kind"), max_length=6, choices=WeekKind.choices, default=WeekKind.PLAN)
    version = models.PositiveIntegerField(_("version"), default=1)
    step = models.PositiveIntegerField(_("step shown"), default=0)
    ground = models.JSONField(_("what the planner knew"), default=dict)
    held = models.JSONField(_("what the planner had to keep"), default=dict)
    parts = models.JSONField(_("parts of the cost"), default=dict)
    events = models.JSONField(_("what happened"), default=list)
    follows = models.ForeignKey(
        "self", models.SET_NULL, null=True, blank=True, related_name="+", verbose_name=_("the proposal before")
    )
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
            models.CheckConstraint(condition=choices_hold("kind", WeekKind), name="week_kind_is_known"),
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
    sleeps_near = models.ForeignKey(
        Farm,
        models.SET_NULL,
        null=True,
        blank=True,
        related_name="+",
        verbose_name=_("night away near"),
        help_text=_("The crew sleeps near this farm and starts from there the next day."),
    )
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


class Pin(models.TextChoices):
    DAY = "day", _("crew and day")
    HOUR = "hour", _("crew, day and hour")


class ProposedStop(OwnedModel):
    """A visit as proposed, or a booked visit that stays where it is."""

    business_path: ClassVar[str] = "round__week__business"

    round = models.ForeignKey(ProposedRound, models.CASCADE, related_name="stops")
    position = models.PositiveSmallIntegerField(_("place in the round"))
    key = models.CharField(_("the planner's name of the job"), max_length=60, blank=True)
    pin = models.CharField(_("pinned to"), max_length=4, choices=Pin.choices, blank=True)
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
            models.CheckConstraint(condition=models.Q(pin="") | choices_hold("pin", Pin), name="pin_is_known"),
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
    key = models.CharField(_("the planner's name of the job"), max_length=60, blank=True)
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


class StepKind(models.TextChoices):
    PROPOSED = "proposed", _("proposed")
    MOVED = "moved", _("moved")
    TAKEN_OUT = "taken_out", _("taken out")
    PUT_IN = "put_in", _("put in")
    PINNED = "pinned", _("pinned")
    UNPINNED = "unpinned", _("pin taken off")
    REARRANGED = "rearranged", _("arranged anew around a visit")


class WeekStep(OwnedModel):
    """One change to a proposal, with all of the proposal as it was afterwards: what undoing and doing again go by."""

    business_path: ClassVar[str] = "week__business"

    week = models.ForeignKey(ProposedWeek, models.CASCADE, related_name="steps")
    number = models.PositiveIntegerField(_("number"))
    kind = models.CharField(_("what"), max_length=10, choices=StepKind.choices)
    farm = models.ForeignKey(Farm, models.CASCADE, null=True, blank=True, related_name="+")
    details = models.JSONField(_("details"), default=dict)
    arrangement = models.JSONField(_("the proposal afterwards"), default=dict)
    cost = models.DecimalField(_("cost"), max_digits=12, decimal_places=2, null=True, blank=True)
    made_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    made_at = models.DateTimeField(_("made"))

    objects = BusinessQuerySet["WeekStep"].as_manager()

    class Meta:
        verbose_name = _("step")
        verbose_name_plural = _("steps")
        ordering = ["week", "number"]
        constraints = [
            models.UniqueConstraint(fields=["week", "number"], name="step_of_a_week_is_taken_once"),
            models.CheckConstraint(condition=choices_hold("kind", StepKind), name="step_kind_is_known"),
        ]

    def __str__(self) -> str:
        return f"{self.week} {self.number}: {self.kind}"


class WeekQuestion(OwnedModel):
    """A question about a proposal that a worker answers by solving again: why not that day, what an hour is worth."""

    class Kind(models.TextChoices):
        WHY_NOT = "why_not", _("why not that day")
        WORTH = "worth", _("what one more hour is worth")

    business_path: ClassVar[str] = "week__business"

    week = models.ForeignKey(ProposedWeek, models.CASCADE, related_name="questions")
    kind = models.CharField(_("kind"), max_length=8, choices=Kind.choices)
    about = models.JSONField(_("about"), default=dict)
    version = models.PositiveIntegerField(_("version of the proposal"))
    job = models.OneToOneField(Job, models.SET_NULL, null=True, blank=True, related_name="+")
    answer = models.JSONField(_("answer"), default=dict)
    asked_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")
    asked_at = models.DateTimeField(_("asked"))

    objects = BusinessQuerySet["WeekQuestion"].as_manager()

    class Meta:
        verbose_name = _("question about a week")
        verbose_name_plural = _("questions about a week")
        ordering = ["-asked_at", "-pk"]

    def __str__(self) -> str:
        return f"{self.week}: {self.kind}"
