"""Keys in a write: only of rows that the person may see, so that another business's key is as unknown as none."""

from __future__ import annotations

from typing import Any

from django.db.models import Model, QuerySet
from rest_framework import serializers


class OwnKey[M: Model](serializers.PrimaryKeyRelatedField[M]):
    """A key of a row of `model` that the seat of the request may see; with `current` not an archived one."""

    def __init__(self, model: type[M], *, current: bool = False, **options: Any) -> None:
        self.model = model
        self.current = current
        super().__init__(queryset=model._default_manager.none(), **options)

    def get_queryset(self) -> QuerySet[M]:
        rows = self.model.objects.seen_by(self.context["view"].seat)  # type: ignore[attr-defined]
        return rows.current() if self.current else rows  # type: ignore[no-any-return]
