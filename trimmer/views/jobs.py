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
    """The progress bar of a job, asked for again and again by the page that shows it."""
    job = get_object_or_404(Job.objects.seen_by(request.seat), pk=pk)
    return render(request, "parts/progress.html", {"job": job})


urlpatterns = [path("jobs/<uuid:pk>", job_progress, name="job-progress")]
