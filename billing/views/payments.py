"""Payments, balances and statements."""

from __future__ import annotations

import csv
import datetime as dt

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from billing.charges.ageing import Age
from billing.forms import as_key
from billing.forms.invoices import PeriodForm
from billing.forms.payments import ChooseClientForm, PaymentForm, WithdrawForm
from billing.models import Invoice, Payment
from billing.queries.balances import AGE_NAMES, ageing_of, client_balance, invoice_standing, statement_of
from billing.services.payments import record_payment, undo_payment, use_credit
from trimmer.access import FARM, OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.models import Client
from trimmer.sheets.formulas import harmless
from trimmer.sheets.values import language_of

ROWS_A_PAGE = 50


@may(OWNER, OFFICE)
def payment_list(request: SeatedRequest) -> HttpResponse:
    """Payments, the newest first."""
    rows = Payment.objects.seen_by(request.seat).select_related("client")
    form = ChooseClientForm(request.GET, business=request.seat.business, required=False)
    if form.is_valid() and form.cleaned_data["client"]:
        rows = rows.filter(client=form.cleaned_data["client"])
    page = Paginator(rows.order_by("-received_on", "-pk"), ROWS_A_PAGE).get_page(request.GET.get("page"))
    return render(request, "billing/payment_list.html", {"page_obj": page, "form": form})


@may(OWNER, OFFICE)
def payment_add(request: SeatedRequest) -> HttpResponse:
    """Record a payment: first whose, then how much and for what."""
    choose = ChooseClientForm(request.GET or None, business=request.seat.business)
    if not (request.GET.get("client") and choose.is_valid()):
        return render(request, "billing/payment_add_client.html", {"form": choose})
    client, today = choose.cleaned_data["client"], timezone.localdate()
    form = PaymentForm(posted(request), client=client, today=today, initial={"received_on": today})
    named = Invoice.objects.issued().filter(client=client, pk=as_key(request.GET.get("invoice"))).first()
    if named is not None:
        form.initial.update({"named_invoices": [named.pk], "amount": invoice_standing(named, today).open})
    if request.method == "POST" and form.is_valid():
        try:
            payment = record_payment(
                client=client,
                received_on=form.cleaned_data["received_on"],
                amount=form.cleaned_data["amount"],
                method=form.cleaned_data["method"],
                reference=form.cleaned_data["reference"],
                note=form.cleaned_data["note"],
                named_invoices=list(form.cleaned_data.get("named_invoices", ())),
                by=request.user,
                now=timezone.now(),
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The payment of %(client)s is recorded.") % {"client": client})
            return redirect("payment-page", pk=payment.pk)
    values = {"form": form, "client": client, "balance": client_balance(client, today)}
    return render(request, "billing/payment_add.html", values)


@may(OWNER, OFFICE)
def payment_page(request: SeatedRequest, pk: int) -> HttpResponse:
    """A payment, and what it settled."""
    payment = get_object_or_404(
        Payment.objects.seen_by(request.seat).select_related("client", "recorded_by", "withdrawn_by"), pk=pk
    )
    allocations = list(payment.allocations.select_related("invoice").order_by("pk"))
    left = payment.amount - sum(one.amount for one in allocations)
    values = {"payment": payment, "allocations": allocations, "left": left}
    return render(request, "billing/payment_page.html", values)


@may(OWNER, OFFICE)
def payment_withdraw(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask why, then withdraw a payment."""
    payment = get_object_or_404(Payment.objects.seen_by(request.seat).select_related("client"), pk=pk)
    form = WithdrawForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            undo_payment(payment=payment, reason=form.cleaned_data["reason"], by=request.user, now=timezone.now())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The payment is withdrawn. What it had settled is open again."))
            return redirect("payment-page", pk=payment.pk)
    return render(request, "billing/payment_withdraw.html", {"payment": payment, "form": form})


@may(OWNER, OFFICE)
@require_POST
def client_use_credit(request: SeatedRequest, pk: int) -> HttpResponse:
    """Settle a client's open invoices by the credit on its account."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    made = use_credit(client=client)
    numbers = ", ".join(dict.fromkeys(str(one.invoice.number) for one in made))
    messages.success(request, _("The credit went to %(numbers)s.") % {"numbers": numbers})
    return redirect("client-statement", pk=client.pk)


@may(OWNER, OFFICE)
def balances(request: SeatedRequest) -> HttpResponse:
    """Who owes what, by age."""
    today = timezone.localdate()
    aged = ageing_of(request.seat.business, today)
    return render(request, "billing/balances.html", {"aged": aged, "ages": list(Age), "today": today})


@may(OWNER, OFFICE)
def balance_sheet(request: SeatedRequest) -> HttpResponse:
    """The same as CSV, with the decimal mark of the language."""
    today = timezone.localdate()
    aged = ageing_of(request.seat.business, today)
    comma = language_of(request.seat.business.language).number_rules[0].decimal == ","
    response = HttpResponse("\ufeff", content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="balances-{today.isoformat()}.csv"'
    sheet = csv.writer(response, delimiter=";" if comma else ",")
    ages = [str(AGE_NAMES[age]) for age in Age]
    titles = [_("Client number"), _("Client"), *ages, _("Open"), _("Credit"), _("Balance"), _("Currency")]
    sheet.writerow(titles)
    for row in aged.rows:
        ageing = row.ageing
        amounts = [*(ageing.by_age[age] for age in Age), ageing.owed, ageing.credit, ageing.balance]
        texts = [str(amount).replace(".", ",") if comma else str(amount) for amount in amounts]
        words = [harmless(row.client.number), harmless(row.client.name)]
        sheet.writerow([*words, *texts, request.seat.business.currency])
    return response


@may(OWNER, OFFICE, FARM)
def client_statement(request: SeatedRequest, pk: int) -> HttpResponse:
    """A client's account between two days; a farm's person may see its own, if they may see invoices."""
    if not request.seat.is_member and not request.seat.may_see_invoices:
        raise PermissionDenied
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    today = timezone.localdate()
    usual = {"first": dt.date(today.year, 1, 1), "last": today}
    form = PeriodForm(request.GET if request.GET.get("first") or request.GET.get("last") else None, initial=usual)
    period = form.cleaned_data if form.is_valid() else usual
    values = {
        "client": client,
        "form": form,
        "statement": statement_of(client, period["first"], period["last"]),
        "balance": client_balance(client, today),
        "ages": list(Age),
    }
    return render(request, "billing/client_statement.html", values)


urlpatterns = [
    path("payments", payment_list, name="payment-list"),
    path("payments/add", payment_add, name="payment-add"),
    path("payments/<int:pk>", payment_page, name="payment-page"),
    path("payments/<int:pk>/withdraw", payment_withdraw, name="payment-withdraw"),
    path("balances", balances, name="balances"),
    path("balances.csv", balance_sheet, name="balance-sheet"),
    path("clients/<int:pk>/statement", client_statement, name="client-statement"),
    path("clients/<int:pk>/use-credit", client_use_credit, name="client-use-credit"),
]
