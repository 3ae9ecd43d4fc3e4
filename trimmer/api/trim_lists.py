"""The API about the trim list of a visit."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from trimmer import wording
from trimmer.access import SEATED
from trimmer.api.access import SeatedView
from trimmer.models import ListReason, TrimListEntry, Visit
from trimmer.queries.trim_lists import ListedAnimal, Pen, trim_list_of
from trimmer.services import trim_lists


class ListReasonSerializer(serializers.Serializer[Any]):
    code = serializers.ChoiceField(choices=ListReason.choices)
    details = serializers.ListField(child=serializers.CharField())


class ListedAnimalSerializer(serializers.Serializer[ListedAnimal]):
    """An animal to be brought to the chute; ``pick`` is the key of the farm's pick, where it is one."""

    number = serializers.CharField()
    animal = serializers.IntegerField(source="animal.pk", allow_null=True, default=None)
    reasons = ListReasonSerializer(many=True)
    cautions = serializers.SerializerMethodField()
    pick = serializers.IntegerField(source="pick.pk", allow_null=True, default=None)
    recorded = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_cautions(self, row: ListedAnimal) -> list[str]:
        return [wording.caution_sentence(caution, self.context["business"]) for caution in row.cautions]

    def get_recorded(self, row: ListedAnimal) -> bool:
        return row.record is not None


class PenSerializer(serializers.Serializer[Pen]):
    """The animals of one pen; no name where none was told."""

    name = serializers.CharField()
    animals = ListedAnimalSerializer(many=True)


class PickSerializer(serializers.Serializer[Any]):
    number = serializers.CharField(max_length=20)
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")


class OfVisitView(SeatedView):
    """Finds the visit and shows its list."""

    def visit(self, pk: int) -> Visit:
        visits = Visit.objects.seen_by(self.seat).select_related("farm__client__business")
        return get_object_or_404(visits, pk=pk)

    def pens(self, visit: Visit) -> Any:
        pens: Any = trim_list_of(visit, now=timezone.now()).pens
        return PenSerializer(pens, many=True, context={"business": self.seat.business}).data


class TrimListView(OfVisitView):
    """The trim list of a visit, by pen."""

    who = SEATED

    @extend_schema(operation_id="visits_trim_list_retrieve", responses=PenSerializer(many=True))
    def get(self, request: Request, pk: int) -> Response:
        """The list as it was drawn up, with picks."""
        return Response(self.pens(self.visit(pk)))

    @extend_schema(operation_id="visits_trim_list_draw_up", request=None, responses=PenSerializer(many=True))
    def post(self, request: Request, pk: int) -> Response:
        """Draw the list up, or again: it follows what changed, picks stay."""
        visit = self.visit(pk)
        trim_lists.draw_up_trim_list(visit=visit, now=timezone.now())
        return Response(self.pens(visit))


class PicksView(OfVisitView):
    """The farm's own picks."""

    who = SEATED

    @extend_schema(
        operation_id="visits_trim_list_pick", request=PickSerializer, responses={201: PenSerializer(many=True)}
    )
    def post(self, request: Request, pk: int) -> Response:
        """Put an animal on the list by its number. A farm's person must be one who may ask for visits."""
        visit = self.visit(pk)
        _check_may_pick(self)
        form = PickSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        trim_lists.pick_animal(visit=visit, **form.validated_data, by=self.seat.user)
        return Response(self.pens(visit), status=HTTPStatus.CREATED)


class ListedView(SeatedView):
    """One entry of the list."""

    who = SEATED

    @extend_schema(operation_id="visits_trim_list_unpick", responses={204: None})
    def delete(self, request: Request, pk: int, entry: int) -> Response:
        """Take a pick off the list."""
        listed = get_object_or_404(TrimListEntry.objects.seen_by(self.seat).filter(visit=pk), pk=entry)
        _check_may_pick(self)
        trim_lists.unpick_animal(entry=listed)
        return Response(status=HTTPStatus.NO_CONTENT)


def _check_may_pick(view: SeatedView) -> None:
    if not (view.seat.is_member or view.seat.may_ask):
        raise PermissionDenied


urlpatterns = [
    path("visits/<int:pk>/trim-list", TrimListView.as_view(), name="api-trim-list"),
    path("visits/<int:pk>/trim-list/picks", PicksView.as_view(), name="api-trim-list-picks"),
    path("visits/<int:pk>/trim-list/<int:entry>", ListedView.as_view(), name="api-trim-list-entry"),
]
