"""The API about bases, crews, their working hours and days off."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer.access import MEMBERS, OWNER
from trimmer.api.own import OwnKey
from trimmer.api.rows import SeenRows
from trimmer.models import Base, Crew, DaysOff, User, WorkingHours
from trimmer.services.crews import (
    add_base,
    add_crew,
    add_days_off,
    remove_base,
    update_base,
    update_crew,
)

BY_THE_OWNER = frozenset({OWNER})


class BaseSerializer(serializers.ModelSerializer[Base]):
    """Where a crew starts and ends its day."""

    class Meta:
        model = Base
        fields = ["id", "name", "latitude", "longitude"]


class BaseViewSet(SeenRows[Base]):
    """Bases by name."""

    who = {
        "list": MEMBERS,
        "retrieve": MEMBERS,
        "create": BY_THE_OWNER,
        "update": BY_THE_OWNER,
        "destroy": BY_THE_OWNER,
    }
    queryset = Base.objects.all()
    serializer_class = BaseSerializer

    def rows(self) -> QuerySet[Base]:
        return Base.objects.seen_by(self.seat).order_by("name", "pk")

    @extend_schema(request=BaseSerializer, responses={201: BaseSerializer})
    def create(self, request: Request) -> Response:
        """A new base."""
        form = BaseSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        base = add_base(business=self.seat.business, **form.validated_data)
        return Response(self.shown(base), status=HTTPStatus.CREATED)

    @extend_schema(request=BaseSerializer, responses=BaseSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Another name or position of a base."""
        base = self.get_object()
        form = BaseSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        return Response(self.shown(update_base(base=base, **form.validated_data)))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Forget a base no crew starts from."""
        remove_base(base=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)


class WorkingHoursSerializer(serializers.ModelSerializer[WorkingHours]):
    """A weekday, 0 = Monday, on which the crew goes out: not before, back by (local clock)."""

    class Meta:
        model = WorkingHours
        fields = ["weekday", "leave_from", "back_by"]


class DaysOffSerializer(serializers.ModelSerializer[DaysOff]):
    """Days on which a crew does not go out, both included."""

    crew = OwnKey(Crew)

    class Meta:
        model = DaysOff
        fields = ["id", "crew", "first", "last", "note"]


class ColleagueKey(serializers.PrimaryKeyRelatedField[User]):
    """The key of a person who works in the business."""

    def get_queryset(self) -> QuerySet[User]:
        return User.objects.filter(memberships__business=self.context["view"].seat.business)


class CrewSerializer(serializers.ModelSerializer[Crew]):
    """The people and the chute that travel together. `members` are keys of people; the longest day is in minutes."""

    base = OwnKey(Base)
    members = ColleagueKey(many=True, required=False, queryset=User.objects.none())
    hours = WorkingHoursSerializer(many=True, required=False)
    days_off = DaysOffSerializer(many=True, read_only=True)

    class Meta:
        model = Crew
        fields = ["id", "name", "base", "members", "chute_kind", "longest_day", "active", "hours", "days_off"]


class CrewViewSet(SeenRows[Crew]):
    """Crews by name. One that no longer goes out is set inactive; its visits stay."""

    who = {"list": MEMBERS, "retrieve": MEMBERS, "create": BY_THE_OWNER, "partial_update": BY_THE_OWNER}
    queryset = Crew.objects.all()
    serializer_class = CrewSerializer
    filterset_fields = ["active", "base"]

    def rows(self) -> QuerySet[Crew]:
        crews = Crew.objects.seen_by(self.seat).select_related("base", "business")
        return crews.prefetch_related("members", "hours", "days_off").order_by("name", "pk")

    @extend_schema(request=CrewSerializer, responses={201: CrewSerializer})
    def create(self, request: Request) -> Response:
        """A new crew."""
        form = self.get_serializer(data=request.data)
        form.is_valid(raise_exception=True)
        crew = add_crew(business=self.seat.business, **form.validated_data)
        return Response(self.shown(crew), status=HTTPStatus.CREATED)

    @extend_schema(request=CrewSerializer, responses=CrewSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change what is named; the rest stays. Members and hours replace what was there."""
        crew = self.get_object()
        form = self.get_serializer(data=request.data, partial=True)
        form.is_valid(raise_exception=True)
        return Response(self.shown(update_crew(crew=crew, **form.validated_data)))


class DaysOffViewSet(SeenRows[DaysOff]):
    """Days off of the crews, by day."""

    who = {"list": MEMBERS, "retrieve": MEMBERS, "create": BY_THE_OWNER, "destroy": BY_THE_OWNER}
    queryset = DaysOff.objects.all()
    serializer_class = DaysOffSerializer
    filterset_fields = {"crew": ["exact"], "last": ["gte"], "first": ["lte"]}

    def rows(self) -> QuerySet[DaysOff]:
        return DaysOff.objects.seen_by(self.seat).order_by("first", "pk")

    @extend_schema(request=DaysOffSerializer, responses={201: DaysOffSerializer})
    def create(self, request: Request) -> Response:
        """Days on which a crew does not go out. Visits booked on them stay: move them."""
        form = self.get_serializer(data=request.data)
        form.is_valid(raise_exception=True)
        return Response(self.shown(add_days_off(**form.validated_data)), status=HTTPStatus.CREATED)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """The crew goes out on these days after all."""
        self.get_object().delete()
        return Response(status=HTTPStatus.NO_CONTENT)


router = SimpleRouter(trailing_slash=False)
router.register("bases", BaseViewSet, basename="api-base")
router.register("crews", CrewViewSet, basename="api-crew")
router.register("days-off", DaysOffViewSet, basename="api-days-off")

urlpatterns: list[Any] = router.urls
