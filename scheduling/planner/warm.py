"""Compiles the planner's inner loops into numba's cache: `python -m scheduling.planner.warm`.

Without it the first plan on a machine waits for the compiler. NUMBA_CACHE_DIR names the folder of the cache where the
package's own cannot be written.
"""

from __future__ import annotations

from functools import cache

from .arrays import WeekArrays
from .labelling import Labeller
from .local_search import LocalSearch
from .problem import Crew, Job, Week


def _week() -> Week:
    """Two jobs, one of them in parts: every loop has something to do."""
    windows = {0: ((480, 1020),)}
    jobs = tuple(
        Job(id=index, work=work, windows=windows, may_split=work > 200, skip_cost=900)
        for index, work in ((0, 60), (1, 300))
    )
    crew = Crew.steady(0, days=(0,), earliest=390, latest=1140, longest_day=600)
    return Week(crews=(crew,), jobs=jobs, out=((20, 30),), between=((0, 15), (15, 0)), days=1)


@cache
def warm() -> None:
    """Compile what planning a week runs, or load it from the cache; once in a process."""
    arrays = WeekArrays(_week())
    labeller = Labeller(arrays)
    for shift in arrays.shifts:
        prices = 500.0 - shift.late
        outlook = labeller.outlook(shift, prices)
        labeller.cheapest(outlook, shift, prices, 0.0, 0.0, limit=10)
    LocalSearch(arrays, 0).run(50)


if __name__ == "__main__":
    warm()
