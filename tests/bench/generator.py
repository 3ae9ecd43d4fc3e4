"""Random weeks of the family of fixtures/weeks, of any size: few long stops among many short ones, several windows,
splits, due dates, health tiers, appointments. The same figures give the same week.

    python -m tests.bench.generator JOBS CREWS [SEED] > week.json
"""

import json
import math
import random
import sys
from typing import Any

DAYS = 5
EARLIEST, LATEST, LONGEST_DAY = 390, 1140, 600
HALVES = [[420, 720], [780, 1080]]
USUAL = [HALVES, [[480, 1020]], [[390, 1140]]]
PART_DAYS = [[[780, 1110]], [[420, 750]]]


def week_file(jobs: int, crews: int, seed: int = 0) -> dict[str, Any]:
    """A week file of so many jobs and crews. Places are kilometres; more crews than four cover more land."""
    chance = random.Random(f"{jobs} {crews} {seed}")
    reach = 38 * math.sqrt(max(1.0, crews / 4))
    villages = [_place(chance, reach) for _ in range(2 * crews + 2)]
    bases = [_near(chance, chance.choice(villages), 8) for _ in range(crews)]
    farms = [_near(chance, chance.choice(villages), 9) for _ in range(jobs)]
    working = [list(range(DAYS)) for _ in range(crews)]
    if crews > 2:
        working[-1] = list(range(DAYS - 1))
    entries = [_job(chance, number, farms[number], crews) for number in range(jobs)]
    to_jobs = [[_minutes(base, farm) for farm in farms] for base in bases]
    _appoint(chance, entries, working, to_jobs, max(1, jobs // 12))
    return {
        "format": "week-problem/1",
        "name": f"{jobs} jobs, {crews} crews, seed {seed}",
        "days": DAYS,
        "crews": [
            {
                "id": number,
                "at": bases[number],
                "earliest": EARLIEST,
                "latest": LATEST,
                "longest_day": LONGEST_DAY,
                "days": working[number],
            }
            for number in range(crews)
        ],
        "jobs": entries,
        "minutes": {
            "crew_to_job": to_jobs,
            "job_to_job": [[0 if a is b else _minutes(a, b) for b in farms] for a in farms],
        },
        "costs": {"crew_day": 60, "drive": 2, "off_work": 1},
        "rules": {
            "wash": 45,
            "lunch": 30,
            "lunch_from": 660,
            "lunch_to": 810,
            "split_step": 30,
            "split_least": 120,
            "split_most": 3,
        },
    }


type _Place = list[float]


def _place(chance: random.Random, reach: float) -> _Place:
    return [round(chance.uniform(-reach, reach), 1), round(chance.uniform(-reach, reach), 1)]


def _near(chance: random.Random, place: _Place, spread: float) -> _Place:
    return [round(chance.gauss(along, spread), 1) for along in place]


def _minutes(a: _Place, b: _Place) -> int:
    """A few minutes to get going, then not quite a kilometre and a half of road for each straight one at 60 km/h."""
    return round(4 + 1.45 * math.dist(a, b))


def _job(chance: random.Random, number: int, at: _Place, crews: int) -> dict[str, Any]:
    kind = chance.random()
    if kind < 0.6:
        work = chance.choice([40, 40, 50, 60, 60, 70, 80, 80, 100, 110, 120])
    elif kind < 0.87:
        work = chance.choice([150, 180, 180, 210, 240])
    else:
        work = chance.choice([270, 300, 330, 360, 390, 420, 450, 540])
    usual = chance.choice(USUAL)
    windows = {}
    for day in range(DAYS):
        luck = chance.random()
        if luck < 0.72:
            windows[str(day)] = usual
        elif luck < 0.87:
            windows[str(day)] = chance.choice(PART_DAYS)
    windows = windows or {str(chance.randrange(DAYS)): usual}
    some = chance.random() < 0.2
    return {
        "id": number,
        "at": at,
        "work": work,
        "setup": chance.choice([10, 10, 15]),
        "may_split": work >= 270,
        "windows": windows,
        "due_day": chance.choice([0, 1, 2, 3, 3, 4, 4, 6, 6, 6, 9, 9]),
        "late_cost": chance.choice([0, 20, 20, 60, 60, 60, 150]),
        "skip_cost": round((135 + 1.5 * work) * chance.choice([1, 1, 2, 2, 4])),
        "tier": int(chance.random() < 0.15),
        "crews": sorted(chance.sample(range(crews), max(1, crews // 2))) if some else None,
        "fixed": None,
    }


def _appoint(
    chance: random.Random, jobs: list[dict[str, Any]], working: list[list[int]], to_jobs: list[list[int]], count: int
) -> None:
    """Turn so many jobs into appointments that cannot move, one on a crew-day at most."""
    crew_days = [(crew, day) for crew, days in enumerate(working) for day in days]
    chosen = chance.sample([job for job in jobs if not job["may_split"]], min(count, len(crew_days), len(jobs)))
    for job, (crew, day) in zip(chosen, chance.sample(crew_days, len(chosen)), strict=True):
        length, drive = job["work"] + job["setup"], to_jobs[crew][job["id"]]
        first, last = EARLIEST + drive, LATEST - drive - length
        start = min(max(15 * chance.randrange(first // 15 + 1, last // 15), first), last)
        job |= {
            "windows": {str(day): [[start, start + length]]},
            "skip_cost": 20000,
            "crews": [crew],
            "fixed": {"crew": crew, "day": day, "start": start},
        }


if __name__ == "__main__":
    print(json.dumps(week_file(*(int(word) for word in sys.argv[1:]))))
