"""Tasks of the facts: run a job, and pick up jobs nobody is at."""

import uuid

from celery import shared_task
from django.utils import timezone

from trimmer.services import jobs


@shared_task(name="trimmer.tasks.run_job")
def run_job(job_id: str) -> None:
    """Do one job. Safe to run twice: the row says who holds it."""
    jobs.run(uuid.UUID(job_id), clock=timezone.now)


@shared_task(name="trimmer.tasks.requeue_stale_jobs")
def requeue_stale_jobs() -> int:
    """Queue again what a dead worker left behind. Safe to run at any time."""
    return jobs.requeue_stale(now=timezone.now())
