"""Planning by another process is stopped, and the best plan so far is kept."""

import time

import pytest

from scheduling.models import ProposedStop, WeekState
from scheduling.services import changing
from tests.conftest import Worker
from tests.scheduling.test_planning_by_a_worker import a_week_to_plan, job_of, wait_for
from trimmer.models import JobState
from trimmer.services.jobs import ask_to_stop

pytestmark = pytest.mark.slow

MUCH_TOO_LONG = 100
SOON = 30


def test_a_worker_that_is_stopped_keeps_the_best_checked_plan(worker: Worker) -> None:
    week = a_week_to_plan(seconds=MUCH_TOO_LONG, farms=45)
    wait_for(lambda: bool(job_of(week).so_far.get("cost")) or job_of(week).finished)
    so_far = job_of(week).so_far
    began = time.monotonic()
    stopped = ask_to_stop(job=job_of(week))
    wait_for(lambda: job_of(week).finished)
    week.refresh_from_db()
    assert stopped, "it was over before it could be stopped"
    assert time.monotonic() - began < SOON
    assert (job_of(week).state, week.state) == (JobState.DONE, WeekState.PROPOSED)
    assert week.cost is not None
    assert float(week.cost) <= float(so_far["cost"])
    assert ProposedStop.objects.filter(round__week=week).exists()
    assert changing.hand_of(week).plan.rounds  # worked out anew, and past the checker
