"""What waits this morning: requests from the farms, and a visit that is agreed already."""

from __future__ import annotations

import datetime as dt

from trimmer.management.scenario.agenda import minutes_of
from trimmer.management.scenario.founding import Ground
from trimmer.management.scenario.valley import Ask
from trimmer.models import AskedVia, Scale, Visit, VisitRequest
from trimmer.services.farms import update_farm
from trimmer.services.requests import LameValues, ask_for_visit
from trimmer.services.trim_lists import draw_up_trim_list
from trimmer.services.visits import book_visit

EVENING_BEFORE = dt.time(19)


def gather_requests(ground: Ground) -> list[VisitRequest]:
    """Let the farms ask, in the order in which they did."""
    asks = sorted(ground.valley.waiting, key=lambda ask: (-ask.asked_days_ago, ask.clock))
    return [ask_now(ground, ask) for ask in asks]


def ask_now(ground: Ground, ask: Ask) -> VisitRequest:
    """One request, by the farm's own person or taken by telephone."""
    farm = ground.farms[ask.farm]
    if ask.farm_changes:
        update_farm(farm=farm, **ask.farm_changes)
    due_on = None
    if ask.due_day is not None:
        due_on = ground.planned_monday + dt.timedelta(days=ask.due_day)
    if ask.due_in_days is not None:
        due_on = ground.today + dt.timedelta(days=ask.due_in_days)
    by_farm = ask.by == AskedVia.FARM
    return ask_for_visit(
        farm=farm,
        head=ask.head,
        lame=[LameValues(cow["number"], cow["score"], Scale.AHDB.value, cow["note"]) for cow in ask.lame],
        due_on=due_on,
        weekdays=ask.weekdays,
        urgency=ask.urgency,
        note=ask.note,
        via=AskedVia.FARM if by_farm else AskedVia.PHONE,
        by=ground.people["farm" if by_farm else "office"],
        now=ground.at(ground.today - dt.timedelta(days=ask.asked_days_ago), ask.clock),
    )


def book_what_is_agreed(ground: Ground) -> Visit:
    """The one visit of the planned week that is booked already."""
    told = ground.valley.agreed_already
    habit = ground.valley.farms[told["farm"]].habit
    date = ground.planned_monday + dt.timedelta(days=told["weekday"])
    start = ground.at(date, dt.time.fromisoformat(told["clock"]))
    now = ground.at(ground.today - dt.timedelta(days=1), EVENING_BEFORE)
    visit = book_visit(
        farm=ground.farms[told["farm"]],
        crew=ground.crews[habit.crew],
        date=date,
        planned_start=start,
        planned_end=start + dt.timedelta(minutes=minutes_of(habit.head)),
        head=habit.head,
        note=told["note"],
        tell=True,
        by=ground.people["owner"],
        now=now,
    )
    draw_up_trim_list(visit=visit, now=now)
    return visit
