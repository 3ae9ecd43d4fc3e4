"""Roads: the extracts a business drives by, the data sets built of them, each crew's rig, and the stored ways."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, ClassVar

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.utils.translation import gettext_lazy as _

from scheduling.travel.rig import USUAL_RIG, Rig
from trimmer.models import Business, BusinessQuerySet, Crew, OwnedModel, User


class RoadExtract(OwnedModel):
    """An OpenStreetMap extract the business loaded. One is in use; earlier ones are remembered."""

    business = models.ForeignKey(Business, models.CASCADE, related_name="road_extracts")
    file_name = models.CharField(_("file"), max_length=200)
    checksum = models.CharField(_("SHA-256"), max_length=64)
    size_bytes = models.BigIntegerField(_("size (bytes)"))
    dated_at = models.DateTimeField(_("map data of"), null=True, blank=True)
    south = models.FloatField(_("south"))
    west = models.FloatField(_("west"))
    north = models.FloatField(_("north"))
    east = models.FloatField(_("east"))
    road_count = models.PositiveIntegerField(_("roads"))
    in_use = models.BooleanField(_("in use"), default=False)
    loaded_at = models.DateTimeField(_("loaded"))
    loaded_by = models.ForeignKey(User, models.SET_NULL, null=True, blank=True, related_name="+")

    objects = BusinessQuerySet["RoadExtract"].as_manager()

    class Meta:
        verbose_name = _("road extract")
        verbose_name_plural = _("road extracts")
        ordering = ["-loaded_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["business"], condition=models.Q(in_use=True), name="one_road_extract_is_in_use"
            ),
            models.UniqueConstraint(fields=["business", "checksum"], name="road_extract_is_kept_once"),
        ]

    def __str__(self) -> str:
        return self.file_name


class RoadSet(OwnedModel):
    """The roads of an extract as one rig drives them, built and ready in `folder`."""

    business_path: ClassVar[str] = "extract__business"

    extract = models.ForeignKey(RoadExtract, models.CASCADE, related_name="sets")
    rig_key = models.CharField(max_length=12)
    rig = models.JSONField(_("rig"), default=dict)
    folder = models.CharField(_("folder"), max_length=80)
    build_seconds = models.FloatField(_("built in (s)"))
    size_bytes = models.BigIntegerField(_("size (bytes)"))
    built_at = models.DateTimeField(_("built"))

    objects = BusinessQuerySet["RoadSet"].as_manager()

    class Meta:
        verbose_name = _("road data set")
        verbose_name_plural = _("road data sets")
        ordering = ["pk"]
        constraints = [models.UniqueConstraint(fields=["extract", "rig_key"], name="rig_has_one_road_set_an_extract")]

    def __str__(self) -> str:
        return self.folder


def _between(least: float, most: float) -> list[MinValueValidator | MaxValueValidator]:
    return [MinValueValidator(least), MaxValueValidator(most)]


class CrewRig(OwnedModel):
    """How a crew drives with its chute behind. Figures are common practice until the crew sets its own."""

    business_path: ClassVar[str] = "crew__business"

    crew = models.OneToOneField(Crew, models.CASCADE, related_name="rig")
    top_kmh = models.FloatField(
        _("fastest with the chute behind (km/h)"),
        default=USUAL_RIG.top_kmh,
        validators=_between(20, 130),
        help_text=_("What the law allows when towing differs from country to country: ask locally."),
    )
    yard_kmh = models.FloatField(
        _("in yards and on tracks (km/h)"), default=USUAL_RIG.yard_kmh, validators=_between(2, 30)
    )
    height_m = models.FloatField(_("height (m)"), default=USUAL_RIG.height_m, validators=_between(1, 6))
    width_m = models.FloatField(_("width (m)"), default=USUAL_RIG.width_m, validators=_between(1, 5))
    length_m = models.FloatField(
        _("length, vehicle and chute (m)"), default=USUAL_RIG.length_m, validators=_between(2, 30)
    )
    weight_kg = models.FloatField(
        _("weight, vehicle and chute (kg)"), default=USUAL_RIG.weight_kg, validators=_between(500, 44_000)
    )
    turn_seconds = models.FloatField(
        _("a sharp turn costs (seconds)"), default=USUAL_RIG.turn_seconds, validators=_between(0, 120)
    )
    gate_seconds = models.FloatField(
        _("a gate costs (seconds)"), default=USUAL_RIG.gate_seconds, validators=_between(0, 600)
    )

    FIGURES = (
        *("top_kmh", "yard_kmh", "height_m", "width_m", "length_m", "weight_kg"),
        *("turn_seconds", "gate_seconds"),
    )

    objects = BusinessQuerySet["CrewRig"].as_manager()

    class Meta:
        verbose_name = _("rig")
        verbose_name_plural = _("rigs")

    def __str__(self) -> str:
        return str(self.crew)

    def values(self) -> Rig:
        """The rig as the road profile takes it."""
        figures: dict[str, Any] = {name: float(getattr(self, name)) for name in self.FIGURES}
        return replace(USUAL_RIG, **figures)


class TravelSettings(OwnedModel):
    """A business's own figures for driving."""

    business = models.OneToOneField(Business, models.CASCADE, related_name="travel_settings")
    farthest_from_road_m = models.PositiveIntegerField(
        _("farthest a place may lie from a road (m)"),
        default=500,
        validators=_between(20, 20_000),
        help_text=_("A farm farther from any road needs its gate set on the map before it is planned by road."),
    )
    learns = models.BooleanField(
        _("learn from drives"), default=True, help_text=_("Where enough drives are recorded, plan by what they took.")
    )

    objects = BusinessQuerySet["TravelSettings"].as_manager()

    class Meta:
        verbose_name = _("driving settings")
        verbose_name_plural = _("driving settings")

    def __str__(self) -> str:
        return str(self.business)


class StoredTravel(OwnedModel):
    """The ways between a business's places by one source: square tables as bytes, in the order of `places`.

    A row for each way would be 90,000 rows for 300 places; the planner wants whole tables.
    """

    business = models.ForeignKey(Business, models.CASCADE, related_name="+")
    source = models.CharField(max_length=120)
    places = models.JSONField(default=list)
    seconds = models.BinaryField(editable=False)
    metres = models.BinaryField(editable=False)
    made = models.BinaryField(editable=False)
    version = models.PositiveIntegerField(default=1)
    stored_at = models.DateTimeField()

    objects = BusinessQuerySet["StoredTravel"].as_manager()

    class Meta:
        verbose_name = _("stored ways")
        verbose_name_plural = _("stored ways")
        constraints = [models.UniqueConstraint(fields=["business", "source"], name="ways_are_stored_once_a_source")]

    def __str__(self) -> str:
        return self.source
