"""The API about people: members, farms' people, invitations."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer.access import MEMBERS, OFFICE, OWNER
from trimmer.api.own import OwnKey
from trimmer.api.rows import SeenRows
from trimmer.models import Client, FarmPerson, Invitation, Membership, Role
from trimmer.queries.people import farm_people_of, members_of, waiting_invitations
from trimmer.services import people

BY_THE_OWNER = frozenset({OWNER})
AT_THE_DESK = frozenset({OWNER, OFFICE})


class MemberSerializer(serializers.ModelSerializer[Membership]):
    """Who works in the business. `person` is the key of the person, `id` that of their place here."""

    person = serializers.IntegerField(source="user_id", read_only=True)
    name = serializers.CharField(source="user.name", read_only=True)
    email = serializers.EmailField(source="user.email", read_only=True)

    class Meta:
        model = Membership
        fields = ["id", "person", "name", "email", "role"]


class MemberViewSet(SeenRows[Membership]):
    """Who works in the business."""

    who = {"list": MEMBERS, "retrieve": MEMBERS, "partial_update": BY_THE_OWNER, "destroy": BY_THE_OWNER}
    queryset = Membership.objects.all()
    serializer_class = MemberSerializer
    filterset_fields = ["role"]

    def rows(self) -> QuerySet[Membership]:
        return members_of(self.seat)

    @extend_schema(request=MemberSerializer, responses=MemberSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Give a member another role."""
        membership = self.get_object()
        form = MemberSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        return Response(self.shown(people.change_role(membership=membership, **form.validated_data)))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Take a member out of the business."""
        people.remove_member(membership=self.get_object(), now=timezone.now())
        return Response(status=HTTPStatus.NO_CONTENT)


class FarmPersonSerializer(serializers.ModelSerializer[FarmPerson]):
    """A person of one client's farms, and what they may do."""

    person = serializers.IntegerField(source="user_id", read_only=True)
    name = serializers.CharField(source="user.name", read_only=True)
    email = serializers.EmailField(source="user.email", read_only=True)

    class Meta:
        model = FarmPerson
        fields = ["id", "client", "person", "name", "email", "may_ask", "may_see_invoices"]
        read_only_fields = ["client"]


class FarmPersonViewSet(SeenRows[FarmPerson]):
    """Farms' people."""

    who = {"list": MEMBERS, "retrieve": MEMBERS, "partial_update": AT_THE_DESK, "destroy": AT_THE_DESK}
    queryset = FarmPerson.objects.all()
    serializer_class = FarmPersonSerializer
    filterset_fields = ["client"]

    def rows(self) -> QuerySet[FarmPerson]:
        return farm_people_of(self.seat)

    @extend_schema(request=FarmPersonSerializer, responses=FarmPersonSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Change what a farm's person may do."""
        form = FarmPersonSerializer(self.get_object(), data=request.data, partial=True)
        form.is_valid(raise_exception=True)
        return Response(self.shown(form.save()))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Take a person out of a client's farms."""
        people.remove_farm_person(person=self.get_object(), now=timezone.now())
        return Response(status=HTTPStatus.NO_CONTENT)


class InvitationSerializer(serializers.ModelSerializer[Invitation]):
    """An invitation nobody has accepted yet: to a role in the business, or to a client's farms."""

    mail_failed = serializers.BooleanField(allow_null=True, help_text="The e-mail with the link did not leave.")

    class Meta:
        model = Invitation
        fields = [
            "id",
            "email",
            "role",
            "client",
            "may_ask",
            "may_see_invoices",
            "sent_at",
            "expires_at",
            "mail_failed",
        ]
        read_only_fields = fields


class NewInvitationSerializer(serializers.Serializer[Any]):
    """Whom to invite: to a `role` in the business (by an owner), or to the farms of a `client`; one of the two."""

    email = serializers.EmailField()
    role = serializers.ChoiceField(choices=Role.choices, required=False)
    client = OwnKey(Client, current=True, required=False)
    may_ask = serializers.BooleanField(default=True)
    may_see_invoices = serializers.BooleanField(default=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("role" in attrs) is ("client" in attrs):
            raise serializers.ValidationError(_("Give a role or a client, one of the two."))
        return attrs


class InvitationViewSet(SeenRows[Invitation]):
    """Invitations nobody has accepted yet, the latest first."""

    who = {
        "list": AT_THE_DESK,
        "retrieve": AT_THE_DESK,
        "create": AT_THE_DESK,
        "destroy": AT_THE_DESK,
        "again": AT_THE_DESK,
    }
    queryset = Invitation.objects.all()
    serializer_class = InvitationSerializer
    filterset_fields = ["client"]

    def rows(self) -> QuerySet[Invitation]:
        return waiting_invitations(self.seat)

    @extend_schema(request=NewInvitationSerializer, responses={201: InvitationSerializer})
    def create(self, request: Request) -> Response:
        """Send somebody a link by e-mail that lets them in. Only an owner invites to a role."""
        form = NewInvitationSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        return Response(self.shown(self._invite(form.validated_data)), status=HTTPStatus.CREATED)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Withdraw an invitation: its link works no longer."""
        people.withdraw_invitation(invitation=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    @extend_schema(request=None, responses=InvitationSerializer)
    @action(detail=True, methods=["post"])
    def again(self, request: Request, pk: str) -> Response:
        """Send a new link; the old one works no longer. The answer is the invitation that takes its place."""
        invitation = people.send_invitation_again(invitation=self.get_object(), by=self.seat.user, now=timezone.now())
        return Response(self.shown(invitation))

    def _invite(self, wanted: dict[str, Any]) -> Invitation:
        by, now = self.seat.user, timezone.now()
        if "client" in wanted:
            return people.invite_farm_person(**wanted, by=by, now=now)
        if self.seat.role != OWNER:
            raise PermissionDenied
        return people.invite_member(
            business=self.seat.business, email=wanted["email"], role=wanted["role"], by=by, now=now
        )


router = SimpleRouter(trailing_slash=False)
router.register("members", MemberViewSet, basename="api-member")
router.register("farm-people", FarmPersonViewSet, basename="api-farm-person")
router.register("invitations", InvitationViewSet, basename="api-invitation")

urlpatterns: list[Any] = router.urls
