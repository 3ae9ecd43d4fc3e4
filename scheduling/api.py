"""The API about weeks."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from scheduling.models import LeftOut, PlannerSettings, ProposedRound, ProposedStop, ProposedWeek
from scheduling.reasons import why_left_out
from scheduling.services import weeks
from scheduling.services.loading import settings_of
from scheduling.services.settings import keep_settings
from trimmer.access import MEMBERS, OWNER, TRIMMER
from trimmer.api.access import SeatedView

PLANNERS = frozenset({OWNER, TRIMMER})


class StopSerializer(serializers.ModelSerializer[ProposedStop]):
    class Meta:
        model = ProposedStop
        fields = [
            "id",
            "position",
            "farm",
            "requests",
            "visit",
            "was_booked",
            "reason",
            "head",
            "start_at",
            "end_at",
            "drive_minutes",
            "distance_m",
            "wash_minutes",
            "part",
            "parts",
        ]
        read_only_fields = fields


class RoundSerializer(serializers.ModelSerializer[ProposedRound]):
    stops = StopSerializer(many=True, read_only=True)

    class Meta:
        model = ProposedRound
        fields = [
            "id",
            "crew",
            "date",
            "leave_at",
            "back_at",
            "lunch_at",
            "drive_minutes",
            "distance_m",
            "back_drive_minutes",
            "stops",
        ]
        read_only_fields = fields


class LeftOutSerializer(serializers.ModelSerializer[LeftOut]):
    why = serializers.SerializerMethodField(help_text="One sentence for people.")

    class Meta:
        model = LeftOut
        fields = ["id", "farm", "requests", "head", "reason", "details", "why"]
        read_only_fields = fields

    def get_why(self, row: LeftOut) -> str:
        return why_left_out(row, row.week.business.currency)


class WeekSerializer(serializers.ModelSerializer[ProposedWeek]):
    rounds = RoundSerializer(many=True, read_only=True)
    left_out = LeftOutSerializer(many=True, read_only=True)

    class Meta:
        model = ProposedWeek
        fields = [
            "id",
            "monday",
            "state",
            "job",
            "cost",
            "bound",
            "travel_source",
            "asked_at",
            "confirmed_at",
            "rounds",
            "left_out",
        ]
        read_only_fields = [name for name in fields if name != "monday"]


class WeekViewSet(SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[ProposedWeek]):
    """Proposed weeks. POST a Monday to have it planned (a job; see /jobs), then confirm, undo or drop it."""

    who = {
        "list": MEMBERS,
        "retrieve": MEMBERS,
        "create": PLANNERS,
        "confirm": PLANNERS,
        "undo": PLANNERS,
        "drop": PLANNERS,
    }
    queryset = ProposedWeek.objects.none()
    serializer_class = WeekSerializer
    filterset_fields = ["monday", "state"]

    def get_queryset(self) -> QuerySet[ProposedWeek]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset
        return (
            ProposedWeek.objects.seen_by(self.seat)
            .select_related("business")
            .prefetch_related("rounds__stops__requests", "left_out__requests", "left_out__week__business")
        )

    @extend_schema(responses={202: WeekSerializer})
    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        shape = self.get_serializer(data=request.data)
        shape.is_valid(raise_exception=True)
        week = weeks.propose_week(
            business=self.seat.business,
            monday=shape.validated_data["monday"],
            by=self.seat.user,
            now=timezone.now(),
        )
        return Response(self.get_serializer(week).data, status=HTTPStatus.ACCEPTED)

    def _answer(self) -> Response:
        return Response(self.get_serializer(self.get_object()).data)

    @extend_schema(request=None, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def confirm(self, request: Request, pk: str) -> Response:
        """Book every stop and tell the farms."""
        weeks.confirm_week(week=self.get_object(), by=self.seat.user, now=timezone.now())
        return self._answer()

    @extend_schema(request=None, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def undo(self, request: Request, pk: str) -> Response:
        """Cancel what confirming booked, before its first day."""
        weeks.undo_week(week=self.get_object(), by=self.seat.user, now=timezone.now())
        return self._answer()

    @extend_schema(request=None, responses=WeekSerializer)
    @action(detail=True, methods=["post"])
    def drop(self, request: Request, pk: str) -> Response:
        """Put the proposal away."""
        weeks.drop_week(week=self.get_object())
        return self._answer()


class PlannerSettingsSerializer(serializers.ModelSerializer[PlannerSettings]):
    class Meta:
        model = PlannerSettings
        exclude = ["id", "business"]


class PlannerSettingsView(SeatedView):
    """The figures the planner reckons with."""

    who = PLANNERS

    @extend_schema(responses=PlannerSettingsSerializer, operation_id="planner_settings_retrieve")
    def get(self, request: Request) -> Response:
        return Response(PlannerSettingsSerializer(settings_of(self.seat.business)).data)

    @extend_schema(
        request=PlannerSettingsSerializer, responses=PlannerSettingsSerializer, operation_id="planner_settings_update"
    )
    def patch(self, request: Request) -> Response:
        shape = PlannerSettingsSerializer(data=request.data, partial=True)
        shape.is_valid(raise_exception=True)
        kept = keep_settings(business=self.seat.business, **shape.validated_data)
        return Response(PlannerSettingsSerializer(kept).data)
