"""The API about sheets brought in and taken out."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied
from django.db.models import QuerySet
from django.http import HttpResponse
from django.urls import path
from django.utils import timezone
from django.utils.http import content_disposition_header
from django.utils.translation import gettext as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.parsers import MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from trimmer.access import MEMBERS, Seat
from trimmer.api.access import SeatedView
from trimmer.api.rows import SeenRows
from trimmer.models import SheetImport
from trimmer.queries.sheets import sheets_to_show
from trimmer.services import sheets
from trimmer.services.sheets import SheetFile
from trimmer.services.sheets.kinds import kind_called
from trimmer.sheets.writing import CSV_TYPE, XLSX_TYPE

KINDS = "clients_and_farms, animals, prices or visits_and_records"


class FaultSerializer(serializers.Serializer[Any]):
    """Something to put right in one cell. The row is 0 where the file as a whole is meant; ``cell`` such as F12,
    ``title`` the header as it stands in the file."""

    row = serializers.IntegerField()
    column = serializers.CharField()
    cell = serializers.CharField()
    title = serializers.CharField()
    code = serializers.CharField()
    value = serializers.CharField()
    message = serializers.CharField()


class TableChangesSerializer(serializers.Serializer[Any]):
    """How many rows of a table of facts are added, changed, left as they are; some of them in sentences."""

    name = serializers.CharField()
    added = serializers.IntegerField()
    changed = serializers.IntegerField()
    same = serializers.IntegerField()
    examples = serializers.ListField(child=serializers.CharField())


class SheetSerializer(serializers.ModelSerializer[SheetImport]):
    """A sheet that was brought in. Ask again until it is no longer ``checking`` or ``storing``."""

    progress = serializers.IntegerField(source="job.progress", default=0, read_only=True)
    message = serializers.CharField(source="job.message", default="", read_only=True)
    fault_count = serializers.SerializerMethodField()
    doubt_count = serializers.SerializerMethodField()
    tables = TableChangesSerializer(many=True, source="summary.tables", default=list, read_only=True)
    notes = serializers.ListField(child=serializers.CharField(), source="summary.notes", default=list, read_only=True)

    class Meta:
        model = SheetImport
        fields = [
            "id",
            "kind",
            "file_name",
            "state",
            "row_count",
            "fault_count",
            "doubt_count",
            "tables",
            "notes",
            "progress",
            "message",
            "brought_by",
            "brought_at",
            "stored_at",
        ]
        read_only_fields = fields

    def get_fault_count(self, sheet: SheetImport) -> int:
        return len(sheet.problems)

    def get_doubt_count(self, sheet: SheetImport) -> int:
        return len(sheet.warnings)


class BringSerializer(serializers.Serializer[Any]):
    """A file as CSV or XLSX, and what kind of sheet it is."""

    kind = serializers.CharField(max_length=40, help_text=f"One of {KINDS}.")
    file = serializers.FileField(allow_empty_file=True)


class SheetViewSet(SeenRows[SheetImport]):
    """Sheets brought in: checked first, stored only when one says so, then all of it or nothing."""

    who = dict.fromkeys(("list", "retrieve", "create", "store", "faults", "doubts", "destroy"), MEMBERS)
    queryset = SheetImport.objects.none()
    serializer_class = SheetSerializer
    filterset_fields = ["kind", "state"]
    lookup_value_regex = r"\d+"
    parser_classes = [MultiPartParser]

    def rows(self) -> QuerySet[SheetImport]:
        return sheets_to_show(self.seat, [kind.name for kind in sheets.kinds() if self.seat.may(kind.who)])

    @extend_schema(request={"multipart/form-data": BringSerializer}, responses={201: SheetSerializer})
    def create(self, request: Request) -> Response:
        """Bring a file in. It is checked by a worker, and nothing of it stored."""
        form = BringSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        file = form.validated_data["file"]
        sheets.check_size(file.size or 0)
        sheet = sheets.bring_sheet(
            business=self.seat.business,
            kind=_allowed(self.seat, form.validated_data["kind"]),
            file_name=file.name or "",
            content=file.read(),
            by=self.seat.user,
            now=timezone.now(),
        )
        return Response(self.shown(sheet), status=HTTPStatus.CREATED)

    @extend_schema(request=None, responses={202: SheetSerializer})
    @action(detail=True, methods=["post"])
    def store(self, request: Request, pk: str) -> Response:
        """Store all of a sheet that has no faults. A worker does it."""
        sheet = sheets.store_sheet(sheet=self.get_object(), by=self.seat.user, now=timezone.now())
        return Response(self.shown(sheet), status=HTTPStatus.ACCEPTED)

    @extend_schema(responses=FaultSerializer(many=True), filters=False)
    @action(detail=True, methods=["get"], filterset_fields=())
    def faults(self, request: Request, pk: str) -> Response:
        """What must be put right before the sheet can be stored."""
        return self._paged(self.get_object().problems)

    @extend_schema(responses=FaultSerializer(many=True), filters=False)
    @action(detail=True, methods=["get"], filterset_fields=())
    def doubts(self, request: Request, pk: str) -> Response:
        """What is worth a look, and does not stand in the way."""
        return self._paged(self.get_object().warnings)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Put a sheet away. What was stored of it stays."""
        sheets.drop_sheet(sheet=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    def _paged(self, faults: list[Any]) -> Response:
        page: Any = self.paginate_queryset(faults)
        return self.get_paginated_response(FaultSerializer(page, many=True).data)


class AskedSerializer(serializers.Serializer[Any]):
    """Which table, and as what kind of file."""

    kind = serializers.CharField(max_length=40)
    form = serializers.ChoiceField(choices=["csv", "xlsx"])
    first = serializers.DateField(required=False)
    last = serializers.DateField(required=False)

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """The first day comes first."""
        if "first" in attrs and "last" in attrs and attrs["last"] < attrs["first"]:
            raise serializers.ValidationError({"last": _("The last day comes before the first. Turn them round.")})
        return attrs


ASKED = [
    OpenApiParameter("kind", str, required=True, description=f"One of {KINDS}."),
    OpenApiParameter("form", str, required=True, enum=["csv", "xlsx"]),
]
DAYS = [
    OpenApiParameter("first", OpenApiTypes.DATE, description="Of visits and records: from this day on."),
    OpenApiParameter("last", OpenApiTypes.DATE, description="Of visits and records: up to this day."),
]
FILES = {(200, CSV_TYPE.split(";")[0]): OpenApiTypes.BINARY, (200, XLSX_TYPE): OpenApiTypes.BINARY}


class SheetFileView(SeatedView):
    """A table as a file."""

    who = MEMBERS

    def asked(self, request: Request) -> dict[str, Any]:
        """Arguments of what makes the file."""
        form = AskedSerializer(data=request.query_params)
        form.is_valid(raise_exception=True)
        _allowed(self.seat, form.validated_data["kind"])
        return {"business": self.seat.business, **form.validated_data}


class ExportView(SheetFileView):
    """What is stored, as a sheet."""

    @extend_schema(operation_id="sheets_export", parameters=[*ASKED, *DAYS], responses=FILES)
    def get(self, request: Request) -> HttpResponse:
        """The whole table; brought in again it changes nothing."""
        return _download(sheets.export_table(**self.asked(request)))


class TemplateView(SheetFileView):
    """An empty sheet."""

    @extend_schema(operation_id="sheets_template", parameters=ASKED, responses=FILES)
    def get(self, request: Request) -> HttpResponse:
        """The columns with one example row, which is passed over when it is brought in."""
        asked = self.asked(request)
        return _download(sheets.template(business=asked["business"], kind=asked["kind"], form=asked["form"]))


def _allowed(seat: Seat, kind: str) -> str:
    if not seat.may(kind_called(kind).who):
        raise PermissionDenied
    return kind


def _download(file: SheetFile) -> HttpResponse:
    response = HttpResponse(file.content, content_type=file.content_type)
    response["Content-Disposition"] = content_disposition_header(as_attachment=True, filename=file.name) or "attachment"
    return response


router = SimpleRouter(trailing_slash=False)
router.register("sheets", SheetViewSet, basename="api-sheet")

urlpatterns = [
    path("sheets/export", ExportView.as_view(), name="api-sheet-export"),
    path("sheets/template", TemplateView.as_view(), name="api-sheet-template"),
    *router.urls,
]
