"""A week planned by a real worker process; a worker killed in the middle; the next one finishes it, once."""

import datetime as dt
import time
from collections.abc import Callable
from typing import Any

import pytest
from django.utils import timezone
from pytest_django import Settings

from scheduling.models import ProposedRound, ProposedWeek, WeekState
from scheduling.services import weeks
from scheduling.services.settings import keep_settings
from tests import make
from tests.conftest import Worker
from trimmer.models import Job, JobState
from trimmer.services import jobs

pytestmark = pytest.mark.slow

LEASE_SECONDS = 3
SECONDS_TO_WAIT = 60


def a_week_to_plan(*, seconds: int, farms: int = 14) -> ProposedWeek:
    business = make.a_business()
    make.a_crew(business)
    client = make.a_client(business)
    for n in range(farms):
        make.a_request(make.a_farm(client, latitude=47.1 + n * 0.01), head={"cow": 15 + n})
    keep_settings(business=business, seconds=seconds)
    now = timezone.now()
    monday = now.date() + dt.timedelta(days=14 - now.date().weekday())
    return weeks.propose_week(business=business, monday=monday, by=None, now=now)


def wait_for(condition: Callable[[], bool], *, meanwhile: Callable[[], Any] = lambda: None) -> None:
    until = time.monotonic() + SECONDS_TO_WAIT
    while not condition():
        assert time.monotonic() < until, "it did not come to pass"
        meanwhile()
        time.sleep(0.1)


def job_of(week: ProposedWeek) -> Job:
    return Job.objects.get(proposed_week=week)


def test_a_worker_plans_the_week_and_tells_how_far_it_is(worker: Worker) -> None:
    week = a_week_to_plan(seconds=3)
    seen: set[int] = set()
    wait_for(lambda: job_of(week).finished, meanwhile=lambda: seen.add(job_of(week).progress))
    week.refresh_from_db()
    assert (job_of(week).state, week.state) == (JobState.DONE, WeekState.PROPOSED)
    assert any(0 < progress < 100 for progress in seen)
    assert ProposedRound.objects.filter(week=week).exists()


def test_a_week_whose_worker_is_killed_is_finished_by_the_next_once(
    start_worker: Callable[[], Worker], settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JOB_LEASE_SECONDS", str(LEASE_SECONDS))
    settings.JOB_LEASE_SECONDS = LEASE_SECONDS
    first = start_worker()
    week = a_week_to_plan(seconds=8, farms=45)
    wait_for(lambda: job_of(week).progress > 0)
    first.kill()
    assert job_of(week).state == JobState.RUNNING

    start_worker()
    wait_for(lambda: job_of(week).finished, meanwhile=lambda: jobs.requeue_stale(now=timezone.now()))
    job = job_of(week)
    assert (job.state, job.attempts) == (JobState.DONE, 2)
    week.refresh_from_db()
    assert week.state == WeekState.PROPOSED
    rounds = list(ProposedRound.objects.filter(week=week).values_list("crew", "date"))
    assert len(rounds) == len(set(rounds)) > 0
    assert not jobs.run(job.pk, clock=timezone.now)
