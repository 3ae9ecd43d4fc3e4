"""Minutes of a visit to come: from the pace learned, or from the defaults until enough visits are recorded."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import Count, Q
from django.utils.translation import gettext_lazy as _

from scheduling import pace
from scheduling.pace.findings import PUBLISHED, TIE_STALL, Findings, Seen, learn_findings
from scheduling.pace.standing import StandingPace
from scheduling.pace_models import LearnedPace, PaceSettings, PlanLevel
from trimmer.errors import Refusal
from trimmer.models import BarnKind, Business, Crew, Farm

ENOUGH_VISITS: Final = 5
"""From so many visits of a business on, its weeks are planned with what they say."""
PLAN_LEVELS: Final = tuple(PlanLevel.values)

_NO_DAY: Final = dt.date.min
_WITH_A_COW: Final = ("topical", "wrap", "block")
"""Work that comes on top of trimming."""
_MAY_BE_0: Final = frozenset({"setup", "plan_with_learned"})


class PaceFiguresRefused(Refusal):
    code = "pace_figures_refused"
    message = _("Some figures cannot be taken. Minutes must be above 0, chances between 1 and 50 of 100.")


class NoHead(Refusal):
    code = "no_head_to_estimate"
    message = _("Count at least one head: there is nothing to estimate.")


def pace_settings_of(business: Business) -> PaceSettings:
    """The business's figures, or the defaults where it has not set any."""
    return PaceSettings.objects.of(business).first() or PaceSettings(business=business)


@transaction.atomic
def keep_pace_settings(*, business: Business, **figures: Any) -> PaceSettings:
    """Store the figures given, leaving the others as they are. Refuses impossible ones, by field."""
    settings, _made = PaceSettings.objects.select_for_update().get_or_create(business=business)
    for name, value in figures.items():
        setattr(settings, name, value)
    faults = {
        name: str(_("Must be above 0."))
        for name, value in figures.items()
        if name not in _MAY_BE_0 and (value is None or value <= 0)
    }
    if "setup" in figures and (figures["setup"] is None or figures["setup"] < 0):
        faults["setup"] = str(_("Must not be negative."))
    if "run_out_percent" in figures and "run_out_percent" not in faults and figures["run_out_percent"] > 50:
        faults["run_out_percent"] = str(_("Must be between 1 and 50."))
    if faults:
        raise PaceFiguresRefused(fields=faults)
    try:
        settings.full_clean()
    except ValidationError as error:
        raise PaceFiguresRefused(
            fields={name: " ".join(texts) for name, texts in error.message_dict.items()}
        ) from error
    settings.save()
    return settings


def default_rates(settings: PaceSettings) -> pace.Rates:
    """The minutes that stand in until a business's own are known."""
    return pace.Rates(float(settings.setup), {kind: float(getattr(settings, kind)) for kind in pace.KINDS})


@dataclass(frozen=True)
class Part:
    """A part of an estimate: `head` head x `each` minutes. `kind`: one of pace.KINDS; `extra`: these minutes come on
    top of trimming, which is counted under "trim"."""

    kind: str
    head: float
    each: float
    extra: bool = False

    @property
    def minutes(self) -> float:
        return self.head * self.each

    @property
    def about(self) -> bool:
        """The head are expected, not counted."""
        return abs(self.head - round(self.head)) > 0.01 or self.extra


@dataclass(frozen=True)
class VisitEstimate:
    """How long a visit will take, from arrival to last head out, and what that is made of.

    brought: head by kind, as asked for; head: expected head by kind of work (pace.KINDS). spread: standard deviation of
    the logarithm of minutes. visits: recorded visits to this farm it comes from; of_business: of all farms.
    """

    brought: Mapping[str, int]
    head: Mapping[str, float]
    estimate: pace.Estimate
    of_business: int

    @property
    def minutes(self) -> tuple[float, float, float]:
        """At 50, 80 and 90 %."""
        return self.estimate.minutes

    @property
    def p50(self) -> float:
        return self.estimate.minutes[0]

    @property
    def p80(self) -> float:
        return self.estimate.minutes[1]

    @property
    def p90(self) -> float:
        return self.estimate.minutes[2]

    @property
    def setup(self) -> float:
        return self.estimate.setup

    @property
    def spread(self) -> float:
        return self.estimate.spread

    @property
    def visits(self) -> int:
        return self.estimate.visits

    @property
    def learned(self) -> bool:
        """Enough visits of the business stand behind it; otherwise it is mostly the defaults."""
        return self.of_business >= ENOUGH_VISITS

    def at(self, level: int) -> float:
        """Minutes at 50, 80 or 90 %."""
        return self.minutes[PLAN_LEVELS.index(level)]

    @property
    def parts(self) -> tuple[Part, ...]:
        """Set-up aside, what the minutes at 50 % are made of: with the set-up they add up to them."""
        rates, trim = self.estimate.rates, self.estimate.rates["trim"]
        on_top = [kind for kind in _WITH_A_COW if rates[kind] >= trim]
        cows = self.head.get("trim", 0.0) + sum(self.head.get(kind, 0.0) for kind in on_top)
        parts = [Part("trim", cows, trim)]
        parts += [Part(kind, self.head.get(kind, 0.0), rates[kind] - trim, extra=True) for kind in on_top]
        whole = [kind for kind in pace.KINDS if kind != "trim" and kind not in on_top]
        parts += [Part(kind, self.head.get(kind, 0.0), rates[kind]) for kind in whole]
        return tuple(part for part in parts if part.head > 0)


@dataclass(frozen=True)
class Estimator:
    """Minutes of visits to come, from the fit that stands or, before any, from the defaults. Read once, asked often:
    an estimate takes no query."""

    standing: StandingPace
    findings: Findings
    learned: LearnedPace | None

    @property
    def visits(self) -> int:
        """How many visits stand behind it."""
        return self.learned.visits if self.learned else 0

    @property
    def knows(self) -> bool:
        """Enough visits stand behind it to plan with."""
        return self.visits >= ENOUGH_VISITS

    def of_visit(
        self, *, farm: int, head: Mapping[str, int], crew: int | None = None, date: dt.date | None = None
    ) -> VisitEstimate:
        """Of a visit to a farm (id) with so many head of each kind brought, by a crew (id; none: any), on a day (none:
        when the fit was made). Refuses no head."""
        brought = {kind: count for kind, count in head.items() if count}
        if not brought:
            raise NoHead
        expected = self.findings.expected(str(farm), brought)
        rates = {kind: self.standing.rate(kind) for kind in pace.KINDS}
        asked = pace.WorkAsked(
            date or self.standing.day,
            str(farm),
            "" if crew is None else str(crew),
            expected.head(),
            unsure_minutes=expected.spread(rates),
        )
        return VisitEstimate(brought, asked.head, self.standing.estimate(asked), self.visits)

    def work_minutes(
        self, *, farm: int, head: Mapping[str, int], date: dt.date | None = None, level: int = PlanLevel.HALF
    ) -> int:
        """Minutes at the chute of these head, set-up not counted, rounded up; at 50, 80 or 90 %."""
        said = self.of_visit(farm=farm, head=head, date=date)
        return max(1, math.ceil(said.at(level) - said.setup))


def published_shares(business: Business) -> Mapping[str, Mapping[str, float]]:
    """Published shares of what is found: those of tie stalls, where most farms of the business have them."""
    farms = Farm.objects.of(business).current()
    barns = farms.aggregate(all=Count("pk"), tied=Count("pk", filter=Q(barn=BarnKind.TIE_STALL)))
    return PUBLISHED if 2 * barns["tied"] <= barns["all"] else {**PUBLISHED, "cow": TIE_STALL}


def estimator_of(business: Business) -> Estimator:
    """What stands for a business, in two or three queries."""
    shares = published_shares(business)
    learned = LearnedPace.objects.of(business).first()
    if learned is not None and learned.visits:
        seen = [Seen(str(row["farm"]), row["brought"], row["work"]) for row in learned.seen]
        try:
            return Estimator(StandingPace.from_figures(learned.figures), learn_findings(seen, shares), learned)
        except ValueError:  # kept by an earlier release; the next night makes it anew
            pass
    fit = pace.fit_pace([], today=_NO_DAY, defaults=default_rates(pace_settings_of(business)))
    return Estimator(StandingPace.of(fit, _NO_DAY), learn_findings([], shares), None)


def estimate_visit(
    *, farm: Farm, head: Mapping[str, int], crew: Crew | None = None, date: dt.date | None = None
) -> VisitEstimate:
    """How long a visit to a farm will take. For many visits of a business ask `estimator_of` once. Refuses no head."""
    estimator = estimator_of(farm.client.business)
    return estimator.of_visit(farm=farm.pk, head=head, crew=crew.pk if crew else None, date=date)


@dataclass(frozen=True)
class PlanningPace:
    """What a week is planned with: the estimates of a business at the share it chose."""

    estimator: Estimator
    level: int

    def work_minutes(self, *, farm: int, head: Mapping[str, int]) -> int:
        return self.estimator.work_minutes(farm=farm, head=head, level=self.level)


def planning_pace(business: Business) -> PlanningPace | None:
    """What the planner reckons with; none where it is to use its own figures, or too few visits are recorded."""
    settings = pace_settings_of(business)
    if not settings.plan_with_learned:
        return None
    estimator = estimator_of(business)
    return PlanningPace(estimator, settings.plan_level) if estimator.knows else None
