"""Invoices and credit notes: listed, drafted, looked at, issued, credited, sent."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from billing.documents.together import printed_together
from billing.forms import as_key
from billing.forms.invoices import (
    CreditForm,
    InvoiceFilter,
    IssueForm,
    IssueManyForm,
    NoteForm,
    SendForm,
    VisitFilter,
    discount_formset,
    line_formset,
)
from billing.models import Invoice, InvoiceKind, InvoiceSending, InvoiceState, IssueRun
from billing.queries.balances import (
    client_balance,
    invoice_standing,
    invoices_seen_by,
    with_standing,
)
from billing.queries.visits import VisitToBill, draft_cautions, priced_visits, visits_to_bill
from billing.services.credits import NotAnIssuedInvoice, credit_invoice, lines_left
from billing.services.documents import bytes_of, keep_document, preview_document
from billing.services.drafts import (
    Drafting,
    NotADraft,
    Repricing,
    VisitCannotBePriced,
    draft_invoices,
    drop_draft,
    look_at_prices,
    reprice_draft,
    revise_draft,
)
from billing.services.einvoices import mends_of, wants_e_invoices
from billing.services.fees import forgo_fee
from billing.services.issuing import issue_invoice, start_issue_run, tax_problems, tax_sentences
from billing.services.sending import NotIssuedYet, file_name, send_again, send_invoice
from trimmer.access import FARM, OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.models import Visit

ROWS_A_PAGE = 50
VISITS_A_PAGE = 100


@may(OWNER, OFFICE, FARM)
def invoice_list(request: SeatedRequest) -> HttpResponse:
    """Invoices and credit notes, the newest first; a farm's person sees what was issued to it."""
    _may_see(request)
    seat, today = request.seat, timezone.localdate()
    form = InvoiceFilter(request.GET, business=seat.business, for_member=seat.is_member)
    rows = with_standing(invoices_seen_by(seat), today).select_related("client")
    rows = _filtered(rows, form).order_by("state", "-issued_on", "-pk")
    page = Paginator(rows, ROWS_A_PAGE).get_page(request.GET.get("page"))
    values = {"page_obj": page, "form": form, "tab": request.GET.get("standing", "")}
    if seat.client is not None:
        values["balance"] = client_balance(seat.client, today)
    return render(request, "billing/invoice_list.html", values)


def _filtered(rows: QuerySet[Any], form: InvoiceFilter) -> QuerySet[Any]:
    """By what was asked for; a value that makes no sense filters nothing and is told beside its field."""
    form.is_valid()
    asked = form.cleaned_data
    if asked.get("standing"):
        rows = rows.filter(standing=asked["standing"])
    if asked.get("client"):
        rows = rows.filter(client=asked["client"])
    if asked.get("first"):
        rows = rows.filter(issued_on__gte=asked["first"])
    if asked.get("last"):
        rows = rows.filter(issued_on__lte=asked["last"])
    return rows


@may(OWNER, OFFICE)
def visits_waiting(request: SeatedRequest) -> HttpResponse:
    """Visits that are done and not billed, with what they come to and what to look at; one button makes drafts."""
    business = request.seat.business
    if request.method == "POST":
        keys = [as_key(key) for key in request.POST.getlist("visits")]
        visits = Visit.objects.seen_by(request.seat).filter(pk__in=keys).select_related("farm")
        made = draft_invoices(business=business, visits=visits, by=request.user, now=timezone.now())
        _tell(request, made)
        return redirect("visits-to-bill" if not made.drafts else "invoice-issue-many")
    form = VisitFilter(request.GET, business=business)
    form.is_valid()
    asked = form.cleaned_data
    waiting = visits_to_bill(business, client=asked.get("client"), until=asked.get("until"))
    page = Paginator(waiting, VISITS_A_PAGE).get_page(request.GET.get("page"))
    rows = priced_visits(business, page.object_list)
    values = {"page_obj": page, "clients": _by_client(rows), "form": form}
    return render(request, "billing/visits_to_bill.html", values)


@require_POST
@may(OWNER, OFFICE)
def fee_forgo(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask nothing for a visit that was cancelled late."""
    visit = get_object_or_404(Visit.objects.seen_by(request.seat).select_related("farm__client"), pk=pk)
    forgo_fee(visit=visit, by=request.user, now=timezone.now())
    messages.success(request, _("Nothing is asked for %(visit)s.") % {"visit": visit})
    return redirect("visits-to-bill")


def _by_client(rows: list[VisitToBill]) -> list[dict[str, Any]]:
    found = []
    for _key, group in groupby(rows, key=lambda row: row.client.pk):
        visits = list(group)
        ready = [row for row in visits if row.ready]
        found.append({"client": visits[0].client, "visits": visits, "net": sum(row.net for row in ready)})
    return found


def _tell(request: SeatedRequest, made: Drafting) -> None:
    count = len(made.drafts)
    if count:
        text = ngettext("%(count)d draft is made. Look at it, then issue it.", "%(count)d drafts are made.", count)
        messages.success(request, text % {"count": count})
    for out in made.left_out:
        why = " ".join(caution.text for caution in out.because)
        messages.warning(request, f"{out.visit}: {why}")
    if not count and not made.left_out:
        messages.warning(request, _("No visit was chosen."))


@may(OWNER, OFFICE)
def invoice_drafts(request: SeatedRequest) -> HttpResponse:
    """Drafts to be issued together."""
    drafts = (
        Invoice.objects.seen_by(request.seat)
        .drafts()
        .select_related("client", "credits", "business")
        .prefetch_related("lines", "billed_visits")
        .order_by("client__name", "pk")
    )
    page = Paginator(drafts, VISITS_A_PAGE).get_page(request.GET.get("page"))
    form = IssueManyForm(posted(request), business=request.seat.business, initial={"on": timezone.localdate()})
    if request.method == "POST" and form.is_valid():
        asked = form.cleaned_data
        try:
            run = start_issue_run(
                business=request.seat.business,
                invoices=asked["invoices"],
                on=asked["on"],
                send=asked["send"],
                by=request.user,
                now=timezone.now(),
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            return redirect("issue-run-page", pk=run.pk)
    e_invoices = wants_e_invoices(request.seat.business)
    drafts_here = list(page.object_list)
    differing = draft_cautions(drafts_here)
    rows = [(one, _cautions(one, e_invoices=e_invoices), differing.get(one.pk, ())) for one in drafts_here]
    chosen = {str(key) for key in request.POST.getlist("invoices")} if request.method == "POST" else None
    values = {"page_obj": page, "rows": rows, "form": form, "chosen": chosen}
    values["waiting"] = visits_to_bill(request.seat.business).count()
    return render(request, "billing/invoice_drafts.html", values)


def _cautions(draft: Invoice, *, e_invoices: bool) -> list[str]:
    """What would keep a draft from being issued."""
    problems = tax_sentences(tax_problems(draft, list(draft.lines.all())))
    return [*problems, *(mend.text for mend in mends_of(draft))] if e_invoices else problems


@may(OWNER, OFFICE)
def issue_run_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """How far a run is, and what came of it."""
    run = get_object_or_404(IssueRun.objects.seen_by(request.seat).select_related("job"), pk=pk)
    result = run.job.result if run.job else {}
    return render(request, "billing/issue_run_page.html", {"run": run, "job": run.job, "result": result})


@may(OWNER, OFFICE)
def issue_run_print(request: SeatedRequest, pk: int) -> HttpResponse:
    """What a run issued, as one PDF to print, in the order of the numbers."""
    run = get_object_or_404(IssueRun.objects.seen_by(request.seat), pk=pk)
    issued = run.invoices.filter(state=InvoiceState.ISSUED, file__isnull=False).select_related("file")
    files = [bytes_of(invoice.file) for invoice in issued.order_by("number")]
    if not files:
        messages.info(request, _("Nothing of this run is issued yet."))
        return redirect("issue-run-page", pk=run.pk)
    response = HttpResponse(printed_together(files), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="invoices-{run.issue_on.isoformat()}.pdf"'
    return response


@may(OWNER, OFFICE, FARM)
def invoice_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """A draft to be worked on, or what was issued and how it stands."""
    invoice = _seen(request, pk)
    today = timezone.localdate()
    groups = [
        {"day": day, "farm": farm, "lines": list(lines)}
        for (day, farm), lines in groupby(
            invoice.lines.order_by("position"), key=lambda line: (line.visit_date, line.farm_name)
        )
    ]
    values: dict[str, Any] = {
        "invoice": invoice,
        "groups": groups,
        "taxes": invoice.taxes.order_by("pk"),
        "credit": invoice.kind == InvoiceKind.CREDIT_NOTE,
        "may_edit": request.seat.is_member,
    }
    if invoice.state == InvoiceState.DRAFT:
        values |= _draft_values(invoice)
        return render(request, "billing/invoice_page_draft.html", values)
    values |= {
        "stands": invoice_standing(invoice, today),
        "allocations": invoice.allocations.select_related("payment", "credit_note").order_by("pk"),
        "settles": invoice.settles.select_related("invoice").order_by("pk"),
        "credit_notes": invoice.credit_notes.order_by("pk") if request.seat.is_member else (),
        "xml_files": invoice.xml_files.defer("content"),
        "sendings": invoice.sendings.select_related("message", "sent_by") if request.seat.is_member else (),
        "balance": client_balance(invoice.client, today) if request.seat.is_member else None,
    }
    return render(request, "billing/invoice_page.html", values)


def _draft_values(invoice: Invoice) -> dict[str, Any]:
    """What to look at before a draft is issued."""
    repricing, problem = None, ""
    try:
        repricing = look_at_prices(invoice=invoice)
    except VisitCannotBePriced as refusal:
        problem = str(refusal)
    return {
        "tax_sentences": tax_sentences(tax_problems(invoice, list(invoice.lines.all()))),
        "mends": mends_of(invoice),
        "cautions": draft_cautions([invoice]).get(invoice.pk, ()),
        "repricing": repricing,
        "repricing_problem": problem,
    }


@may(OWNER, OFFICE)
def invoice_edit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Change what stands on a draft: its note and lines; of a credit note only the note."""
    invoice = _draft(request, pk)
    credit = invoice.kind == InvoiceKind.CREDIT_NOTE
    form = NoteForm(posted(request), initial={"note": invoice.note})
    formset = line_formset(
        posted(request),
        lines=invoice.lines.order_by("position"),
        business=request.seat.business,
    )
    off = discount_formset(posted(request), discounts=invoice.discounts.order_by("position"))
    if request.method == "POST" and form.is_valid() and (credit or (formset.is_valid() and off.is_valid())):
        try:
            revise_draft(
                invoice=invoice,
                lines=None if credit else formset.values(),
                discounts=None if credit else off.values(),
                note=form.cleaned_data["note"],
            )
        except Refusal as refusal:
            if credit or not (formset.say_refusal(refusal) or off.say_refusal(refusal)):
                say_refusal(form, refusal)
        else:
            messages.success(request, _("The draft is stored."))
            return redirect("invoice-page", pk=invoice.pk)
    values = {"invoice": invoice, "form": form, "formset": None if credit else formset, "off": None if credit else off}
    return render(request, "billing/invoice_edit.html", values)


@may(OWNER, OFFICE)
def invoice_drop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask, then throw a draft away."""
    invoice = _draft(request, pk)
    if request.method == "POST":
        drop_draft(invoice=invoice)
        messages.success(request, _("The draft is gone. Its visits can be billed again."))
        return redirect("invoice-list")
    return render(request, "billing/invoice_drop.html", {"invoice": invoice})


@may(OWNER, OFFICE)
def invoice_reprice(request: SeatedRequest, pk: int) -> HttpResponse:
    """Show what today's prices and records would change on a draft, then take it."""
    invoice = _draft(request, pk)
    problem, repricing = "", Repricing((), invoice.net_total, invoice.net_total)
    try:
        if request.method == "POST":
            reprice_draft(invoice=invoice, seen=request.POST.get("seen", ""))
            messages.success(request, _("The draft is priced anew."))
            return redirect("invoice-page", pk=invoice.pk)
        repricing = look_at_prices(invoice=invoice)
    except VisitCannotBePriced as refusal:
        problem = str(refusal)
    values = {"invoice": invoice, "repricing": repricing, "problem": problem}
    return render(request, "billing/invoice_reprice.html", values)


@may(OWNER, OFFICE)
def invoice_issue(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask for the date, then issue a draft."""
    invoice = _draft(request, pk)
    form = IssueForm(posted(request), invoice=invoice, initial={"on": timezone.localdate()})
    if request.method == "POST" and form.is_valid():
        try:
            issued = issue_invoice(
                invoice=invoice,
                on=form.cleaned_data["on"],
                due_on=form.cleaned_data.get("due_on"),
                by=request.user,
                now=timezone.now(),
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("Issued as %(number)s.") % {"number": issued.number})
            return redirect("invoice-page", pk=invoice.pk)
    sentences = tax_sentences(tax_problems(invoice, list(invoice.lines.all())))
    values = {"invoice": invoice, "form": form, "sentences": sentences, "mends": mends_of(invoice)}
    return render(request, "billing/invoice_issue.html", values)


@may(OWNER, OFFICE, FARM)
def invoice_pdf(request: SeatedRequest, pk: int) -> HttpResponse:
    """The kept file of an issued document; of a draft a preview that says so."""
    invoice = _seen(request, pk)
    if invoice.state == InvoiceState.DRAFT:
        pdf = preview_document(invoice=invoice, today=timezone.localdate())
    else:
        pdf = bytes_of(keep_document(invoice=invoice, now=timezone.now()))
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{file_name(invoice)}"'
    response["Cache-Control"] = "private, no-store"
    return response


@may(OWNER, OFFICE)
def invoice_credit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Draft a credit note of an issued invoice."""
    invoice = _seen(request, pk)
    if invoice.state != InvoiceState.ISSUED or invoice.kind != InvoiceKind.INVOICE:
        raise NotAnIssuedInvoice
    form = CreditForm(posted(request), left=lines_left(invoice))
    if request.method == "POST" and form.is_valid():
        try:
            note = credit_invoice(
                invoice=invoice,
                parts=form.parts(),
                reason=form.cleaned_data["reason"],
                by=request.user,
                now=timezone.now(),
            )
        except Refusal as refusal:
            form.say_refusal(refusal)
        else:
            messages.success(request, _("A draft of the credit note is made. Look at it, then issue it."))
            return redirect("invoice-page", pk=note.pk)
    return render(request, "billing/invoice_credit.html", {"invoice": invoice, "form": form})


@may(OWNER, OFFICE)
def invoice_send(request: SeatedRequest, pk: int) -> HttpResponse:
    """Send an issued document by e-mail."""
    invoice = _seen(request, pk)
    if invoice.state != InvoiceState.ISSUED:
        raise NotIssuedYet
    form = SendForm(posted(request), initial={"recipients": invoice.client.email})
    if request.method == "POST" and form.is_valid():
        try:
            sent = send_invoice(
                invoice=invoice, recipients=form.cleaned_data["recipients"], by=request.user, now=timezone.now()
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            addresses = ", ".join(one.message.recipient for one in sent)
            messages.success(request, _("On its way to %(addresses)s.") % {"addresses": addresses})
            return redirect("invoice-page", pk=invoice.pk)
    return render(request, "billing/invoice_send.html", {"invoice": invoice, "form": form})


@may(OWNER, OFFICE)
@require_POST
def invoice_send_again(request: SeatedRequest, pk: int) -> HttpResponse:
    """Try an e-mail again that the mail server did not take."""
    row = get_object_or_404(InvoiceSending.objects.seen_by(request.seat).select_related("invoice__business"), pk=pk)
    send_again(sending=row, by=request.user)
    messages.success(request, _("It is tried again."))
    return redirect("invoice-page", pk=row.invoice_id)


def _may_see(request: SeatedRequest) -> None:
    if not request.seat.is_member and not request.seat.may_see_invoices:
        raise PermissionDenied


def _seen(request: SeatedRequest, pk: int) -> Invoice:
    _may_see(request)
    rows = invoices_seen_by(request.seat).select_related("client", "business", "credits", "drafted_by", "issued_by")
    return get_object_or_404(rows, pk=pk)


def _draft(request: SeatedRequest, pk: int) -> Invoice:
    invoice = _seen(request, pk)
    if invoice.state != InvoiceState.DRAFT:
        raise NotADraft
    return invoice


urlpatterns = [
    path("invoices", invoice_list, name="invoice-list"),
    path("invoices/to-bill", visits_waiting, name="visits-to-bill"),
    path("visits/<int:pk>/forgo-fee", fee_forgo, name="fee-forgo"),
    path("invoices/drafts", invoice_drafts, name="invoice-issue-many"),
    path("issue-runs/<int:pk>", issue_run_page, name="issue-run-page"),
    path("issue-runs/<int:pk>/print", issue_run_print, name="issue-run-print"),
    path("invoices/<int:pk>", invoice_page, name="invoice-page"),
    path("invoices/<int:pk>/edit", invoice_edit, name="invoice-edit"),
    path("invoices/<int:pk>/drop", invoice_drop, name="invoice-drop"),
    path("invoices/<int:pk>/reprice", invoice_reprice, name="invoice-reprice"),
    path("invoices/<int:pk>/issue", invoice_issue, name="invoice-issue"),
    path("invoices/<int:pk>/pdf", invoice_pdf, name="invoice-pdf"),
    path("invoices/<int:pk>/credit", invoice_credit, name="invoice-credit"),
    path("invoices/<int:pk>/send", invoice_send, name="invoice-send"),
    path("invoice-sendings/<int:pk>/again", invoice_send_again, name="invoice-send-again"),
]
