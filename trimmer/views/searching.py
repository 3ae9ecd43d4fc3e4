"""One field that finds everything."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import path

from trimmer.access import SEATED, SeatedRequest, may
from trimmer.search import search


@may(*SEATED)
def search_page(request: SeatedRequest) -> HttpResponse:
    """What was found; the one thing found is opened at once where that was asked for (`open`)."""
    typed = request.GET.get("q", "").strip()
    found = search(request.seat, typed)
    if request.GET.get("open") and sum(len(hits) for _kind, hits in found) == 1:
        return redirect(found[0][1][0].url)
    return render(request, "trimmer/search.html", {"typed": typed, "found": found})


urlpatterns = [path("search", search_page, name="search")]
