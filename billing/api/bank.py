"""The API about what the bank tells."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.parsers import JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from billing.api.shared import AmountField, BillsView
from billing.bank.matching import Ground, Sureness
from billing.models import BankEntry, BankFile, Invoice
from billing.queries.bank import Suggestion, suggestions
from billing.services import bank
from trimmer.access import OFFICE, OWNER
from trimmer.api.own import OwnKey
from trimmer.models import Client

BILLERS = frozenset({OWNER, OFFICE})


class BankFileSerializer(serializers.ModelSerializer[BankFile]):
    """A statement. One that is not read yet (`read_at` is null) waits to be told its columns. `new_lines`: how many
    lines this call took in."""

    new_lines = serializers.IntegerField(read_only=True, default=0)

    class Meta:
        model = BankFile
        fields = ["id", "name", "sha256", "account", "number", "not_booked", "known_already", "brought_at", "read_at"]
        fields += ["new_lines"]
        read_only_fields = fields


class BringBankFileSerializer(serializers.Serializer[Any]):
    """camt.053 (versions 02 and 08), CSV or XLSX."""

    file = serializers.FileField(allow_empty_file=True)


class ColumnsSerializer(serializers.Serializer[Any]):
    """{what: title of its column}; what is booked_on, amount, paid_in, paid_out, payer, payer_account, reference, text
    or bank_reference."""

    columns = serializers.DictField(child=serializers.CharField(max_length=200))


class BankFileViewSet(BillsView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[BankFile]):
    """Files of the bank, the newest first."""

    who = dict.fromkeys(("list", "retrieve", "create", "tell_columns"), BILLERS)
    queryset = BankFile.objects.none()
    serializer_class = BankFileSerializer
    parser_classes = [MultiPartParser, JSONParser]

    def get_queryset(self) -> QuerySet[BankFile]:
        if getattr(self, "swagger_fake_view", False):
            return BankFile.objects.none()
        return BankFile.objects.seen_by(self.seat).defer("content").order_by("-brought_at", "-pk")

    @extend_schema(request={"multipart/form-data": BringBankFileSerializer}, responses={201: BankFileSerializer})
    def create(self, request: Request) -> Response:
        """Take in a statement. The same file again changes nothing."""
        form = BringBankFileSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        upload = form.validated_data["file"]
        file, new = bank.bring_bank_file(
            business=self.seat.business,
            name=upload.name or "",
            content=upload.read(),
            by=self.seat.user,
            now=timezone.now(),
        )
        return Response(self._shown(file, new), status=HTTPStatus.CREATED)

    @extend_schema(request=ColumnsSerializer, responses=BankFileSerializer)
    @action(detail=True, methods=["post"], url_path="columns")
    def tell_columns(self, request: Request, pk: str) -> Response:
        """Say which column of a sheet holds what, and take its lines in."""
        file = self.get_object()
        form = ColumnsSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        new = bank.tell_columns(file=file, columns=form.validated_data["columns"], now=timezone.now())
        return Response(self._shown(file, new))

    def _shown(self, file: BankFile, new: int) -> Any:
        return BankFileSerializer(self.get_queryset().get(pk=file.pk)).data | {"new_lines": new}


class BankEntrySerializer(serializers.ModelSerializer[BankEntry]):
    """A line of the bank. Negative amounts went out."""

    amount = AmountField(read_only=True)
    references = serializers.ListField(child=serializers.CharField(), read_only=True)

    class Meta:
        model = BankEntry
        fields = ["id", "file", "booked_on", "amount", "currency", "payer", "payer_account", "references", "text"]
        fields += ["end_to_end", "bank_reference", "returned", "state", "payment", "note", "decided_at"]
        read_only_fields = fields


class PartSerializer(serializers.Serializer[Any]):
    invoice = serializers.IntegerField()
    number = serializers.CharField()
    amount = AmountField()


class SuggestionSerializer(serializers.Serializer[Any]):
    """What a waiting line may settle. `seen` is to be sent back when it is accepted. What the parts leave of the line
    is credit on account. `payment`: the earlier payment it takes back."""

    line = serializers.IntegerField()
    sureness = serializers.ChoiceField(choices=[one.value for one in Sureness])
    ground = serializers.ChoiceField(choices=[one.value for one in Ground])
    client = serializers.IntegerField(allow_null=True)
    parts = PartSerializer(many=True)
    payment = serializers.IntegerField(allow_null=True)
    seen = serializers.CharField()


class AcceptSerializer(serializers.Serializer[Any]):
    seen = serializers.CharField(max_length=64)


class SettleSerializer(serializers.Serializer[Any]):
    """Invoices named are settled first, in their order; then the oldest due; the rest is credit."""

    client = OwnKey(Client)
    named_invoices = serializers.ListField(child=OwnKey(Invoice), required=False, default=list)


class SettledSerializer(serializers.Serializer[Any]):
    settled = serializers.IntegerField(help_text="How many lines were settled.")


class AsideSerializer(serializers.Serializer[Any]):
    reason = serializers.CharField(max_length=300)


class BankEntryViewSet(BillsView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[BankEntry]):
    """Lines of the bank."""

    who = dict.fromkeys(
        ("list", "retrieve", "suggestions", "accept", "accept_sure", "settle", "set_aside", "decide_again"), BILLERS
    )
    queryset = BankEntry.objects.none()
    serializer_class = BankEntrySerializer
    filterset_fields = ["state", "file"]

    def get_queryset(self) -> QuerySet[BankEntry]:
        if getattr(self, "swagger_fake_view", False):
            return BankEntry.objects.none()
        return BankEntry.objects.seen_by(self.seat).order_by("booked_on", "pk")

    @extend_schema(responses=SuggestionSerializer(many=True))
    @action(detail=False, methods=["get"], pagination_class=None, filterset_fields=[])
    def suggestions(self, request: Request) -> Response:
        """What each waiting line may settle, the sure ones first."""
        found = [_told(one) for one in suggestions(self.seat.business, self.today)]
        return Response(SuggestionSerializer(found, many=True, context=self.get_serializer_context()).data)

    @extend_schema(request=AcceptSerializer, responses=BankEntrySerializer)
    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: str) -> Response:
        """Settle a line as it was suggested."""
        entry = self.get_object()
        form = AcceptSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        bank.accept_proposal(entry=entry, seen=form.validated_data["seen"], by=self.seat.user, now=timezone.now())
        return self._shown(entry)

    @extend_schema(request=None, responses=SettledSerializer)
    @action(detail=False, methods=["post"], url_path="accept-sure")
    def accept_sure(self, request: Request) -> Response:
        """Settle every line whose suggestion is sure; says how many."""
        settled = bank.accept_sure(business=self.seat.business, by=self.seat.user, now=timezone.now())
        return Response({"settled": settled})

    @extend_schema(request=SettleSerializer, responses=BankEntrySerializer)
    @action(detail=True, methods=["post"])
    def settle(self, request: Request, pk: str) -> Response:
        """Record a line as a payment of a client."""
        entry = self.get_object()
        form = SettleSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        bank.settle_entry(
            entry=entry,
            client=form.validated_data["client"],
            invoices=form.validated_data["named_invoices"],
            by=self.seat.user,
            now=timezone.now(),
        )
        return self._shown(entry)

    @extend_schema(request=AsideSerializer, responses=BankEntrySerializer)
    @action(detail=True, methods=["post"], url_path="set-aside")
    def set_aside(self, request: Request, pk: str) -> Response:
        """Say that a line is none of the invoices' business, and why."""
        entry = self.get_object()
        form = AsideSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        bank.set_aside(entry=entry, reason=form.validated_data["reason"], by=self.seat.user, now=timezone.now())
        return self._shown(entry)

    @extend_schema(request=None, responses=BankEntrySerializer)
    @action(detail=True, methods=["post"], url_path="decide-again")
    def decide_again(self, request: Request, pk: str) -> Response:
        """Take a decision back: the line waits again, and the payment made of it is withdrawn."""
        entry = self.get_object()
        bank.decide_again(entry=entry, by=self.seat.user, now=timezone.now())
        return self._shown(entry)

    def _shown(self, entry: BankEntry) -> Response:
        row = self.get_queryset().get(pk=entry.pk)
        return Response(BankEntrySerializer(row, context=self.get_serializer_context()).data)


def _told(one: Suggestion) -> dict[str, Any]:
    return {
        "line": one.entry.pk,
        "sureness": one.proposal.sureness.value,
        "ground": one.proposal.ground.value,
        "client": one.client.pk if one.client else None,
        "parts": [{"invoice": row.pk, "number": row.number, "amount": part} for row, part in one.parts],
        "payment": one.payment.pk if one.payment else None,
        "seen": one.print,
    }


_router = SimpleRouter(trailing_slash=False)
_router.register("bank-files", BankFileViewSet, basename="api-bank-file")
_router.register("bank-lines", BankEntryViewSet, basename="api-bank-line")

urlpatterns = [*_router.urls]
