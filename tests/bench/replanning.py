"""After one event: how many told visits move, and what that costs against planning from scratch in the same time.

Run `python -m tests.bench.replanning [SECONDS [WEEK ...]]`: a table of weeks and events, and the means.
"""

from __future__ import annotations

import json
import random
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

from scheduling.planner import (
    Cancelled,
    CrewDown,
    Event,
    NewJob,
    Overran,
    Plan,
    Week,
    compare,
    happen,
    read_week,
    replan,
    solve,
)

WEEKS = Path(__file__).parents[2] / "fixtures" / "weeks"
_SEED = 7
_TOLERANCE = 30


@dataclass(frozen=True)
class Outcome:
    """told: visits that were told and whose job still stands; the shares moved of them are to another crew or day, or
    only to another hour; given_up: told jobs not in the plan, and the same of the plan from scratch; extra: cost above
    that plan's, as a share."""

    week: str
    event: str
    told: int
    moved: float
    hour: float
    scratch_moved: float
    given_up: int
    scratch_given_up: int
    extra: float
    seconds: float


def events(week: Week, plan: Plan) -> dict[str, Event]:
    """One event of each kind, drawn with a fixed seed: a told visit called off, an urgent job beside a known farm, the
    crew with most stops down on a day, a job half as long again."""
    chance = random.Random(f"{week.name}{_SEED}")
    told = [stop.job for made in plan.rounds for stop in made.stops if week.job(stop.job).fixed is None]
    whole = [job for job in told if told.count(job) == 1]
    beside = week.job_index[chance.choice(told)]
    like = week.jobs[beside]
    everyday = dict.fromkeys(range(week.days), ((480, 1080),))
    urgent = replace(
        like,
        id="urgent",
        work=90,
        may_split=False,
        windows=everyday,
        due_day=2,
        late_cost=200,
        skip_cost=3000,
        crews=None,
        fixed=None,
    )
    new = NewJob(
        job=urgent,
        out=tuple(row[beside] + 5 for row in week.out),
        to=tuple(row[beside] + 5 for row in week.between),
        back=tuple(minutes + 5 for minutes in week.between[beside]),
    )
    free = [made for made in plan.rounds if all(week.job(stop.job).fixed is None for stop in made.stops)]
    busiest = max(free, key=lambda made: (len(made.stops), -made.day))
    longer = chance.choice(whole)
    return {
        "called off": Cancelled(job=chance.choice(told)),
        "urgent": new,
        "crew down": CrewDown(crew=busiest.crew, day=busiest.day),
        "half longer": Overran(job=longer, work=-(-week.job(longer).work * 3 // 60) * 30),
    }


def outcome(week: Week, standing: Plan, name: str, event: Event, seconds: float) -> Outcome:
    """Plan anew, and from scratch, in the same time."""
    started = time.monotonic()
    again = replan(week, standing, [event], seconds=seconds)
    took = time.monotonic() - started
    after = happen(week, event)
    scratch = solve(after, seconds=seconds)
    kept = replace(
        standing,
        rounds=tuple(
            replace(made, stops=tuple(s for s in made.stops if s.job in after.job_index)) for made in standing.rounds
        ),
    )
    anew = compare(kept, scratch, tolerance=_TOLERANCE)
    told = sum(len(made.stops) for made in kept.rounds)
    jobs = {stop.job for made in kept.rounds for stop in made.stops}
    far = [move for move in again.moved if move.how != "hour"]
    far_anew = [move for move in anew.moved if move.how != "hour"]
    return Outcome(
        week=week.name,
        event=name,
        told=told,
        moved=len(far) / told,
        hour=(len(again.moved) - len(far)) / told,
        scratch_moved=len(far_anew) / told,
        given_up=len(jobs.intersection(again.plan.skipped)),
        scratch_given_up=len(jobs.intersection(scratch.skipped)),
        extra=again.plan.cost / scratch.cost - 1,
        seconds=took,
    )


def line(found: Outcome) -> str:
    return (
        f"{found.week:5} {found.event:12} {found.told:4} {found.moved:7.1%} {found.hour:7.1%} "
        f"{found.scratch_moved:8.1%} {found.given_up:4} {found.scratch_given_up:4} {found.extra:+8.2%} "
        f"{found.seconds:6.2f}"
    )


def main() -> None:
    """Print the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 3.0
    names = sys.argv[2:] or sorted(path.stem for path in WEEKS.glob("*.json"))
    print("week  event        told   moved    hour  scratch  up scr.    extra   secs")
    found = []
    for name in names:
        week = replace(read_week(json.loads((WEEKS / f"{name}.json").read_text())), name=name)
        standing = solve(week, seconds=max(5.0, 2 * seconds))
        for kind, event in events(week, standing).items():
            found.append(outcome(week, standing, kind, event, seconds))
            print(line(found[-1]), flush=True)
    for kind in [*dict.fromkeys(each.event for each in found), "all"]:
        of_kind = [each for each in found if kind in (each.event, "all")]
        told = sum(each.told for each in of_kind)
        means = [
            sum(getattr(e, field) * e.told for e in of_kind) / told for field in ("moved", "hour", "scratch_moved")
        ]
        extra = sum(each.extra for each in of_kind) / len(of_kind)
        up, scratch_up = sum(e.given_up for e in of_kind), sum(e.scratch_given_up for e in of_kind)
        slowest = max(each.seconds for each in of_kind)
        print(
            f"mean  {kind:12} {told:4} {means[0]:7.1%} {means[1]:7.1%} {means[2]:8.1%} {up:4} {scratch_up:4} "
            f"{extra:+8.2%} {slowest:6.2f}"
        )


if __name__ == "__main__":
    main()
