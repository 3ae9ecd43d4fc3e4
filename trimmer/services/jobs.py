"""Long work: started with a row, done by a worker, finished once.

A kind of work is a function registered by `@job_kind("...")`: it takes a `Work`, computes outside any transaction while
calling `work.report`, and returns a function that saves. The saving and the row's "done" share one transaction that
only goes through while the worker still holds the lease, so a job run twice is saved once.
"""

from __future__ import annotations

import datetime as dt
import logging
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from django.conf import settings
from django.db import connection, models, transaction
from django.db.utils import OperationalError as DatabaseBusy
from django.utils.translation import gettext as _
from kombu.exceptions import OperationalError

from trimmer.acting import acting
from trimmer.errors import Refusal
from trimmer.models import Business, Job, JobState, User

log = logging.getLogger(__name__)

MOST_ATTEMPTS = 5

type Save = Callable[[], dict[str, Any]]
type Handler = Callable[["Work"], Save]

_handlers: dict[str, Handler] = {}


class LeaseLost(Exception):
    """Another worker has taken the job over; this one stops and leaves no trace."""


@dataclass(frozen=True)
class Work:
    """A claimed job, as its worker sees it."""

    job: Job
    lease: uuid.UUID
    clock: Callable[[], dt.datetime]

    def report(self, percent: int, message: str = "", *, so_far: Mapping[str, Any] | None = None) -> None:
        """Write progress (0-100), what there is so far, and renew the lease. Raises LeaseLost when another worker took
        over."""
        values: dict[str, Any] = {"progress": max(0, min(100, percent)), "message": message[:300]}
        if so_far is not None:
            values["so_far"] = dict(so_far)
        written = Job.objects.filter(pk=self.job.pk, lease=self.lease, state=JobState.RUNNING).update(
            **values, heartbeat_at=self.clock()
        )
        if not written:
            raise LeaseLost

    def stop_asked(self) -> bool:
        """Whether somebody wants the best so far now. Asks the database: at most a few times a second, please."""
        return Job.objects.filter(pk=self.job.pk, stop_asked=True).exists()


def job_kind(name: str) -> Callable[[Handler], Handler]:
    """Register the function that does jobs of this kind."""

    def register(handler: Handler) -> Handler:
        _handlers[name] = handler
        return handler

    return register


def start_job(*, business: Business, kind: str, arguments: dict[str, Any], asked_by: User | None) -> Job:
    """Store a job and queue it once the transaction is through. A broker that is down does not lose it."""
    job = Job.objects.create(business=business, kind=kind, arguments=arguments, asked_by=asked_by)
    transaction.on_commit(lambda: queue_job(job.pk))
    return job


def ask_to_stop(*, job: Job) -> bool:
    """Ask whoever does the job to end soon and keep the best so far. False when it is over already.

    Work that looks at `Work.stop_asked` heeds it, wherever it runs; other work goes on to its end.
    """
    return bool(Job.objects.filter(pk=job.pk).unfinished().update(stop_asked=True))


def queue_job(job_id: uuid.UUID) -> None:
    """Hand a job to the workers; when the broker does not answer, the beat task hands it over later."""
    from trimmer.tasks import run_job

    try:
        run_job.delay(str(job_id))
    except OperationalError:
        log.warning("job %s waits: the broker does not answer", job_id)


def run(job_id: uuid.UUID, *, clock: Callable[[], dt.datetime]) -> bool:
    """Claim a job and do it. False when there was nothing to do: done already, or somebody else is at it."""
    lease = uuid.uuid4()
    now = clock()
    claimed = (
        claimable(now)
        .filter(pk=job_id)
        .update(state=JobState.RUNNING, lease=lease, heartbeat_at=now, attempts=models.F("attempts") + 1)
    )
    if not claimed:
        return False
    job = Job.objects.select_related("business", "asked_by").get(pk=job_id)
    if job.attempts > MOST_ATTEMPTS:
        _fail(job, lease, clock(), _("This was tried several times and never came to an end. Start it again."))
        return False
    try:
        with acting(job.asked_by, f"job {job.kind}"):
            with _heartbeat(job, lease, clock):
                save = _handlers[job.kind](Work(job, lease, clock))
            _finish(job, lease, clock(), save)
    except LeaseLost:
        return False
    except Refusal as refusal:
        _fail(job, lease, clock(), str(refusal))
    except Exception:
        _fail(job, lease, clock(), _("Something went wrong on our side. Nothing was changed; start it again."))
        raise
    return True


@contextmanager
def _heartbeat(job: Job, lease: uuid.UUID, clock: Callable[[], dt.datetime]) -> Iterator[None]:
    """Renew the lease from a thread for as long as the block runs, also while the work reports nothing.

    A database that is locked or away for a moment misses one beat; the next tries again.
    """
    over = threading.Event()

    def beat() -> None:
        while not over.wait(settings.JOB_LEASE_SECONDS / 4):
            try:
                Job.objects.filter(pk=job.pk, lease=lease, state=JobState.RUNNING).update(heartbeat_at=clock())
            except DatabaseBusy:
                log.warning("job %s: the lease could not be renewed this time", job.pk, exc_info=True)
            finally:
                connection.close()

    thread = threading.Thread(target=beat, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def claimable(now: dt.datetime) -> models.QuerySet[Job]:
    """Jobs a worker may take: waiting, or running under a lease that ran out."""
    ran_out = now - dt.timedelta(seconds=settings.JOB_LEASE_SECONDS)
    return Job.objects.filter(
        models.Q(state=JobState.WAITING) | models.Q(state=JobState.RUNNING, heartbeat_at__lt=ran_out)
    )


def requeue_stale(*, now: dt.datetime) -> int:
    """Queue again what nobody is at: leases that ran out, and waiting jobs whose message was lost. Says how many."""
    ran_out = now - dt.timedelta(seconds=settings.JOB_LEASE_SECONDS)
    stale = claimable(now).filter(models.Q(state=JobState.RUNNING) | models.Q(made_at__lt=ran_out))
    ids = list(stale.values_list("pk", flat=True)[:100])
    for job_id in ids:
        queue_job(job_id)
    return len(ids)


def _finish(job: Job, lease: uuid.UUID, now: dt.datetime, save: Save) -> None:
    with transaction.atomic():
        held = Job.objects.filter(pk=job.pk, lease=lease, state=JobState.RUNNING).update(
            state=JobState.DONE, progress=100, message="", finished_at=now
        )
        if not held:
            raise LeaseLost
        result = save()
        Job.objects.filter(pk=job.pk).update(result=result)


def _fail(job: Job, lease: uuid.UUID, now: dt.datetime, message: str) -> None:
    Job.objects.filter(pk=job.pk, lease=lease).update(state=JobState.FAILED, message=message[:300], finished_at=now)
