"""The API about farms, with their access hours and contacts."""

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

from trimmer.access import MEMBERS, SEATED
from trimmer.api.own import OwnKey
from trimmer.api.rows import SeenRows
from trimmer.models import AccessWindow, Client, Contact, Farm
from trimmer.queries.farms import farm_with_hours
from trimmer.services.farms import add_farm, archive_farm, restore_farm, update_farm

FIELDS = [
    "name",
    "street",
    "postcode",
    "city",
    "region",
    "country",
    "latitude",
    "longitude",
    "gate_latitude",
    "gate_longitude",
    "barn",
    "milking",
    "dry",
    "heifers",
    "health_tier",
    "days_that_suit",
    "lock_up_hours",
    "chute_kind_needed",
    "handling_notes",
    "access_notes",
    "visit_interval_weeks",
    "access_windows",
    "contacts",
]
FOR_THE_BUSINESS = ("health_tier", "handling_notes", "access_notes")
"""What a farm's own people do not read: null in their answers."""


class AccessWindowSerializer(serializers.ModelSerializer[AccessWindow]):
    """Hours (local clock) of a weekday, 0 = Monday, in which a crew may work at the farm."""

    class Meta:
        model = AccessWindow
        fields = ["weekday", "opens", "closes"]


class ContactSerializer(serializers.ModelSerializer[Contact]):
    """Somebody to call or write to."""

    class Meta:
        model = Contact
        fields = ["name", "phone", "email", "job", "told_of_visits"]


class FarmSerializer(serializers.ModelSerializer[Farm]):
    """Where the cows are. `health_tier` and both notes are the business's: null for a farm's own people."""

    health_tier = serializers.IntegerField(allow_null=True)
    handling_notes = serializers.CharField(allow_null=True)
    access_notes = serializers.CharField(allow_null=True)
    days_that_suit = serializers.ListField(child=serializers.IntegerField())
    herd = serializers.IntegerField(help_text="All head: milking, dry and heifers.")
    access_windows = AccessWindowSerializer(many=True)
    contacts = ContactSerializer(many=True)

    class Meta:
        model = Farm
        fields = ["id", "client", *FIELDS, "herd", "archived_at"]
        read_only_fields = fields

    def to_representation(self, instance: Farm) -> dict[str, Any]:
        shown = super().to_representation(instance)
        if not self.context["view"].seat.is_member:
            shown |= dict.fromkeys(FOR_THE_BUSINESS)
        return shown


class FarmValuesSerializer(serializers.ModelSerializer[Farm]):
    """What is said of a farm. Access windows and contacts replace what was there."""

    client = OwnKey(Client, current=True)
    days_that_suit = serializers.ListField(
        child=serializers.IntegerField(), required=False, help_text="0 = Monday to 6 = Sunday."
    )
    access_windows = AccessWindowSerializer(many=True, required=False)
    contacts = ContactSerializer(many=True, required=False)

    class Meta:
        model = Farm
        fields = ["client", *FIELDS]
        validators: list[Any] = []  # the service says which client has a farm of this name


class FarmFilter(django_filters.FilterSet):
    archived = django_filters.BooleanFilter(field_name="archived_at", lookup_expr="isnull", exclude=True)
    name = django_filters.CharFilter(lookup_expr="icontains")
    standing = django_filters.BooleanFilter(field_name="visit_interval_weeks", lookup_expr="isnull", exclude=True)

    class Meta:
        model = Farm
        fields = ["client"]


class FarmViewSet(SeenRows[Farm]):
    """Farms by name; a farm's own people see theirs. One is archived, never deleted."""

    who = {
        "list": SEATED,
        "retrieve": SEATED,
        "create": MEMBERS,
        "partial_update": MEMBERS,
        "archive": MEMBERS,
        "restore": MEMBERS,
    }
    queryset = Farm.objects.all()
    serializer_class = FarmSerializer
    filterset_class = FarmFilter

    def rows(self) -> QuerySet[Farm]:
        return farm_with_hours(self.seat).order_by("name", "pk")

    @extend_schema(request=FarmValuesSerializer, responses={201: FarmSerializer})
    def create(self, request: Request) -> Response:
        """A new farm of a client."""
        form = FarmValuesSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        return Response(self.shown(add_farm(**form.validated_data)), status=HTTPStatus.CREATED)

    @extend_schema(request=FarmValuesSerializer, responses=FarmSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change what is named; the rest stays."""
        farm = self.get_object()
        form = FarmValuesSerializer(data=request.data, partial=True, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        return Response(self.shown(update_farm(farm=farm, **form.validated_data)))

    @extend_schema(request=None, responses=FarmSerializer)
    @action(detail=True, methods=["post"])
    def archive(self, request: Request, pk: str) -> Response:
        """Put a farm away."""
        return Response(self.shown(archive_farm(farm=self.get_object(), now=timezone.now())))

    @extend_schema(request=None, responses=FarmSerializer)
    @action(detail=True, methods=["post"])
    def restore(self, request: Request, pk: str) -> Response:
        """Bring a farm back."""
        return Response(self.shown(restore_farm(farm=self.get_object())))


router = SimpleRouter(trailing_slash=False)
router.register("farms", FarmViewSet, basename="api-farm")

urlpatterns: list[Any] = router.urls
