"""The API about sales taxes of places and certificates of exemption."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import QuerySet
from drf_spectacular.utils import extend_schema
from rest_framework import mixins, serializers, viewsets
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from billing.api.shared import KeyFilter
from billing.models import ExemptionCertificate, SalesTaxPlace, SalesTaxRate
from billing.services import sales_tax
from billing.services.sales_tax import RateValues
from trimmer.access import OFFICE, OWNER
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.models import Client, Farm

BILLERS = frozenset({OWNER, OFFICE})


class SalesTaxRateSerializer(serializers.ModelSerializer[SalesTaxRate]):
    """What one authority takes, per cent, from a day to a day, both included."""

    class Meta:
        model = SalesTaxRate
        fields = ["authority", "rate", "valid_from", "valid_to", "on_work", "on_goods"]
        read_only_fields = fields


class SalesTaxPlaceSerializer(serializers.ModelSerializer[SalesTaxPlace]):
    """A place with its rates, and the keys of the farms in it."""

    rates = SalesTaxRateSerializer(many=True, read_only=True)
    farms: serializers.SlugRelatedField[Any] = serializers.SlugRelatedField(
        many=True, read_only=True, slug_field="farm_id"
    )

    class Meta:
        model = SalesTaxPlace
        fields = ["id", "name", "rates", "farms"]
        read_only_fields = fields


class SalesTaxRateValuesSerializer(serializers.Serializer[Any]):
    authority = serializers.CharField(max_length=60)
    rate = serializers.DecimalField(max_digits=6, decimal_places=3)
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True, default=None)
    on_work = serializers.BooleanField(default=True)
    on_goods = serializers.BooleanField(default=True)


class SalesTaxPlaceValuesSerializer(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    rates = SalesTaxRateValuesSerializer(many=True)
    farms = serializers.ListField(child=OwnKey(Farm), required=False, default=list)


class SalesTaxPlaceViewSet(
    SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[SalesTaxPlace]
):
    """Places of sales taxes. Lines keep a copy of what was taken."""

    who = dict.fromkeys(("list", "retrieve", "create", "update", "destroy"), BILLERS)
    queryset = SalesTaxPlace.objects.none()
    serializer_class = SalesTaxPlaceSerializer

    def get_queryset(self) -> QuerySet[SalesTaxPlace]:
        if getattr(self, "swagger_fake_view", False):
            return SalesTaxPlace.objects.none()
        return SalesTaxPlace.objects.seen_by(self.seat).prefetch_related("rates", "farms").order_by("name", "pk")

    @extend_schema(request=SalesTaxPlaceValuesSerializer, responses={201: SalesTaxPlaceSerializer})
    def create(self, request: Request) -> Response:
        """Add a place."""
        return Response(self._kept(request, None), status=HTTPStatus.CREATED)

    @extend_schema(request=SalesTaxPlaceValuesSerializer, responses=SalesTaxPlaceSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Say anew what is taken in a place, and which farms lie in it."""
        return Response(self._kept(request, self.get_object()))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Take away a place no farm lies in."""
        sales_tax.drop_place(place=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    def _kept(self, request: Request, place: SalesTaxPlace | None) -> Any:
        form = SalesTaxPlaceValuesSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        values = form.validated_data
        rates = [RateValues(**row) for row in values.pop("rates")]
        kept = sales_tax.keep_place(business=self.seat.business, place=place, rates=rates, **values)
        return SalesTaxPlaceSerializer(self.get_queryset().get(pk=kept.pk)).data


class ExemptionCertificateSerializer(serializers.ModelSerializer[ExemptionCertificate]):
    """A certificate: from which taxes it frees (all of a place where none is named), of what, and how long."""

    authorities = serializers.ListField(child=serializers.CharField(), read_only=True)

    class Meta:
        model = ExemptionCertificate
        fields = ["id", "client", "number", "valid_from", "valid_to", "authorities", "on_work", "on_goods"]
        read_only_fields = fields


class ExemptionCertificateValuesSerializer(serializers.Serializer[Any]):
    client = OwnKey(Client)
    number = serializers.CharField(max_length=60)
    valid_from = serializers.DateField()
    valid_to = serializers.DateField(required=False, allow_null=True, default=None)
    authorities = serializers.ListField(child=serializers.CharField(max_length=60), required=False, default=list)
    on_work = serializers.BooleanField(default=True)
    on_goods = serializers.BooleanField(default=True)


class ExemptionCertificateFilter(django_filters.FilterSet):
    client = KeyFilter()


class ExemptionCertificateViewSet(
    SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[ExemptionCertificate]
):
    """Certificates that free clients from sales taxes."""

    who = dict.fromkeys(("list", "retrieve", "create", "update", "destroy"), BILLERS)
    queryset = ExemptionCertificate.objects.none()
    serializer_class = ExemptionCertificateSerializer
    filterset_class = ExemptionCertificateFilter

    def get_queryset(self) -> QuerySet[ExemptionCertificate]:
        if getattr(self, "swagger_fake_view", False):
            return ExemptionCertificate.objects.none()
        return ExemptionCertificate.objects.seen_by(self.seat).select_related("client").order_by("pk")

    @extend_schema(request=ExemptionCertificateValuesSerializer, responses={201: ExemptionCertificateSerializer})
    def create(self, request: Request) -> Response:
        """Keep a certificate."""
        return Response(self._kept(request, None), status=HTTPStatus.CREATED)

    @extend_schema(request=ExemptionCertificateValuesSerializer, responses=ExemptionCertificateSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Say anew what a certificate says."""
        return Response(self._kept(request, self.get_object()))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Take away a certificate that was typed by mistake."""
        sales_tax.drop_certificate(certificate=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    def _kept(self, request: Request, certificate: ExemptionCertificate | None) -> Any:
        form = ExemptionCertificateValuesSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        business = self.seat.business
        kept = sales_tax.keep_certificate(business=business, certificate=certificate, **form.validated_data)
        return ExemptionCertificateSerializer(kept).data


_router = SimpleRouter(trailing_slash=False)
_router.register("sales-tax-places", SalesTaxPlaceViewSet, basename="api-sales-tax-place")
_router.register("exemption-certificates", ExemptionCertificateViewSet, basename="api-exemption-certificate")

urlpatterns = _router.urls
