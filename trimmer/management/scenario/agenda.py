"""Which crew was where on which day: the visits of the past weeks and of this one, as habit had them."""

from __future__ import annotations

import datetime as dt
import math
import random
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from decimal import Decimal

from scheduling.models import PlannerSettings
from scheduling.services.travel import ways
from scheduling.travel.matrix import whole_metres, whole_minutes
from scheduling.travel.rig import USUAL_RIG
from scheduling.travel.straight import Leg, Point
from trimmer.management.scenario.founding import WORKING_WEEKDAYS, Ground
from trimmer.management.scenario.valley import FarmFacts
from trimmer.models import Crew, HeadKind

LONGEST_WORK = 480
"""Minutes of a crew's day for visits; the rest goes to the road and lunch."""

CALLS_FROM_WEEK = 2
MOST_LAME = 4


@dataclass(frozen=True)
class Coming:
    """One visit as it was agreed. `lame` head were asked for at short notice."""

    farm: str
    crew: str
    date: dt.date
    head: Mapping[str, int]
    asked: bool = False
    fixed: bool = False

    @property
    def lame(self) -> int:
        return self.head.get(HeadKind.LAME.value, 0)


@dataclass(frozen=True)
class Stop:
    """A visit with its hours and the way to it."""

    coming: Coming
    position: int
    start: dt.datetime
    end: dt.datetime
    drive_minutes: int
    distance_m: int


@dataclass
class _Week:
    """The visits of a week by crew and day."""

    days: dict[tuple[str, dt.date], list[Coming]] = field(default_factory=lambda: defaultdict(list))

    def minutes(self, crew: str, date: dt.date) -> int:
        return sum(minutes_of(coming.head) for coming in self.days[crew, date])

    def put(self, coming: Coming, suit: list[int]) -> None:
        """On its day if there is room, or else on the next that suits."""
        monday = coming.date - dt.timedelta(days=coming.date.weekday())
        order = sorted(suit, key=lambda weekday: (weekday - coming.date.weekday()) % 7)
        for weekday in [coming.date.weekday(), *order]:
            date = monday + dt.timedelta(days=weekday)
            full = self.minutes(coming.crew, date) + minutes_of(coming.head) > LONGEST_WORK
            here = any(other.farm == coming.farm for other in self.days[coming.crew, date])
            if coming.fixed or not (full or here):
                self.days[coming.crew, date].append(replace(coming, date=date))
                return


def minutes_of(head: Mapping[str, int]) -> int:
    """Minutes a visit takes with set-up, by the figures a business starts with."""
    usual = PlannerSettings()
    work = sum((getattr(usual, f"{kind}_minutes") * count for kind, count in head.items()), Decimal(0))
    return usual.setup_minutes + math.ceil(work)


def agenda(ground: Ground) -> list[Stop]:
    """All visits from the first day to the end of this week, in the order of their days and rounds."""
    weeks: dict[dt.date, list[Coming]] = defaultdict(list)
    for farm in ground.valley.farms.values():
        for coming in _habitual(ground, farm):
            weeks[coming.date - dt.timedelta(days=coming.date.weekday())].append(coming)
    chance = random.Random("calls")  # noqa: S311  (repeatable calls, no secret)
    travel = {key: _travel(ground, crew) for key, crew in ground.crews.items()}
    stops: list[Stop] = []
    for monday in sorted(weeks):
        week = _Week()
        known = sorted(weeks[monday], key=lambda coming: (not coming.fixed, -sum(coming.head.values()), coming.farm))
        if (monday - ground.first_day).days >= 7 * CALLS_FROM_WEEK:
            known += _calls(ground, monday, {coming.farm for coming in known}, chance)
        for coming in known:
            week.put(coming, ground.farms[coming.farm].days_that_suit)
        for crew, date in sorted(week.days, key=lambda key: (key[1], key[0])):
            stops += _round(ground, crew, date, week.days[crew, date], travel[crew])
    return stops


def _habitual(ground: Ground, farm: FarmFacts) -> Iterator[Coming]:
    habit = farm.habit
    last = ground.this_monday - dt.timedelta(weeks=habit.weeks_ago) + dt.timedelta(days=habit.weekday)
    if habit.yesterday:
        last = ground.working_day_before
    date = last
    while date >= ground.first_day:
        for day in range(habit.days):
            share = {
                kind: count * (day + 1) // habit.days - count * day // habit.days for kind, count in habit.head.items()
            }
            fixed = habit.yesterday and date == last
            asked = farm.interval is None
            yield Coming(farm.name, habit.crew, date + dt.timedelta(days=day), share, asked=asked, fixed=fixed)
        if farm.interval is None:
            return
        date -= dt.timedelta(weeks=farm.interval)


def _calls(ground: Ground, monday: dt.date, busy: set[str], chance: random.Random) -> list[Coming]:
    """One farm a week calls about lame cows and is fitted in; this week none that has something else to ask."""
    asking = set()
    if monday == ground.this_monday:
        asking = {ask.farm for ask in (*ground.valley.waiting, ground.valley.after_confirming)}
    free = [
        farm
        for farm in ground.valley.farms.values()
        if farm.name not in busy | asking and farm.details["milking"] >= 50 and not ground.is_on_hold(farm.name)
    ]
    farm = chance.choice(free)
    date = monday + dt.timedelta(days=chance.choice(list(WORKING_WEEKDAYS)))
    head = {HeadKind.LAME.value: chance.randint(2, MOST_LAME)}
    return [Coming(farm.name, farm.habit.crew, date, head, asked=True)]


type Travel = Callable[[Point, Point], Leg]


def _travel(ground: Ground, crew: Crew) -> Travel:
    """The ways of a crew between its base and all farms."""
    base = (crew.base.latitude, crew.base.longitude)
    places = [base, *(farm.position or base for farm in ground.farms.values())]
    block = ways(business=ground.business, rig=USUAL_RIG, places=places).block
    minutes, metres = whole_minutes(block.seconds), whole_metres(block.metres)
    index = {place: number for number, place in enumerate(places)}

    def travel(a: Point, b: Point) -> Leg:
        return Leg(metres[index[a]][index[b]], minutes[index[a]][index[b]])

    return travel


def _round(ground: Ground, crew_key: str, date: dt.date, comings: list[Coming], travel: Travel) -> Iterator[Stop]:
    """A crew's day in order: the cleanest herd first, and of those the nearest to the base."""
    crew = ground.crews[crew_key]
    base = here = (crew.base.latitude, crew.base.longitude)
    leave = dt.time.fromisoformat(ground.valley.crews[crew_key]["leave_from"])
    clock = ground.at(date, leave)

    def place(coming: Coming) -> tuple[float, float]:
        farm = ground.farms[coming.farm]
        return farm.latitude or 0.0, farm.longitude or 0.0

    def order(coming: Coming) -> tuple[int, int, str]:
        return ground.farms[coming.farm].health_tier, travel(base, place(coming)).metres, coming.farm

    for position, coming in enumerate(sorted(comings, key=order)):
        leg = travel(here, place(coming))
        start = clock + dt.timedelta(minutes=leg.minutes)
        end = start + dt.timedelta(minutes=minutes_of(coming.head))
        yield Stop(coming, position, start, end, leg.minutes, leg.metres)
        here, clock = place(coming), end
