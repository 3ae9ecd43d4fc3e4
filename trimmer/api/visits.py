"""The API about visits."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer.access import MEMBERS, SEATED
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.api.requests import HeadCountSerializer, counts
from trimmer.models import Crew, Farm, Visit, VisitHead, VisitRequest, VisitState
from trimmer.queries.visits import visits_to_show
from trimmer.services import visits
from trimmer.services.visits import MOMENTS, VisitTimes

FOR_MEMBERS = (
    "position",
    "planned_start",
    "planned_end",
    "drive_minutes_planned",
    "distance_planned_m",
    "distance_driven_m",
    "note",
)
"""Fields a farm's people do not see."""


class VisitHeadSerializer(serializers.ModelSerializer[VisitHead]):
    """Head of a kind: planned, and done once the visit is completed."""

    class Meta:
        model = VisitHead
        fields = ["kind", "planned", "done"]


class VisitSerializer(serializers.ModelSerializer[Visit]):
    """One coming of one crew to one farm on one date. Lengths in metres; a farm's people see what they were told."""

    farm_name = serializers.CharField(source="farm.name", read_only=True)
    crew_name = serializers.CharField(source="crew.name", read_only=True)
    head = VisitHeadSerializer(many=True, read_only=True)

    class Meta:
        model = Visit
        fields = [
            "id",
            "farm",
            "farm_name",
            "crew",
            "crew_name",
            "date",
            "state",
            "requests",
            "told_from",
            "told_to",
            "told_at",
            "arrived_at",
            "first_head_at",
            "last_head_at",
            "left_at",
            "cancelled_at",
            "cancel_reason",
            "head",
            *FOR_MEMBERS,
        ]
        read_only_fields = fields

    def to_representation(self, instance: Visit) -> dict[str, Any]:
        shown: dict[str, Any] = super().to_representation(instance)
        if not self.context["view"].seat.is_member:
            for name in FOR_MEMBERS:
                shown[name] = None
        return shown


class HoursSerializer(serializers.Serializer[Any]):
    """Crew, day and hours; `told_from` and `told_to` go together, without them the farm is told the planned hours."""

    crew = OwnKey(Crew)
    date = serializers.DateField()
    planned_start = serializers.DateTimeField()
    planned_end = serializers.DateTimeField()
    told_from = serializers.DateTimeField(required=False, allow_null=True, default=None)
    told_to = serializers.DateTimeField(required=False, allow_null=True, default=None)
    drive_minutes = serializers.IntegerField(min_value=0, required=False, allow_null=True, default=None)
    distance_m = serializers.IntegerField(min_value=0, required=False, allow_null=True, default=None)
    tell = serializers.BooleanField(required=False, default=True, help_text="Tell the farm by e-mail.")

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        told = (attrs.pop("told_from"), attrs.pop("told_to"))
        if (told[0] is None) != (told[1] is None):
            raise serializers.ValidationError({"told_to": _("Give both hours the farm is told, or neither.")})
        return attrs | {"told": told if told[0] else None}


class NewVisitSerializer(HoursSerializer):
    """A visit to be booked."""

    farm = OwnKey(Farm, current=True)
    head = HeadCountSerializer(many=True)
    requests = OwnKey(VisitRequest, many=True, required=False, default=list)
    note = serializers.CharField(max_length=2000, required=False, allow_blank=True, default="")


class CancelSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=300)
    tell = serializers.BooleanField(required=False, default=True, help_text="Tell the farm by e-mail.")


class TimesSerializer(serializers.Serializer[Any]):
    """All four times and the distance driven to the farm, in place of what stood there; null: not noted."""

    arrived = serializers.DateTimeField(required=False, allow_null=True, default=None)
    first_head = serializers.DateTimeField(required=False, allow_null=True, default=None)
    last_head = serializers.DateTimeField(required=False, allow_null=True, default=None)
    left = serializers.DateTimeField(required=False, allow_null=True, default=None)
    distance_driven_m = serializers.IntegerField(min_value=0, required=False, allow_null=True, default=None)


class DoneSerializer(serializers.Serializer[Any]):
    """Head done, with those that have no record; left out: as recorded at the chute."""

    head_done = HeadCountSerializer(many=True, required=False, default=list)


class VisitFilter(django_filters.FilterSet):
    date_from = django_filters.DateFilter(field_name="date", lookup_expr="gte")
    date_to = django_filters.DateFilter(field_name="date", lookup_expr="lte")
    crew = django_filters.NumberFilter(field_name="crew")
    farm = django_filters.NumberFilter(field_name="farm")
    state = django_filters.ChoiceFilter(choices=VisitState.choices)

    class Meta:
        model = Visit
        fields: list[str] = []


class VisitViewSet(SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[Visit]):
    """Visits, in the order they are driven."""

    who = {
        "list": SEATED,
        "retrieve": SEATED,
        "create": MEMBERS,
        "partial_update": MEMBERS,
        "cancel": MEMBERS,
        "times": MEMBERS,
        "complete": MEMBERS,
        "reopen": MEMBERS,
    }
    queryset = Visit.objects.none()
    serializer_class = VisitSerializer
    filterset_class = VisitFilter

    def get_queryset(self) -> QuerySet[Visit]:
        if getattr(self, "swagger_fake_view", False):
            return Visit.objects.none()
        return visits_to_show(self.seat).prefetch_related("requests")

    @extend_schema(request=NewVisitSerializer, responses={201: VisitSerializer})
    def create(self, request: Request) -> Response:
        """Book a visit; the requests it serves, which must wait, count as booked."""
        form = NewVisitSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        values = form.validated_data | {"head": counts(form.validated_data["head"])}
        visit = visits.book_visit(**values, by=self.seat.user, now=timezone.now())
        return Response(self._shown(visit), status=HTTPStatus.CREATED)

    @extend_schema(request=HoursSerializer, responses=VisitSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Move a booked visit; the farm is told when day, crew or told hours differ."""
        visit = self.get_object()
        form = HoursSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        visits.move_visit(visit=visit, **form.validated_data, by=self.seat.user, now=timezone.now())
        return Response(self._shown(visit))

    @extend_schema(request=CancelSerializer, responses=VisitSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Call a booked visit off; its requests wait again."""
        visit = self.get_object()
        form = CancelSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        visits.cancel_visit(visit=visit, **form.validated_data, by=self.seat.user, now=timezone.now())
        return Response(self._shown(visit))

    @extend_schema(request=TimesSerializer, responses=VisitSerializer)
    @action(detail=True, methods=["post"])
    def times(self, request: Request, pk: str) -> Response:
        """Note when things happened. The first time puts the visit under way."""
        visit = self.get_object()
        form = TimesSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        values = form.validated_data
        visits.note_times(
            visit=visit,
            times=VisitTimes(**{name: values[name] for name in MOMENTS}),
            distance_driven_m=values["distance_driven_m"],
            now=timezone.now(),
        )
        return Response(self._shown(visit))

    @extend_schema(request=DoneSerializer, responses=VisitSerializer)
    @action(detail=True, methods=["post"])
    def complete(self, request: Request, pk: str) -> Response:
        """The visit is done: its head are counted from the records and from what is given here."""
        visit = self.get_object()
        form = DoneSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        head_done = counts(form.validated_data["head_done"])
        visits.complete_visit(visit=visit, head_done=head_done, by=self.seat.user, now=timezone.now())
        return Response(self._shown(visit))

    @extend_schema(request=None, responses=VisitSerializer)
    @action(detail=True, methods=["post"])
    def reopen(self, request: Request, pk: str) -> Response:
        """Take a done visit up again, as long as it is not billed."""
        visit = self.get_object()
        visits.reopen_visit(visit=visit, by=self.seat.user, now=timezone.now())
        return Response(self._shown(visit))

    def _shown(self, visit: Visit) -> Any:
        return VisitSerializer(self.get_queryset().get(pk=visit.pk), context=self.get_serializer_context()).data


router = SimpleRouter(trailing_slash=False)
router.register("visits", VisitViewSet, basename="api-visit")

urlpatterns = router.urls
