"""Whose row is it? Every query starts from the business."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, ClassVar, Self

from django.db import models

if TYPE_CHECKING:
    from trimmer.access import Seat
    from trimmer.models.accounts import Business


class BusinessQuerySet[M: models.Model](models.QuerySet[M]):
    """Rows of a model that says how to reach its business (`business_path`) and, where a farm's people may see it,
    its client (`client_path`)."""

    def of(self, business: Business) -> Self:
        """Rows of one business."""
        return self.filter(**{self._path("business_path"): business})

    def seen_by(self, seat: Seat) -> Self:
        """Rows a person may see from where they sit: a member the whole business, a farm's person one client's."""
        rows = self.of(seat.business)
        if seat.client is None:
            return rows
        if not (path := self._path("client_path")):
            return rows.none()
        return rows.filter(**{path: seat.client.pk})

    def _path(self, name: str) -> str:
        return str(getattr(self.model, name, ""))


class OwnedModel(models.Model):
    """A row that belongs to one business."""

    business_path: ClassVar[str] = "business"
    client_path: ClassVar[str] = ""

    class Meta:
        abstract = True


class ArchivableQuerySet[M: models.Model](BusinessQuerySet[M]):
    """Rows that are archived, not deleted."""

    def current(self) -> Self:
        """Rows that are not archived."""
        return self.filter(archived_at__isnull=True)


class Archivable(models.Model):
    """Kept for its records and invoices, but no longer worked with."""

    archived_at = models.DateTimeField(null=True, blank=True, editable=False)

    class Meta:
        abstract = True


def choices_hold(field: str, choices: type[models.TextChoices] | type[models.IntegerChoices]) -> Any:
    """A condition for a check constraint: `field` holds one of `choices`."""
    return models.Q(**{f"{field}__in": list(choices.values)})
