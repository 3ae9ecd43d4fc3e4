"""Proposed weeks for tests, planned as a worker would."""

import datetime as dt

from scheduling import tasks
from scheduling.models import ProposedStop, ProposedWeek
from scheduling.services import weeks
from scheduling.services.settings import keep_settings
from tests import make
from trimmer.models import Crew, Farm
from trimmer.services import jobs

MONDAY = dt.date(2026, 3, 9)
TUESDAY, WEDNESDAY, THURSDAY = (MONDAY + dt.timedelta(days=n) for n in (1, 2, 3))
assert tasks.plan_week


def propose(crew: Crew) -> ProposedWeek:
    """A week proposed and planned, as a worker would."""
    keep_settings(business=crew.business, seconds=1)
    week = weeks.propose_week(business=crew.business, monday=MONDAY, by=None, now=make.NOW)
    assert week.job is not None
    jobs.run(week.job.pk, clock=lambda: make.NOW)
    week.refresh_from_db()
    return week


def a_week(crew: Crew, *farms: Farm, head: int = 20) -> ProposedWeek:
    for farm in farms:
        make.a_request(farm, head={"cow": head})
    return propose(crew)


def key_of(farm: Farm) -> str:
    return f"farm-{farm.pk}"


def stop_at(week: ProposedWeek, farm: Farm) -> ProposedStop:
    return ProposedStop.objects.select_related("round").get(round__week=week, farm=farm)
