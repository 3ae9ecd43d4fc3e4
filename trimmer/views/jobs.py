"""How far a piece of long work is."""

from __future__ import annotations

import uuid

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import path

from trimmer.access import MEMBERS, SeatedRequest, may
from trimmer.models import Job


@may(*MEMBERS)
def job_progress(request: SeatedRequest, pk: uuid.UUID) -> HttpResponse:
    """The progress bar of a job, asked for again and again by the page that shows it; at the end, the page anew."""
    job = get_object_or_404(Job.objects.seen_by(request.seat), pk=pk)
    response = render(request, "parts/progress_bar.html", {"job": job})
    if job.finished:
        response["HX-Refresh"] = "true"
    return response


urlpatterns = [path("jobs/<uuid:pk>", job_progress, name="job-progress")]
