"""Long work: claimed by one, finished once, taken up again when its worker dies."""

import datetime as dt
import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.db.utils import OperationalError as DatabaseBusy
from kombu.exceptions import OperationalError

from tests import make
from trimmer import tasks
from trimmer.errors import Refusal
from trimmer.models import Job, JobState
from trimmer.services import jobs

pytestmark = pytest.mark.django_db

LATER = make.NOW + dt.timedelta(hours=1)


def clock() -> dt.datetime:
    return make.NOW


@pytest.fixture
def kind(monkeypatch: pytest.MonkeyPatch) -> Callable[[jobs.Handler], str]:
    """Registers a handler for the test's own kind of work."""

    def register(handler: jobs.Handler) -> str:
        monkeypatch.setitem(jobs._handlers, "test", handler)
        return "test"

    return register


def a_job(**fields: Any) -> Job:
    return Job.objects.create(business=make.a_business(), kind="test", **fields)


def counted(seen: list[str]) -> jobs.Handler:
    def handler(work: jobs.Work) -> jobs.Save:
        work.report(50, "half way")

        def save() -> dict[str, Any]:
            seen.append("saved")
            return {"answer": 42}

        return save

    return handler


def test_a_job_is_done_and_keeps_its_result(kind: Callable[[jobs.Handler], str]) -> None:
    seen: list[str] = []
    kind(counted(seen))
    job = a_job()
    assert jobs.run(job.pk, clock=clock)
    job.refresh_from_db()
    assert (job.state, job.progress, job.result, seen) == (JobState.DONE, 100, {"answer": 42}, ["saved"])


def test_a_job_done_already_is_left_alone(kind: Callable[[jobs.Handler], str]) -> None:
    seen: list[str] = []
    kind(counted(seen))
    job = a_job()
    jobs.run(job.pk, clock=clock)
    assert not jobs.run(job.pk, clock=lambda: LATER)
    assert seen == ["saved"]


def test_a_job_somebody_is_at_is_left_alone(kind: Callable[[jobs.Handler], str]) -> None:
    kind(counted([]))
    job = a_job(state=JobState.RUNNING, heartbeat_at=make.NOW)
    assert not jobs.run(job.pk, clock=clock)


def test_a_job_whose_lease_ran_out_is_taken_over_and_the_first_worker_saves_nothing(
    kind: Callable[[jobs.Handler], str],
) -> None:
    seen: list[str] = []

    def slow(work: jobs.Work) -> jobs.Save:
        if work.job.attempts == 1:
            jobs.run(work.job.pk, clock=lambda: LATER)
        return lambda: {"by": seen.append(f"attempt {work.job.attempts}")}

    kind(slow)
    job = a_job()
    assert not jobs.run(job.pk, clock=clock)
    job.refresh_from_db()
    assert (job.state, job.attempts, seen) == (JobState.DONE, 2, ["attempt 2"])


def test_a_report_after_the_lease_was_lost_stops_the_worker(kind: Callable[[jobs.Handler], str]) -> None:
    def robbed(work: jobs.Work) -> jobs.Save:
        Job.objects.filter(pk=work.job.pk).update(lease=None)
        work.report(10)
        raise AssertionError

    kind(robbed)
    assert not jobs.run(a_job().pk, clock=clock)


def test_a_lease_goes_on_being_renewed_after_the_database_was_locked_once(
    kind: Callable[[jobs.Handler], str], monkeypatch: pytest.MonkeyPatch, settings: Any
) -> None:
    settings.JOB_LEASE_SECONDS = 0.04
    beats: list[str] = []
    renewed = threading.Event()

    class Jobs:
        @staticmethod
        def update(**fields: Any) -> int:
            beats.append("beat")
            if len(beats) == 1:
                raise DatabaseBusy("database is locked")
            renewed.set()
            return 1

    def slow(work: jobs.Work) -> jobs.Save:
        with monkeypatch.context() as patched:
            patched.setattr(Job.objects, "filter", lambda **which: Jobs)
            assert renewed.wait(10)
            beaten = len(beats)
        return lambda: {"beats": beaten}

    kind(slow)
    job = a_job()
    assert jobs.run(job.pk, clock=clock)
    job.refresh_from_db()
    assert job.state == JobState.DONE
    assert job.result["beats"] >= 2


def test_a_refusal_is_told_in_its_own_words(kind: Callable[[jobs.Handler], str]) -> None:
    class NoHay(Refusal):
        code = "no_hay"
        message = "There is no %(what)s. Buy some."

    def refused(work: jobs.Work) -> jobs.Save:
        raise NoHay(what="hay")

    kind(refused)
    job = a_job()
    jobs.run(job.pk, clock=clock)
    job.refresh_from_db()
    assert (job.state, job.message) == (JobState.FAILED, "There is no hay. Buy some.")


def test_a_bug_is_not_swallowed_and_the_person_is_told(kind: Callable[[jobs.Handler], str]) -> None:
    def broken(work: jobs.Work) -> jobs.Save:
        raise ZeroDivisionError

    kind(broken)
    job = a_job()
    with pytest.raises(ZeroDivisionError):
        jobs.run(job.pk, clock=clock)
    job.refresh_from_db()
    assert job.state == JobState.FAILED
    assert "Nothing was changed" in job.message


def test_a_job_that_kills_its_workers_is_given_up(kind: Callable[[jobs.Handler], str]) -> None:
    kind(counted([]))
    job = a_job(state=JobState.RUNNING, heartbeat_at=make.NOW, attempts=jobs.MOST_ATTEMPTS)
    assert not jobs.run(job.pk, clock=lambda: LATER)
    job.refresh_from_db()
    assert job.state == JobState.FAILED


def test_stale_and_forgotten_jobs_are_queued_again(monkeypatch: pytest.MonkeyPatch) -> None:
    queued: list[str] = []
    monkeypatch.setattr(tasks.run_job, "delay", queued.append)
    stale = a_job(state=JobState.RUNNING, heartbeat_at=make.NOW)
    forgotten = a_job()
    a_job(state=JobState.RUNNING, heartbeat_at=forgotten.made_at + dt.timedelta(hours=1))
    a_job(state=JobState.DONE)
    assert jobs.requeue_stale(now=forgotten.made_at + dt.timedelta(hours=1)) == 2
    assert set(queued) == {str(stale.pk), str(forgotten.pk)}


def test_a_broker_that_is_down_does_not_lose_the_job(
    monkeypatch: pytest.MonkeyPatch, django_capture_on_commit_callbacks: Any
) -> None:
    def down(job_id: str) -> None:
        raise OperationalError

    monkeypatch.setattr(tasks.run_job, "delay", down)
    with django_capture_on_commit_callbacks(execute=True):
        job = jobs.start_job(business=make.a_business(), kind="test", arguments={}, asked_by=None)
    assert Job.objects.get(pk=job.pk).state == JobState.WAITING


def test_work_that_is_asked_to_stop_ends_with_the_best_so_far(kind: Callable[[jobs.Handler], str]) -> None:
    def handler(work: jobs.Work) -> jobs.Save:
        work.report(20, so_far={"cost": "120.00"})
        assert not work.stop_asked()
        assert jobs.ask_to_stop(job=Job.objects.get(pk=work.job.pk))
        best = "now" if work.stop_asked() else "never"
        return lambda: {"kept": best}

    kind(handler)
    job = a_job()
    assert jobs.run(job.pk, clock=clock)
    job.refresh_from_db()
    assert (job.so_far, job.result) == ({"cost": "120.00"}, {"kept": "now"})


def test_work_that_is_over_is_not_stopped() -> None:
    job = a_job(state=JobState.DONE)
    assert not jobs.ask_to_stop(job=job)
