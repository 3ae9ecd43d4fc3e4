"""Visits drawn from a known truth: farms and crews with their own pace, drift, planted wild records."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from scheduling.pace import PastVisit, WorkAsked

FIRST_DAY = dt.date(2024, 1, 8)
LAST_DAY = dt.date(2025, 7, 7)
SHARES = {"trim": 0.58, "topical": 0.22, "block": 0.07, "wrap": 0.08, "recheck": 0.05}
RATES = {"trim": 7.0, "topical": 9.0, "block": 15.0, "wrap": 11.0, "recheck": 4.0}
SETUP = 28.0


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What visits are drawn from. farm, crew, visit: standard deviations of the logarithm. drift: log a year, of all.
    farm_drift: standard deviation of a farm's own. per_head: spread of single head (as a share of their minutes),
    added up over the visit. outliers: share of records typed wrong. heavy: the visit's own spread is a gamma draw."""

    farms: int = 40
    new_farms: int = 12
    crews: int = 3
    visits: int = 1000
    farm: float = 0.18
    crew: float = 0.08
    visit: float = 0.13
    per_head: float = 0.35
    drift: float = 0.06
    farm_drift: float = 0.06
    outliers: float = 0.02
    gamma: bool = False


@dataclass(frozen=True)
class Simulated:
    history: list[PastVisit]
    asked: list[WorkAsked]
    took: list[float]
    seen: list[int]
    """Visits of the asked farm in the history."""


def simulate(truth: Truth, seed: int, *, asked: int = 1500, ahead: bool = True) -> Simulated:
    """A history over 18 months; then visits of the two months after (or among them: not ahead), to farms well known
    and farms hardly known."""
    draw = np.random.default_rng(seed)
    farm_effect = draw.normal(0.0, truth.farm, truth.farms)
    farm_slope = draw.normal(0.0, truth.farm_drift, truth.farms)
    crew_effect = draw.normal(0.0, truth.crew, truth.crews)
    crew_of = draw.integers(0, truth.crews, truth.farms)
    sizes = np.clip(draw.lognormal(np.log(32), 0.7, truth.farms), 4, 160)
    lesions = draw.lognormal(0.0, 0.5, truth.farms)
    known = truth.farms - truth.new_farms
    span = (LAST_DAY - FIRST_DAY).days

    def visit(farm: int, day: int) -> tuple[WorkAsked, float]:
        crew = int(crew_of[farm]) if draw.random() < 0.7 else int(draw.integers(0, truth.crews))
        count = 1 + int(draw.poisson(sizes[farm] * draw.uniform(0.5, 1.3)))
        shares = {kind: share * (1.0 if kind == "trim" else lesions[farm]) for kind, share in SHARES.items()}
        total = sum(shares.values())
        mix = draw.multinomial(count, [share / total for share in shares.values()])
        head: Mapping[str, float] = dict(zip(shares, map(int, mix), strict=True))
        middle = SETUP + sum(RATES[kind] * number for kind, number in head.items())
        own = float(np.sqrt(sum(number * (truth.per_head * RATES[kind]) ** 2 for kind, number in head.items())))
        years = day / 365.25
        log = farm_effect[farm] + crew_effect[crew] + truth.drift * years + farm_slope[farm] * (years - 0.75)
        wobble = draw.gamma(1 / truth.visit**2, truth.visit**2) if truth.gamma else np.exp(draw.normal(0, truth.visit))
        minutes = max(5.0, (middle + draw.normal(0.0, own)) * float(np.exp(log)) * float(wobble))
        date = FIRST_DAY + dt.timedelta(days=day)
        return WorkAsked(date, f"farm {farm}", f"crew {crew}", head), round(minutes, 1)

    history: list[PastVisit] = []
    seen = np.zeros(truth.farms, dtype=int)
    plan = [farm for new, farm in enumerate(range(known, truth.farms)) for _ in range(new % 4)]
    plan += [int(farm) for farm in draw.integers(0, known, truth.visits - len(plan))]
    for number, farm in enumerate(plan):
        work, minutes = visit(farm, int(draw.integers(0, span)))
        if draw.random() < truth.outliers:
            minutes = round(minutes * float(draw.choice([0.1, 0.3, 3.0, 6.0])), 1)
        seen[farm] += 1
        history.append(PastVisit(work.date, work.farm, work.crew, work.head, minutes, f"visit {number}"))
    farms = np.concatenate([draw.integers(0, known, asked // 2), draw.integers(known, truth.farms, asked // 2)])
    first, last = (span, span + 60) if ahead else (0, span)
    after = [visit(int(farm), int(draw.integers(first, last))) for farm in farms]
    return Simulated(
        history=history,
        asked=[work for work, _minutes in after],
        took=[minutes for _work, minutes in after],
        seen=[int(seen[farm]) for farm in farms],
    )
