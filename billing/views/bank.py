"""What the bank tells: bring a file in, and decide line by line."""

from __future__ import annotations

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_POST

from billing.bank.matching import Ground, Sureness
from billing.forms import as_key
from billing.forms.bank import AsideForm, BringBankFileForm, ColumnsForm, SettleForm
from billing.forms.payments import ChooseClientForm
from billing.models import BankEntry, BankEntryState, BankFile
from billing.queries.bank import Suggestion, suggestions
from billing.services import bank
from trimmer.access import OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.models import Client

ROWS_A_PAGE = 50

GROUNDS = {
    Ground.REFERENCE_AND_AMOUNT: gettext_lazy("reference and amount agree"),
    Ground.REFERENCE: gettext_lazy("the reference agrees, the amount does not"),
    Ground.NUMBER_AND_AMOUNT: gettext_lazy("invoice number and amount agree"),
    Ground.NUMBER: gettext_lazy("the invoice number agrees, the amount does not"),
    Ground.ACCOUNT_AND_AMOUNT: gettext_lazy("paid from this account before, and the amount agrees"),
    Ground.NAME_AND_AMOUNT: gettext_lazy("name and amount agree"),
    Ground.NAME_AND_SUM: gettext_lazy("this payer's invoices add up to it"),
    Ground.ACCOUNT: gettext_lazy("paid from this account before"),
    Ground.NAME: gettext_lazy("the name agrees, no amount does"),
    Ground.AMOUNT: gettext_lazy("only the amount agrees"),
    Ground.RETURNED: gettext_lazy("a payment went back"),
    Ground.NOTHING: gettext_lazy("nothing agrees"),
}


@may(OWNER, OFFICE)
def bank_list(request: SeatedRequest) -> HttpResponse:
    """Lines that wait, with what each may settle; or those that are decided."""
    business, show = request.seat.business, request.GET.get("show", "")
    values: dict[str, object] = {"show": show, "grounds": GROUNDS}
    if show in (BankEntryState.SETTLED, BankEntryState.ASIDE):
        rows = BankEntry.objects.of(business).filter(state=show).select_related("payment__client", "file")
        page = Paginator(rows.order_by("-booked_on", "-pk"), ROWS_A_PAGE).get_page(request.GET.get("page"))
        return render(request, "billing/bank_list.html", values | {"page_obj": page})
    found = [_with_why(one) for one in suggestions(business, timezone.localdate())]
    groups = [
        (sureness, [row for row in found if row["one"].proposal.sureness is sureness])  # type: ignore[union-attr]
        for sureness in Sureness
    ]
    waiting_files = BankFile.objects.of(business).filter(read_at__isnull=True)
    values |= {
        "groups": [(sureness, rows) for sureness, rows in groups if rows],
        "sure": sum(len(rows) for sureness, rows in groups if sureness is Sureness.SURE),
        "files_to_tell": waiting_files,
        "any_file": BankFile.objects.of(business).exists(),
    }
    return render(request, "billing/bank_list.html", values)


def _with_why(one: Suggestion) -> dict[str, Suggestion | str]:
    return {"one": one, "why": str(GROUNDS[one.proposal.ground])}


@may(OWNER, OFFICE)
def bank_bring(request: SeatedRequest) -> HttpResponse:
    """Bring a file of the bank in."""
    form = BringBankFileForm(posted(request), request.FILES or None)
    if request.method == "POST" and form.is_valid():
        upload = form.cleaned_data["file"]
        try:
            file, new = bank.bring_bank_file(
                business=request.seat.business,
                name=upload.name or "",
                content=upload.read(),
                by=request.user,
                now=timezone.now(),
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            if file.read_at is None:
                return redirect("bank-columns", pk=file.pk)
            _say_new(request, file, new)
            return redirect("bank-list")
    return render(request, "billing/bank_bring.html", {"form": form})


@may(OWNER, OFFICE)
def bank_columns(request: SeatedRequest, pk: int) -> HttpResponse:
    """Say which column of a sheet holds what."""
    file = get_object_or_404(BankFile.objects.seen_by(request.seat), pk=pk)
    if file.read_at is not None:
        return redirect("bank-list")
    titles, guessed, rows = bank.columns_to_tell(file)
    form = ColumnsForm(posted(request), titles=titles, guessed=guessed)
    if request.method == "POST" and form.is_valid():
        try:
            new = bank.tell_columns(file=file, columns=form.cleaned_data, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            file.refresh_from_db()
            _say_new(request, file, new)
            return redirect("bank-list")
    return render(request, "billing/bank_columns.html", {"file": file, "form": form, "rows": rows})


def _say_new(request: SeatedRequest, file: BankFile, new: int) -> None:
    if not new:
        messages.info(request, _("Nothing new: every line of %(file)s is known already.") % {"file": file.name})
        return
    said = ngettext("%(n)s line is new.", "%(n)s lines are new.", new) % {"n": new}
    if file.not_booked:
        left = ngettext(
            "%(n)s is not booked yet and left out.", "%(n)s are not booked yet and left out.", file.not_booked
        )
        said = f"{said} {left % {'n': file.not_booked}}"
    messages.success(request, said)


@may(OWNER, OFFICE)
@require_POST
def bank_accept_sure(request: SeatedRequest) -> HttpResponse:
    """Settle all that is sure."""
    settled = bank.accept_sure(business=request.seat.business, by=request.user, now=timezone.now())
    said = ngettext("%(n)s line is settled.", "%(n)s lines are settled.", settled) % {"n": settled}
    messages.success(request, said)
    return redirect("bank-list")


@may(OWNER, OFFICE)
@require_POST
def bank_accept(request: SeatedRequest, pk: int) -> HttpResponse:
    """Settle one line as proposed."""
    entry = _entry(request, pk)
    try:
        payment = bank.accept_proposal(
            entry=entry, seen=request.POST.get("seen", ""), by=request.user, now=timezone.now()
        )
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("Settled: %(client)s.") % {"client": payment.client})
    return redirect("bank-list")


@may(OWNER, OFFICE)
def bank_entry(request: SeatedRequest, pk: int) -> HttpResponse:
    """A line, all the bank told of it, and what can be done: settle it as a client's payment, or set it aside."""
    entry = _entry(request, pk)
    today = timezone.localdate()
    waiting = entry.state == BankEntryState.WAITING
    found = (
        next((one for one in suggestions(entry.business, today) if one.entry.pk == entry.pk), None) if waiting else None
    )
    client = Client.objects.of(entry.business).filter(pk=as_key(request.GET.get("client"))).first()
    if client is None and found is not None:
        client = found.client
    choose = ChooseClientForm(initial={"client": client}, business=entry.business)
    form = None
    if waiting and client is not None and entry.amount > 0:
        named = [invoice.pk for invoice, _part in found.parts] if found and found.client == client else []
        form = SettleForm(posted(request), client=client, today=today, initial={"named_invoices": named})
    if request.method == "POST" and form is not None and client is not None and form.is_valid():
        invoices = list(form.cleaned_data.get("named_invoices", ()))
        try:
            bank.settle_entry(entry=entry, client=client, invoices=invoices, by=request.user, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("Settled: %(client)s.") % {"client": client})
            return redirect("bank-list")
    why = GROUNDS[found.proposal.ground] if found else ""
    values: dict[str, object] = {"entry": entry, "waiting": waiting, "found": found, "why": why}
    values |= {"client": client, "choose": choose, "form": form}
    return render(request, "billing/bank_entry.html", values)


@may(OWNER, OFFICE)
def bank_aside(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask why, then set a line aside."""
    entry = _entry(request, pk)
    form = AsideForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            bank.set_aside(entry=entry, reason=form.cleaned_data["reason"], by=request.user, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The line is set aside."))
            return redirect("bank-list")
    return render(request, "billing/bank_aside.html", {"entry": entry, "form": form})


@may(OWNER, OFFICE)
@require_POST
def bank_again(request: SeatedRequest, pk: int) -> HttpResponse:
    """Take a decision back."""
    try:
        entry = bank.decide_again(entry=_entry(request, pk), by=request.user, now=timezone.now())
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("The line waits again, and its payment is withdrawn."))
        return redirect("bank-entry", pk=entry.pk)
    return redirect("bank-list")


def _entry(request: SeatedRequest, pk: int) -> BankEntry:
    rows = BankEntry.objects.seen_by(request.seat).select_related("business", "file", "payment__client", "decided_by")
    return get_object_or_404(rows, pk=pk)


urlpatterns = [
    path("bank", bank_list, name="bank-list"),
    path("bank/bring", bank_bring, name="bank-bring"),
    path("bank/sure", bank_accept_sure, name="bank-accept-sure"),
    path("bank-files/<int:pk>/columns", bank_columns, name="bank-columns"),
    path("bank-lines/<int:pk>", bank_entry, name="bank-entry"),
    path("bank-lines/<int:pk>/accept", bank_accept, name="bank-accept"),
    path("bank-lines/<int:pk>/aside", bank_aside, name="bank-aside"),
    path("bank-lines/<int:pk>/again", bank_again, name="bank-again"),
]
