"""The API about prices and taxes."""

from __future__ import annotations

from decimal import Decimal
from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import Prefetch, QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from billing.api.shared import KeyFilter
from billing.models import Article, Price, PriceList, PriceWay, SalesTaxOn, TaxCategory, TaxCode
from billing.queries.prices import PRICES_IN_FULL
from billing.services import prices
from billing.services.prices import BandValues, PriceValues
from trimmer.access import OFFICE, OWNER
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.models import Client

BILLERS = frozenset({OWNER, OFFICE})


DISCOUNT_FIELDS = ("discount_percent", "discount_reason", "free_recheck_days")


class TaxCategorySerializer(serializers.ModelSerializer[TaxCategory]):
    """A tax, as the accountant says. `rate` is in per cent."""

    class Meta:
        model = TaxCategory
        fields = ["id", "name", "code", "rate", "exemption_reason", "sales_tax"]
        read_only_fields = fields


class TaxCategoryValuesSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=60)
    code = serializers.ChoiceField(choices=TaxCode.choices)
    rate = serializers.DecimalField(max_digits=6, decimal_places=3, required=False, default=Decimal(0))
    exemption_reason = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")
    sales_tax = serializers.ChoiceField(choices=SalesTaxOn.choices, required=False, allow_blank=True, default="")


class TaxCategoryViewSet(
    SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[TaxCategory]
):
    """Tax categories. Lines keep a copy, so changing one changes nothing that is drafted or issued."""

    who = dict.fromkeys(("list", "retrieve", "create", "update", "destroy"), BILLERS)
    queryset = TaxCategory.objects.none()
    serializer_class = TaxCategorySerializer
    filterset_fields = ["code"]

    def get_queryset(self) -> QuerySet[TaxCategory]:
        if getattr(self, "swagger_fake_view", False):
            return TaxCategory.objects.none()
        return TaxCategory.objects.seen_by(self.seat).order_by("name", "pk")

    @extend_schema(request=TaxCategoryValuesSerializer, responses={201: TaxCategorySerializer})
    def create(self, request: Request) -> Response:
        """Add a tax category."""
        return Response(self._kept(request, None), status=HTTPStatus.CREATED)

    @extend_schema(request=TaxCategoryValuesSerializer, responses=TaxCategorySerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Say anew what a tax category is."""
        return Response(self._kept(request, self.get_object()))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Take away a tax category that no price uses."""
        prices.drop_tax_category(category=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    def _kept(self, request: Request, category: TaxCategory | None) -> Any:
        form = TaxCategoryValuesSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        kept = prices.keep_tax_category(business=self.seat.business, category=category, **form.validated_data)
        return TaxCategorySerializer(kept).data


class BandSerializer(serializers.Serializer[Any]):
    """Above so many units (for zones: km or miles from the base) the price is another."""

    above = serializers.DecimalField(max_digits=12, decimal_places=4)
    amount = serializers.DecimalField(max_digits=12, decimal_places=4)


class PriceSerializer(serializers.ModelSerializer[Price]):
    bands = BandSerializer(many=True, read_only=True)

    class Meta:
        model = Price
        fields = ["article", "amount", "tax_category", "way", "bands"]
        read_only_fields = fields


class PriceListSerializer(serializers.ModelSerializer[PriceList]):
    """A price list; with a client, an agreement that stands over the lists. Both days count."""

    prices = PriceSerializer(many=True, read_only=True)

    class Meta:
        model = PriceList
        fields = ["id", "name", "client", "valid_from", "valid_to", *DISCOUNT_FIELDS, "prices"]
        read_only_fields = fields


class PriceValuesSerializer(serializers.Serializer[Any]):
    article = serializers.ChoiceField(choices=Article.choices)
    amount = serializers.DecimalField(max_digits=12, decimal_places=4, help_text="Before tax, for one unit.")
    tax_category = OwnKey(TaxCategory)
    way = serializers.ChoiceField(choices=PriceWay.choices, required=False, default=PriceWay.FLAT)
    bands = BandSerializer(many=True, required=False, default=())


class PriceListValuesSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    client = OwnKey(Client, required=False, allow_null=True, default=None)
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True, default=None)
    discount_percent = serializers.DecimalField(
        max_digits=6, decimal_places=3, required=False, allow_null=True, default=None
    )
    discount_reason = serializers.CharField(max_length=100, required=False, allow_blank=True, default="")
    free_recheck_days = serializers.IntegerField(
        min_value=0, max_value=365, required=False, allow_null=True, default=None
    )
    prices = PriceValuesSerializer(many=True)


class PriceListFilter(django_filters.FilterSet):
    client = KeyFilter(field_name="client")
    valid_on = django_filters.DateFilter(method="holds_on", label="Lists that hold on a day.")

    class Meta:
        model = PriceList
        fields: list[str] = []

    def holds_on(self, rows: QuerySet[PriceList], name: str, day: Any) -> QuerySet[PriceList]:
        return rows.filter(valid_from__lte=day).exclude(valid_to__lt=day)


class PriceListViewSet(
    SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[PriceList]
):
    """Price lists and agreements. The day of the visit picks the list; what is drafted keeps its prices."""

    who = dict.fromkeys(("list", "retrieve", "create", "update", "destroy"), BILLERS)
    queryset = PriceList.objects.none()
    serializer_class = PriceListSerializer
    filterset_class = PriceListFilter

    def get_queryset(self) -> QuerySet[PriceList]:
        if getattr(self, "swagger_fake_view", False):
            return PriceList.objects.none()
        found = PriceList.objects.seen_by(self.seat).order_by("-valid_from", "pk")
        return found.prefetch_related(Prefetch("prices", PRICES_IN_FULL))

    @extend_schema(request=PriceListValuesSerializer, responses={201: PriceListSerializer})
    def create(self, request: Request) -> Response:
        """Add a price list."""
        return Response(self._kept(request, None), status=HTTPStatus.CREATED)

    @extend_schema(request=PriceListValuesSerializer, responses=PriceListSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Say anew what a price list holds."""
        return Response(self._kept(request, self.get_object()))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Take away a list made by mistake; one that is over gets a last day instead."""
        prices.drop_price_list(price_list=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    def _kept(self, request: Request, price_list: PriceList | None) -> Any:
        form = PriceListValuesSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        values = dict(form.validated_data)
        values["prices"] = [
            PriceValues(**(row | {"bands": tuple(BandValues(**band) for band in row["bands"])}))
            for row in values["prices"]
        ]
        kept = prices.keep_price_list(business=self.seat.business, price_list=price_list, **values)
        return PriceListSerializer(self.get_queryset().get(pk=kept.pk)).data


router = SimpleRouter(trailing_slash=False)
router.register("tax-categories", TaxCategoryViewSet, basename="api-tax-category")
router.register("price-lists", PriceListViewSet, basename="api-price-list")

urlpatterns = router.urls
