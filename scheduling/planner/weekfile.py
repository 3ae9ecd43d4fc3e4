"""The week as a file: JSON text in and out, and the plan beside it.

A week is an object with "crews", "jobs", "minutes" (crew_to_job, job_to_job), "costs" and "rules"; a plan is
{"rounds": [{"crew", "day", "visits": [{"job", "work"}, ...]}, ...]}. Unknown entries are left alone. A week read
here may hold more than the plain format: a crew's "hours" {day: [earliest, latest]}, a job's "latest_day" and the
like; what equals its default is not written, so a plain week is written plainly.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from typing import Any, cast

from .problem import BadWeek, Costs, Crew, Fixed, Job, Key, Matrix, Night, Rules, Week

_JOB_EXTRAS = (
    "earliest_day",
    "latest_day",
    "last_of_day",
    "chute_kind",
    "longest_visit",
    "lock_up",
    "crews_at_once",
    "wash_after",
    "head",
)
_MATRICES = {"out": "crew_to_job", "home": "job_to_crew", "between": "job_to_job"}


def read_week(obj: object) -> Week:
    """The week in a decoded JSON object; raises BadWeek with a plain sentence when it cannot be meant."""
    if not isinstance(obj, Mapping):
        raise BadWeek("not-a-week", "The file does not hold a week.")
    with _reading("The week"):
        return _week(obj)


@contextmanager
def _reading(what: str) -> Iterator[None]:
    """Whatever goes wrong in reading `what` becomes a plain sentence."""
    try:
        yield
    except BadWeek:
        raise
    except KeyError as missing:
        raise BadWeek("missing", f"{what} lacks {missing}.", name=str(missing)) from missing
    except (TypeError, ValueError, AttributeError, IndexError) as wrong:
        raise BadWeek("not-a-week", f"{what} holds something of the wrong kind.", name=what) from wrong


def _each[T](entries: Any, make: Callable[[Mapping[str, Any]], T], what: str) -> tuple[T, ...]:
    """All entries of a list, each read for itself."""
    made = []
    for place, entry in enumerate(entries):
        with _reading(f"{what} {place}"):
            made.append(make(entry))
    return tuple(made)


def _week(obj: Mapping[str, Any]) -> Week:
    crews = _each(obj["crews"], _crew, "Crew")
    jobs = _each(obj["jobs"], _job, "Job")
    days = int(obj.get("days", 1 + max((day for crew in crews for day in crew.hours), default=4)))
    matrices: dict[str, Matrix | None] = {}
    for mine, theirs in _MATRICES.items():
        with _reading(f"The driving table {theirs}"):
            matrices[mine] = _matrix(obj["minutes"].get(theirs))
            matrices[f"metres_{mine}"] = _matrix((obj.get("metres") or {}).get(theirs))
    for needed in ("out", "between"):
        if matrices[needed] is None:
            raise BadWeek("missing", f"The week lacks minutes '{_MATRICES[needed]}'.", name=_MATRICES[needed])
    return Week(
        crews=crews,
        jobs=jobs,
        costs=Costs(**_known(Costs, obj["costs"])),
        rules=Rules(**_known(Rules, obj["rules"])),
        days=days,
        name=str(obj.get("name", "")),
        nights=tuple(Night(crew=n["crew"], day=n["day"], near=n["near"]) for n in obj.get("nights", ())),
        **cast(dict[str, Any], matrices),
    )


def _known(kind: type, entry: Mapping[str, Any]) -> dict[str, Any]:
    names = {field.name for field in fields(kind)}
    return {name: value for name, value in entry.items() if name in names}


def _matrix(rows: Any) -> Matrix | None:
    return None if rows is None else tuple(tuple(row) for row in rows)


def _crew(entry: Mapping[str, Any]) -> Crew:
    if "hours" in entry:
        hours = {int(day): (span[0], span[1]) for day, span in entry["hours"].items()}
    else:
        hours = {int(day): (entry["earliest"], entry["latest"]) for day in entry["days"]}
    return Crew(
        id=entry["id"],
        hours=hours,
        longest_day=entry["longest_day"],
        chute_kind=entry.get("chute_kind"),
        costs=Costs(**_known(Costs, entry["costs"])) if entry.get("costs") else None,
        most_head=entry.get("most_head"),
        longest_on={int(day): limit for day, limit in entry.get("longest_on", {}).items()},
    )


def _job(entry: Mapping[str, Any]) -> Job:
    fixed = entry.get("fixed")
    extras = {name: entry[name] for name in _JOB_EXTRAS if name in entry}
    return Job(
        id=entry["id"],
        work=entry["work"],
        setup=entry.get("setup", 0),
        may_split=bool(entry.get("may_split", False)),
        windows={int(day): tuple((w[0], w[1]) for w in spans) for day, spans in entry["windows"].items()},
        due_day=entry.get("due_day"),
        late_cost=entry.get("late_cost", 0),
        skip_cost=entry["skip_cost"],
        tier=entry.get("tier", 0),
        crews=None if entry.get("crews") is None else frozenset(entry["crews"]),
        fixed=None if not fixed else Fixed(crew=fixed["crew"], day=fixed["day"], start=fixed["start"]),
        **extras,
    )


def write_week(week: Week) -> dict[str, Any]:
    """The week as an object ready for JSON; ids of crews and jobs become their place in the lists, as the format
    wants."""
    crew_place: dict[Key, int] = week.crew_index
    jobs = []
    for place, job in enumerate(week.jobs):
        entry: dict[str, Any] = {
            "id": place,
            "work": job.work,
            "setup": job.setup,
            "may_split": job.may_split,
            "windows": {str(day): [list(w) for w in spans] for day, spans in sorted(job.windows.items())},
            "due_day": week.days if job.due_day is None else job.due_day,
            "late_cost": job.late_cost,
            "skip_cost": job.skip_cost,
            "tier": job.tier,
            "crews": None if job.crews is None else sorted(crew_place[crew] for crew in job.crews),
            "fixed": None
            if job.fixed is None
            else {"crew": crew_place[job.fixed.crew], "day": job.fixed.day, "start": job.fixed.start},
        }
        entry |= _unusual(job, _JOB_EXTRAS)
        jobs.append(entry)
    minutes = {name: getattr(week, mine) for mine, name in _MATRICES.items()}
    metres = {name: getattr(week, f"metres_{mine}") for mine, name in _MATRICES.items()}
    return {
        "format": "week-problem/1",
        "name": week.name,
        "days": week.days,
        "crews": [_crew_entry(place, crew) for place, crew in enumerate(week.crews)],
        "jobs": jobs,
        "minutes": {name: [list(row) for row in rows] for name, rows in minutes.items() if rows is not None},
        **(
            {"metres": {n: [list(r) for r in rows] for n, rows in metres.items() if rows}}
            if any(metres.values())
            else {}
        ),
        "costs": {"crew_day": 0, "drive": 0, "off_work": 0} | _entries(week.costs),
        "rules": _entries(week.rules),
        **({"nights": [_night(week, night) for night in week.nights]} if week.nights else {}),
    }


def _night(week: Week, night: Night) -> dict[str, int]:
    return {"crew": week.crew_index[night.crew], "day": night.day, "near": week.job_index[night.near]}


def _entries(value: Any) -> dict[str, Any]:
    plain = {"crew_day", "drive", "off_work", "wash", "lunch", "lunch_from", "lunch_to"}
    plain |= {"split_step", "split_least", "split_most"}
    return {
        f.name: getattr(value, f.name) for f in fields(value) if f.name in plain or getattr(value, f.name) != f.default
    }


def _unusual(value: Any, names: tuple[str, ...]) -> dict[str, Any]:
    return {
        f.name: getattr(value, f.name) for f in fields(value) if f.name in names and getattr(value, f.name) != f.default
    }


def _crew_entry(place: int, crew: Crew) -> dict[str, Any]:
    entry: dict[str, Any] = {"id": place, "longest_day": crew.longest_day, "days": sorted(crew.hours)}
    spans = set(crew.hours.values())
    if len(spans) == 1:
        entry["earliest"], entry["latest"] = next(iter(spans))
    else:
        entry["hours"] = {str(day): list(span) for day, span in sorted(crew.hours.items())}
    entry |= _unusual(crew, ("chute_kind", "most_head"))
    if crew.longest_on:
        entry["longest_on"] = {str(day): limit for day, limit in sorted(crew.longest_on.items())}
    return entry | ({"costs": _entries(crew.costs)} if crew.costs else {})
