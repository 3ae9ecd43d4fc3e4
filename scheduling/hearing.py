"""A worker that solves hears on the way: it tells how far it is, and looks whether somebody wants the best so far."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

from django.utils.translation import gettext as _

from scheduling import planner
from scheduling.services.writing import money
from trimmer.services.jobs import Work

TELLS_EVERY = 0.5
LOOKS_EVERY = 0.5
FIRST_PERCENT, LAST_PERCENT = 10, 90


@dataclass
class Hearing:
    """What one solving tells and heeds. seconds: the most it may take."""

    work: Work
    seconds: float
    _told: float = field(default=-1.0, init=False)
    _looked: float = field(default=-1.0, init=False)
    _stopped: bool = field(default=False, init=False)

    def tell(self, progress: planner.Progress) -> None:
        """Write how far it is, and the best cost and bound so far, at most twice a second."""
        if self._told >= 0 and progress.seconds - self._told < TELLS_EVERY:
            return
        self._told = progress.seconds
        stops = sum(len(made.stops) for made in progress.plan.rounds)
        text = _("%(stops)s visits placed, looking for better rounds") % {"stops": stops}
        share = min(1.0, progress.seconds / self.seconds) if self.seconds else 1.0
        so_far = {
            "cost": str(money(progress.cost)),
            "bound": None if progress.bound is None else str(money(progress.bound)),
            "stops": stops,
            "left_out": len(progress.plan.skipped),
        }
        self.work.report(FIRST_PERCENT + round((LAST_PERCENT - FIRST_PERCENT) * share), text, so_far=so_far)

    def stop(self) -> bool:
        """Whether to end now with the best so far: asked of the job's row twice a second, wherever the worker runs."""
        now = time.monotonic()
        if not self._stopped and now - self._looked >= LOOKS_EVERY:
            self._looked = now
            self._stopped = self.work.stop_asked()
        return self._stopped
