"""The API about payments, balances and statements."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import Prefetch, QuerySet
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from billing.api.shared import AmountField, BillsView, KeyFilter
from billing.charges.ageing import Age, Ageing
from billing.models import Allocation, Invoice, Payment, PaymentMethod
from billing.queries.balances import ClientAgeing, Statement, ageing_of, client_balance, statement_of
from billing.services import payments
from trimmer.access import FARM, OFFICE, OWNER
from trimmer.api.own import OwnKey
from trimmer.models import Client

BILLERS = frozenset({OWNER, OFFICE})
READERS = BILLERS | {FARM}


class AllocationSerializer(serializers.ModelSerializer[Allocation]):
    number = serializers.CharField(source="invoice.number", read_only=True)
    amount = AmountField(read_only=True)

    class Meta:
        model = Allocation
        fields = ["invoice", "number", "amount"]
        read_only_fields = fields


class PaymentSerializer(serializers.ModelSerializer[Payment]):
    """Money of a client. What its allocations leave over is credit on account; a withdrawn one settles nothing."""

    client_name = serializers.CharField(source="client.name", read_only=True)
    amount = AmountField(read_only=True)
    allocations = AllocationSerializer(many=True, read_only=True)

    class Meta:
        model = Payment
        fields = [
            "id",
            "client",
            "client_name",
            "received_on",
            "amount",
            "method",
            "reference",
            "note",
            "recorded_at",
            "withdrawn_at",
            "withdrawn_reason",
            "allocations",
        ]
        read_only_fields = fields


class NewPaymentSerializer(serializers.Serializer[Any]):
    """`named_invoices` are settled first, in their order; then the oldest due."""

    client = OwnKey(Client)
    received_on = serializers.DateField()
    amount = serializers.DecimalField(max_digits=14, decimal_places=3)
    method = serializers.ChoiceField(choices=PaymentMethod.choices)
    reference = serializers.CharField(max_length=140, required=False, allow_blank=True, default="")
    note = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")
    named_invoices = serializers.ListField(child=OwnKey(Invoice), required=False, default=list)


class WithdrawalSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=300)


class PaymentFilter(django_filters.FilterSet):
    client = KeyFilter(field_name="client")
    received_from = django_filters.DateFilter(field_name="received_on", lookup_expr="gte")
    received_until = django_filters.DateFilter(field_name="received_on", lookup_expr="lte")
    withdrawn = django_filters.BooleanFilter(field_name="withdrawn_at", lookup_expr="isnull", exclude=True)

    class Meta:
        model = Payment
        fields: list[str] = []


class PaymentViewSet(BillsView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[Payment]):
    """Payments, the newest first."""

    who = dict.fromkeys(("list", "retrieve", "create", "withdraw"), BILLERS)
    queryset = Payment.objects.none()
    serializer_class = PaymentSerializer
    filterset_class = PaymentFilter

    def get_queryset(self) -> QuerySet[Payment]:
        if getattr(self, "swagger_fake_view", False):
            return Payment.objects.none()
        allocations = Prefetch("allocations", Allocation.objects.select_related("invoice").order_by("pk"))
        found = Payment.objects.seen_by(self.seat).select_related("client").prefetch_related(allocations)
        return found.order_by("-received_on", "-pk")

    @extend_schema(request=NewPaymentSerializer, responses={201: PaymentSerializer})
    def create(self, request: Request) -> Response:
        """Record a payment and settle invoices by it."""
        form = NewPaymentSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        payment = payments.record_payment(by=self.seat.user, now=timezone.now(), **form.validated_data)
        return Response(self._shown(payment), status=HTTPStatus.CREATED)

    @extend_schema(request=WithdrawalSerializer, responses=PaymentSerializer)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: str) -> Response:
        """Withdraw a payment that was typed wrongly or went back; what it settled is open again."""
        payment = self.get_object()
        form = WithdrawalSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        payments.undo_payment(
            payment=payment, reason=form.validated_data["reason"], by=self.seat.user, now=timezone.now()
        )
        return Response(self._shown(payment))

    def _shown(self, payment: Payment) -> Any:
        row = self.get_queryset().get(pk=payment.pk)
        return PaymentSerializer(row, context=self.get_serializer_context()).data


class AgesSerializer(serializers.Serializer[Any]):
    """What is owed by days past due; not yet due is `current`."""

    current = AmountField()
    days_1_30 = AmountField()
    days_31_60 = AmountField()
    days_61_90 = AmountField()
    over_90 = AmountField()


class AgeingSerializer(serializers.Serializer[Ageing]):
    """A debt by age on a day, the credit on account, and the balance of both."""

    on = serializers.DateField()
    by_age = AgesSerializer()
    owed = AmountField()
    overdue = AmountField()
    credit = AmountField()
    balance = AmountField()


class BalanceSerializer(serializers.Serializer[ClientAgeing]):
    client = serializers.IntegerField(source="client.pk")
    client_number = serializers.CharField(source="client.number")
    client_name = serializers.CharField(source="client.name")
    ageing = AgeingSerializer()


class BalancesSerializer(serializers.Serializer[Any]):
    """Every client with something open or on account, and the sum of all."""

    currency = serializers.CharField()
    clients = BalanceSerializer(many=True)
    total = AgeingSerializer()


class BalancesView(BillsView):
    """Who owes what."""

    who = READERS

    @extend_schema(responses=BalancesSerializer)
    def get(self, request: Request) -> Response:
        """Balances of today by age. A farm's person sees its own."""
        seat = self.seat
        if seat.client is None:
            aged = ageing_of(seat.business, self.today)
            rows, total = list(aged.rows), aged.total
        else:
            total = client_balance(seat.client, self.today)
            rows = [ClientAgeing(seat.client, total)]
        shown = BalancesSerializer(
            {
                "currency": seat.business.currency,
                "clients": [{"client": row.client, "ageing": _plain(row.ageing)} for row in rows],
                "total": _plain(total),
            },
            context={"view": self},
        )
        return Response(shown.data)


def _plain(ageing: Ageing) -> dict[str, Any]:
    """An ageing with its ages by code."""
    return {
        "on": ageing.on,
        "by_age": {age.value: ageing.by_age[age] for age in Age},
        "owed": ageing.owed,
        "overdue": ageing.overdue,
        "credit": ageing.credit,
        "balance": ageing.balance,
    }


class StatementLineSerializer(serializers.Serializer[Any]):
    """An event of an account: what it added (or, negative, took off) and the balance after it."""

    on = serializers.DateField()
    text = serializers.CharField()
    invoice = serializers.IntegerField(source="invoice.pk", allow_null=True, default=None)
    payment = serializers.IntegerField(source="payment.pk", allow_null=True, default=None)
    amount = AmountField()
    balance = AmountField()


class StatementSerializer(serializers.Serializer[Statement]):
    client = serializers.IntegerField(source="client.pk")
    first = serializers.DateField()
    last = serializers.DateField()
    opening = AmountField()
    lines = StatementLineSerializer(many=True)
    closing = AmountField()


class PeriodSerializer(serializers.Serializer[Any]):
    first = serializers.DateField(required=False)
    last = serializers.DateField(required=False)


class StatementView(BillsView):
    """A client's account between two days, both included: by default from New Year's Day until today."""

    who = READERS

    @extend_schema(
        operation_id="clients_statement_retrieve", parameters=[PeriodSerializer], responses=StatementSerializer
    )
    def get(self, request: Request, pk: int) -> Response:
        """Invoices, credit notes and payments with the balance before and after."""
        client = get_object_or_404(Client.objects.seen_by(self.seat), pk=pk)
        form = PeriodSerializer(data=request.query_params)
        form.is_valid(raise_exception=True)
        last = form.validated_data.get("last", self.today)
        first = form.validated_data.get("first", last.replace(month=1, day=1))
        statement = statement_of(client, min(first, last), last)
        return Response(StatementSerializer(statement, context={"view": self}).data)


class UsedCreditSerializer(serializers.ModelSerializer[Allocation]):
    number = serializers.CharField(source="invoice.number", read_only=True)
    amount = AmountField(read_only=True, help_text="All that this source settles of the invoice by now.")

    class Meta:
        model = Allocation
        fields = ["invoice", "number", "payment", "credit_note", "amount"]
        read_only_fields = fields


class UseCreditView(BillsView):
    """The credit on a client's account."""

    who = BILLERS

    @extend_schema(operation_id="clients_use_credit", request=None, responses=UsedCreditSerializer(many=True))
    def post(self, request: Request, pk: int) -> Response:
        """Settle the client's open invoices by it, the oldest due first."""
        client = get_object_or_404(Client.objects.seen_by(self.seat), pk=pk)
        made = payments.use_credit(client=client)
        return Response(UsedCreditSerializer(made, many=True, context={"view": self}).data)


router = SimpleRouter(trailing_slash=False)
router.register("payments", PaymentViewSet, basename="api-payment")

urlpatterns = [
    *router.urls,
    path("balances", BalancesView.as_view(), name="api-balances"),
    path("clients/<int:pk>/statement", StatementView.as_view(), name="api-client-statement"),
    path("clients/<int:pk>/use-credit", UseCreditView.as_view(), name="api-client-use-credit"),
]
