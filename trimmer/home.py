"""The first page of each person: the one view that may look at facts, rounds and bills together."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import resolve, reverse
from django.utils import timezone
from django.utils.translation import gettext as _

from billing.models import Invoice, PriceList
from billing.queries import invoices_seen_by, overdue_invoices, visits_to_bill, with_standing
from billing.queries.balances import Standing
from scheduling.models import ProposedWeek, WeekState
from trimmer.access import ANYONE, FARM, OFFICE, OWNER, SIGNED_IN, Seat, SeatedRequest, may, said_who
from trimmer.models import (
    Base,
    Client,
    Crew,
    Farm,
    RequestState,
    SheetImport,
    SheetState,
    Visit,
    VisitRequest,
    VisitState,
)
from trimmer.queries.rechecks import as_rows, count_overdue, rechecks_to_show
from trimmer.queries.requests import requests_to_show
from trimmer.queries.visits import left_unfinished, rounds, visits_to_show

DAYS_AHEAD = 5
A_FEW = 5  # rows of a list that is shown whole elsewhere


@may(ANYONE)
def health(request: HttpRequest) -> HttpResponse:
    """Says "ok" as long as the web process answers."""
    return HttpResponse("ok", content_type="text/plain")


@may(SIGNED_IN)
def home(request: SeatedRequest) -> HttpResponse:
    """The first page, by role."""
    seat: Seat | None = getattr(request, "seat", None)
    today = timezone.localdate()
    if seat is None:
        return render(request, "trimmer/no_seat.html")
    if seat.role == FARM:
        values = _farm(seat, today)
    elif seat.role == OFFICE:
        values = _decisions(seat, today) | _bills(seat, today)
    else:
        values = _decisions(seat, today) | _rounds(seat, today)
        if seat.role == OWNER:
            values |= _bills(seat, today)
    return render(request, f"trimmer/home_{seat.role}.html", values | {"today": today})


def _rounds(seat: Seat, today: dt.date) -> dict[str, Any]:
    """Today's rounds, and those of the days that follow."""
    last = today + dt.timedelta(days=DAYS_AHEAD)
    coming = rounds(visits_to_show(seat).standing().filter(date__range=(today, last)))
    return {
        "rounds_today": [found for found in coming if found.date == today],
        "rounds_next": [found for found in coming if found.date != today],
    }


def _decisions(seat: Seat, today: dt.date) -> dict[str, Any]:
    """What waits for a person: requests, rechecks, weeks, visits left open; or the first steps of a new business."""
    business = seat.business
    waiting = VisitRequest.objects.of(business).waiting()
    monday = today - dt.timedelta(days=today.weekday())
    unfinished = left_unfinished(business, today=today).select_related("farm", "crew").order_by("date", "pk")
    return {
        "waiting": requests_to_show(seat).filter(pk__in=waiting.values("pk"))[:A_FEW],
        "waiting_count": waiting.count(),
        "rechecks_overdue": count_overdue(seat, today=today),
        "weeks": ProposedWeek.objects.of(business)
        .filter(state=WeekState.PROPOSED, monday__gte=monday)
        .order_by("monday"),
        "unfinished": unfinished[:A_FEW],
        "unfinished_count": unfinished.count(),
        "first_steps": _first_steps(seat),
    }


def _first_steps(seat: Seat) -> list[dict[str, Any]]:
    """What a new business does first, with the way there where the seat may go; nothing once all is done."""
    business = seat.business
    if Visit.objects.of(business).exists():
        return []
    steps = (
        (_("Say where your crews start and end the day: a base"), "base-add", Base.objects.of(business)),
        (_("Add a crew with its working days and hours"), "crew-add", Crew.objects.of(business)),
        (_("Add a client, who pays"), "client-add", Client.objects.of(business)),
        (_("Add the client's farm, where the cows are"), "farm-add", Farm.objects.of(business)),
        (_("Write down your prices"), "price-lists", PriceList.objects.of(business)),
        (_("Note a request, then plan the week"), "request-add", VisitRequest.objects.of(business)),
    )
    found = [{"text": text, "url": _way(seat, name), "done": rows.exists()} for text, name, rows in steps]
    return found if not all(step["done"] for step in found) else []


def _way(seat: Seat, name: str) -> str:
    """The address of a page, if the seat may open it."""
    url = reverse(name)
    return url if seat.may(said_who(resolve(url).func) or frozenset()) else ""


def _bills(seat: Seat, today: dt.date) -> dict[str, Any]:
    """What is to be billed, issued, chased and put right."""
    business = seat.business
    to_bill = visits_to_bill(business)
    overdue = overdue_invoices(business, today)
    sheets = SheetImport.objects.of(business).filter(state__in=[SheetState.FAULTY, SheetState.READY])
    sheets = sheets.only("file_name", "state")  # not the files
    return {
        "to_bill": to_bill[:A_FEW],
        "to_bill_count": to_bill.count(),
        "drafts_count": Invoice.objects.of(business).drafts().count(),
        "overdue": overdue[:A_FEW],
        "overdue_count": overdue.count(),
        "sheets": sheets.order_by("-brought_at")[:A_FEW],
    }


def _farm(seat: Seat, today: dt.date) -> dict[str, Any]:
    """The next visit, the animals to be looked at again, and what is open to pay."""
    coming = visits_to_show(seat).filter(date__gte=today, state__in=[VisitState.BOOKED, VisitState.UNDER_WAY])
    rechecks = rechecks_to_show(seat, today=today)
    to_pay = [Standing.OPEN, Standing.PART_PAID, Standing.OVERDUE]
    bills = with_standing(invoices_seen_by(seat), today).filter(standing__in=to_pay)
    return {
        "visits": list(coming.order_by("date", "planned_start", "pk")[:A_FEW]),
        "rechecks": as_rows(rechecks[:A_FEW], today=today),
        "rechecks_count": rechecks.count(),
        "waiting": requests_to_show(seat).filter(state=RequestState.OPEN)[:A_FEW],
        "farms": Farm.objects.current().seen_by(seat).order_by("name", "pk"),
        "bills": bills.order_by("due_on", "pk")[:A_FEW] if seat.may_see_invoices else (),
    }
