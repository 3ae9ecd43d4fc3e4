"""The API about the outlook."""

from __future__ import annotations

from typing import Any

from django.urls import URLPattern, path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers, viewsets
from rest_framework.request import Request
from rest_framework.response import Response

from scheduling.due_work import SOURCES, DueWeek
from scheduling.outlook_models import OutlookSettings
from scheduling.services.due_work import HerdNeed, keep_outlook_settings, outlook_of, outlook_settings_of
from scheduling.services.weeks import local_date
from trimmer.access import MEMBERS, OWNER, TRIMMER
from trimmer.api.access import SeatedView


class DueWeekSerializer(serializers.Serializer[DueWeek]):
    """Head and minutes by source (booked, asked, standing, animals, recheck, formula), and the minutes crews have."""

    monday = serializers.DateField()
    head = serializers.DictField(child=serializers.FloatField(), help_text=f"By source: {', '.join(SOURCES)}.")
    minutes = serializers.DictField(child=serializers.FloatField())
    visits = serializers.FloatField()
    total_head = serializers.FloatField()
    total_minutes = serializers.FloatField()
    capacity = serializers.FloatField(help_text="Minutes that crews have.")
    share = serializers.FloatField(allow_null=True, help_text="Of the minutes crews have; null where nobody goes out.")


class HerdNeedSerializer(serializers.Serializer[HerdNeed]):
    """Days of trimming a herd needs in a year by the published formula, those arranged, those of the past year."""

    farm = serializers.IntegerField(source="farm.pk")
    herd = serializers.IntegerField(source="farm.herd")
    needed = serializers.DecimalField(max_digits=8, decimal_places=2)
    arranged = serializers.DecimalField(max_digits=8, decimal_places=2, allow_null=True)
    done = serializers.IntegerField()


class OutlookSerializer(serializers.Serializer[Any]):
    weeks = DueWeekSerializer(many=True)
    herds = HerdNeedSerializer(many=True)
    pace_visits = serializers.IntegerField(help_text="Visits the minutes were learned from; 0: default minutes.")


class OutlookView(SeatedView, viewsets.ViewSet):
    """Half a year of work against what crews can do."""

    who = MEMBERS

    @extend_schema(responses=OutlookSerializer, operation_id="outlook_retrieve")
    def retrieve(self, request: Request) -> Response:
        business = self.seat.business
        seen = outlook_of(business=business, today=local_date(business, timezone.now()))
        return Response(OutlookSerializer(seen).data)


class OutlookSettingsSerializer(serializers.ModelSerializer[OutlookSettings]):
    class Meta:
        model = OutlookSettings
        exclude = ["id", "business"]


class OutlookSettingsView(SeatedView, viewsets.ViewSet):
    """What the outlook reckons with."""

    who = {"retrieve": MEMBERS, "partial_update": frozenset({OWNER, TRIMMER})}

    @extend_schema(responses=OutlookSettingsSerializer, operation_id="outlook_settings_retrieve")
    def retrieve(self, request: Request) -> Response:
        return Response(OutlookSettingsSerializer(outlook_settings_of(self.seat.business)).data)

    @extend_schema(
        request=OutlookSettingsSerializer, responses=OutlookSettingsSerializer, operation_id="outlook_settings_update"
    )
    def partial_update(self, request: Request) -> Response:
        shape = OutlookSettingsSerializer(data=request.data, partial=True)
        shape.is_valid(raise_exception=True)
        kept = keep_outlook_settings(business=self.seat.business, **shape.validated_data)
        return Response(OutlookSettingsSerializer(kept).data)


urlpatterns: list[URLPattern] = [
    path("outlook", OutlookView.as_view({"get": "retrieve"}), name="api-outlook"),
    path(
        "outlook-settings",
        OutlookSettingsView.as_view({"get": "retrieve", "patch": "partial_update"}),
        name="api-outlook-settings",
    ),
]
