"""Lists of rows a seat may see, and single ones of them: what most viewsets begin with."""

from __future__ import annotations

from typing import Any

from django.db.models import Model, QuerySet
from rest_framework import mixins, viewsets

from trimmer.api.access import SeatedView


class SeenRows[M: Model](SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[M]):
    """A viewset that lists rows and shows one. `queryset` names the model; `rows` says which, in what order."""

    def rows(self) -> QuerySet[M]:
        """The rows this seat may see, in order."""
        raise NotImplementedError

    def get_queryset(self) -> QuerySet[M]:
        """None while the schema is drawn up: there is no seat then."""
        if getattr(self, "swagger_fake_view", False):
            return super().get_queryset().none()
        return self.rows()

    def shown(self, row: M) -> Any:
        """A row as it is shown, read anew."""
        return self.get_serializer_class()(self.rows().get(pk=row.pk), context=self.get_serializer_context()).data
