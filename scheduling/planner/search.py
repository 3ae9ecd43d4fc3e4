"""What one run of the planner may spend, and the best it has found."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from .check import check_plan
from .plan import Plan, Progress
from .problem import Week


class UnsoundPlan(AssertionError):
    """A plan broke a rule of the checker: an error of the planner, never shown to a person."""


@dataclass
class Search:
    """One run. `bound`: no plan of the week costs less."""

    week: Week
    started: float
    seconds: float
    effort: int | None
    on_progress: Callable[[Progress], None] | None
    stop: Callable[[], bool] | None
    best: Plan
    steps: int = 0
    bound: float = -math.inf
    telling: bool = True
    """Whether the bound holds for the week as it was asked, and not only without nights away."""

    def spent(self) -> bool:
        """Whether to end: told to stop, out of time, out of effort, or proven best."""
        if self.stop is not None and self.stop():
            return True
        return self.left() <= 0 or self.closed or (self.effort is not None and self.steps >= self.effort)

    def left(self) -> float:
        """Seconds left."""
        return self.seconds - (time.monotonic() - self.started)

    @property
    def closed(self) -> bool:
        """Whether no plan can be cheaper."""
        return self.best.cost <= self.bound + 1e-6 * max(1.0, abs(self.bound))

    def offer(self, plan: Plan, stage: str) -> bool:
        """Keep the plan if it is cheaper; it is checked first."""
        better = plan.cost < self.best.cost - 1e-9
        if better:
            self.best = checked(self.week, plan)
        self.tell(stage)
        return better

    def lift(self, bound: float, stage: str) -> None:
        """Keep the bound if it is higher."""
        if math.isfinite(bound) and bound > self.bound:
            self.bound = bound
            self.tell(stage)

    def tell(self, stage: str) -> None:
        if self.on_progress is not None:
            self.on_progress(Progress(seconds=time.monotonic() - self.started, stage=stage, plan=self.answer()))

    def answer(self) -> Plan:
        """The best plan with its bound, which is never told above the plan's cost."""
        if not math.isfinite(self.bound) or not self.telling:
            return self.best
        return replace(self.best, bound=min(self.bound, float(self.best.cost)))


def checked(week: Week, plan: Plan) -> Plan:
    """The plan, after the checker found nothing wrong with it."""
    breaches = check_plan(week, plan)
    if breaches:
        raise UnsoundPlan(
            "; ".join(f"{b.code} crew {b.crew} day {b.day} job {b.job} {dict(b.params)}" for b in breaches)
        )
    return plan
