"""Single changes to a week that may let a job in, each of which can be made by code."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from .part import part_of
from .problem import DAY_END, BadWeek, Crew, Job, Key, Number, Opening, Week

FULL_DAY: Opening = (0, 24 * 60)


class ChangeKind(StrEnum):
    """What is changed; beside it, which of Change's fields say where and by how much."""

    LONGER_DAY = "longer-day"  # crew, day, minutes: more minutes from leaving to return, within its hours
    BACK_LATER = "back-later"  # crew, day, minutes: may return later, and be away as much longer
    LEAVE_EARLIER = "leave-earlier"  # crew, day, minutes: may leave earlier, and be away as much longer
    OPEN_EARLIER = "open-earlier"  # job, day, opening, minutes: that opening begins earlier
    OPEN_LATER = "open-later"  # job, day, opening, minutes: that opening ends later
    SPLIT = "split"  # job: may be split, in visits of at least the shortest part
    LATER_DAY = "later-day"  # job, day: the day after the latest allowed is allowed too, up to this one
    EARLIER_DAY = "earlier-day"  # job, day: allowed from this day on
    DAY_SUITS = "day-suits"  # job, day: this day suits too
    DUE_LATER = "due-later"  # job, day: due only on this day
    CREW_GOES_OUT = "crew-goes-out"  # crew, day: works on its day off, at its usual hours
    OTHER_HOUR = "other-hour"  # job: a confirmed visit may be at another hour of its day
    OTHER_DAY = "other-day"  # job: a confirmed visit may be on another day, or with another crew
    ANY_CHUTE = "any-chute"  # job: may be done with any chute
    ANY_CREW = "any-crew"  # job: may be done by any crew
    WORTH_MORE = "worth-more"  # job, amount: leaving it out costs this much
    SECOND_CREW = "second-crew"  # crew, day: one more crew like this one goes out that day


_OF_A_CREW_DAY = {ChangeKind.LONGER_DAY, ChangeKind.BACK_LATER, ChangeKind.LEAVE_EARLIER}
_OF_AN_OPENING = {ChangeKind.OPEN_EARLIER, ChangeKind.OPEN_LATER}

_SMALL = 60
_RANK = {
    ChangeKind.SPLIT: 2,
    ChangeKind.LATER_DAY: 3,
    ChangeKind.EARLIER_DAY: 3,
    ChangeKind.DAY_SUITS: 3,
    ChangeKind.DUE_LATER: 3,
    ChangeKind.CREW_GOES_OUT: 5,
    ChangeKind.OTHER_HOUR: 6,
    ChangeKind.OTHER_DAY: 6,
    ChangeKind.ANY_CHUTE: 7,
    ChangeKind.ANY_CREW: 7,
    ChangeKind.WORTH_MORE: 8,
    ChangeKind.SECOND_CREW: 9,
}


@dataclass(frozen=True, kw_only=True)
class Change:
    """One change. job: whose; crew, day: which crew-day, or which day of the job; minutes: by how much; opening: which
    of the day's openings; amount: a cost."""

    kind: ChangeKind
    job: Key | None = None
    crew: Key | None = None
    day: int | None = None
    minutes: int = 0
    opening: int = 0
    amount: Number = 0


def burden(change: Change) -> tuple[int, int, int]:
    """The order of changes, the smallest first.

    Up to an hour more of a crew's day or of a farm's opening (by minutes, the crew's before the farm's, within its
    hours before beyond them); splitting; another day; more than an hour, in the same order; a crew's day off worked;
    a confirmed visit moved, in its day before out of it; another chute or crew; more money; one more crew.
    """
    kinds = list(ChangeKind)
    if change.kind in _OF_A_CREW_DAY or change.kind in _OF_AN_OPENING:
        return (1 if change.minutes <= _SMALL else 4), change.minutes, kinds.index(change.kind)
    return _RANK[change.kind], kinds.index(change.kind), change.day or 0


def apply(week: Week, change: Change) -> Week:
    """The week with the change made; raises BadWeek when it cannot be."""
    if change.kind in _OF_A_CREW_DAY or change.kind is ChangeKind.CREW_GOES_OUT:
        crew, day = week.crew(_named(change.crew)), _day(change.day)
        return with_crew(week, _goes_out(crew, day) if day not in crew.hours else _longer(crew, day, change))
    if change.kind is ChangeKind.SECOND_CREW:
        return _second(week, week.crew(_named(change.crew)), _day(change.day))
    job = week.job(_named(change.job))
    return with_job(week, _changed(week, job, change))


def with_crew(week: Week, crew: Crew) -> Week:
    """The week with this crew in place of the one with its id."""
    return replace(week, crews=tuple(crew if other.id == crew.id else other for other in week.crews))


def with_job(week: Week, job: Job) -> Week:
    """The week with this job in place of the one with its id."""
    return replace(week, jobs=tuple(job if other.id == job.id else other for other in week.jobs))


def _named(value: Key | None) -> Key:
    if value is None:
        raise BadWeek("bad-change", "The change does not say whose.")
    return value


def _day(value: int | None) -> int:
    if value is None:
        raise BadWeek("bad-change", "The change does not say which day.")
    return value


def _longer(crew: Crew, day: int, change: Change) -> Crew:
    earliest, latest = crew.hours[day]
    if change.kind is ChangeKind.BACK_LATER:
        latest = min(DAY_END, latest + change.minutes)
    if change.kind is ChangeKind.LEAVE_EARLIER:
        earliest = max(0, earliest - change.minutes)
    return replace(
        crew,
        hours={**crew.hours, day: (earliest, latest)},
        longest_on={**crew.longest_on, day: crew.longest(day) + change.minutes},
    )


def usual_hours(crew: Crew) -> Opening:
    """The hours the crew has most often; the whole day when it has none."""
    spans = list(crew.hours.values())
    return max(spans, key=lambda span: (spans.count(span), span[1] - span[0]), default=FULL_DAY)


def _goes_out(crew: Crew, day: int) -> Crew:
    return replace(crew, hours={**crew.hours, day: usual_hours(crew)})


def _second(week: Week, crew: Crew, day: int) -> Week:
    """One more crew from the same base, for one day."""
    known = {other.id for other in week.crews}
    name = next(
        name for number in range(2, len(known) + 3) if (name := f"{crew.id}+{number}") not in known
    )  # one number is always free
    there = crew.hours.get(day, usual_hours(crew))
    return part_of(
        week,
        [*range(len(week.crews)), week.crew_index[crew.id]],
        range(len(week.jobs)),
        as_crews=[*week.crews, replace(crew, id=name, hours={day: there})],
    )


def _changed(week: Week, job: Job, change: Change) -> Job:
    kind = change.kind
    if kind in _OF_AN_OPENING:
        return _opened(job, _day(change.day), change)
    if kind is ChangeKind.SPLIT:
        step = week.rules.split_step
        return replace(job, may_split=True, work=-(-job.work // step) * step)
    if kind is ChangeKind.LATER_DAY:
        return replace(job, latest_day=_day(change.day))
    if kind is ChangeKind.EARLIER_DAY:
        return replace(job, earliest_day=_day(change.day))
    if kind is ChangeKind.DUE_LATER:
        return replace(job, due_day=_day(change.day))
    if kind is ChangeKind.DAY_SUITS:
        return _suited(job, _day(change.day))
    if kind is ChangeKind.OTHER_HOUR and job.fixed is not None:
        day = job.fixed.day
        windows = {day: job.windows[day] if _wider_than(job, day, week) else (FULL_DAY,)}
        return replace(job, fixed=None, windows=windows, crews=frozenset({job.fixed.crew}))
    if kind is ChangeKind.OTHER_DAY and job.fixed is not None:
        free = any(day != job.fixed.day and openings for day, openings in job.windows.items())
        windows = dict(job.windows) if free else dict.fromkeys(range(week.days), (FULL_DAY,))
        return replace(job, fixed=None, windows=windows)
    if kind is ChangeKind.ANY_CHUTE:
        return replace(job, chute_kind=None)
    if kind is ChangeKind.ANY_CREW:
        return replace(job, crews=None)
    if kind is ChangeKind.WORTH_MORE:
        return replace(job, skip_cost=change.amount)
    raise BadWeek("bad-change", f"The change {kind} does not apply to job {job.id}.", job=job.id)


def _opened(job: Job, day: int, change: Change) -> Job:
    openings = list(job.windows.get(day, ()))
    if not 0 <= change.opening < len(openings):
        raise BadWeek("bad-change", f"Job {job.id} has no such opening on day {day}.", job=job.id, day=day)
    opened, closed = openings[change.opening]
    if change.kind is ChangeKind.OPEN_EARLIER:
        opened = max(0, opened - change.minutes)
    else:
        closed = min(DAY_END, closed + change.minutes)
    openings[change.opening] = (opened, closed)
    return replace(job, windows={**job.windows, day: tuple(openings)})


def _suited(job: Job, day: int) -> Job:
    """The day suits too, at the hours of the job's most open day."""
    most = max(job.windows.values(), key=lambda openings: sum(b - a for a, b in openings), default=(FULL_DAY,))
    return replace(
        job,
        windows={**job.windows, day: tuple(job.windows.get(day) or most)},
        earliest_day=min(job.earliest_day, day),
        latest_day=None if job.latest_day is None else max(job.latest_day, day),
    )


def _wider_than(job: Job, day: int, week: Week) -> bool:
    """Whether the farm is open longer that day than the confirmed visit takes."""
    service = week.service(job, job.work)
    return any(last > first for first, last in replace(job, fixed=None).openings(day, service)) or (
        len(job.windows[day]) > 1
    )
