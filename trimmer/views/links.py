"""Coming in by a link: signing in, a calendar, and the veterinarian's view of a herd."""

from __future__ import annotations

from http import HTTPStatus

from django import forms
from django.contrib import messages
from django.contrib.auth import login
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from trimmer.access import ANYONE, FARM, OFFICE, OWNER, SEATED, SeatedRequest, business_locale, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.models import Business, Farm, VetLink
from trimmer.queries.links import vet_links_of, visits_of_calendar
from trimmer.queries.records import records_at
from trimmer.services import links
from trimmer.services.telling import write_feed
from trimmer.tries import too_many_tries
from trimmer.views.herd_reports import Asked, asked_for, page_values, paper_file, table_file
from trimmer.views.people import SIGN_IN_BACKEND

RECORDS_A_PAGE = 25


class EmailForm(forms.Form):
    """Whom the link goes to."""

    email = forms.EmailField(
        label=gettext_lazy("E-mail"), widget=forms.EmailInput(attrs={"autocomplete": "email", "autofocus": True})
    )


class VetForm(forms.Form):
    """Whom a herd's report is shown to."""

    name = forms.CharField(label=gettext_lazy("Veterinarian or practice"), max_length=120)


# Signing in


@may(ANYONE)
@never_cache
def sign_in_link(request: HttpRequest) -> HttpResponse:
    """Ask for a link; the answer does not tell whether the address is known."""
    now = timezone.now()
    form = EmailForm(posted(request))
    if request.method == "POST":
        if too_many_tries(request, "sign-in-link", now=now):
            return _later(request)
        if form.is_valid():
            links.send_sign_in_link(email=form.cleaned_data["email"], now=now)
            return render(request, "trimmer/sign_in_link_sent.html", {"email": form.cleaned_data["email"]})
    return render(request, "trimmer/sign_in_link.html", {"form": form})


@may(ANYONE)
@never_cache
def sign_in_link_open(request: HttpRequest, secret: str) -> HttpResponse:
    """Where the link leads. It is used by the button, not by opening it: some mail programs open every link."""
    now = timezone.now()
    if too_many_tries(request, "sign-in-link-open", now=now):
        return _later(request)
    try:
        if request.method == "POST":
            login(request, links.use_sign_in_link(secret=secret, now=now), backend=SIGN_IN_BACKEND)
            return redirect("home")
        link = links.open_sign_in_link(secret=secret, now=now)
    except Refusal as refusal:
        return _closed(request, refusal)
    return render(request, "trimmer/sign_in_link_open.html", {"person": link.user})


# The calendar


@may(*SEATED)
@require_POST
@never_cache
def calendar_change(request: SeatedRequest) -> HttpResponse:
    """A new private address: it is on this answer and nowhere else."""
    address = links.change_calendar_address(seat=request.seat, now=timezone.now())
    return render(request, "trimmer/calendar_made.html", {"address": address})


@may(ANYONE)
def calendar_feed(request: HttpRequest, secret: str) -> HttpResponse:
    """The visits of a place as an iCalendar feed (RFC 5545)."""
    now = timezone.now()
    if too_many_tries(request, "calendar", now=now):
        return HttpResponse(status=HTTPStatus.TOO_MANY_REQUESTS)
    try:
        seat = links.seat_of_calendar(secret=secret)
    except Refusal as refusal:
        return HttpResponse(str(refusal), status=refusal.status, content_type="text/plain; charset=utf-8")
    with business_locale(seat.business):
        visits = visits_of_calendar(seat, today=timezone.localdate())
        feed = write_feed(visits=visits, business=seat.business, name=str(seat.client or seat.business), now=now)
    return HttpResponse(feed, content_type="text/calendar; charset=utf-8")


# The veterinarian


@may(OWNER, OFFICE, FARM)
def vet_links(request: SeatedRequest, pk: int) -> HttpResponse:
    """Who reads the herd's report by link; a new one is given here."""
    farm = get_object_or_404(Farm.objects.seen_by(request.seat).select_related("client"), pk=pk)
    _check_may_give(request)
    form = VetForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            link, address = links.give_vet_link(farm=farm, by=request.user, now=timezone.now(), **form.cleaned_data)
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            return render(request, "trimmer/vet_link_made.html", {"farm": farm, "link": link, "address": address})
    return render(request, "trimmer/vet_links.html", {"farm": farm, "form": form, "given": vet_links_of(farm)})


@may(OWNER, OFFICE, FARM)
@require_POST
def vet_link_withdraw(request: SeatedRequest, pk: int) -> HttpResponse:
    """Withdraw a link."""
    link = get_object_or_404(VetLink.objects.seen_by(request.seat), pk=pk)
    _check_may_give(request)
    links.withdraw_vet_link(link=link, now=timezone.now())
    messages.success(request, _("The link of %(name)s works no longer.") % {"name": link.name})
    return redirect("vet-links", pk=link.farm_id)


@may(ANYONE)
@never_cache
def vet_report(request: HttpRequest, secret: str, form: str = "page") -> HttpResponse:
    """What the veterinarian reads: the report and the records of one herd, never money, never another herd."""
    now = timezone.now()
    if too_many_tries(request, "vet", now=now):
        return _later(request)
    try:
        link = links.open_vet_link(secret=secret, now=now)
    except Refusal as refusal:
        return _closed(request, refusal)
    business = link.farm.client.business
    with business_locale(business):
        today = timezone.localdate()
        asked = asked_for(link.farm, request.GET, today)
        if form == "csv":
            return table_file(asked)
        if form == "pdf":
            return paper_file(asked, today)
        return _vet_page(request, asked, secret, business)


def _vet_page(request: HttpRequest, asked: Asked, secret: str, business: Business) -> HttpResponse:
    found = records_at(asked.farm, first=asked.first, last=asked.last)
    page = Paginator(found, RECORDS_A_PAGE).get_page(request.GET.get("page"))
    values = page_values(asked, timezone.localdate()) | {"secret": secret, "business": business, "page": page}
    return render(request, "trimmer/vet_report.html", values)


def _check_may_give(request: SeatedRequest) -> None:
    if not (request.seat.is_member or request.seat.may_ask):
        raise PermissionDenied


def _closed(request: HttpRequest, refusal: Refusal) -> HttpResponse:
    return render(request, "trimmer/link_closed.html", {"refusal": refusal}, status=refusal.status)


def _later(request: HttpRequest) -> HttpResponse:
    return render(request, "trimmer/link_later.html", status=HTTPStatus.TOO_MANY_REQUESTS)


urlpatterns = [
    path("sign-in-link", sign_in_link, name="sign-in-link"),
    path("sign-in-link/<str:secret>", sign_in_link_open, name="sign-in-link-open"),
    path("calendar/change", calendar_change, name="calendar-change"),
    path("calendar/<str:secret>.ics", calendar_feed, name="calendar-feed"),
    path("farms/<int:pk>/vet-links", vet_links, name="vet-links"),
    path("vet-links/<int:pk>/withdraw", vet_link_withdraw, name="vet-link-withdraw"),
    path("vet/<str:secret>", vet_report, name="vet-report"),
    path("vet/<str:secret>/records.csv", vet_report, {"form": "csv"}, name="vet-report-table"),
    path("vet/<str:secret>/report.pdf", vet_report, {"form": "pdf"}, name="vet-report-paper"),
]
