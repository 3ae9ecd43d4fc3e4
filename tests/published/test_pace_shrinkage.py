"""Shrinkage on the worked example of Efron and Morris, Data Analysis Using Stein's Estimator and Its Generalizations,
JASA 70 (1975), 311-319: batting averages of 18 players, first 45 at bats and the rest of the season 1970."""

import numpy as np
import pytest

from scheduling.pace.effects import Effects, Penalties, Strays, choose_penalties

pytestmark = [pytest.mark.published, pytest.mark.pure]

AT_BATS = 45
HITS = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
REST = np.array([346, 298, 276, 222, 273, 270, 263, 210, 269, 230, 264, 256, 303, 264, 226, 285, 316, 200]) / 1000


def _steady(share: np.ndarray) -> np.ndarray:
    """The paper's transformation: with it each figure has variance 1."""
    return np.asarray(np.sqrt(AT_BATS) * np.arcsin(2 * share - 1))


SEEN, TRUE = _steady(HITS / AT_BATS), _steady(REST)
PLAYERS = Strays(
    log=SEEN - SEEN.mean(),
    noise=np.ones(18),
    farm=np.arange(18),
    crew=np.full(18, -1),
    day=np.zeros(18),
)
NO_DRIFT = 1e-9


def _shrunk(variance: float) -> np.ndarray:
    effects = Effects(PLAYERS, 0, Penalties(farm=variance, moving=0.0, drift=NO_DRIFT))
    return np.array([effects.at(player, -1, 0.0)[0] for player in range(18)]) + SEEN.mean()


def test_at_the_papers_pull_the_estimates_are_the_papers() -> None:
    pull = 15 / float(np.sum((SEEN - SEEN.mean()) ** 2))
    assert pull == pytest.approx(0.791, abs=5e-4)  # printed
    shrunk = _shrunk((1 - pull) / pull)
    assert shrunk == pytest.approx(SEEN.mean() + (1 - pull) * (SEEN - SEEN.mean()), abs=1e-6)
    # The paper's total squared errors, 17.56 before and 5.01 after, from figures rounded to two places (from memory).
    assert np.sum((SEEN - TRUE) ** 2) == pytest.approx(17.56, abs=0.1)
    assert np.sum((shrunk - TRUE) ** 2) == pytest.approx(5.01, abs=0.1)


def test_the_penalty_found_by_leaving_out_errs_about_as_little_as_the_papers() -> None:
    chosen = choose_penalties(PLAYERS, 0, sigma=1.0).farm
    assert np.sum((_shrunk(chosen) - TRUE) ** 2) < 5.01 * 1.15
