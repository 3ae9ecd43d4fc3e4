"""The API about requests."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer.access import MEMBERS, SEATED, Seat
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.models import (
    AskedVia,
    Farm,
    HeadKind,
    LameAnimal,
    RequestHead,
    RequestState,
    Scale,
    Urgency,
    VisitRequest,
    Weekday,
)
from trimmer.queries.requests import requests_to_show
from trimmer.services import requests
from trimmer.services.requests import LameValues

MOST_HEAD = 9999


class RequestHeadSerializer(serializers.ModelSerializer[RequestHead]):
    """How many head of a kind are asked for."""

    class Meta:
        model = RequestHead
        fields = ["kind", "count"]


class LameAnimalSerializer(serializers.ModelSerializer[LameAnimal]):
    """A lame animal by the farm's number; `animal` is its key where it is known. A score has its scale."""

    scale = serializers.ChoiceField(choices=Scale.choices, allow_blank=True)

    class Meta:
        model = LameAnimal
        fields = ["number", "animal", "score", "scale", "note"]


class RequestSerializer(serializers.ModelSerializer[VisitRequest]):
    """A farm's wish for a visit. Weekdays run from 0 (Monday) to 6; none means as the farm has it."""

    farm_name = serializers.CharField(source="farm.name", read_only=True)
    weekdays = serializers.ListField(child=serializers.ChoiceField(choices=Weekday.choices), read_only=True)
    head = RequestHeadSerializer(many=True, read_only=True)
    lame_animals = LameAnimalSerializer(many=True, read_only=True)
    visits = serializers.SerializerMethodField(help_text="Keys of its visits that were not cancelled.")

    class Meta:
        model = VisitRequest
        fields = [
            "id",
            "farm",
            "farm_name",
            "state",
            "urgency",
            "head",
            "lame_animals",
            "earliest_on",
            "due_on",
            "weekdays",
            "note",
            "asked_via",
            "asked_at",
            "answer",
            "visits",
        ]
        read_only_fields = fields

    def get_visits(self, wish: VisitRequest) -> list[int]:
        return [visit.pk for visit in wish.standing_visits]  # type: ignore[attr-defined]


class HeadCountSerializer(serializers.Serializer[Any]):
    kind = serializers.ChoiceField(choices=HeadKind.choices)
    count = serializers.IntegerField(min_value=0, max_value=MOST_HEAD)


class NamedLameSerializer(serializers.Serializer[Any]):
    number = serializers.CharField(max_length=20)
    score = serializers.IntegerField(required=False, allow_null=True, default=None)
    scale = serializers.ChoiceField(choices=Scale.choices, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class WishSerializer(serializers.Serializer[Any]):
    """What a request says, besides its farm. Named lame animals count as lame head."""

    head = HeadCountSerializer(many=True, required=False, default=list)
    lame = NamedLameSerializer(many=True, required=False, default=list)
    earliest_on = serializers.DateField(required=False, allow_null=True, default=None)
    due_on = serializers.DateField(required=False, allow_null=True, default=None)
    weekdays = serializers.ListField(
        child=serializers.ChoiceField(choices=Weekday.choices), required=False, default=list
    )
    urgency = serializers.ChoiceField(choices=Urgency.choices, required=False, default=Urgency.ROUTINE)
    note = serializers.CharField(max_length=2000, required=False, allow_blank=True, default="")

    def values(self) -> dict[str, Any]:
        """What the services take."""
        values = dict(self.validated_data)
        return values | {
            "head": counts(values["head"]),
            "lame": [LameValues(**row) for row in values["lame"]],
        }


class NewRequestSerializer(WishSerializer):
    """A new request. `now` is the server's."""

    farm = OwnKey(Farm, current=True)


class AnswerSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")


def counts(rows: list[dict[str, Any]]) -> dict[str, int]:
    """Rows of kind and count as head by kind; a kind given twice counts together."""
    head: dict[str, int] = {}
    for row in rows:
        head[row["kind"]] = head.get(row["kind"], 0) + row["count"]
    return head


class RequestFilter(django_filters.FilterSet):
    state = django_filters.ChoiceFilter(choices=RequestState.choices)
    urgency = django_filters.ChoiceFilter(choices=Urgency.choices)
    farm = django_filters.NumberFilter(field_name="farm")
    due_until = django_filters.DateFilter(field_name="due_on", lookup_expr="lte")

    class Meta:
        model = VisitRequest
        fields: list[str] = []


class RequestViewSet(
    SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[VisitRequest]
):
    """Requests: those that wait first, the urgent and the soonest due among them on top."""

    who = {
        "list": SEATED,
        "retrieve": SEATED,
        "create": SEATED,
        "update": SEATED,
        "withdraw": SEATED,
        "decline": MEMBERS,
    }
    queryset = VisitRequest.objects.none()
    serializer_class = RequestSerializer
    filterset_class = RequestFilter

    def get_queryset(self) -> QuerySet[VisitRequest]:
        if getattr(self, "swagger_fake_view", False):
            return VisitRequest.objects.none()
        return requests_to_show(self.seat)

    @extend_schema(request=NewRequestSerializer, responses={201: RequestSerializer})
    def create(self, request: Request) -> Response:
        """Ask for a visit. A farm's person must be one who may ask; a member notes what was asked by phone."""
        _check_may_ask(self.seat)
        form = NewRequestSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        wish = requests.ask_for_visit(
            **form.values(),
            via=AskedVia.PHONE if self.seat.is_member else AskedVia.FARM,
            by=self.seat.user,
            now=timezone.now(),
        )
        return Response(self._shown(wish), status=HTTPStatus.CREATED)

    @extend_schema(request=WishSerializer, responses=RequestSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Put another wish in place of this one, as long as it waits."""
        wish = self._own()
        form = WishSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        requests.change_request(request=wish, **form.values(), now=timezone.now())
        return Response(self._shown(wish))

    @extend_schema(request=AnswerSerializer, responses=RequestSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        """Take a waiting request back."""
        wish = self._own()
        form = AnswerSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        requests.withdraw_request(request=wish, reason=form.validated_data["reason"], now=timezone.now())
        return Response(self._shown(wish))

    @extend_schema(request=AnswerSerializer, responses=RequestSerializer)
    @action(detail=True, methods=["post"])
    def decline(self, request: Request, pk: str) -> Response:
        """Say no, with a reason; the farm is told by e-mail."""
        wish = self._own()
        form = AnswerSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        requests.decline_request(request=wish, reason=form.validated_data["reason"], now=timezone.now())
        return Response(self._shown(wish))

    def _own(self) -> VisitRequest:
        wish: VisitRequest = self.get_object()
        _check_may_ask(self.seat)
        return wish

    def _shown(self, wish: VisitRequest) -> Any:
        return RequestSerializer(self.get_queryset().get(pk=wish.pk)).data


def _check_may_ask(seat: Seat) -> None:
    if not (seat.is_member or seat.may_ask):
        raise PermissionDenied


router = SimpleRouter(trailing_slash=False)
router.register("requests", RequestViewSet, basename="api-request")

urlpatterns = router.urls
