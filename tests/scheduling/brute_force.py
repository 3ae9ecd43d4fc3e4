"""The cost of the best plan of a tiny week, by trying everything. Takes the rules from the words of `problem` and
nothing from the planner's arithmetic.

Every round is every order of visits, every time to leave and every place for lunch: hours that are all multiples of
some minutes have a cheapest day that is so too. Every plan is then every choice of rounds, crew-day by crew-day.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from functools import cache

from scheduling.planner import Crew, Job, Week
from scheduling.planner.problem import Key, Number

type _Visits = frozenset[tuple[Key, int]]
type _Clocks = dict[tuple[int, str], int]
"""{(leaving, lunch): ready}; lunch is "no", "out" or "base"."""
type _Done = tuple[tuple[int, ...], ...]
"""Works done of each job."""


def best_cost(week: Week) -> Number:
    """Cost of the cheapest plan."""
    best: dict[_Done, Number] = {tuple(() for _ in week.jobs): 0}
    place = {job.id: index for index, job in enumerate(week.jobs)}
    for day in range(week.days):
        today: dict[tuple[_Done, _Done], Number] = {(done, tuple(() for _ in week.jobs)): c for done, c in best.items()}
        for crew in week.crews:
            options = {frozenset(): 0, **_rounds(week, crew, day)} if day in crew.hours else {frozenset(): 0}
            further: dict[tuple[_Done, _Done], Number] = {}
            for (before, added), cost in today.items():
                for visits, price in options.items():
                    now = [list(works) for works in added]
                    for name, work in visits:
                        now[place[name]].append(work)
                    if all(_may_go_on(week, job, before[j], now[j]) for j, job in enumerate(week.jobs)):
                        key = before, tuple(tuple(sorted(works)) for works in now)
                        further[key] = min(further.get(key, math.inf), cost + price)
            today = further
        best = {}
        for (before, added), cost in today.items():
            late: Number = 0
            for j, job in enumerate(week.jobs):  # the last visit counts: what was late before is paid no more
                if added[j] and job.due_day is not None:
                    late += job.late_cost * max(0, day - job.due_day) if _whole(job, before[j], added[j]) else 0
            done = tuple(tuple(sorted((*a, *b))) for a, b in zip(before, added, strict=True))
            best[done] = min(best.get(done, math.inf), cost + late)
    return min(
        cost + sum(job.skip_cost for job, works in zip(week.jobs, done, strict=True) if not works)
        for done, cost in best.items()
        if all(not works or sum(works) == job.work for job, works in zip(week.jobs, done, strict=True))
    )


def _whole(job: Job, before: Sequence[int], added: Sequence[int]) -> bool:
    return sum(before) + sum(added) == job.work


def _may_go_on(week: Week, job: Job, before: Sequence[int], today: Sequence[int]) -> bool:
    """Whether these visits may be all or some of the job's."""
    works = [*before, *today]
    if len(today) > job.crews_at_once or sum(works) > job.work:
        return False
    if works in ([], [job.work]):
        return True
    return job.may_split and job.fixed is None and len(works) <= week.rules.split_most


def _sizes(week: Week, job: Job) -> Iterator[int]:
    """Works one visit may have."""
    most = job.work if job.longest_visit is None else min(job.work, job.longest_visit)
    if most == job.work:
        yield job.work
    if job.may_split and job.fixed is None:
        for work in range(week.rules.split_step, min(most, job.work - 1) + 1, week.rules.split_step):
            if work >= week.rules.split_least:
                yield work


def _rounds(week: Week, crew: Crew, day: int) -> dict[_Visits, Number]:
    """The price of every set of visits the crew can make that day."""
    step = _common(week)
    earliest, latest = crew.hours[day]
    meals = ["no", "base"] if week.rules.lunch else ["base"]
    clocks = {
        (leave, meal): leave
        for leave in range(earliest, latest + 1, step)
        for meal in meals
        if meal == "no" or not week.rules.lunch or leave >= week.rules.lunch_from + week.rules.lunch
    }
    prices: dict[_Visits, Number] = {}
    _grow(week, crew, day, (), clocks, prices)
    return prices


def _grow(
    week: Week,
    crew: Crew,
    day: int,
    visits: tuple[tuple[Job, int], ...],
    clocks: _Clocks,
    prices: dict[_Visits, Number],
) -> None:
    """Add every further visit to the round; price the way home of each."""
    for job in week.jobs:
        if job.id in {before.id for before, _ in visits} or not _may_visit(crew, job, day):
            continue
        for work in _sizes(week, job):
            longer = (*visits, (job, work))
            if crew.most_head is not None and sum(-(-j.head * w // j.work) for j, w in longer) > crew.most_head:
                continue
            reached = _reach(week, crew, day, visits, clocks, job, work)
            if not reached:
                continue
            price = _price(week, crew, day, longer, reached)
            if price is not None:
                key = frozenset((j.id, w) for j, w in longer)
                prices[key] = min(prices.get(key, math.inf), price)
            if not job.last_of_day:
                _grow(week, crew, day, longer, reached, prices)


def _may_visit(crew: Crew, job: Job, day: int) -> bool:
    return (
        (job.crews is None or crew.id in job.crews)
        and (job.chute_kind is None or job.chute_kind == crew.chute_kind)
        and (job.fixed is None or (job.fixed.crew, job.fixed.day) == (crew.id, day))
        and job.earliest_day <= day <= (day if job.latest_day is None else job.latest_day)
        and bool(job.windows.get(day))
    )


def _service(week: Week, job: Job, work: int) -> int:
    pens = 1 if job.lock_up is None else math.ceil(work / job.lock_up)
    return job.setup + work + week.rules.regroup * (pens - 1)


def _over(week: Week, clocks: _Clocks, leg: int) -> _Clocks:
    """The clocks after a leg: the work before it, the wash-down and the drive; lunch may be had anywhere in it."""
    rules = week.rules
    after: dict[tuple[int, str], int] = {}
    for (leave, meal), clock in clocks.items():
        ways = [(meal, clock + leg)]
        if meal == "no" and clock <= rules.lunch_to:
            ways.append(("out", max(clock + leg, rules.lunch_from) + rules.lunch))
        for now, ready in ways:
            after[leave, now] = min(after.get((leave, now), ready), ready)
    return after


def _reach(
    week: Week, crew: Crew, day: int, visits: Sequence[tuple[Job, int]], clocks: _Clocks, job: Job, work: int
) -> _Clocks:
    """When the work at the next farm may begin."""
    at = week.jobs.index(job)
    if visits:
        before, done = visits[-1]
        wash = 0
        if job.tier < before.tier:
            wash = week.rules.wash if before.wash_after is None else before.wash_after
        leg = _service(week, before, done) + wash + week.between[week.jobs.index(before)][at]
    else:
        leg = _ends(week, crew, day)[0][0][at]
    service, begins = _service(week, job, work), {}
    for key, ready in _over(week, clocks, leg).items():
        starts = [
            start
            for opened, closed in job.windows[day]
            for start in [max(ready, opened) if job.fixed is None else job.fixed.start]
            if max(ready, opened) <= start <= closed - service
        ]
        if starts:
            begins[key] = min(starts)
    return begins


def _price(week: Week, crew: Crew, day: int, visits: Sequence[tuple[Job, int]], clocks: _Clocks) -> Number | None:
    """Of the cheapest hours, or None when the crew cannot come home so."""
    rules, costs = week.rules, crew.costs or week.costs
    at = [week.jobs.index(job) for job, _ in visits]
    (out, metres_out), (home, metres_home), sleeps = _ends(week, crew, day)
    drive = out[at[0]] + home[at[-1]] + sum(week.between[a][b] for a, b in itertools.pairwise(at))
    if rules.most_drive_share is not None and drive > rules.most_drive_share * sum(work for _, work in visits):
        due = [job.fixed is not None or (job.due_day is not None and job.due_day <= day) for job, _ in visits]
        if not any(due):
            return None
    services = [_service(week, job, work) for job, work in visits]
    longest = crew.longest_on.get(day, crew.longest_day)
    best: Number | None = None
    last = visits[-1][0]
    wash = 0
    if sleeps and last.tier > 0:
        wash = rules.wash if last.wash_after is None else last.wash_after
    for (leave, meal), back in _over(week, clocks, services[-1] + wash + home[at[-1]]).items():
        late = back > crew.hours[day][1] or back - leave > longest
        if late or (meal == "no" and back > rules.lunch_to):
            continue
        off = back - leave - sum(services) - (rules.lunch if meal == "out" else 0)
        best = off if best is None else min(best, off)
    if best is None:
        return None
    moved = sum(_price_of_moving(week, crew, day, job, work) for job, work in visits)
    metres = metres_out[at[0]] + metres_home[at[-1]]
    if week.metres_between:
        metres += sum(week.metres_between[a][b] for a, b in itertools.pairwise(at))
    bed = (costs.bed or 0) if sleeps else 0
    return costs.crew_day + bed + costs.drive * drive + costs.off_work * best + costs.metre * metres + moved


type _Row = Sequence[int]


def _ends(week: Week, crew: Crew, day: int) -> tuple[tuple[_Row, _Row], tuple[_Row, _Row], bool]:
    """(minutes, metres) out and home of that day, and whether its night is spent away."""
    c, none = week.crews.index(crew), [0] * len(week.jobs)
    out: tuple[_Row, _Row] = week.out[c], week.metres_out[c] if week.metres_out else none
    metres_home = week.metres_home or week.metres_out
    home: tuple[_Row, _Row] = (week.home or week.out)[c], metres_home[c] if metres_home else none
    sleeps = False
    for night in week.nights:
        bed = [job.id for job in week.jobs].index(night.near)
        if night.crew == crew.id and night.day == day - 1:
            out = week.between[bed], week.metres_between[bed] if week.metres_between else none
        if night.crew == crew.id and night.day == day:
            metres = week.metres_between
            home, sleeps = ([r[bed] for r in week.between], [r[bed] for r in metres] if metres else none), True
    return out, home, sleeps


def _price_of_moving(week: Week, crew: Crew, day: int, job: Job, work: int) -> Number:
    """What the farm was told that comes to nothing by this visit."""
    if not job.told:
        return 0
    lost = week.moves.day * (len(job.told) - 1) if work == job.work else 0
    if any((told.crew, told.day) == (crew.id, day) for told in job.told):
        return lost
    return lost + (week.moves.crew if any(told.day == day for told in job.told) else week.moves.day)


def _common(week: Week) -> int:
    """The most minutes all hours and lengths of the week are multiples of."""
    return _common_of(tuple(_lengths(week)))


@cache
def _common_of(lengths: tuple[int, ...]) -> int:
    return math.gcd(*lengths) or 1


def _lengths(week: Week) -> Iterator[int]:
    rules = week.rules
    yield from (rules.wash, rules.lunch, rules.lunch_from, rules.lunch_to, rules.split_step, rules.regroup)
    tables: list[Sequence[Sequence[int]]] = [week.out, week.between, week.home or ()]
    yield from (minutes for table in tables for row in table for minutes in row)
    for crew in week.crews:
        yield from (crew.longest_day, *crew.longest_on.values())
        yield from (minute for hours in crew.hours.values() for minute in hours)
    for job in week.jobs:
        yield from (job.work, job.setup, job.wash_after or 0, job.fixed.start if job.fixed else 0)
        yield from (minute for spans in job.windows.values() for span in spans for minute in span)
