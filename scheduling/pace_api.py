"""The API about the pace: estimates, how past ones did, default minutes, what to carry and what is on hand."""

from __future__ import annotations

import datetime as dt
from http import HTTPStatus
from typing import Any

from django.shortcuts import get_object_or_404
from django.urls import URLPattern, path
from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers, viewsets
from rest_framework.request import Request
from rest_framework.response import Response

from scheduling.pace_models import LearnedPace, PaceSettings, SupplyKind
from scheduling.pace_words import basis_words, estimate_words, said_of_set_aside
from scheduling.services.pace import VisitEstimate, estimate_visit, keep_pace_settings, pace_settings_of
from scheduling.services.pace_accuracy import Share, accuracy_of
from scheduling.services.pace_learning import ask_to_learn, untimed_visits
from scheduling.services.supplies import MOST_ON_HAND, count_stock, load_of_week, stock_of
from scheduling.services.weeks import local_date
from trimmer.access import MEMBERS, OWNER, TRIMMER
from trimmer.api.access import SeatedView
from trimmer.api.businesses import JobSerializer
from trimmer.models import Crew, Farm, HeadKind

PLANNERS = frozenset({OWNER, TRIMMER})
MOST_HEAD = 9999


class EstimateAskSerializer(serializers.Serializer[Any]):
    """Head by kind, at least one; the crew that comes, where it is known."""

    crew = serializers.IntegerField(required=False)
    cow = serializers.IntegerField(required=False, min_value=0, max_value=MOST_HEAD)
    heifer = serializers.IntegerField(required=False, min_value=0, max_value=MOST_HEAD)
    bull = serializers.IntegerField(required=False, min_value=0, max_value=MOST_HEAD)
    lame = serializers.IntegerField(required=False, min_value=0, max_value=MOST_HEAD)
    recheck = serializers.IntegerField(required=False, min_value=0, max_value=MOST_HEAD)


class EstimatePartSerializer(serializers.Serializer[Any]):
    """`head` head at `each` minutes; `extra`: on top of trimming, under which these head are counted, too."""

    kind = serializers.CharField()
    head = serializers.FloatField()
    each = serializers.FloatField()
    extra = serializers.BooleanField()
    minutes = serializers.FloatField()


class EstimateSerializer(serializers.Serializer[VisitEstimate]):
    """Minutes from arrival to last head out that 50, 80 and 90 % of visits stay under; set-up and parts add up to the
    first. `learned`: enough visits of the business stand behind it, otherwise it is mostly the default minutes."""

    p50 = serializers.FloatField()
    p80 = serializers.FloatField()
    p90 = serializers.FloatField()
    setup = serializers.FloatField()
    parts = EstimatePartSerializer(many=True)
    visits = serializers.IntegerField(help_text="Recorded visits to this farm it comes from.")
    of_business = serializers.IntegerField(help_text="Recorded visits to all farms.")
    learned = serializers.BooleanField()
    basis = serializers.SerializerMethodField(help_text="Where it comes from, for people.")
    sentence = serializers.SerializerMethodField(help_text="All of it in a sentence, for people.")

    def get_basis(self, said: VisitEstimate) -> str:
        return basis_words(said)

    def get_sentence(self, said: VisitEstimate) -> str:
        return estimate_words(said, self.context["language"])


class EstimateView(SeatedView, viewsets.ViewSet):
    """How long a visit to a farm will take."""

    who = MEMBERS

    @extend_schema(
        parameters=[EstimateAskSerializer], responses=EstimateSerializer, operation_id="farm_estimate_retrieve"
    )
    def retrieve(self, request: Request, pk: int) -> Response:
        farm = get_object_or_404(Farm.objects.seen_by(self.seat).select_related("client__business"), pk=pk)
        asked = EstimateAskSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        crew = asked.validated_data.get("crew")
        said = estimate_visit(
            farm=farm,
            head={kind: asked.validated_data.get(kind, 0) for kind in HeadKind.values},
            crew=get_object_or_404(Crew.objects.seen_by(self.seat), pk=crew) if crew else None,
        )
        return Response(EstimateSerializer(said, context={"language": self.seat.business.language}).data)


class ShareSerializer(serializers.Serializer[Share]):
    """Of so many visits, the shares that took no longer than the minutes of 50, 80 and 90 %."""

    id = serializers.IntegerField(source="pk", allow_null=True)
    name = serializers.CharField()
    visits = serializers.IntegerField()
    p50 = serializers.FloatField()
    p80 = serializers.FloatField()
    p90 = serializers.FloatField()
    below = serializers.BooleanField(help_text="Under 90 % less often than chance explains.")


class AccuracySerializer(serializers.Serializer[Any]):
    whole = ShareSerializer()
    farms = ShareSerializer(many=True)
    crews = ShareSerializer(many=True)


class SetAsideSerializer(serializers.Serializer[Any]):
    visit = serializers.IntegerField()
    farm = serializers.IntegerField()
    code = serializers.CharField()
    why = serializers.SerializerMethodField(help_text="For people.")

    def get_why(self, row: dict[str, Any]) -> str:
        return said_of_set_aside(row)


class PaceSerializer(serializers.Serializer[Any]):
    """What was learned. `accuracy`: each visit as the others say of it; null where nothing could be learned."""

    learned_on = serializers.DateField(allow_null=True)
    visits = serializers.IntegerField()
    accuracy = AccuracySerializer(allow_null=True)
    set_aside = SetAsideSerializer(many=True)
    untimed = serializers.IntegerField(help_text="Visits done without times to learn from.")


class PaceView(SeatedView, viewsets.ViewSet):
    """The pace as learned, and how it did; POST has a worker learn it anew (see /jobs)."""

    who = {"retrieve": MEMBERS, "create": PLANNERS}

    @extend_schema(responses=PaceSerializer, operation_id="pace_retrieve")
    def retrieve(self, request: Request) -> Response:
        business = self.seat.business
        learned = LearnedPace.objects.of(business).first()
        answer = {
            "learned_on": learned.learned_on if learned else None,
            "visits": learned.visits if learned else 0,
            "accuracy": accuracy_of(business=business, learned=learned),
            "set_aside": learned.set_aside if learned else [],
            "untimed": untimed_visits(business=business),
        }
        return Response(PaceSerializer(answer).data)

    @extend_schema(request=None, responses={202: JobSerializer}, operation_id="pace_learn")
    def create(self, request: Request) -> Response:
        today = local_date(self.seat.business, timezone.now())
        job = ask_to_learn(business=self.seat.business, today=today, by=self.seat.user)
        return Response(JobSerializer(job).data, status=HTTPStatus.ACCEPTED)


class PaceSettingsSerializer(serializers.ModelSerializer[PaceSettings]):
    class Meta:
        model = PaceSettings
        exclude = ["id", "business"]


class PaceSettingsView(SeatedView, viewsets.ViewSet):
    """Default minutes, and what weeks are planned and loaded with."""

    who = {"retrieve": MEMBERS, "partial_update": PLANNERS}

    @extend_schema(responses=PaceSettingsSerializer, operation_id="pace_settings_retrieve")
    def retrieve(self, request: Request) -> Response:
        return Response(PaceSettingsSerializer(pace_settings_of(self.seat.business)).data)

    @extend_schema(
        request=PaceSettingsSerializer, responses=PaceSettingsSerializer, operation_id="pace_settings_update"
    )
    def partial_update(self, request: Request) -> Response:
        shape = PaceSettingsSerializer(data=request.data, partial=True)
        shape.is_valid(raise_exception=True)
        kept = keep_pace_settings(business=self.seat.business, **shape.validated_data)
        return Response(PaceSettingsSerializer(kept).data)


class LoadLineSerializer(serializers.Serializer[Any]):
    """Units of a supply: expected need, fewest to carry at the business's chance, what is on hand, what to get."""

    supply = serializers.ChoiceField(SupplyKind.choices, source="code")
    expected = serializers.FloatField(source="mean")
    carry = serializers.IntegerField()
    chance = serializers.FloatField(help_text="That what is to be carried runs out.")
    on_hand = serializers.IntegerField()
    on_hand_chance = serializers.FloatField(help_text="That what is on hand runs out.")
    to_get = serializers.IntegerField()


class LoadListSerializer(serializers.Serializer[Any]):
    monday = serializers.DateField()
    lines = LoadLineSerializer(many=True)


class AskedWeekSerializer(serializers.Serializer[Any]):
    week = serializers.DateField(required=False)


class LoadListView(SeatedView, viewsets.ViewSet):
    """What to carry for the visits to come in a week."""

    who = MEMBERS

    @extend_schema(
        parameters=[OpenApiParameter("week", str, description="A day of the week (ISO 8601); without: this week.")],
        responses=LoadListSerializer,
        operation_id="load_list_retrieve",
    )
    def retrieve(self, request: Request) -> Response:
        asked = AskedWeekSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        business = self.seat.business
        day = asked.validated_data.get("week") or local_date(business, timezone.now())
        monday = day - dt.timedelta(days=day.weekday())
        lines = load_of_week(business=business, monday=monday)
        return Response(LoadListSerializer({"monday": monday, "lines": lines}).data)


class StockSerializer(serializers.Serializer[Any]):
    """Units on hand by supply."""

    block = serializers.IntegerField(min_value=0, max_value=MOST_ON_HAND)
    glue = serializers.IntegerField(min_value=0, max_value=MOST_ON_HAND)
    wrap = serializers.IntegerField(min_value=0, max_value=MOST_ON_HAND)
    product = serializers.IntegerField(min_value=0, max_value=MOST_ON_HAND)


class StockView(SeatedView, viewsets.ViewSet):
    """What is on hand."""

    who = MEMBERS

    @extend_schema(responses=StockSerializer, operation_id="stock_retrieve")
    def retrieve(self, request: Request) -> Response:
        return Response(StockSerializer(stock_of(self.seat.business)).data)

    @extend_schema(request=StockSerializer, responses=StockSerializer, operation_id="stock_update")
    def partial_update(self, request: Request) -> Response:
        shape = StockSerializer(data=request.data, partial=True)
        shape.is_valid(raise_exception=True)
        count_stock(business=self.seat.business, on_hand=shape.validated_data)
        return Response(StockSerializer(stock_of(self.seat.business)).data)


CHANGED: dict[str, Any] = {"get": "retrieve", "patch": "partial_update"}

urlpatterns: list[URLPattern] = [
    path("pace", PaceView.as_view({"get": "retrieve", "post": "create"}), name="api-pace"),
    path("pace-settings", PaceSettingsView.as_view(CHANGED), name="api-pace-settings"),
    path("farms/<int:pk>/estimate", EstimateView.as_view({"get": "retrieve"}), name="api-farm-estimate"),
    path("load-list", LoadListView.as_view({"get": "retrieve"}), name="api-load-list"),
    path("stock", StockView.as_view(CHANGED), name="api-stock"),
]
