"""The API about records at the chute."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils import timezone
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import mixins, serializers, viewsets
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer import wording
from trimmer.access import OWNER, SEATED, TRIMMER
from trimmer.api.access import SeatedView
from trimmer.api.own import OwnKey
from trimmer.api.rechecks import RecheckSerializer
from trimmer.cautions import call_veterinarian
from trimmer.lesions import FEET
from trimmer.models import Animal, ChuteRecord, Finding, HeadKind, Scale, Treatment, Visit
from trimmer.queries.records import records_to_show
from trimmer.services import records
from trimmer.services.records import FindingValues, TreatmentValues

AT_THE_CHUTE = frozenset({OWNER, TRIMMER})


class FindingSerializer(serializers.ModelSerializer[Finding]):
    """A lesion found: foot, ICAR code, claw and zone (0-12) where told, M-stage of digital dermatitis where told."""

    class Meta:
        model = Finding
        fields = ["foot", "lesion", "claw", "zone", "m_stage", "note"]


class TreatmentSerializer(serializers.ModelSerializer[Treatment]):
    """Something done beyond trimming; withholding as the label or the veterinarian says."""

    class Meta:
        model = Treatment
        fields = [
            "kind",
            "foot",
            "claw",
            "block_kind",
            "product",
            "batch",
            "milk_withhold_until",
            "meat_withhold_until",
            "note",
        ]


class RecordSerializer(serializers.ModelSerializer[ChuteRecord]):
    number = serializers.CharField(source="animal.number", read_only=True)
    farm = serializers.IntegerField(source="visit.farm_id", read_only=True)
    feet_trimmed = serializers.ListField(child=serializers.ChoiceField(choices=FEET), read_only=True)
    findings = FindingSerializer(many=True, read_only=True)
    treatments = TreatmentSerializer(many=True, read_only=True)
    rechecks_raised = RecheckSerializer(many=True, read_only=True)
    cautions = serializers.SerializerMethodField()

    class Meta:
        model = ChuteRecord
        fields = [
            "id",
            "visit",
            "farm",
            "animal",
            "number",
            "kind",
            "score",
            "scale",
            "feet_trimmed",
            "minutes",
            "note",
            "recorded_at",
            "recorded_by",
            "findings",
            "treatments",
            "rechecks_raised",
            "cautions",
        ]
        read_only_fields = fields

    @extend_schema_field(serializers.ListField(child=serializers.CharField()))
    def get_cautions(self, record: ChuteRecord) -> list[str]:
        caution = call_veterinarian(finding.lesion for finding in record.findings.all())
        return [wording.caution_sentence(caution, self.context["view"].seat.business)] if caution else []


class RecordValuesSerializer(serializers.Serializer[Any]):
    """What a record says. The animal is given by its id, or by the number that was read: an unknown one is added."""

    animal = OwnKey(Animal, required=False)
    number = serializers.CharField(max_length=20, required=False)
    kind = serializers.ChoiceField(choices=HeadKind.choices)
    score = serializers.IntegerField(min_value=0, max_value=5, required=False, allow_null=True, default=None)
    scale = serializers.ChoiceField(choices=Scale.choices, required=False, allow_blank=True, default="")
    feet_trimmed = serializers.ListField(child=serializers.ChoiceField(choices=FEET), required=False, default=list)
    minutes = serializers.DecimalField(5, 1, required=False, allow_null=True, default=None)
    note = serializers.CharField(max_length=300, required=False, allow_blank=True, default="")
    findings = FindingSerializer(many=True, required=False, default=list)
    treatments = TreatmentSerializer(many=True, required=False, default=list)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        if ("animal" in attrs) == ("number" in attrs):
            raise serializers.ValidationError({"animal": _("Give either the animal's id or its number.")})
        return attrs

    def content(self) -> dict[str, Any]:
        """Arguments of `record_animal` and `revise_record`."""
        values = dict(self.validated_data)
        number = values.pop("number", None)
        values["animal"] = values.get("animal") or number
        values["findings"] = [FindingValues(**row) for row in values["findings"]]
        values["treatments"] = [TreatmentValues(**row) for row in values["treatments"]]
        return values


class NewRecordSerializer(RecordValuesSerializer):
    """A record with the id its writer made: sent twice, it is stored once."""

    id = serializers.UUIDField()
    visit = OwnKey(Visit)
    recorded_at = serializers.DateTimeField(required=False, help_text="When it was written down; now unless given.")


class RecordFilter(django_filters.FilterSet):
    farm = django_filters.NumberFilter(field_name="visit__farm")
    first = django_filters.DateFilter(field_name="visit__date", lookup_expr="gte")
    last = django_filters.DateFilter(field_name="visit__date", lookup_expr="lte")

    class Meta:
        model = ChuteRecord
        fields = ["visit", "animal", "kind"]


class RecordViewSet(SeatedView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[ChuteRecord]):
    """What was found and done on animals in the chute."""

    who = {
        "list": SEATED,
        "retrieve": SEATED,
        "create": AT_THE_CHUTE,
        "update": AT_THE_CHUTE,
        "destroy": AT_THE_CHUTE,
    }
    queryset = ChuteRecord.objects.none()
    serializer_class = RecordSerializer
    filterset_class = RecordFilter

    def get_queryset(self) -> QuerySet[ChuteRecord]:
        if getattr(self, "swagger_fake_view", False):
            return ChuteRecord.objects.none()
        return records_to_show(self.seat)

    @extend_schema(request=NewRecordSerializer, responses={201: RecordSerializer})
    def create(self, request: Request) -> Response:
        """Record an animal. The same record sent again changes nothing."""
        form = NewRecordSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        now = timezone.now()
        record = records.record_animal(**({"recorded_at": now} | form.content()), by=self.seat.user, now=now)
        return Response(self._shown(record), status=HTTPStatus.CREATED)

    @extend_schema(request=RecordValuesSerializer, responses=RecordSerializer)
    def update(self, request: Request, pk: str) -> Response:
        """Replace what a record says; its open rechecks follow."""
        record = self.get_object()
        form = RecordValuesSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        return Response(self._shown(records.revise_record(record=record, **form.content(), now=timezone.now())))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Take a record away, with the rechecks it raised."""
        records.remove_record(record=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    def _shown(self, record: ChuteRecord) -> dict[str, Any]:
        stored = records_to_show(self.seat).get(pk=record.pk)
        return RecordSerializer(stored, context=self.get_serializer_context()).data


router = SimpleRouter(trailing_slash=False)
router.register("records", RecordViewSet, basename="api-record")

urlpatterns = router.urls
