"""The API about oneself: where one sits, and the tokens of one's programs."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.db.models import QuerySet
from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer.access import SEATED, SIGNED_IN, Seat, seats_of
from trimmer.api.access import SeatedView
from trimmer.api.permissions import seat_of
from trimmer.api.rows import SeenRows
from trimmer.models import ApiToken
from trimmer.services.people import make_token, withdraw_token


class PlaceSerializer(serializers.Serializer[Seat]):
    """A place from which a person acts: a role in a business, or one client's farms (role `farm`)."""

    key = serializers.CharField()
    role = serializers.CharField()
    business = serializers.IntegerField(source="business.pk")
    business_name = serializers.CharField(source="business.name")
    client = serializers.IntegerField(source="client.pk", allow_null=True, default=None)
    client_name = serializers.CharField(source="client.name", allow_null=True, default=None)
    may_ask = serializers.BooleanField()
    may_see_invoices = serializers.BooleanField()


class MeSerializer(serializers.Serializer[Any]):
    """The person signed in, the place this request acts from, and all their places."""

    person = serializers.IntegerField()
    name = serializers.CharField()
    email = serializers.EmailField()
    place = PlaceSerializer(allow_null=True)
    places = PlaceSerializer(many=True)


class MeView(SeatedView):
    """Oneself."""

    who = frozenset({SIGNED_IN})

    @extend_schema(responses=MeSerializer)
    def get(self, request: Request) -> Response:
        """Who is signed in, and where they sit. A token always acts in its own business."""
        person: Any = request.user
        values = {
            "person": person.pk,
            "name": person.name,
            "email": person.email,
            "place": seat_of(request),
            "places": seats_of(person),
        }
        return Response(MeSerializer(values).data)


class TokenSerializer(serializers.ModelSerializer[ApiToken]):
    """A token with which a program acts as its person in one business."""

    class Meta:
        model = ApiToken
        fields = ["id", "name", "made_at", "withdrawn_at"]
        read_only_fields = fields


class NewTokenSerializer(serializers.Serializer[Any]):
    """A name for the program that will use the token."""

    name = serializers.CharField(max_length=80)


class MadeTokenSerializer(TokenSerializer):
    """A new token with its secret, which is shown this once: a repeated write gets the same answer without it."""

    secret = serializers.CharField(allow_null=True, default=None)

    class Meta:
        model = ApiToken
        fields = [*TokenSerializer.Meta.fields, "secret"]
        read_only_fields = fields


class TokenViewSet(SeenRows[ApiToken]):
    """One's own tokens in this business, the latest first."""

    who = {"list": SEATED, "retrieve": SEATED, "create": SEATED, "destroy": SEATED}
    queryset = ApiToken.objects.all()
    serializer_class = TokenSerializer

    def rows(self) -> QuerySet[ApiToken]:
        own = ApiToken.objects.of(self.seat.business).filter(user=self.seat.user)
        return own.order_by("-made_at", "-pk")

    @extend_schema(request=NewTokenSerializer, responses={201: MadeTokenSerializer})
    def create(self, request: Request) -> Response:
        """Make a token. Send it as `Authorization: Bearer <secret>`."""
        form = NewTokenSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        token, secret = make_token(seat=self.seat, now=timezone.now(), **form.validated_data)
        return Response(
            TokenSerializer(token).data | {"secret": secret},
            status=HTTPStatus.CREATED,
            headers={"Cache-Control": "no-store"},
        )

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Withdraw a token: it works no longer."""
        withdraw_token(token=self.get_object(), now=timezone.now())
        return Response(status=HTTPStatus.NO_CONTENT)

    def to_remember(self, data: Any) -> Any:
        """Never the secret."""
        return data | {"secret": None} if data and "secret" in data else data


router = SimpleRouter(trailing_slash=False)
router.register("tokens", TokenViewSet, basename="api-token")

urlpatterns: list[Any] = [*router.urls, path("me", MeView.as_view(), name="api-me")]
