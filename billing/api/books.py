"""The API about the books of a period."""

from __future__ import annotations

import datetime as dt
from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from billing.api.shared import AmountField, BillsView
from billing.models import BooksFile
from billing.queries.books import journal_of, tax_summary
from billing.services import books
from trimmer.access import OFFICE, OWNER

BILLERS = frozenset({OWNER, OFFICE})


class BooksPeriodSerializer(serializers.Serializer[Any]):
    """From one day to another, both included."""

    first = serializers.DateField()
    last = serializers.DateField()


class TaxSumSerializer(serializers.Serializer[Any]):
    """What a category and rate came to: invoices less credit notes, by the dates of the documents."""

    code = serializers.CharField()
    rate = serializers.DecimalField(max_digits=6, decimal_places=3)
    name = serializers.CharField()
    base = AmountField()
    tax = AmountField()
    documents = serializers.IntegerField()


class PostingSerializer(serializers.Serializer[Any]):
    """A debit is positive, a credit negative; the postings of an entry make zero."""

    account = serializers.CharField(source="account.name")
    amount = AmountField()


class EntrySerializer(serializers.Serializer[Any]):
    on = serializers.DateField()
    document = serializers.CharField()
    client_number = serializers.CharField()
    client = serializers.CharField()
    text = serializers.CharField()
    postings = PostingSerializer(many=True)


class BooksFileSerializer(serializers.ModelSerializer[BooksFile]):
    """A ZIP for the accountant. It is there once `made_at` is set."""

    class Meta:
        model = BooksFile
        fields = ["id", "first", "last", "asked_at", "made_at", "sha256", "job"]
        read_only_fields = fields


PERIOD = [
    OpenApiParameter("first", OpenApiTypes.DATE, required=True),
    OpenApiParameter("last", OpenApiTypes.DATE, required=True),
]


class BooksView(BillsView):
    """The base of what is told of a period."""

    who = BILLERS

    def period(self, request: Request) -> tuple[dt.date, dt.date]:
        form = BooksPeriodSerializer(data=request.query_params)
        form.is_valid(raise_exception=True)
        first, last = form.validated_data["first"], form.validated_data["last"]
        books.check_period(business=self.seat.business, first=first, last=last, now=timezone.now())
        return first, last


class TaxSummaryView(BooksView):
    @extend_schema(operation_id="books_tax", parameters=PERIOD, responses=TaxSumSerializer(many=True))
    def get(self, request: Request) -> Response:
        """Base and tax of a period by category and rate."""
        rows = tax_summary(self.seat.business, *self.period(request))
        return Response(TaxSumSerializer(rows, many=True, context={"view": self}).data)


class JournalView(BooksView):
    @extend_schema(operation_id="books_journal", parameters=PERIOD, responses=EntrySerializer(many=True))
    def get(self, request: Request) -> Response:
        """The journal of a period as double entry."""
        rows = journal_of(self.seat.business, *self.period(request))
        return Response(EntrySerializer(rows, many=True, context={"view": self}).data)


class BooksFileViewSet(BillsView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[BooksFile]):
    """ZIPs handed over to the accountant."""

    who = dict.fromkeys(("list", "retrieve", "create", "download"), BILLERS)
    queryset = BooksFile.objects.none()
    serializer_class = BooksFileSerializer

    def get_queryset(self) -> QuerySet[BooksFile]:
        if getattr(self, "swagger_fake_view", False):
            return BooksFile.objects.none()
        return BooksFile.objects.seen_by(self.seat).defer("content").order_by("-asked_at", "-pk")

    @extend_schema(request=BooksPeriodSerializer, responses={202: BooksFileSerializer})
    def create(self, request: Request) -> Response:
        """Have a worker put all of a period together."""
        form = BooksPeriodSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        made = books.start_books(
            business=self.seat.business, by=self.seat.user, now=timezone.now(), **form.validated_data
        )
        return Response(BooksFileSerializer(made).data, status=HTTPStatus.ACCEPTED)

    @extend_schema(responses={(200, "application/zip"): OpenApiTypes.BINARY})
    @action(detail=True, methods=["get"])
    def download(self, request: Request, pk: str) -> HttpResponse:
        """The ZIP as it was made."""
        made = get_object_or_404(self.get_queryset().filter(made_at__isnull=False), pk=pk)
        return HttpResponse(bytes(made.content or b""), content_type="application/zip")


_router = SimpleRouter(trailing_slash=False)
_router.register("books-files", BooksFileViewSet, basename="api-books-file")

urlpatterns = [
    path("books/tax", TaxSummaryView.as_view(), name="api-books-tax"),
    path("books/journal", JournalView.as_view(), name="api-books-journal"),
    *_router.urls,
]
