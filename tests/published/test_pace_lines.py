"""Quantile lines and shrinkage against sources outside the project."""

import numpy as np
import pytest
import statsmodels.api as sm
from statsmodels.datasets import engel

from scheduling.pace import quantile_lines

pytestmark = [pytest.mark.published, pytest.mark.pure]

LEVELS = (0.5, 0.8, 0.9)


def test_the_median_line_of_engels_food_data_is_the_published_one() -> None:
    # Koenker & Hallock, Quantile Regression, J. Econ. Perspectives 15 (2001); coefficients as printed by Koenker's
    # R package quantreg, rq(foodexp ~ income): 81.48225, 0.56018. Data: Engel 1857, 235 households.
    households = engel.load_pandas().data
    design = np.column_stack([np.ones(len(households)), households.income])
    (line,) = quantile_lines(design, households.foodexp.to_numpy(), [0.5])
    assert line == pytest.approx([81.48225, 0.56018], abs=5e-6)


@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.IterationLimitWarning")
@pytest.mark.filterwarnings("ignore::statsmodels.tools.sm_exceptions.ConvergenceWarning")
@pytest.mark.parametrize("place", range(3))
def test_without_penalty_and_bound_the_lines_are_those_of_statsmodels(place: int) -> None:
    # Its QuantReg is iterative (weighted least squares), ours a linear programme: nothing is shared.
    draw = np.random.default_rng(4)
    head = draw.poisson([30, 8, 3, 4, 2], (200, 5))
    design = np.column_stack([np.ones(200), head])
    minutes = design @ [25.0, 7.0, 9.0, 15.0, 11.0, 4.0] * draw.gamma(25, 1 / 25, 200)
    ours = quantile_lines(design, minutes, LEVELS)[place]
    theirs = sm.QuantReg(minutes, design).fit(q=LEVELS[place], p_tol=1e-13, max_iter=20_000).params
    assert ours == pytest.approx(theirs, rel=1e-6, abs=1e-6)
