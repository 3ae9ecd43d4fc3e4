"""The first page of each person: the one view that may look at facts, rounds and bills together."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from trimmer.access import ANYONE, SIGNED_IN, SeatedRequest, may


@may(ANYONE)
def health(request: HttpRequest) -> HttpResponse:
    """Says "ok" as long as the web process answers."""
    return HttpResponse("ok", content_type="text/plain")


@may(SIGNED_IN)
def home(request: SeatedRequest) -> HttpResponse:
    """The first page, by role."""
    if request.seat is None:
        return render(request, "trimmer/no_seat.html")
    return render(request, f"trimmer/home_{request.seat.role}.html")
