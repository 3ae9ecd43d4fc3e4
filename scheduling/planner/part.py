"""A part of a week: some of its crews and jobs, with the drives between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from .problem import Crew, Job, Matrix, Week


def part_of(
    week: Week, crews: Sequence[int], jobs: Sequence[int], *, as_crews: Sequence[Crew] = (), as_jobs: Sequence[Job] = ()
) -> Week:
    """The week of these crews and jobs, by index in the order given; one may be named twice. as_crews, as_jobs: who
    they are, when not themselves."""

    def by_crew(table: Matrix) -> Matrix:
        return tuple(tuple(table[c][j] for j in jobs) for c in crews)

    def by_job(table: Matrix) -> Matrix:
        return tuple(tuple(table[i][j] for j in jobs) for i in jobs)

    return replace(
        week,
        crews=tuple(as_crews or (week.crews[c] for c in crews)),
        jobs=tuple(as_jobs or (week.jobs[j] for j in jobs)),
        out=by_crew(week.out),
        home=None if week.home is None else by_crew(week.home),
        between=by_job(week.between),
        metres_out=None if week.metres_out is None else by_crew(week.metres_out),
        metres_home=None if week.metres_home is None else by_crew(week.metres_home),
        metres_between=None if week.metres_between is None else by_job(week.metres_between),
    )
