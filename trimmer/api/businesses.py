"""The API about the business itself: its details, recheck rules and long work."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.urls import path
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer import wording
from trimmer.access import MEMBERS, OWNER, TRIMMER
from trimmer.api.access import SeatedView
from trimmer.api.rows import SeenRows
from trimmer.models import Business, Job, RecheckRule
from trimmer.rechecks import DEFAULT_RULES
from trimmer.services.businesses import update_business
from trimmer.services.jobs import ask_to_stop
from trimmer.services.rechecks import change_rule

BY_THE_OWNER = frozenset({OWNER})
SOURCES = {(rule.trigger, rule.what): rule.source for rule in DEFAULT_RULES}


class BusinessSerializer(serializers.ModelSerializer[Business]):
    """A trimming business: how to reach it, how values are shown, what its invoices bear."""

    class Meta:
        model = Business
        fields = [
            "id",
            "name",
            "street",
            "postcode",
            "city",
            "region",
            "country",
            "email",
            "phone",
            "currency",
            "time_zone",
            "units",
            "language",
            "tax_id",
            "tax_number",
            "register_number",
            "bank_name",
            "iban",
            "bic",
            "payment_days",
            "paper",
            "invoice_prefix",
            "invoice_footer",
        ]
        extra_kwargs = {"payment_days": {"max_value": 365}}


class BusinessViewSet(SeatedView, viewsets.GenericViewSet[Business]):
    """The business one works in."""

    who = {"retrieve": MEMBERS, "partial_update": BY_THE_OWNER}
    queryset = Business.objects.none()
    serializer_class = BusinessSerializer

    @extend_schema(operation_id="business_retrieve", responses=BusinessSerializer)
    def retrieve(self, request: Request) -> Response:
        """What is said of the business."""
        return Response(BusinessSerializer(self.seat.business).data)

    @extend_schema(operation_id="business_partial_update", request=BusinessSerializer, responses=BusinessSerializer)
    def partial_update(self, request: Request) -> Response:
        """Change what is named; the rest stays."""
        form = BusinessSerializer(data=request.data, partial=True)
        form.is_valid(raise_exception=True)
        return Response(BusinessSerializer(update_business(business=self.seat.business, **form.validated_data)).data)


class RecheckRuleSerializer(serializers.ModelSerializer[RecheckRule]):
    """When an animal is to be seen again because of what was done: days after the record, both included."""

    why = serializers.SerializerMethodField(help_text="The trigger in words.")
    to_do = serializers.SerializerMethodField(help_text="What is to be done, in words.")
    basis = serializers.SerializerMethodField(help_text="Where the default days come from.")

    class Meta:
        model = RecheckRule
        fields = ["id", "trigger", "why", "what", "to_do", "from_days", "by_days", "warn_days", "active", "basis"]
        read_only_fields = ["trigger", "what"]

    def get_why(self, rule: RecheckRule) -> str:
        return wording.trigger(rule.trigger)

    def get_to_do(self, rule: RecheckRule) -> str:
        return wording.purpose(rule.what)

    def get_basis(self, rule: RecheckRule) -> str:
        return SOURCES.get((rule.trigger, rule.what), "")


class RecheckRuleViewSet(SeenRows[RecheckRule]):
    """The rules by which rechecks are raised."""

    who = {"list": MEMBERS, "retrieve": MEMBERS, "partial_update": BY_THE_OWNER}
    queryset = RecheckRule.objects.all()
    serializer_class = RecheckRuleSerializer
    filterset_fields = ["trigger", "active"]

    def rows(self) -> QuerySet[RecheckRule]:
        return RecheckRule.objects.seen_by(self.seat).order_by("pk")

    @extend_schema(request=RecheckRuleSerializer, responses=RecheckRuleSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Other days, or a rule out of use. Rechecks raised before keep their days."""
        rule = self.get_object()
        form = RecheckRuleSerializer(rule, data=request.data, partial=True)
        form.is_valid(raise_exception=True)
        days = {name: getattr(rule, name) for name in ("from_days", "by_days", "warn_days", "active")}
        change_rule(rule=rule, **(days | form.validated_data))
        return Response(self.shown(rule))


class JobSerializer(serializers.ModelSerializer[Job]):
    """A piece of long work: its state, how far it is (percent), figures so far, and what came of it."""

    so_far = serializers.SerializerMethodField()
    result = serializers.SerializerMethodField()

    class Meta:
        model = Job
        fields = [
            "id",
            "kind",
            "state",
            "progress",
            "message",
            "so_far",
            "stop_asked",
            "result",
            "made_at",
            "finished_at",
        ]
        read_only_fields = fields

    @extend_schema_field(serializers.DictField())
    def get_so_far(self, job: Job) -> Any:
        return job.so_far

    @extend_schema_field(serializers.DictField())
    def get_result(self, job: Job) -> Any:
        return job.result


class JobViewSet(SeenRows[Job]):
    """Long work, the latest first. Ask again until `state` is `done` or `failed`."""

    who = {"list": MEMBERS, "retrieve": MEMBERS, "stop": frozenset({OWNER, TRIMMER})}
    queryset = Job.objects.all()
    serializer_class = JobSerializer
    filterset_fields = ["kind", "state"]

    def rows(self) -> QuerySet[Job]:
        return Job.objects.seen_by(self.seat).order_by("-made_at", "pk")

    @extend_schema(request=None, responses=JobSerializer)
    @action(detail=True, methods=["post"])
    def stop(self, request: Request, pk: str) -> Response:
        """End soon and keep the best so far. Planning heeds it; other work goes on to its end."""
        job = self.get_object()
        ask_to_stop(job=job)
        return Response(self.shown(job))


router = SimpleRouter(trailing_slash=False)
router.register("recheck-rules", RecheckRuleViewSet, basename="api-recheck-rule")
router.register("jobs", JobViewSet, basename="api-job")

urlpatterns: list[Any] = [
    *router.urls,
    path(
        "business", BusinessViewSet.as_view({"get": "retrieve", "patch": "partial_update"}), name="api-business-detail"
    ),
]
