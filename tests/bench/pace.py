"""How well and how fast the pace is learned: simulated histories with a known truth, visits held out.

python -m tests.bench.pace
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scheduling.pace import LEVELS, fit_pace, pinball

from .simulated_visits import LAST_DAY, Simulated, Truth, simulate

SEEDS = 12
TRUTHS = {
    "usual": Truth(),
    "gamma visits": Truth(gamma=True, visit=0.2),
    "strong drift": Truth(drift=0.15, farm_drift=0.1),
    "150 visits": Truth(visits=150),
}


@dataclass(frozen=True)
class Score:
    """Shares under the 50, 80, 90 % figures for farms well known and farms of 0 to 3 visits; pinball loss over that of
    two plain rules; seconds of the fit."""

    known: np.ndarray
    few: np.ndarray
    over_average: float
    over_farm_mean: float
    seconds: float


def score(truth: Truth, seed: int, *, ahead: bool = True) -> Score:
    made = simulate(truth, seed, ahead=ahead)
    started = time.perf_counter()
    pace = fit_pace(made.history, today=LAST_DAY)
    seconds = time.perf_counter() - started
    figures = np.array([pace.estimate(ask).minutes for ask in made.asked])
    took, few = np.array(made.took), np.array(made.seen) <= 3
    under = took[:, None] <= figures
    ours = _loss(took, figures)
    return Score(
        known=under[~few].mean(axis=0),
        few=under[few].mean(axis=0),
        over_average=ours / _loss(took, np.repeat(_average(made)[:, None], 3, axis=1)),
        over_farm_mean=ours / _loss(took, np.repeat(_farm_mean(made)[:, None], 3, axis=1)),
        seconds=seconds,
    )


def _loss(took: np.ndarray, figures: np.ndarray) -> float:
    return float(sum(pinball(took, figures[:, n], level).mean() for n, level in enumerate(LEVELS)))


def _average(made: Simulated) -> np.ndarray:
    """Minutes a head of all visits, times head."""
    rate = sum(visit.minutes for visit in made.history) / sum(visit.total for visit in made.history)
    return np.array([rate * ask.total for ask in made.asked])


def _farm_mean(made: Simulated) -> np.ndarray:
    """Minutes a head of the farm's visits, times head; of all where it has none."""
    sums: dict[str, tuple[float, float]] = {}
    for visit in made.history:
        minutes, head = sums.get(visit.farm, (0.0, 0.0))
        sums[visit.farm] = minutes + visit.minutes, head + visit.total
    average = _average(made)
    return np.array(
        [
            ask.total * sums[ask.farm][0] / sums[ask.farm][1] if ask.farm in sums else average[n]
            for n, ask in enumerate(made.asked)
        ]
    )


def main() -> None:
    print("40 farms, 3 crews, 18 months, 2 % wild records; share of held-out visits under the 50, 80, 90 % figures")
    print(f"{'':24}{'farms of 4 visits and more':>28}{'farms of 0 to 3':>20}   loss, of average a head, of farm mean")
    for name, truth in TRUTHS.items():
        for ahead in (True, False):
            scores = [score(truth, seed, ahead=ahead) for seed in range(SEEDS)]
            _print(f"{name}, {'after' if ahead else 'among'}", scores)
    print()
    for farms, crews in ((40, 3), (400, 12)):
        made = simulate(Truth(visits=5000, farms=farms, new_farms=farms // 4, crews=crews), 1, asked=10)
        seconds = min(_timed(lambda: fit_pace(made.history, today=LAST_DAY)) for _ in range(3))  # noqa: B023
        print(f"fit of 5,000 visits to {farms} farms by {crews} crews, penalties included: {seconds:.2f} s")


def _print(name: str, scores: list[Score]) -> None:
    def shares(rows: list[np.ndarray]) -> str:
        return " ".join(f"{100 * share:5.1f}" for share in np.mean(rows, axis=0))

    average, farm = (np.mean([getattr(s, n) for s in scores]) for n in ("over_average", "over_farm_mean"))
    known, few = shares([s.known for s in scores]), shares([s.few for s in scores])
    print(f"{name:24}{known:>28}{few:>20}   {100 * average:5.0f} % {100 * farm:5.0f} %", flush=True)


def _timed(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


if __name__ == "__main__":
    main()
