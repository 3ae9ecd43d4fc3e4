"""The API about the audit trail."""

from __future__ import annotations

from typing import Any

import django_filters
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema_field
from rest_framework import mixins, serializers, viewsets
from rest_framework.routers import SimpleRouter

from billing.api.shared import BillsView, KeyFilter
from billing.models import Act, TrailEntry
from trimmer.access import OWNER


class TrailEntrySerializer(serializers.ModelSerializer[TrailEntry]):
    """One row was added, changed or removed. `hash` is the SHA-256 of the hash before it, a line feed and `body`."""

    through = serializers.SerializerMethodField(help_text="The page, operation or job.")
    before = serializers.SerializerMethodField(help_text="The row as it was.")
    after = serializers.SerializerMethodField(help_text="The row as it became.")

    class Meta:
        model = TrailEntry
        fields = [
            *("id", "position", "at", "by", "by_name", "through", "act", "thing", "key", "client", "invoice"),
            *("before", "after", "body", "hash"),
        ]
        read_only_fields = fields

    def get_through(self, entry: TrailEntry) -> str:
        return str(entry.told["through"])

    @extend_schema_field({"type": "object", "additionalProperties": True, "nullable": True})
    def get_before(self, entry: TrailEntry) -> Any:
        return entry.told["before"]

    @extend_schema_field({"type": "object", "additionalProperties": True, "nullable": True})
    def get_after(self, entry: TrailEntry) -> Any:
        return entry.told["after"]


class TrailFilter(django_filters.FilterSet):
    by = KeyFilter()
    key = KeyFilter()
    client = KeyFilter()
    invoice = KeyFilter()
    act = django_filters.ChoiceFilter(choices=Act.choices)
    thing = django_filters.CharFilter()
    since = django_filters.IsoDateTimeFilter(field_name="at", lookup_expr="gte")
    until = django_filters.IsoDateTimeFilter(field_name="at", lookup_expr="lt")


class TrailViewSet(BillsView, mixins.ListModelMixin, viewsets.GenericViewSet[TrailEntry]):
    """What was done to anything that touches money, the newest first."""

    who = {"list": frozenset({OWNER})}
    queryset = TrailEntry.objects.none()
    serializer_class = TrailEntrySerializer
    filterset_class = TrailFilter

    def get_queryset(self) -> QuerySet[TrailEntry]:
        if getattr(self, "swagger_fake_view", False):
            return TrailEntry.objects.none()
        return TrailEntry.objects.seen_by(self.seat).order_by("-pk")


_router = SimpleRouter(trailing_slash=False)
_router.register("audit-trail", TrailViewSet, basename="api-audit-trail")

urlpatterns = _router.urls
