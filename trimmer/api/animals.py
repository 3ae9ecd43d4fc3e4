"""The API about animals, and about milk and meat withheld on a farm."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.urls import path
from django.utils import timezone
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer import wording
from trimmer.access import MEMBERS, SEATED
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.models import Animal, Farm
from trimmer.queries.animals import Withheld, withheld
from trimmer.services import animals
from trimmer.services.animals import AnimalValues, StoredAnimal

FIELDS = [
    "number",
    "official_tag",
    "transponder",
    "animal_class",
    "group",
    "born_on",
    "calved_on",
    "calving_due_on",
    "dry_off_on",
    "note",
]


class TagCautionSerializer(serializers.Serializer[Any]):
    """Something to look at again; nothing was refused."""

    field = serializers.CharField(help_text="The value it is about.")
    code = serializers.CharField()
    message = serializers.CharField(source="*")


class AnimalSerializer(serializers.ModelSerializer[Animal]):
    archived = serializers.SerializerMethodField()

    class Meta:
        model = Animal
        fields = ["id", "farm", *FIELDS, "archived"]
        read_only_fields = fields

    def get_archived(self, animal: Animal) -> bool:
        return animal.archived_at is not None


class StoredAnimalSerializer(serializers.Serializer[StoredAnimal]):
    """An animal as stored, with what is doubtful about its numbers."""

    animal = AnimalSerializer()
    cautions = TagCautionSerializer(many=True)


class AnimalValuesSerializer(serializers.ModelSerializer[Animal]):
    """What is known of an animal. A tag is stored in its one form; a doubtful one comes back as a caution."""

    class Meta:
        model = Animal
        fields = FIELDS

    def values(self) -> AnimalValues:
        return AnimalValues(**{name: value for name, value in self.validated_data.items() if name in FIELDS})


class NewAnimalSerializer(AnimalValuesSerializer):
    farm = OwnKey(Farm, current=True)

    class Meta:
        model = Animal
        fields = ["farm", *FIELDS]
        validators: list[Any] = []  # the service says which animal has the number


class AnimalFilter(django_filters.FilterSet):
    archived = django_filters.BooleanFilter(field_name="archived_at", lookup_expr="isnull", exclude=True)

    class Meta:
        model = Animal
        fields = ["farm", "number", "group", "animal_class"]


class AnimalViewSet(SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[Animal]):
    """Animals of the farms. PUT replaces what is known; an animal is archived, never deleted."""

    who = {
        "list": SEATED,
        "retrieve": SEATED,
        "create": MEMBERS,
        "update": MEMBERS,
        "archive": MEMBERS,
        "bring_back": MEMBERS,
    }
    queryset = Animal.objects.none()
    serializer_class = AnimalSerializer
    filterset_class = AnimalFilter

    def get_queryset(self) -> QuerySet[Animal]:
        if getattr(self, "swagger_fake_view", False):
            return Animal.objects.none()
        found = Animal.objects.seen_by(self.seat).select_related("farm__client__business")
        return found.order_by("farm", "number", "pk")

    @extend_schema(request=NewAnimalSerializer, responses={201: StoredAnimalSerializer})
    def create(self, request: Request) -> Response:
        """Put an animal on a farm's list."""
        form = NewAnimalSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        stored = animals.add_animal(farm=form.validated_data["farm"], values=form.values())
        return Response(StoredAnimalSerializer(stored).data, status=HTTPStatus.CREATED)

    @extend_schema(request=AnimalValuesSerializer, responses=StoredAnimalSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Replace what is known of an animal."""
        animal = self.get_object()
        form = AnimalValuesSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        return Response(StoredAnimalSerializer(animals.change_animal(animal=animal, values=form.values())).data)

    @extend_schema(request=None, responses=AnimalSerializer)
    @action(detail=True, methods=["post"])
    def archive(self, request: Request, pk: str) -> Response:
        """Take an animal that left the herd off the lists; its records stay."""
        animal = self.get_object()
        animals.archive_animal(animal=animal, now=timezone.now())
        return Response(AnimalSerializer(animal).data)

    @extend_schema(request=None, responses=AnimalSerializer)
    @action(detail=True, methods=["post"], url_path="bring-back")
    def bring_back(self, request: Request, pk: str) -> Response:
        """Put an archived animal on the list again."""
        animal = self.get_object()
        animals.bring_back_animal(animal=animal)
        return Response(AnimalSerializer(animal).data)


class WithheldSerializer(serializers.Serializer[Withheld]):
    """Milk or meat of one animal that may not be sold yet, as entered from the label or the veterinarian."""

    animal = serializers.IntegerField(source="animal.pk")
    number = serializers.CharField(source="animal.number")
    milk_until = serializers.DateTimeField(source="milk.until", allow_null=True, default=None)
    meat_until = serializers.DateTimeField(source="meat.until", allow_null=True, default=None)
    products = serializers.SerializerMethodField()
    cautions = serializers.SerializerMethodField()

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_products(self, row: Withheld) -> list[str]:
        return list(dict.fromkeys(treatment.product for treatment in row.treatments if treatment.product))

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_cautions(self, row: Withheld) -> list[str]:
        business = self.context["business"]
        return [wording.caution_sentence(caution, business) for caution in row.cautions]


class WithholdingView(SeatedView):
    """Milk and meat withheld now on a farm."""

    who = SEATED

    @extend_schema(operation_id="farms_withholding_list", responses=WithheldSerializer(many=True))
    def get(self, request: Request, pk: int) -> Response:
        """Animals of the farm whose milk or meat may not be sold yet, by number."""
        farm = get_object_or_404(Farm.objects.seen_by(self.seat), pk=pk)
        rows: Any = withheld(Animal.objects.seen_by(self.seat).filter(farm=farm), now=timezone.now())
        return Response(WithheldSerializer(rows, many=True, context={"business": self.seat.business}).data)


router = SimpleRouter(trailing_slash=False)
router.register("animals", AnimalViewSet, basename="api-animal")

urlpatterns = [*router.urls, path("farms/<int:pk>/withholding", WithholdingView.as_view(), name="api-farm-withholding")]
