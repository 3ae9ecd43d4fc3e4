"""Animals: one head each."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models.clients import Farm
from trimmer.models.scope import Archivable, ArchivableQuerySet, OwnedModel


class AnimalClass(models.TextChoices):
    COW = "cow", _("milking cow")
    DRY = "dry", _("dry cow")
    HEIFER = "heifer", _("heifer")
    BULL = "bull", _("bull")


class Animal(OwnedModel, Archivable):
    """One head of a herd."""

    business_path: ClassVar[str] = "farm__client__business"
    client_path: ClassVar[str] = "farm__client"

    farm = models.ForeignKey(Farm, models.PROTECT, related_name="animals", verbose_name=_("farm"))
    number = models.CharField(_("farm's own number"), max_length=20)
    official_tag = models.CharField(_("official tag"), max_length=24, blank=True)
    transponder = models.CharField(_("transponder (ISO 11784)"), max_length=24, blank=True)
    animal_class = models.CharField(_("class"), max_length=8, choices=AnimalClass.choices, default=AnimalClass.COW)
    group = models.CharField(_("group or pen"), max_length=40, blank=True)
    born_on = models.DateField(_("born"), null=True, blank=True)
    calved_on = models.DateField(_("last calved"), null=True, blank=True)
    calving_due_on = models.DateField(_("expected calving"), null=True, blank=True)
    dry_off_on = models.DateField(_("planned dry-off"), null=True, blank=True)
    note = models.CharField(_("note"), max_length=300, blank=True)

    objects = ArchivableQuerySet["Animal"].as_manager()

    class Meta:
        verbose_name = _("animal")
        verbose_name_plural = _("animals")
        ordering = ["farm", "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["farm", "number"],
                condition=models.Q(archived_at__isnull=True),
                name="farm_number_is_used_by_one_current_animal",
            )
        ]
        indexes = [models.Index(fields=["farm", "group"])]

    def __str__(self) -> str:
        return self.number
