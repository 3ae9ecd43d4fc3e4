"""A week as a board: days, in each the crews' rounds, in each the stops with hours and drives."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from scheduling.models import ProposedRound, ProposedStop, ProposedWeek
from scheduling.queries import DAYS
from scheduling.reasons import why_visited
from trimmer.models import Business, Visit


@dataclass
class BoardStop:
    """One visit on the board."""

    farm: str
    url_id: int | None  # the booked visit
    farm_id: int
    start_at: dt.datetime | None
    end_at: dt.datetime | None
    head: int
    why: str
    state: str  # proposed, booked, under_way, done
    drive_minutes: int | None = None
    distance_m: int | None = None
    wash_minutes: int = 0
    part: int = 1
    parts: int = 1


@dataclass
class BoardRound:
    """A crew's day on the board."""

    crew: str
    leave_at: dt.datetime | None = None
    back_at: dt.datetime | None = None
    back_drive_minutes: int | None = None
    drive_minutes: int = 0
    distance_m: int = 0
    stops: list[BoardStop] = field(default_factory=list)

    @property
    def head(self) -> int:
        return sum(stop.head for stop in self.stops)


@dataclass
class BoardDay:
    date: dt.date
    rounds: list[BoardRound] = field(default_factory=list)

    @property
    def head(self) -> int:
        return sum(made.head for made in self.rounds)

    @property
    def farms(self) -> int:
        return sum(len(made.stops) for made in self.rounds)


def board_of_proposal(week: ProposedWeek) -> list[BoardDay]:
    """The days of a proposed week."""
    rounds = (
        ProposedRound.objects.filter(week=week)
        .select_related("crew")
        .prefetch_related("stops__farm", "stops__visit")
        .order_by("date", "crew__name")
    )
    days = _empty_days(week.monday)
    for made in rounds:
        board = BoardRound(
            crew=made.crew.name,
            leave_at=made.leave_at,
            back_at=made.back_at,
            back_drive_minutes=made.back_drive_minutes,
            drive_minutes=made.drive_minutes,
            distance_m=made.distance_m,
            stops=[_proposed_stop(stop) for stop in made.stops.all()],
        )
        days[(made.date - week.monday).days].rounds.append(board)
    return days


def board_of_visits(business: Business, monday: dt.date) -> list[BoardDay]:
    """The days of a week as they are booked."""
    visits = (
        Visit.objects.of(business)
        .standing()
        .filter(date__range=(monday, monday + dt.timedelta(days=DAYS - 1)))
        .select_related("farm", "crew")
        .prefetch_related("head")
        .order_by("date", "crew__name", "planned_start", "position", "pk")
    )
    days = _empty_days(monday)
    for (date, crew), group in groupby(visits, key=lambda visit: (visit.date, visit.crew.name)):
        stops = [_booked_stop(visit) for visit in group]
        board = BoardRound(
            crew=crew,
            drive_minutes=sum(stop.drive_minutes or 0 for stop in stops),
            distance_m=sum(stop.distance_m or 0 for stop in stops),
            stops=stops,
        )
        days[(date - monday).days].rounds.append(board)
    return days


def _empty_days(monday: dt.date) -> list[BoardDay]:
    return [BoardDay(monday + dt.timedelta(days=n)) for n in range(DAYS)]


def _proposed_stop(stop: ProposedStop) -> BoardStop:
    return BoardStop(
        farm=stop.farm.name,
        farm_id=stop.farm_id,
        url_id=stop.visit_id,
        start_at=stop.start_at,
        end_at=stop.end_at,
        head=_sum(stop.head),
        why=why_visited(stop.reason),
        state=stop.visit.state if stop.visit else "proposed",
        drive_minutes=stop.drive_minutes,
        distance_m=stop.distance_m,
        wash_minutes=stop.wash_minutes,
        part=stop.part,
        parts=stop.parts,
    )


def _booked_stop(visit: Visit) -> BoardStop:
    return BoardStop(
        farm=visit.farm.name,
        farm_id=visit.farm_id,
        url_id=visit.pk,
        start_at=visit.planned_start,
        end_at=visit.planned_end,
        head=sum(row.done or row.planned for row in visit.head.all()),
        why="",
        state=visit.state,
        drive_minutes=visit.drive_minutes_planned,
        distance_m=visit.distance_planned_m,
    )


def _sum(head: dict[str, Any]) -> int:
    return sum(int(count) for count in head.values())
