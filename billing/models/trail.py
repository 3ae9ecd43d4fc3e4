"""The audit trail: what was done to anything that touches money. The database itself writes it (billing.trail)."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any, Self

from django.db import models
from django.utils.translation import gettext_lazy as _

from trimmer.models import Business, BusinessQuerySet, OwnedModel


class Act(models.TextChoices):
    ADDED = "added", _("added")
    CHANGED = "changed", _("changed")
    REMOVED = "removed", _("removed")


class TrailQuerySet(BusinessQuerySet["TrailEntry"]):
    def sealed(self) -> Self:
        """Links of the chain, in its order. PostgreSQL links an entry when its transaction goes through."""
        return self.filter(position__isnull=False).order_by("position")


class TrailEntry(OwnedModel):
    """One row of one table was added, changed or removed. Written by triggers, never changed, never taken away.

    `body` is the entry as it is hashed: `hash` is the SHA-256 of the hash before it, a line feed and the body. The
    columns repeat what the body says, to be searched by; the check compares them.
    """

    business = models.ForeignKey(Business, models.PROTECT, related_name="+")
    position = models.PositiveBigIntegerField(_("place in the chain"), null=True, editable=False)
    at = models.DateTimeField(_("when"))
    by = models.PositiveBigIntegerField(_("who"), null=True)
    by_name = models.CharField(_("who"), max_length=300)
    act = models.CharField(_("what was done"), max_length=7, choices=Act.choices)
    thing = models.CharField(_("to what"), max_length=63, help_text=_("The table."))
    key = models.PositiveBigIntegerField()
    client = models.PositiveBigIntegerField(null=True)
    invoice = models.PositiveBigIntegerField(null=True)
    body = models.TextField()
    hash = models.CharField(max_length=64)

    objects = TrailQuerySet.as_manager()

    class Meta:
        verbose_name = _("entry of the audit trail")
        verbose_name_plural = _("audit trail")
        ordering = ["-pk"]
        constraints = [models.UniqueConstraint(fields=["business", "position"], name="trail_has_one_entry_at_a_place")]
        indexes = [
            models.Index(fields=["business", "at"]),
            models.Index(fields=["business", "thing", "key"]),
        ]

    def __str__(self) -> str:
        return f"{self.thing} {self.key}"

    @property
    def told(self) -> dict[str, Any]:
        """The body as values."""
        return dict(json.loads(self.body))

    @property
    def told_at(self) -> dt.datetime:
        """When, as the body says."""
        return dt.datetime.fromisoformat(self.told["at"]).replace(tzinfo=dt.UTC)


class TrailHead(OwnedModel):
    """Where the chain of a business ends: held while an entry is linked, so that two writers never fork it."""

    business = models.OneToOneField(Business, models.PROTECT, related_name="+")
    position = models.PositiveBigIntegerField(default=0)
    hash = models.CharField(max_length=64, blank=True)

    objects = BusinessQuerySet["TrailHead"].as_manager()

    def __str__(self) -> str:
        return str(self.position)
