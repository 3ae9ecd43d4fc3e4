"""Two proposals of a week side by side: what moves, comes in or falls out, and the parts of their cost."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from http import HTTPStatus

from django.utils.translation import gettext_lazy

from scheduling import planner
from scheduling.models import ProposedWeek, WeekStep
from scheduling.services.arranging import Hand, cost_parts, read_arrangement
from scheduling.services.changing import NotToBeChanged
from scheduling.services.ground import read_ground
from scheduling.services.writing import money, unpaid_skips
from trimmer.errors import Refusal

TOLERANCE = 15
"""Minutes: a visit that starts no further from where it was counts as kept."""


class NotOneWeek(Refusal):
    code = "not_one_week"
    message = gettext_lazy("Two proposals are compared when they are of the same week.")
    status = HTTPStatus.BAD_REQUEST


@dataclass(frozen=True)
class Seen:
    """A proposal as it is compared: in hand, its cost, and the parts of it by name."""

    hand: Hand
    cost: Decimal
    parts: dict[str, Decimal]


@dataclass(frozen=True)
class Comparison:
    """From one proposal to another."""

    before: Seen
    after: Seen
    difference: planner.Difference

    def farm_of(self, job: planner.Key) -> int:
        """The farm of a job, whichever proposal has it."""
        for hand in (self.after.hand, self.before.hand):
            if str(job) in hand.ground.facts:
                return hand.ground.facts[str(job)].farm
        raise KeyError(job)


def compare_weeks(*, before: ProposedWeek, after: ProposedWeek) -> Comparison:
    """What changes from one proposal, as it is now, to another of the same week."""
    if (before.business_id, before.monday) != (after.business_id, after.monday):
        raise NotOneWeek
    return _compare(_seen(before, before.step), _seen(after, after.step))


def compare_with_first(*, week: ProposedWeek) -> Comparison:
    """What people changed in a proposal since the planner made it."""
    return _compare(_seen(week, 0), _seen(week, week.step))


def others_of(week: ProposedWeek) -> list[ProposedWeek]:
    """The other proposals of the same week that can be compared with it, the latest first."""
    others = ProposedWeek.objects.of(week.business).filter(monday=week.monday, steps__number=0).exclude(pk=week.pk)
    return list(others.order_by("-asked_at", "-pk")[:10])


def _compare(before: Seen, after: Seen) -> Comparison:
    return Comparison(before, after, planner.compare(before.hand.plan, after.hand.plan, tolerance=TOLERANCE))


def _seen(week: ProposedWeek, number: int) -> Seen:
    step = WeekStep.objects.filter(week=week, number=number).first()
    if step is None or not week.ground:
        raise NotToBeChanged
    hand = Hand(read_ground(week.ground), read_arrangement(step.arrangement))
    unpaid = unpaid_skips(hand.ground.week, hand.plan, hand)
    parts = {name: money(cents) for name, cents in cost_parts(hand.week, hand.plan, unpaid).items()}
    return Seen(hand, money(hand.plan.cost - unpaid), parts)
