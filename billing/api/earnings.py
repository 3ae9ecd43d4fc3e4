"""The API about what it earned."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from billing.api.shared import AmountField, BillsView
from billing.queries.earnings import Group, earnings_of
from trimmer.access import OFFICE, OWNER


class EarningsAskedSerializer(serializers.Serializer[Any]):
    """Visits from one day to another, both included, and what is added up."""

    first = serializers.DateField()
    last = serializers.DateField()
    by = serializers.ChoiceField(choices=[group.value for group in Group], default=Group.FARM.value)

    def validate(self, values: dict[str, Any]) -> dict[str, Any]:
        if values["last"] < values["first"]:
            raise serializers.ValidationError({"last": "The last day lies before the first."})
        return values


class EarnedSerializer(serializers.Serializer[Any]):
    """Amounts before tax, credit notes taken off. Minutes are of billed visits. `an_hour` is at the farm and on the
    road together; null without a minute."""

    name = serializers.CharField()
    client = serializers.CharField()
    farm = serializers.IntegerField(allow_null=True)
    visits = serializers.IntegerField(source="earned.visits")
    waiting = serializers.IntegerField(source="earned.waiting")
    estimated = serializers.IntegerField(source="earned.estimated")
    head = serializers.IntegerField(source="earned.head")
    billed = AmountField(source="earned.billed")
    charged_for_coming = AmountField(source="earned.travel")
    minutes_at_the_farm = serializers.IntegerField(source="earned.chute")
    minutes_on_the_road = serializers.IntegerField(source="earned.road")
    an_hour = AmountField(source="earned.an_hour", allow_null=True)
    a_farm_hour = AmountField(source="earned.a_chute_hour", allow_null=True)
    below = serializers.BooleanField(help_text="Less an hour than all together.")


class EarningsView(BillsView):
    who = frozenset({OWNER, OFFICE})

    @extend_schema(
        operation_id="earnings",
        parameters=[
            OpenApiParameter("first", OpenApiTypes.DATE, required=True),
            OpenApiParameter("last", OpenApiTypes.DATE, required=True),
            OpenApiParameter("by", OpenApiTypes.STR, enum=[group.value for group in Group]),
        ],
        responses=EarnedSerializer(many=True),
    )
    def get(self, request: Request) -> Response:
        """What visits of a period earned an hour, the most first."""
        form = EarningsAskedSerializer(data=request.query_params)
        form.is_valid(raise_exception=True)
        asked = form.validated_data
        found = earnings_of(self.seat.business, asked["first"], asked["last"], Group(asked["by"]))
        return Response(EarnedSerializer(found.rows, many=True, context={"view": self}).data)


urlpatterns = [path("earnings", EarningsView.as_view(), name="api-earnings")]
