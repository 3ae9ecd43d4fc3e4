"""The truth of one day: may this crew make these visits in this order, at what hours, and at what cost.

Every rule of a single day lives here and nowhere else in the planner; `check` holds each of them a second time, on
purpose.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from .plan import Infeasible, Round, Stop
from .problem import Crew, Job, Key, Opening, Rules, Week

_LONG_AGO = -(10**6)


class _Label(NamedTuple):
    """Hours of a round up to the start of a stop, as a function of the leaving time D in [leave_min, leave_max]:
    the work there starts at max(early, D + offset)."""

    early: int
    offset: int
    leave_min: int
    leave_max: int
    eaten: bool
    lunch_here: bool
    opened: int
    parent: _Label | None


class _Leg(NamedTuple):
    """The way to the next stop, counted from the start of work at the one before."""

    service: int
    wash: int
    drive: int
    metres: int

    @property
    def minutes(self) -> int:
        return self.service + self.wash + self.drive


def evaluate(week: Week, crew: Key, day: int, visits: Sequence[tuple[Key, int]]) -> Round | Infeasible:
    """The cheapest hours of one round, or why it cannot be.

    visits: (job, minutes of work) in order. Of equally cheap hours the earliest leaving time is taken.
    """
    who = week.crew(crew)
    refusal = _refusal(week, who, day, visits)
    if refusal is not None:
        return refusal
    legs = _legs(week, who, day, visits)
    labels = _first_labels(week, who, day)
    for (job_id, work), leg in zip(visits, legs, strict=False):
        job = week.job(job_id)
        starts = job.openings(day, week.service(job, work))
        if not starts:
            return Infeasible(code="window-short", job=job_id, params={"service": week.service(job, work)})
        reached = [new for label in labels for new in _extend(week, label, leg, starts)]
        if not reached:
            return Infeasible(code="window-missed", job=job_id, params={"over": _missed_by(week, labels, leg, starts)})
        labels = _undominated(reached)
    return _back_home(week, who, day, visits, legs, labels)


def _refusal(week: Week, crew: Crew, day: int, visits: Sequence[tuple[Key, int]]) -> Infeasible | None:
    """The rules that need no clock."""
    if day not in crew.hours:
        return Infeasible(code="crew-off")
    if not visits:
        return Infeasible(code="empty")
    if len({job for job, _ in visits}) < len(visits):
        return Infeasible(code="twice")
    for place, (job_id, work) in enumerate(visits):
        job = week.job(job_id)
        if job.crews is not None and crew.id not in job.crews:
            return Infeasible(code="not-for-crew", job=job_id)
        if job.chute_kind is not None and job.chute_kind != crew.chute_kind:
            return Infeasible(code="wrong-chute", job=job_id, params={"chute_kind": job.chute_kind})
        if job.fixed is not None and (job.fixed.crew, job.fixed.day) != (crew.id, day):
            return Infeasible(
                code="confirmed-elsewhere", job=job_id, params={"crew": job.fixed.crew, "day": job.fixed.day}
            )
        if not job.suits(day):
            return Infeasible(code="day-does-not-suit", job=job_id)
        if job.last_of_day and place < len(visits) - 1:
            return Infeasible(code="not-last", job=job_id)
        if not 0 < work <= job.work or (job.longest_visit is not None and work > job.longest_visit):
            return Infeasible(code="visit-too-long", job=job_id, params={"work": work})
    return _too_many_head(week, crew, visits)


def _too_many_head(week: Week, crew: Crew, visits: Sequence[tuple[Key, int]]) -> Infeasible | None:
    if crew.most_head is None:
        return None
    head = sum(week.head(week.job(job_id), work) for job_id, work in visits)
    if head <= crew.most_head:
        return None
    return Infeasible(code="too-many-head", params={"head": head, "most": crew.most_head})


def _legs(week: Week, crew: Crew, day: int, visits: Sequence[tuple[Key, int]]) -> list[_Leg]:
    """One leg per stop and the way to where the crew sleeps."""
    out, metres_out = week.leaving(crew.id, day)
    home, metres_home = week.returning(crew.id, day)
    legs = []
    before: Job | None = None
    at, service = -1, 0
    for job_id, work in visits:
        job, to = week.job(job_id), week.job_index[job_id]
        if before is None:
            legs.append(_Leg(0, 0, out[to], metres_out[to] if metres_out else 0))
        else:
            metres = week.metres_between[at][to] if week.metres_between else 0
            legs.append(_Leg(service, week.wash_between(before, job), week.between[at][to], metres))
        before, at, service = job, to, week.service(job, work)
    wash = 0 if before is None else week.wash_at_night(before, crew.id, day)
    legs.append(_Leg(service, wash, home[at], metres_home[at] if metres_home else 0))
    return legs


def _first_labels(week: Week, crew: Crew, day: int) -> list[_Label]:
    earliest, latest = crew.hours[day]
    rules = week.rules
    if not rules.lunch:
        return [_Label(_LONG_AGO, 0, earliest, latest, True, False, 0, None)]
    after_lunch = max(earliest, rules.lunch_from + rules.lunch)
    return [
        _Label(_LONG_AGO, 0, earliest, latest, False, False, 0, None),
        _Label(_LONG_AGO, 0, after_lunch, latest, True, False, 0, None),
    ]


def _moved(week: Week, label: _Label, leg: _Leg, lunch: bool) -> tuple[int, int, int] | None:
    """(earliest arrival, offset, latest leaving) over one leg, with or without lunch on the way."""
    rules = week.rules
    if not lunch:
        return label.early + leg.minutes, label.offset + leg.minutes, label.leave_max
    if label.eaten or label.early > rules.lunch_to:
        return None
    arrive = max(label.early + leg.minutes, rules.lunch_from) + rules.lunch
    return arrive, label.offset + leg.minutes + rules.lunch, min(label.leave_max, rules.lunch_to - label.offset)


def _extend(week: Week, label: _Label, leg: _Leg, starts: Sequence[Opening]) -> Iterator[_Label]:
    """The label moved over one leg into each opening it can still meet."""
    for lunch in (False, True):
        moved = _moved(week, label, leg, lunch)
        if moved is None:
            continue
        arrive, offset, leave_max = moved
        for first, last in starts:
            latest = min(leave_max, last - offset)
            if max(arrive, first) <= last and latest >= label.leave_min:
                yield _Label(
                    max(arrive, first), offset, label.leave_min, latest, label.eaten or lunch, lunch, first, label
                )


def _missed_by(week: Week, labels: Sequence[_Label], leg: _Leg, starts: Sequence[Opening]) -> int:
    """By how many minutes the nearest opening is missed."""
    short = []
    for label in labels:
        for lunch in (False, True):
            moved = _moved(week, label, leg, lunch)
            if moved is not None:
                arrive, offset, leave_max = moved
                short += [max(arrive - last, label.leave_min - min(leave_max, last - offset)) for _, last in starts]
    return max(1, min(short))


def _undominated(labels: Sequence[_Label]) -> list[_Label]:
    """Labels no other label is at least as good as in every respect."""
    keep: list[_Label] = []
    for a in sorted(labels, key=lambda x: (x.early, x.offset, -x.leave_max, x.leave_min)):
        if not any(
            b.eaten == a.eaten
            and _lunched_out(b) == _lunched_out(a)
            and b.leave_min <= a.leave_min
            and b.early <= a.early
            and b.offset <= a.offset
            and b.leave_max >= a.leave_max
            for b in keep
        ):
            keep.append(a)
    return keep


def _lunched_out(label: _Label) -> bool:
    """Whether lunch was taken away from base (it then does not count as time off work)."""
    at: _Label | None = label
    while at is not None:
        if at.lunch_here:
            return True
        at = at.parent
    return False


def _back_home(
    week: Week,
    crew: Crew,
    day: int,
    visits: Sequence[tuple[Key, int]],
    legs: Sequence[_Leg],
    labels: Sequence[_Label],
) -> Round | Infeasible:
    rules, latest = week.rules, crew.hours[day][1]
    best: tuple[int, int, int, _Label] | None = None  # time off work, away, leaving, label
    short: dict[str, int] = {}
    service = sum(leg.service for leg in legs)
    ways = [way for label in labels for way in _extend(week, label, legs[-1], [(0, latest)])]
    if not ways:
        return Infeasible(code="back-late", params={"over": _missed_by(week, labels, legs[-1], [(0, latest)])})
    for way in ways:
        leave_max = way.leave_max
        if not way.eaten:  # lunch at base after the return
            leave_max = min(leave_max, rules.lunch_to - way.offset)
            late = max(way.early - rules.lunch_to, way.leave_min - leave_max)
            if late > 0:
                short["no-lunch"] = min(late, short.get("no-lunch", late))
                continue
        away = max(way.early - leave_max, way.offset)
        if away > crew.longest(day):
            over = away - crew.longest(day)
            short["day-too-long"] = min(over, short.get("day-too-long", over))
            continue
        leave = max(way.leave_min, min(leave_max, way.early - way.offset))
        off_work = away - service - (rules.lunch if _lunched_out(way) else 0)
        if best is None or (off_work, away, leave) < best[:3]:
            best = off_work, away, leave, way
    if best is None:
        code = "day-too-long" if "day-too-long" in short else "no-lunch"
        return Infeasible(code=code, params={"over": short[code]})
    made = _timed(week, crew, day, visits, legs, best[2], best[3])
    return made if _worth_the_way(week, made) else Infeasible(code="too-much-driving", params={"drive": made.drive})


def _worth_the_way(week: Week, made: Round) -> bool:
    """Whether the driving is in proportion to the work, or something is due or confirmed."""
    share = week.rules.most_drive_share
    if share is None or made.drive <= share * sum(stop.work for stop in made.stops):
        return True
    jobs = [week.job(stop.job) for stop in made.stops]
    return any(job.fixed is not None or (job.due_day is not None and job.due_day <= made.day) for job in jobs)


def _leg_hours(rules: Rules, begun: int, leg: _Leg, lunch: bool) -> tuple[int, int, int, int | None]:
    """(work ended, arrived, ready to start, lunch started) of a leg whose work, or leaving base, begins at `begun`."""
    ended = begun + leg.service
    arrive = ended + leg.wash + leg.drive
    if not lunch:
        return ended, arrive, arrive, None
    if leg.service and rules.lunch_from <= ended <= rules.lunch_to:  # after the work, before packing up
        return ended, arrive + rules.lunch, arrive + rules.lunch, ended
    if ended <= rules.lunch_to and arrive <= rules.lunch_to:  # on arrival at the next place
        at = max(arrive, rules.lunch_from)
        return ended, arrive, at + rules.lunch, at
    if ended <= rules.lunch_to:  # on the road
        return ended, arrive + rules.lunch, arrive + rules.lunch, max(ended, rules.lunch_from)
    return ended + rules.lunch, arrive + rules.lunch, arrive + rules.lunch, max(begun, rules.lunch_from)  # in the work


def _chain(way: _Label) -> list[_Label]:
    """The labels from the first stop to `way`."""
    chain = []
    at: _Label | None = way
    while at is not None and at.parent is not None:
        chain.append(at)
        at = at.parent
    return chain[::-1]


def _timed(
    week: Week, crew: Crew, day: int, visits: Sequence[tuple[Key, int]], legs: Sequence[_Leg], leave: int, way: _Label
) -> Round:
    """The round with its hours, leaving at `leave`."""
    rules = week.rules
    chain = _chain(way)
    lunch: int | None = None
    begun, ready = leave, leave
    begins: list[tuple[int, int]] = []  # arrive, start
    ends: list[int] = []
    for leg, label in zip(legs, chain, strict=True):
        ended, arrive, ready, eating = _leg_hours(rules, begun, leg, label.lunch_here)
        lunch = eating if label.lunch_here else lunch
        begun = max(ready, label.opened)
        ends.append(ended)
        begins.append((arrive, begun))
    back = ready
    if rules.lunch and lunch is None:
        before = min(max(leave - rules.lunch, rules.lunch_from), rules.lunch_to)
        lunch = before if way.eaten else max(back, rules.lunch_from)
    stops = tuple(
        Stop(
            job=job_id,
            work=work,
            arrive=begins[place][0],
            start=begins[place][1],
            end=ends[place + 1],
            drive=legs[place].drive,
            metres=legs[place].metres,
            wash=legs[place + 1].wash,
            pens=week.pens(week.job(job_id), work),
        )
        for place, (job_id, work) in enumerate(visits)
    )
    drive, metres = sum(leg.drive for leg in legs), sum(leg.metres for leg in legs)
    off_work = back - leave - sum(leg.service for leg in legs) - (rules.lunch if _lunched_out(way) else 0)
    costs = week.costs_of(crew)
    priced = sum(week.visit_price(week.job(job_id), work, crew.id, day) for job_id, work in visits)
    return Round(
        crew=crew.id,
        day=day,
        stops=stops,
        leave=leave,
        back=back,
        lunch=lunch,
        drive=drive,
        drive_home=legs[-1].drive,
        wash=sum(leg.wash for leg in legs),
        off_work=off_work,
        cost=week.going(crew.id, day) + costs.drive * drive + costs.off_work * off_work + costs.metre * metres + priced,
        metres=metres,
        metres_home=legs[-1].metres,
        slept_near=week.sleeps_near(crew.id, day - 1),
        sleeps_near=week.sleeps_near(crew.id, day),
    )
