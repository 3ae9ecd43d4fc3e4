"""A week as a board: days, in each the crews' rounds, in each the stops with hours and drives."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import ROUND_UP, Decimal
from itertools import groupby
from typing import Any, Final

from django.utils.formats import date_format
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from scheduling.models import ProposedRound, ProposedStop, ProposedWeek, StepKind, WeekKind, WeekStep
from scheduling.queries import DAYS
from scheduling.reasons import why_visited
from scheduling.services.arranging import Hand
from scheduling.services.loading import moment
from scheduling.services.writing import dealt
from trimmer.models import Business, Crew, Farm, Visit
from trimmer.showing import show_percent

CENT: Final = Decimal("0.01")
TENTH_OF_A_PERCENT: Final = Decimal("0.001")


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
    key: str = ""  # the planner's name of the job; empty where nothing can be changed
    pin: str = ""
    movable: bool = False


@dataclass
class BoardRound:
    """A crew's day on the board."""

    crew: str
    date: dt.date | None = None
    leave_at: dt.datetime | None = None
    back_at: dt.datetime | None = None
    back_drive_minutes: int | None = None
    sleeps_near: str = ""
    drive_minutes: int = 0
    distance_m: int = 0
    stops: list[BoardStop] = field(default_factory=list)

    @property
    def head(self) -> int:
        return sum(stop.head for stop in self.stops)

    @property
    def minutes(self) -> int:
        """From leaving base to being back; 0 where it is not known."""
        return round((self.back_at - self.leave_at).total_seconds() / 60) if self.leave_at and self.back_at else 0


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


@dataclass(frozen=True)
class WeekSums:
    """What a week comes to."""

    farms: int
    head: int
    drive_minutes: int
    distance_m: int
    crew_days: int


def sums_of(days: list[BoardDay]) -> WeekSums:
    """Add up the rounds of a week."""
    rounds = [made for day in days for made in day.rounds]
    return WeekSums(
        farms=len({stop.farm_id for made in rounds for stop in made.stops}),
        head=sum(made.head for made in rounds),
        drive_minutes=sum(made.drive_minutes for made in rounds),
        distance_m=sum(made.distance_m for made in rounds),
        crew_days=len(rounds),
    )


STEP_SENTENCES: Final = {
    StepKind.MOVED: _("%(farm)s moved to %(day)s, %(crew)s"),
    StepKind.PUT_IN: _("%(farm)s put in on %(day)s, %(crew)s"),
    StepKind.TAKEN_OUT: _("%(farm)s taken out of the week"),
    StepKind.PINNED: _("%(farm)s pinned to its crew and day"),
    StepKind.UNPINNED: _("Pin of %(farm)s taken off"),
    StepKind.REARRANGED: _("Week arranged anew with %(farm)s on %(day)s"),
}
HOUR_PINNED: Final = _("%(farm)s pinned to its crew, day and hour")

COST_PARTS: Final = {
    "out": _("Crews going out"),
    "time": _("Hours driving, washing down and waiting"),
    "road": _("Kilometres"),
    "late": _("Days late"),
    "left": _("Left for another week"),
    "moved": _("Moving what farms were told"),
}


def cost_rows(week: ProposedWeek) -> list[tuple[Any, Decimal]]:
    """The parts of a proposal's cost, by name; those that are nothing are left off."""
    parts = {name: Decimal(value) for name, value in week.parts.items()}
    return [(COST_PARTS[name], parts[name]) for name in COST_PARTS if parts.get(name)]


def bound_sentence(week: ProposedWeek, *, holds: bool, language: str) -> str:
    """How far from the best a proposal can be at most, in one sentence; honest where that is not known."""
    if week.cost is None:
        return ""
    if week.bound is None:
        return gettext("How much cheaper another plan could be is not known.")
    if not holds:
        return gettext(
            "What the planner had to keep has changed since, so how much cheaper another plan could be is not known. "
            "Propose the week again to find out."
        )
    held = bool(week.held)
    if week.cost <= week.bound + CENT:
        if held:
            return gettext("This is the cheapest plan there is that keeps your pins and what you took out.")
        return gettext("This is the cheapest plan there is.")
    share = (week.cost - week.bound) / week.cost
    percent = show_percent(share.quantize(TENTH_OF_A_PERCENT, rounding=ROUND_UP), language, 1)
    if held:
        return gettext("No plan that keeps your pins and what you took out can be more than %(percent)s cheaper.") % {
            "percent": percent
        }
    return gettext("No plan can be more than %(percent)s cheaper.") % {"percent": percent}


def step_rows(week: ProposedWeek, steps: list[WeekStep], business: Business) -> list[dict[str, Any]]:
    """The steps people took, the latest first: a sentence, what each cost, by whom, and whether it is taken back."""
    crews = dict(Crew.objects.of(business).values_list("pk", "name"))

    def at(crew: int, day: int) -> dict[str, str]:
        date = week.monday + dt.timedelta(days=day)
        return {"day": date_format(date, "l"), "crew": crews.get(crew, "")}

    rows = []
    for step in reversed(steps):
        details = step.details
        text = STEP_SENTENCES[StepKind(step.kind)]
        if step.kind == StepKind.PINNED and details.get("hour"):
            text = HOUR_PINNED
        values = {"farm": str(step.farm)} | (at(details["crew"], details["day"]) if "crew" in details else {})
        rows.append(
            {
                "text": text % values,
                "extra": Decimal(details.get("extra", 0)) / 100,
                "by": step.made_by,
                "at": step.made_at,
                "back": step.number > week.step,
            }
        )
    return rows


def board_of_proposal(week: ProposedWeek) -> list[BoardDay]:
    """The days of a proposed week."""
    rounds = (
        ProposedRound.objects.filter(week=week)
        .select_related("crew", "sleeps_near")
        .prefetch_related("stops__farm", "stops__visit")
        .order_by("date", "crew__name")
    )
    days = _empty_days(week.monday)
    for made in rounds:
        board = BoardRound(
            crew=made.crew.name,
            date=made.date,
            leave_at=made.leave_at,
            back_at=made.back_at,
            back_drive_minutes=made.back_drive_minutes,
            sleeps_near=made.sleeps_near.name if made.sleeps_near else "",
            drive_minutes=made.drive_minutes,
            distance_m=made.distance_m,
            stops=[_proposed_stop(stop, week.kind == WeekKind.REPLAN) for stop in made.stops.all()],
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
            date=date,
            drive_minutes=sum(stop.drive_minutes or 0 for stop in stops),
            distance_m=sum(stop.distance_m or 0 for stop in stops),
            stops=stops,
        )
        days[(date - monday).days].rounds.append(board)
    return days


def rounds_in_hand(
    hand: Hand, crew_days: Iterable[tuple[int, int]], *, business: Business, monday: dt.date
) -> list[BoardRound]:
    """Rounds of an arrangement that is only tried, an empty one where a crew would stay at home."""
    crews = dict(Crew.objects.of(business).values_list("pk", "name"))
    farms = dict(
        Farm.objects.of(business)
        .filter(pk__in=[facts.farm for facts in hand.ground.facts.values()])
        .values_list("pk", "name")
    )
    zone = zoneinfo.ZoneInfo(business.time_zone)
    parts = dealt(hand)
    found = []
    for crew, day in crew_days:
        date = monday + dt.timedelta(days=day)
        made = hand.plan.round_of(crew, day)
        if made is None:
            found.append(BoardRound(crew=crews.get(crew, ""), date=date))
            continue
        board = BoardRound(
            crew=crews.get(crew, ""),
            date=date,
            leave_at=moment(date, made.leave, zone),
            back_at=moment(date, made.back, zone),
            back_drive_minutes=made.drive_home,
            sleeps_near=""
            if made.sleeps_near is None
            else farms.get(hand.ground.facts[str(made.sleeps_near)].farm, ""),
            drive_minutes=made.drive,
            distance_m=made.metres,
        )
        wash = 0
        for stop in made.stops:
            key = str(stop.job)
            facts = hand.ground.facts[key]
            part, of_parts, head = parts[key, crew, day]
            board.stops.append(
                BoardStop(
                    farm=farms.get(facts.farm, ""),
                    farm_id=facts.farm,
                    url_id=facts.visit,
                    start_at=moment(date, stop.start, zone),
                    end_at=moment(date, stop.end, zone),
                    head=sum(head.values()),
                    why="",
                    state="booked" if facts.visit else "proposed",
                    drive_minutes=stop.drive,
                    distance_m=stop.metres,
                    wash_minutes=wash,
                    part=part,
                    parts=of_parts,
                    key=key,
                )
            )
            wash = stop.wash
        found.append(board)
    return found


def _empty_days(monday: dt.date) -> list[BoardDay]:
    return [BoardDay(monday + dt.timedelta(days=n)) for n in range(DAYS)]


def _proposed_stop(stop: ProposedStop, replan: bool) -> BoardStop:
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
        key=stop.key,
        pin=stop.pin,
        movable=replan or not stop.was_booked,
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
