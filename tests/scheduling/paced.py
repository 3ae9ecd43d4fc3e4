"""Visits done, and the pace learned from them, for tests."""

import datetime as dt

from scheduling import pace_tasks
from scheduling.pace_models import LearnedPace
from scheduling.services.pace_learning import ask_to_learn
from tests import make
from trimmer.models import Business, Crew, Farm, Visit, VisitHead, VisitState
from trimmer.services import jobs

assert pace_tasks.learn_pace

STARTED = dt.time(8)


def a_visit_done(
    farm: Farm, crew: Crew, *, minutes: float, date: dt.date | None = None, head: dict[str, int] | None = None
) -> Visit:
    """A visit done that took so many minutes from arrival to last head out; below 0, it ended before it began."""
    date = date or make.TODAY - dt.timedelta(days=30)
    arrived = dt.datetime.combine(date, STARTED, dt.UTC)
    visit = make.a_visit(
        farm,
        crew,
        date=date,
        state=VisitState.DONE,
        arrived_at=arrived,
        last_head_at=arrived + dt.timedelta(minutes=minutes),
    )
    for kind, count in ({"cow": 30} if head is None else head).items():
        VisitHead.objects.create(visit=visit, kind=kind, planned=count, done=count)
    return visit


def some_visits(farm: Farm, crew: Crew, *minutes: float, head: dict[str, int] | None = None) -> list[Visit]:
    """A visit every second week, the last of them a fortnight ago."""
    first = make.TODAY - dt.timedelta(weeks=2 * len(minutes))
    return [
        a_visit_done(farm, crew, minutes=each, date=first + dt.timedelta(weeks=2 * n), head=head)
        for n, each in enumerate(minutes)
    ]


def learn(business: Business, *, today: dt.date = make.TODAY) -> LearnedPace:
    """The pace learned, as a worker would."""
    job = ask_to_learn(business=business, today=today, by=None)
    jobs.run(job.pk, clock=lambda: make.NOW)
    job.refresh_from_db()
    assert job.state == "done", job.message
    return LearnedPace.objects.of(business).get()
