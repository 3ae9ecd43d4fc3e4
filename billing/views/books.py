"""The books handed over: tax summary, journal, accounts, and all of a period for the accountant."""

from __future__ import annotations

import datetime as dt

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _

from billing.charges.totals import ZERO
from billing.forms.books import AccountsForm
from billing.forms.invoices import PeriodForm
from billing.models import BooksFile
from billing.queries.books import journal_of, tax_summary
from billing.services import books
from trimmer.access import OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal


def _period(request: SeatedRequest) -> tuple[PeriodForm, dt.date, dt.date]:
    """The period asked for; without one, the month before this."""
    today = timezone.localdate()
    last = today.replace(day=1) - dt.timedelta(days=1)
    usual = {"first": last.replace(day=1), "last": last}
    asked = request.GET if request.GET.get("first") or request.GET.get("last") else None
    form = PeriodForm(asked, initial=usual)
    found = form.cleaned_data if form.is_valid() else usual
    return form, found["first"], found["last"]


@may(OWNER, OFFICE)
def books_page(request: SeatedRequest) -> HttpResponse:
    """A period's tax and entries, and what was handed over before."""
    form, first, last = _period(request)
    business = request.seat.business
    if request.method == "POST":
        try:
            made = books.start_books(business=business, first=first, last=last, by=request.user, now=timezone.now())
        except Refusal as refusal:
            messages.error(request, str(refusal))
            return redirect("books")
        return redirect("books-file", pk=made.pk)
    taxes = tax_summary(business, first, last)
    values = {
        "form": form,
        "first": first,
        "last": last,
        "taxes": taxes,
        "base": sum((row.base for row in taxes), ZERO),
        "tax": sum((row.tax for row in taxes), ZERO),
        "entries": len(journal_of(business, first, last)),
        "handed_over": BooksFile.objects.of(business).defer("content").select_related("job", "asked_by")[:12],
    }
    return render(request, "billing/books.html", values)


@may(OWNER, OFFICE)
def books_file(request: SeatedRequest, pk: int) -> HttpResponse:
    """How a ZIP for the accountant comes along, and the way to it."""
    rows = BooksFile.objects.seen_by(request.seat).defer("content").select_related("job")
    return render(request, "billing/books_file.html", {"books": get_object_or_404(rows, pk=pk)})


@may(OWNER, OFFICE)
def books_download(request: SeatedRequest, pk: int) -> HttpResponse:
    """The ZIP as it was made."""
    rows = BooksFile.objects.seen_by(request.seat).filter(made_at__isnull=False)
    made = get_object_or_404(rows, pk=pk)
    name = f"books-{made.first.isoformat()}-{made.last.isoformat()}.zip"
    return _file(bytes(made.content or b""), "application/zip", name)


@may(OWNER, OFFICE)
def books_journal(request: SeatedRequest) -> HttpResponse:
    """The journal of a period as CSV."""
    _form, first, last = _period(request)
    text = books.journal_text(business=request.seat.business, first=first, last=last)
    name = f"journal-{first.isoformat()}-{last.isoformat()}.csv"
    return _file(text.encode("utf-8-sig"), "text/csv; charset=utf-8", name)


@may(OWNER, OFFICE)
def books_beancount(request: SeatedRequest) -> HttpResponse:
    """The books of a period as Beancount text."""
    _form, first, last = _period(request)
    text = books.beancount_of(business=request.seat.business, first=first, last=last)
    name = f"books-{first.isoformat()}-{last.isoformat()}.beancount"
    return _file(text.encode(), "text/plain; charset=utf-8", name)


@may(OWNER, OFFICE)
def books_accounts(request: SeatedRequest) -> HttpResponse:
    """Set the accountant's numbers."""
    business = request.seat.business
    form = AccountsForm(posted(request), accounts=books.accounts_to_name(business))
    if request.method == "POST" and form.is_valid():
        try:
            books.name_accounts(business=business, codes=form.codes())
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("The accountant's numbers are kept."))
            return redirect("books")
    return render(request, "billing/books_accounts.html", {"form": form})


def _file(content: bytes, kind: str, name: str) -> HttpResponse:
    response = HttpResponse(content, content_type=kind)
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response


urlpatterns = [
    path("books", books_page, name="books"),
    path("books/accounts", books_accounts, name="books-accounts"),
    path("books/journal.csv", books_journal, name="books-journal"),
    path("books/books.beancount", books_beancount, name="books-beancount"),
    path("books-files/<int:pk>", books_file, name="books-file"),
    path("books-files/<int:pk>/download", books_download, name="books-download"),
]
