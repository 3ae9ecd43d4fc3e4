"""The API about reminding."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from billing.api.shared import AmountField, BillsView
from billing.models import Invoice, ReminderStop
from billing.queries.reminders import due_reminders
from billing.services import reminders
from trimmer.access import OFFICE, OWNER
from trimmer.api.own import OwnKey
from trimmer.models import Client

BILLERS = frozenset({OWNER, OFFICE})


class DueInvoiceSerializer(serializers.Serializer[Any]):
    invoice = serializers.IntegerField(source="invoice.pk")
    number = serializers.CharField(source="invoice.number")
    open = AmountField()
    days = serializers.IntegerField(help_text="Days past due.")
    step = serializers.IntegerField(source="step.days")
    interest = AmountField()


class DueReminderSerializer(serializers.Serializer[Any]):
    """All a client is to be reminded of today. A stopped one is not reminded."""

    client = serializers.IntegerField(source="client.pk")
    client_name = serializers.CharField(source="client.name")
    invoices = DueInvoiceSerializer(many=True)
    open = AmountField()
    interest = AmountField()
    has_address = serializers.BooleanField()
    stopped = serializers.BooleanField(source="is_stopped")


class RemindSerializer(serializers.Serializer[Any]):
    clients = serializers.ListField(child=OwnKey(Client))


class JobKeySerializer(serializers.Serializer[Any]):
    job = serializers.UUIDField()


class RemindersView(BillsView):
    who = BILLERS

    @extend_schema(operation_id="reminders_due", responses=DueReminderSerializer(many=True))
    def get(self, request: Request) -> Response:
        """Who is to be reminded today, of what."""
        rows = due_reminders(self.seat.business, self.today)
        return Response(DueReminderSerializer(rows, many=True, context={"view": self}).data)

    @extend_schema(operation_id="reminders_send", request=RemindSerializer, responses={202: JobKeySerializer})
    def post(self, request: Request) -> Response:
        """Have a worker remind these clients by e-mail."""
        form = RemindSerializer(data=request.data, context={"view": self})
        form.is_valid(raise_exception=True)
        job = reminders.start_reminders(
            business=self.seat.business, clients=form.validated_data["clients"], by=self.seat.user
        )
        return Response({"job": job.pk}, status=HTTPStatus.ACCEPTED)


class ReminderStopSerializer(serializers.ModelSerializer[ReminderStop]):
    """Nobody is reminded of this invoice, or without one this client of any, until it is lifted."""

    class Meta:
        model = ReminderStop
        fields = ["id", "client", "invoice", "reason", "set_at", "lifted_at"]
        read_only_fields = fields


class NewStopSerializer(serializers.Serializer[Any]):
    client = OwnKey(Client)
    invoice = OwnKey(Invoice, required=False, allow_null=True, default=None)
    reason = serializers.CharField(max_length=300)


class ReminderStopViewSet(BillsView, mixins.ListModelMixin, viewsets.GenericViewSet[ReminderStop]):
    """Stops of reminders."""

    who = dict.fromkeys(("list", "create", "lift"), BILLERS)
    queryset = ReminderStop.objects.none()
    serializer_class = ReminderStopSerializer

    def get_queryset(self) -> QuerySet[ReminderStop]:
        if getattr(self, "swagger_fake_view", False):
            return ReminderStop.objects.none()
        return ReminderStop.objects.seen_by(self.seat).order_by("-set_at", "-pk")

    @extend_schema(request=NewStopSerializer, responses={201: ReminderStopSerializer})
    def create(self, request: Request) -> Response:
        """Stop reminders to a client, or of one invoice."""
        form = NewStopSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        stop = reminders.stop_reminders(by=self.seat.user, now=timezone.now(), **form.validated_data)
        return Response(ReminderStopSerializer(stop).data, status=HTTPStatus.CREATED)

    @extend_schema(request=None, responses=ReminderStopSerializer)
    @action(detail=True, methods=["post"])
    def lift(self, request: Request, pk: str) -> Response:
        """Let reminders go on."""
        stop = reminders.lift_stop(stop=self.get_object(), by=self.seat.user, now=timezone.now())
        return Response(ReminderStopSerializer(stop).data)


_router = SimpleRouter(trailing_slash=False)
_router.register("reminder-stops", ReminderStopViewSet, basename="api-reminder-stop")

urlpatterns = [path("reminders", RemindersView.as_view(), name="api-reminders"), *_router.urls]
