"""The API about what was found in a herd."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from trimmer.access import SEATED
from trimmer.api.access import SeatedView
from trimmer.forms.herd_reports import PeriodForm, last_twelve_months
from trimmer.models import Farm
from trimmer.queries.herd_reports import herd_report_of


class IntervalSerializer(serializers.Serializer[Any]):
    low = serializers.FloatField()
    high = serializers.FloatField()


class RateSerializer(serializers.Serializer[Any]):
    """Head with it among all head seen; the share is 0 to 1, its interval holds 19 times in 20."""

    count = serializers.IntegerField()
    head = serializers.IntegerField()
    share = serializers.FloatField(allow_null=True)
    interval = IntervalSerializer(allow_null=True)


class LesionRowSerializer(serializers.Serializer[Any]):
    lesion = serializers.CharField(help_text="ICAR code; empty for any lesion.")
    now = RateSerializer()
    before = RateSerializer(help_text="In the period of the same length before.")
    change = serializers.ChoiceField(choices=["more", "fewer", "unsure"], allow_null=True)


class MonthSerializer(serializers.Serializer[Any]):
    first = serializers.DateField()
    any_lesion = RateSerializer()


class KeptSerializer(serializers.Serializer[Any]):
    """Rechecks due in the period: in time at the chute, in time by what the farm told, late, not done yet."""

    due = serializers.IntegerField()
    at_chute = serializers.IntegerField()
    told = serializers.IntegerField()
    late = serializers.IntegerField()
    missing = serializers.IntegerField()
    share = serializers.FloatField(allow_null=True)


class ReturningSerializer(serializers.Serializer[Any]):
    animal = serializers.IntegerField()
    lesion = serializers.CharField()
    days = serializers.ListField(child=serializers.DateField())


class ComparedSerializer(serializers.Serializer[Any]):
    """A lesion beside published counts for each cow trimmed: all regions together, the lowest, the highest."""

    lesion = serializers.CharField()
    here = RateSerializer()
    there = serializers.FloatField()
    lowest = serializers.FloatField()
    highest = serializers.FloatField()


class HerdReportSerializer(serializers.Serializer[Any]):
    """What was found in a herd over a period, both days included."""

    first = serializers.DateField()
    last = serializers.DateField()
    visits = serializers.IntegerField(help_text="Days on which animals were seen.")
    head = serializers.IntegerField()
    any_lesion = LesionRowSerializer()
    lesions = LesionRowSerializer(many=True)
    compared = ComparedSerializer(many=True)
    months = MonthSerializer(many=True)
    kept = KeptSerializer()
    returning = ReturningSerializer(many=True)


class HerdReportView(SeatedView):
    """The herd report of a farm."""

    who = SEATED

    @extend_schema(
        operation_id="farms_herd_report_retrieve",
        parameters=[
            OpenApiParameter("first", dt.date, description="First day; a year before the last."),
            OpenApiParameter("last", dt.date, description="Last day; today unless given."),
        ],
        responses=HerdReportSerializer,
    )
    def get(self, request: Request, pk: int) -> Response:
        """What was found from the first to the last day, both included."""
        farm = get_object_or_404(Farm.objects.seen_by(self.seat), pk=pk)
        today = timezone.localdate()
        query, (first, last) = request.query_params, last_twelve_months(today)
        form = PeriodForm({"first": query.get("first") or first, "last": query.get("last") or last})
        if not form.is_valid():
            raise serializers.ValidationError({name: [*map(str, said)] for name, said in form.errors.items()})
        report = herd_report_of(farm, first=form.cleaned_data["first"], last=form.cleaned_data["last"], today=today)
        return Response(HerdReportSerializer(report.report).data)


urlpatterns = [path("farms/<int:pk>/herd-report", HerdReportView.as_view(), name="api-herd-report")]
