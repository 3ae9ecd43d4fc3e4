"""The API about clients."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer.access import MEMBERS, OFFICE, OWNER
from trimmer.api.rows import SeenRows
from trimmer.models import Client
from trimmer.services.clients import add_client, archive_client, restore_client, update_client

FIELDS = [
    "number",
    "name",
    "street",
    "postcode",
    "city",
    "region",
    "country",
    "email",
    "phone",
    "tax_id",
    "payment_days",
    "on_hold",
    "note",
]


class ClientSerializer(serializers.ModelSerializer[Client]):
    """Who pays."""

    class Meta:
        model = Client
        fields = ["id", *FIELDS, "archived_at"]
        read_only_fields = fields


class ClientValuesSerializer(serializers.ModelSerializer[Client]):
    """What is said of a client. Without a number, or with an empty one, it gets the next."""

    class Meta:
        model = Client
        fields = FIELDS
        extra_kwargs = {
            "number": {"required": False, "allow_blank": True},
            "payment_days": {"max_value": 365},
        }


class ClientFilter(django_filters.FilterSet):
    archived = django_filters.BooleanFilter(field_name="archived_at", lookup_expr="isnull", exclude=True)
    name = django_filters.CharFilter(lookup_expr="icontains")

    class Meta:
        model = Client
        fields = ["number", "on_hold"]


class ClientViewSet(SeenRows[Client]):
    """Clients by name. One is archived, never deleted."""

    who = {
        "list": MEMBERS,
        "retrieve": MEMBERS,
        "create": frozenset({OWNER, OFFICE}),
        "partial_update": frozenset({OWNER, OFFICE}),
        "archive": frozenset({OWNER, OFFICE}),
        "restore": frozenset({OWNER, OFFICE}),
    }
    queryset = Client.objects.all()
    serializer_class = ClientSerializer
    filterset_class = ClientFilter

    def rows(self) -> QuerySet[Client]:
        return Client.objects.seen_by(self.seat).select_related("business").order_by("name", "pk")

    @extend_schema(request=ClientValuesSerializer, responses={201: ClientSerializer})
    def create(self, request: Request) -> Response:
        """A new client."""
        form = ClientValuesSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        client = add_client(business=self.seat.business, **form.validated_data)
        return Response(self.shown(client), status=HTTPStatus.CREATED)

    @extend_schema(request=ClientValuesSerializer, responses=ClientSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change what is named; the rest stays."""
        client = self.get_object()
        form = ClientValuesSerializer(data=request.data, partial=True)
        form.is_valid(raise_exception=True)
        return Response(self.shown(update_client(client=client, **form.validated_data)))

    @extend_schema(request=None, responses=ClientSerializer)
    @action(detail=True, methods=["post"])
    def archive(self, request: Request, pk: str) -> Response:
        """Put a client and its farms away."""
        return Response(self.shown(archive_client(client=self.get_object(), now=timezone.now())))

    @extend_schema(request=None, responses=ClientSerializer)
    @action(detail=True, methods=["post"])
    def restore(self, request: Request, pk: str) -> Response:
        """Bring a client back, with the farms archived together with it."""
        return Response(self.shown(restore_client(client=self.get_object())))


router = SimpleRouter(trailing_slash=False)
router.register("clients", ClientViewSet, basename="api-client")

urlpatterns: list[Any] = router.urls
