"""The API about rechecks."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import Q, QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer import wording
from trimmer.access import OWNER, SEATED, TRIMMER
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.models import Animal, Recheck
from trimmer.queries.rechecks import STATES, state_of
from trimmer.services import rechecks

AT_THE_CHUTE = frozenset({OWNER, TRIMMER})


class RecheckSerializer(serializers.ModelSerializer[Recheck]):
    """A look again at one animal, due between two days, both included."""

    farm = serializers.IntegerField(source="animal.farm_id", read_only=True)
    number = serializers.CharField(source="animal.number", read_only=True)
    state = serializers.SerializerMethodField()
    why = serializers.SerializerMethodField(help_text="The trigger in words.")
    to_do = serializers.SerializerMethodField(help_text="What is to be done, in words.")

    class Meta:
        model = Recheck
        fields = [
            "id",
            "farm",
            "animal",
            "number",
            "raised_by",
            "trigger",
            "why",
            "what",
            "feet",
            "to_do",
            "raised_on",
            "due_from",
            "due_by",
            "warn_from",
            "state",
            "note",
            "closed_at",
            "closed_by_record",
            "closed_reason",
        ]
        read_only_fields = fields

    @extend_schema_field(serializers.ChoiceField(choices=STATES))
    def get_state(self, recheck: Recheck) -> str:
        return state_of(recheck, timezone.localdate())

    def get_why(self, recheck: Recheck) -> str:
        return wording.trigger(recheck.trigger)

    def get_to_do(self, recheck: Recheck) -> str:
        return wording.to_do(recheck)


class NewRecheckSerializer(serializers.Serializer[Any]):
    """A recheck written down by hand."""

    animal = OwnKey(Animal, current=True)
    what = serializers.ChoiceField(choices=tuple(wording.PURPOSES.items()))
    due_from = serializers.DateField()
    due_by = serializers.DateField()
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class WhyClosedSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=300)


class RecheckFilter(django_filters.FilterSet):
    farm = django_filters.NumberFilter(field_name="animal__farm")
    open = django_filters.BooleanFilter(method="only_open")
    overdue = django_filters.BooleanFilter(method="only_overdue")
    due_from_until = django_filters.DateFilter(field_name="due_from", lookup_expr="lte")

    class Meta:
        model = Recheck
        fields = ["animal", "what", "trigger"]

    def only_open(self, found: QuerySet[Recheck], name: str, value: bool) -> QuerySet[Recheck]:
        still = Recheck.objects.open().values("pk")
        return found.filter(pk__in=still) if value else found.exclude(pk__in=still)

    def only_overdue(self, found: QuerySet[Recheck], name: str, value: bool) -> QuerySet[Recheck]:
        late = Q(pk__in=Recheck.objects.open().values("pk"), due_by__lt=timezone.localdate())
        return found.filter(late) if value else found.exclude(late)


class RecheckViewSet(SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[Recheck]):
    """Animals that must be seen again, the first to be due (so the overdue) first."""

    who = {"list": SEATED, "retrieve": SEATED, "create": AT_THE_CHUTE, "close": AT_THE_CHUTE}
    queryset = Recheck.objects.none()
    serializer_class = RecheckSerializer
    filterset_class = RecheckFilter

    def get_queryset(self) -> QuerySet[Recheck]:
        if getattr(self, "swagger_fake_view", False):
            return Recheck.objects.none()
        return Recheck.objects.seen_by(self.seat).select_related("animal").order_by("due_by", "pk")

    @extend_schema(request=NewRecheckSerializer, responses={201: RecheckSerializer})
    def create(self, request: Request) -> Response:
        """Write down by hand that an animal is to be seen again."""
        form = NewRecheckSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        recheck = rechecks.raise_recheck(**form.validated_data, today=timezone.localdate())
        return Response(RecheckSerializer(recheck).data, status=HTTPStatus.CREATED)

    @extend_schema(request=WhyClosedSerializer, responses=RecheckSerializer)
    @action(detail=True, methods=["post"])
    def close(self, request: Request, pk: str) -> Response:
        """Close an open recheck by hand, with a reason."""
        recheck = self.get_object()
        form = WhyClosedSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        rechecks.close_recheck(
            recheck=recheck, reason=form.validated_data["reason"], by=self.seat.user, now=timezone.now()
        )
        return Response(RecheckSerializer(recheck).data)


router = SimpleRouter(trailing_slash=False)
router.register("rechecks", RecheckViewSet, basename="api-recheck")

urlpatterns = router.urls
