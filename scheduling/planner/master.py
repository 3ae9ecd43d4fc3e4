"""Choosing among rounds: one round per crew and day, every job done in full, split in an allowed way, or left out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from ortools.sat.python import cp_model

from .plan import Round
from .problem import Job, Week

SCALE = 100
"""Costs are handed to the integer solver in hundredths."""


def choose(
    week: Week, pool: Sequence[Round], *, start: Sequence[Round], seconds: float, effort: float | None, seed: int
) -> list[Round]:
    """The cheapest plan made of rounds of the pool (which holds `start`, a whole plan); at worst `start` itself.

    effort: limit in the solver's deterministic seconds; None: the wall clock alone.
    """
    model = cp_model.CpModel()
    takes = [model.new_bool_var(f"r{index}") for index in range(len(pool))]
    by_crew_day: dict[object, list[int]] = defaultdict(list)
    by_job: dict[object, list[tuple[int, int]]] = defaultdict(list)
    for index, made in enumerate(pool):
        by_crew_day[made.crew, made.day].append(index)
        for job_id, work in made.visits:
            by_job[job_id].append((index, work))
    for indices in by_crew_day.values():
        model.add_at_most_one(takes[index] for index in indices)
    terms = [round(made.cost * SCALE) * takes[index] for index, made in enumerate(pool)]
    for job in week.jobs:
        skipped = model.new_bool_var("")
        terms.append(round(job.skip_cost * SCALE) * skipped)
        terms += _cover(model, week, job, pool, takes, by_job[job.id], skipped)
        model.add_hint(skipped, all(job.id not in dict(made.visits) for made in start))
    model.minimize(sum(terms))
    chosen = set(map(id, start))
    for index, made in enumerate(pool):
        model.add_hint(takes[index], id(made) in chosen)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed
    solver.parameters.max_time_in_seconds = max(0.01, seconds)
    if effort is not None:
        solver.parameters.max_deterministic_time = effort
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return list(start)
    return [made for index, made in enumerate(pool) if solver.boolean_value(takes[index])]


def _cover(
    model: cp_model.CpModel,
    week: Week,
    job: Job,
    pool: Sequence[Round],
    takes: Sequence[cp_model.IntVar],
    visits: Sequence[tuple[int, int]],
    skipped: cp_model.IntVar,
) -> list[cp_model.LinearExpr]:
    """The job's rows; returns its lateness in the objective."""
    late = round(job.late_cost * SCALE)
    wholes = [index for index, work in visits if work == job.work]
    terms = [late * job.late_days(pool[index].day) * takes[index] for index in wholes if job.late_days(pool[index].day)]
    patterns = week.split_patterns(job)
    uses = [model.new_bool_var("") for _ in patterns]
    model.add_exactly_one([skipped, *uses, *(takes[index] for index in wholes)])
    if not patterns:
        return terms
    for size in {size for pattern in patterns for size in pattern}:
        parts = [takes[index] for index, work in visits if work == size and work != job.work]
        model.add(sum(parts) == sum(pattern.count(size) * use for pattern, use in zip(patterns, uses, strict=True)))
    last_late = model.new_int_var(0, job.late_days(week.days), "")
    by_day: dict[int, list[int]] = defaultdict(list)
    for index, work in visits:
        if work != job.work:
            by_day[pool[index].day].append(index)
    for day, indices in by_day.items():
        model.add(sum(takes[index] for index in indices) <= job.crews_at_once)
        if job.late_days(day):
            for index in indices:
                model.add(last_late >= job.late_days(day) * takes[index])
    return [*terms, late * last_late]
