"""The API about visits to bill, invoices and credit notes."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

import django_filters
from django.db.models import Prefetch, QuerySet
from django.http import HttpResponse
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema, extend_schema_field
from rest_framework import mixins, serializers, viewsets
from rest_framework.decorators import action
from rest_framework.renderers import BaseRenderer, JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter

from billing.api.shared import AmountField, BillsView, CautionSerializer, KeyFilter
from billing.models import (
    Invoice,
    InvoiceAllowance,
    InvoiceKind,
    InvoiceLine,
    InvoiceSending,
    InvoiceState,
    InvoiceTax,
    IssueRun,
    Syntax,
)
from billing.models import TaxCategory as Tax
from billing.queries.balances import Standing, invoices_seen_by, with_standing
from billing.queries.visits import VisitToBill, priced_visits, visits_to_bill
from billing.services import credits, drafts, issuing, sending
from billing.services.credits import LineCredit
from billing.services.documents import bytes_of, keep_document, preview_document
from billing.services.drafts import UNITS, DiscountValues, Drafting, LineValues, Repricing
from billing.services.einvoices import xml_of
from trimmer.access import FARM, OFFICE, OWNER
from trimmer.api.own import OwnKey
from trimmer.models import Client, Visit

BILLERS = frozenset({OWNER, OFFICE})
READERS = BILLERS | {FARM}


# Visits to bill


class ChargeSerializer(serializers.Serializer[Any]):
    article = serializers.CharField()
    name = serializers.CharField()
    quantity = serializers.DecimalField(max_digits=12, decimal_places=4)
    unit = serializers.CharField(help_text="UN/ECE Recommendation 20.")
    price = serializers.DecimalField(max_digits=12, decimal_places=4)
    list = serializers.CharField(source="sheet_name", help_text="The price list it comes from.")


class VisitToBillSerializer(serializers.Serializer[VisitToBill]):
    """A visit that is done and not billed. Obstacles keep it from being drafted; cautions are to be looked at."""

    visit = serializers.IntegerField(source="visit.pk")
    date = serializers.DateField(source="visit.date")
    farm = serializers.IntegerField(source="visit.farm_id")
    farm_name = serializers.CharField(source="visit.farm.name")
    client = serializers.IntegerField(source="client.pk")
    client_name = serializers.CharField(source="client.name")
    head_billed = serializers.IntegerField(source="billed")
    head_recorded = serializers.IntegerField(source="recorded")
    net = AmountField()
    ready = serializers.BooleanField()
    charges = ChargeSerializer(source="priced.lines", many=True)
    obstacles = CautionSerializer(many=True)
    cautions = CautionSerializer(many=True)


class VisitToBillFilter(django_filters.FilterSet):
    client = KeyFilter(field_name="farm__client")
    until = django_filters.DateFilter(field_name="date", lookup_expr="lte")

    class Meta:
        model = Visit
        fields: list[str] = []


class VisitToBillViewSet(BillsView, viewsets.GenericViewSet[Visit]):
    """Visits that are done and on no invoice or draft."""

    who = {"list": BILLERS}
    queryset = Visit.objects.none()
    serializer_class = VisitToBillSerializer  # type: ignore[assignment]  # made of visits, priced
    filterset_class = VisitToBillFilter

    def get_queryset(self) -> QuerySet[Visit]:
        if getattr(self, "swagger_fake_view", False):
            return Visit.objects.none()
        return visits_to_bill(self.seat.business)

    def list(self, request: Request) -> Response:
        """What waits to be billed, priced, by client and date."""
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset())) or []
        rows: Any = priced_visits(self.seat.business, page)
        shown = VisitToBillSerializer(rows, many=True, context=self.get_serializer_context())
        return self.get_paginated_response(shown.data)


# Invoices


class InvoiceLineSerializer(serializers.ModelSerializer[InvoiceLine]):
    net = AmountField(read_only=True)
    allowance = AmountField(read_only=True, help_text="What is taken off the line: `net` is less by it.")

    class Meta:
        model = InvoiceLine
        fields = [
            "id",
            "position",
            "visit",
            "visit_date",
            "farm_name",
            "article",
            "name",
            "quantity",
            "unit",
            "price",
            "allowance",
            "allowance_percent",
            "allowance_reason",
            "net",
            "tax_code",
            "tax_name",
            "tax_rate",
            "exemption_reason",
            "source",
            "detail",
            "credits",
        ]
        read_only_fields = fields


class InvoiceAllowanceSerializer(serializers.ModelSerializer[InvoiceAllowance]):
    """A discount under the lines in one tax (EN 16931, BG-20)."""

    base = AmountField(read_only=True)
    amount = AmountField(read_only=True)

    class Meta:
        model = InvoiceAllowance
        fields = ["discount", "reason", "percent", "base", "amount", "tax_code", "tax_rate"]
        read_only_fields = fields


class InvoiceTaxSerializer(serializers.ModelSerializer[InvoiceTax]):
    base = AmountField(read_only=True)
    tax = AmountField(read_only=True)

    class Meta:
        model = InvoiceTax
        fields = ["code", "name", "rate", "base", "tax", "exemption_reason"]
        read_only_fields = fields


class InvoiceSerializer(serializers.ModelSerializer[Invoice]):
    """An invoice ("380") or credit note ("381"). `standing` is derived on the day; amounts of a credit note are
    positive."""

    client_name = serializers.CharField(source="client.name", read_only=True)
    standing = serializers.ChoiceField(choices=Standing.choices, read_only=True)
    net_total = AmountField(read_only=True)
    tax_total = AmountField(read_only=True)
    gross_total = AmountField(read_only=True)
    settled = AmountField(read_only=True, help_text="By payments and credit notes.")
    open_amount = serializers.SerializerMethodField(help_text="Still to be paid; of a draft or credit note nothing.")

    class Meta:
        model = Invoice
        fields = [
            "id",
            "client",
            "client_name",
            "kind",
            "state",
            "number",
            "standing",
            "issued_on",
            "due_on",
            "currency",
            "net_total",
            "tax_total",
            "gross_total",
            "settled",
            "open_amount",
            "reference",
            "credits",
            "credit_reason",
            "note",
        ]
        read_only_fields = fields

    @extend_schema_field({"type": "string", "format": "decimal"})
    def get_open_amount(self, invoice: Any) -> str:
        asked = invoice.state == InvoiceState.ISSUED and invoice.kind == InvoiceKind.INVOICE
        field = AmountField()
        field.bind("open_amount", self)
        return field.to_representation(invoice.open_amount if asked else 0)


class WholeInvoiceSerializer(InvoiceSerializer):
    """An invoice with its lines and taxes."""

    lines = InvoiceLineSerializer(many=True, read_only=True)
    allowances = InvoiceAllowanceSerializer(many=True, read_only=True)
    taxes = InvoiceTaxSerializer(many=True, read_only=True)

    class Meta(InvoiceSerializer.Meta):
        fields = [*InvoiceSerializer.Meta.fields, "lines", "allowances", "taxes"]
        read_only_fields = fields


class DraftingSerializer(serializers.Serializer[Any]):
    """Which visits to draft: those named, or all that are done and not billed of a client, up to a day."""

    visits = serializers.ListField(
        child=OwnKey(Visit), required=False, allow_null=True, default=None, allow_empty=False
    )
    client = OwnKey(Client, required=False, allow_null=True, default=None)
    until = serializers.DateField(required=False, allow_null=True, default=None)


class NotDraftedSerializer(serializers.Serializer[Any]):
    visit = serializers.IntegerField(source="visit.pk")
    because = CautionSerializer(many=True)


class DraftedSerializer(serializers.Serializer[Drafting]):
    """The drafts that were made, and what was left out."""

    drafts = WholeInvoiceSerializer(many=True)
    left_out = NotDraftedSerializer(many=True)


class LineValuesSerializer(serializers.Serializer[Any]):
    """A line as it is to be: with its key in `line` one that is there, else a new one with unit and tax category."""

    line = serializers.IntegerField(required=False, allow_null=True, default=None)
    name = serializers.CharField(max_length=200)
    quantity = serializers.DecimalField(max_digits=12, decimal_places=4)
    unit = serializers.ChoiceField(choices=[(code, str(code)) for code in UNITS], required=False, default="")
    price = serializers.DecimalField(max_digits=12, decimal_places=4)
    tax_category = OwnKey(Tax, required=False, allow_null=True, default=None)
    percent = serializers.DecimalField(
        max_digits=6, decimal_places=3, required=False, allow_null=True, default=None, help_text="Off this line."
    )
    amount = serializers.DecimalField(max_digits=14, decimal_places=3, required=False, allow_null=True, default=None)
    reason = serializers.CharField(max_length=100, required=False, allow_blank=True, default="")


class DiscountValuesSerializer(serializers.Serializer[Any]):
    """A discount under the lines: per cent or an amount before tax. With its key in `discount` one that is there."""

    discount = serializers.IntegerField(required=False, allow_null=True, default=None)
    reason = serializers.CharField(max_length=100)
    percent = serializers.DecimalField(max_digits=6, decimal_places=3, required=False, allow_null=True, default=None)
    amount = serializers.DecimalField(max_digits=14, decimal_places=3, required=False, allow_null=True, default=None)


class RevisionSerializer(serializers.Serializer[Any]):
    """What a draft is to say. Lines and discounts that are not given come off it; without `lines` or `discounts` those
    stay."""

    note = serializers.CharField(max_length=500, required=False, allow_blank=True)
    lines = LineValuesSerializer(many=True, required=False)
    discounts = DiscountValuesSerializer(many=True, required=False)


class IssueSerializer(serializers.Serializer[Any]):
    on = serializers.DateField(help_text="The date on the document: not ahead, and not before the last of its series.")
    due_on = serializers.DateField(required=False, allow_null=True, default=None)


class LineCreditSerializer(serializers.Serializer[Any]):
    """A part of a line: a quantity, or an amount before tax, or with neither all that is left."""

    line = serializers.IntegerField()
    quantity = serializers.DecimalField(max_digits=12, decimal_places=4, required=False, allow_null=True, default=None)
    amount = serializers.DecimalField(max_digits=14, decimal_places=3, required=False, allow_null=True, default=None)


class CreditSerializer(serializers.Serializer[Any]):
    """Why, and what: without `parts` all that is left of the invoice."""

    reason = serializers.CharField(max_length=300)
    parts = serializers.ListField(
        child=LineCreditSerializer(), required=False, allow_null=True, default=None, allow_empty=False
    )


class SendSerializer(serializers.Serializer[Any]):
    recipients = serializers.ListField(
        child=serializers.EmailField(), required=False, allow_null=True, default=None, help_text="Else the client's."
    )


class SendingSerializer(serializers.ModelSerializer[InvoiceSending]):
    """`queued` until a worker has handed it to the mail server (`sent`), or could not (`failed`, with the reason). What
    failed is tried again a few times."""

    recipient = serializers.EmailField(source="message.recipient", read_only=True)
    sent_at = serializers.DateTimeField(source="message.sent_at", read_only=True)
    failed = serializers.BooleanField(source="message.failed", read_only=True)

    class Meta:
        model = InvoiceSending
        fields = ["id", "recipient", "sent_at", "state", "reason", "tries", "failed"]
        read_only_fields = fields


class FiguresSerializer(serializers.Serializer[Any]):
    quantity = serializers.DecimalField(max_digits=12, decimal_places=4)
    price = serializers.DecimalField(max_digits=12, decimal_places=4)
    tax_rate = serializers.DecimalField(max_digits=6, decimal_places=3)
    net = AmountField()


class LineChangeSerializer(serializers.Serializer[Any]):
    visit = serializers.IntegerField(source="visit.pk")
    name = serializers.CharField()
    before = FiguresSerializer(allow_null=True)
    after = FiguresSerializer(allow_null=True)


class RepricingSerializer(serializers.Serializer[Repricing]):
    """What pricing anew would change. Send `mark` back as `seen` to take it."""

    mark = serializers.CharField()
    net_before = AmountField()
    net_after = AmountField()
    changes = LineChangeSerializer(many=True)


class SeenSerializer(serializers.Serializer[Any]):
    seen = serializers.CharField(max_length=64)


class InvoiceFilter(django_filters.FilterSet):
    client = KeyFilter(field_name="client")
    state = django_filters.ChoiceFilter(choices=InvoiceState.choices)
    kind = django_filters.ChoiceFilter(choices=InvoiceKind.choices)
    standing = django_filters.ChoiceFilter(choices=Standing.choices)
    number = django_filters.CharFilter(field_name="number")
    issued_from = django_filters.DateFilter(field_name="issued_on", lookup_expr="gte")
    issued_until = django_filters.DateFilter(field_name="issued_on", lookup_expr="lte")

    class Meta:
        model = Invoice
        fields: list[str] = []


class PdfRenderer(BaseRenderer):
    """Lets a caller ask for `application/pdf`; the view answers with the bytes itself."""

    media_type = "application/pdf"
    format = "pdf"
    charset = None
    render_style = "binary"


class XmlRenderer(BaseRenderer):
    """Lets a caller ask for `application/xml`; the view answers with the bytes itself."""

    media_type = "application/xml"
    format = "xml"
    charset = None
    render_style = "binary"


class InvoiceViewSet(BillsView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[Invoice]):
    """Invoices and credit notes. A draft may change; what is issued is only credited. A farm's person reads what was
    issued to it."""

    who = {
        "list": READERS,
        "retrieve": READERS,
        "pdf": READERS,
        "cii": READERS,
        "ubl": READERS,
        "create": BILLERS,
        "partial_update": BILLERS,
        "destroy": BILLERS,
        "repricing": BILLERS,
        "reprice": BILLERS,
        "issue": BILLERS,
        "credit": BILLERS,
        "send": BILLERS,
    }
    queryset = Invoice.objects.none()
    serializer_class = InvoiceSerializer
    filterset_class = InvoiceFilter

    def get_queryset(self) -> QuerySet[Any]:
        if getattr(self, "swagger_fake_view", False):
            return Invoice.objects.none()
        rows = with_standing(invoices_seen_by(self.seat), self.today).select_related("client", "business")
        if self.action != "list":
            rows = rows.prefetch_related(
                Prefetch("lines", InvoiceLine.objects.order_by("position")), "allowances", "taxes"
            )
        return rows.order_by("state", "-issued_on", "-pk")

    @extend_schema(responses=WholeInvoiceSerializer)
    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """An invoice with its lines and taxes."""
        return Response(self._shown(self.get_object()))

    @extend_schema(request=DraftingSerializer, responses={201: DraftedSerializer})
    def create(self, request: Request) -> Response:
        """Make drafts out of visits that are done: one for each client."""
        asked = self._read(DraftingSerializer)
        made = drafts.draft_invoices(business=self.seat.business, by=self.seat.user, now=timezone.now(), **asked)
        keys = [draft.pk for draft in made.drafts]
        shown = DraftedSerializer(
            {"drafts": self.get_queryset().filter(pk__in=keys).order_by("pk"), "left_out": made.left_out},  # type: ignore[arg-type]
            context=self.get_serializer_context(),
        )
        return Response(shown.data, status=HTTPStatus.CREATED)

    @extend_schema(request=RevisionSerializer, responses=WholeInvoiceSerializer)
    def partial_update(self, request: Request, pk: str) -> Response:
        """Say anew what stands on a draft."""
        invoice = self.get_object()
        asked = self._read(RevisionSerializer)
        lines = [LineValues(**row) for row in asked["lines"]] if "lines" in asked else None
        discounts = [DiscountValues(**row) for row in asked["discounts"]] if "discounts" in asked else None
        drafts.revise_draft(invoice=invoice, lines=lines, discounts=discounts, note=asked.get("note"))
        return Response(self._shown(self.get_object()))

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, pk: str) -> Response:
        """Drop a draft; its visits can be billed again."""
        drafts.drop_draft(invoice=self.get_object())
        return Response(status=HTTPStatus.NO_CONTENT)

    @extend_schema(responses=RepricingSerializer)
    @action(detail=True, methods=["get"])
    def repricing(self, request: Request, pk: str) -> Response:
        """What today's prices and records would change on a draft."""
        difference = drafts.look_at_prices(invoice=self.get_object())
        return Response(RepricingSerializer(difference, context=self.get_serializer_context()).data)

    @extend_schema(request=SeenSerializer, responses=WholeInvoiceSerializer)
    @action(detail=True, methods=["post"])
    def reprice(self, request: Request, pk: str) -> Response:
        """Price a draft anew, as it was looked at."""
        invoice = self.get_object()
        drafts.reprice_draft(invoice=invoice, seen=self._read(SeenSerializer)["seen"])
        return Response(self._shown(self.get_object()))

    @extend_schema(request=IssueSerializer, responses=WholeInvoiceSerializer)
    @action(detail=True, methods=["post"])
    def issue(self, request: Request, pk: str) -> Response:
        """Issue a draft: it gets its number and stays as it is."""
        invoice = self.get_object()
        asked = self._read(IssueSerializer)
        issuing.issue_invoice(invoice=invoice, by=self.seat.user, now=timezone.now(), **asked)
        return Response(self._shown(self.get_object()))

    @extend_schema(request=CreditSerializer, responses={201: WholeInvoiceSerializer})
    @action(detail=True, methods=["post"])
    def credit(self, request: Request, pk: str) -> Response:
        """Make a draft of a credit note for an issued invoice."""
        invoice = self.get_object()
        asked = self._read(CreditSerializer)
        parts = None if asked["parts"] is None else self._parts(invoice, asked["parts"])
        note = credits.credit_invoice(
            invoice=invoice, parts=parts, reason=asked["reason"], by=self.seat.user, now=timezone.now()
        )
        return Response(self._shown(self.get_queryset().get(pk=note.pk)), status=HTTPStatus.CREATED)

    @extend_schema(request=SendSerializer, responses=SendingSerializer(many=True))
    @action(detail=True, methods=["post"])
    def send(self, request: Request, pk: str) -> Response:
        """Send an issued document by e-mail."""
        invoice = self.get_object()
        asked = self._read(SendSerializer)
        sent = sending.send_invoice(
            invoice=invoice, recipients=asked["recipients"], by=self.seat.user, now=timezone.now()
        )
        return Response(SendingSerializer(sent, many=True).data)

    @extend_schema(
        responses={(200, "application/pdf"): OpenApiTypes.BINARY},
        parameters=[OpenApiParameter("format", exclude=True)],
    )
    @action(detail=True, methods=["get"], renderer_classes=[JSONRenderer, PdfRenderer])
    def pdf(self, request: Request, pk: str) -> HttpResponse:
        """The kept file of an issued document; of a draft a preview that says so."""
        invoice = self.get_object()
        if invoice.state == InvoiceState.DRAFT:
            pdf = preview_document(invoice=invoice, today=self.today)
        else:
            pdf = bytes_of(keep_document(invoice=invoice, now=timezone.now()))
        response = HttpResponse(pdf, content_type="application/pdf")
        response["Content-Disposition"] = f'attachment; filename="{sending.file_name(invoice)}"'
        return response

    @extend_schema(
        responses={(200, "application/xml"): OpenApiTypes.BINARY},
        parameters=[OpenApiParameter("format", exclude=True)],
    )
    @action(detail=True, methods=["get"], renderer_classes=[JSONRenderer, XmlRenderer])
    def cii(self, request: Request, pk: str) -> HttpResponse:
        """An issued document as CII (EN 16931): the kept bytes, or made from its copies where none were kept."""
        return self._xml(Syntax.CII)

    @extend_schema(
        responses={(200, "application/xml"): OpenApiTypes.BINARY},
        parameters=[OpenApiParameter("format", exclude=True)],
    )
    @action(detail=True, methods=["get"], renderer_classes=[JSONRenderer, XmlRenderer])
    def ubl(self, request: Request, pk: str) -> HttpResponse:
        """An issued document as UBL 2.1 (EN 16931): the kept bytes, or made from its copies where none were kept."""
        return self._xml(Syntax.UBL)

    def _xml(self, syntax: Syntax) -> HttpResponse:
        invoice = self.get_object()
        if invoice.state != InvoiceState.ISSUED:
            raise sending.NotIssuedYet
        response = HttpResponse(xml_of(invoice=invoice, syntax=syntax), content_type="application/xml")
        response["Content-Disposition"] = f'attachment; filename="{sending.file_name(invoice, syntax)}"'
        return response

    def _read(self, form: type[serializers.Serializer[Any]]) -> dict[str, Any]:
        sent = form(data=self.request.data, context=self.get_serializer_context())
        sent.is_valid(raise_exception=True)
        return dict(sent.validated_data)

    def _parts(self, invoice: Invoice, rows: list[dict[str, Any]]) -> list[LineCredit]:
        lines = {line.pk: line for line in invoice.lines.all()}
        unknown = InvoiceLine(pk=0)
        return [LineCredit(lines.get(row["line"], unknown), row["quantity"], row["amount"]) for row in rows]

    def _shown(self, invoice: Invoice) -> Any:
        return WholeInvoiceSerializer(invoice, context=self.get_serializer_context()).data


# Issuing many


class IssueRunSerializer(serializers.ModelSerializer[IssueRun]):
    """A batch of drafts issued by a worker. `job` says how far it is; `result` what came of it."""

    state = serializers.CharField(source="job.state", read_only=True, default="")
    progress = serializers.IntegerField(source="job.progress", read_only=True, default=0)
    result = serializers.JSONField(source="job.result", read_only=True, default=dict)

    class Meta:
        model = IssueRun
        fields = ["id", "issue_on", "send", "invoices", "asked_at", "job", "state", "progress", "result"]
        read_only_fields = fields


class NewIssueRunSerializer(serializers.Serializer[Any]):
    invoices = serializers.ListField(child=OwnKey(Invoice), allow_empty=False)
    on = serializers.DateField()
    send = serializers.BooleanField(required=False, default=False)


class IssueRunViewSet(BillsView, mixins.ListModelMixin, mixins.RetrieveModelMixin, viewsets.GenericViewSet[IssueRun]):
    """Drafts issued together by a worker, each in a transaction of its own."""

    who = dict.fromkeys(("list", "retrieve", "create"), BILLERS)
    queryset = IssueRun.objects.none()
    serializer_class = IssueRunSerializer
    filterset_fields: list[str] = []

    def get_queryset(self) -> QuerySet[IssueRun]:
        if getattr(self, "swagger_fake_view", False):
            return IssueRun.objects.none()
        found = IssueRun.objects.seen_by(self.seat).select_related("job").prefetch_related("invoices")
        return found.order_by("-asked_at", "-pk")

    @extend_schema(request=NewIssueRunSerializer, responses={201: IssueRunSerializer})
    def create(self, request: Request) -> Response:
        """Have drafts issued."""
        form = NewIssueRunSerializer(data=request.data, context=self.get_serializer_context())
        form.is_valid(raise_exception=True)
        run = issuing.start_issue_run(
            business=self.seat.business, by=self.seat.user, now=timezone.now(), **form.validated_data
        )
        return Response(IssueRunSerializer(self.get_queryset().get(pk=run.pk)).data, status=HTTPStatus.CREATED)


router = SimpleRouter(trailing_slash=False)
router.register("visits-to-bill", VisitToBillViewSet, basename="api-visit-to-bill")
router.register("invoices", InvoiceViewSet, basename="api-invoice")
router.register("issue-runs", IssueRunViewSet, basename="api-issue-run")

urlpatterns = router.urls
