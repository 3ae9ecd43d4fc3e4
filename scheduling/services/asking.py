"""Questions about a proposal that are answered by solving again, and so by a worker."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from django.db import transaction
from django.utils.translation import gettext_lazy

from scheduling import planner
from scheduling.models import ProposedWeek, StepKind, WeekQuestion, WeekState, WeekStep
from scheduling.queries import DAYS
from scheduling.services.arranging import Arrangement, Hand, arrangement_of, held_week, read_arrangement
from scheduling.services.changing import NoSuchPlace, NoSuchVisit, VisitIsBooked, hand_of, keep_arrangement
from scheduling.services.explaining import reason_details
from scheduling.services.ground import Ground
from scheduling.services.loading import settings_of
from scheduling.services.weeks import ChangedMeanwhile, NotProposed
from scheduling.services.writing import money
from trimmer.errors import Refusal
from trimmer.models import Crew, Farm, JobState, User
from trimmer.services.jobs import start_job

MOST_SECONDS = 120
WORTH_TIMES = 4
"""How many times as long as for a plan the worth of an hour may take: it solves once for each crew-day."""


class NoAnswer(Refusal):
    code = "no_plan_to_keep"
    message = gettext_lazy("There is no plan to take over: the visit cannot be there, or nobody has found out yet.")


@transaction.atomic
def ask_why_not(
    *, week: ProposedWeek, key: str, date: dt.date, crew: Crew | None = None, by: User | None, now: dt.datetime
) -> WeekQuestion:
    """Have found out what the week would cost with the visit on that day, everything else free to move around it.

    Asked again of the same version, the question is the one already asked.
    """
    _open(week)
    hand = hand_of(week)
    if key not in hand.ground.facts:
        raise NoSuchVisit
    if hand.ground.week.job(key).fixed is not None:
        raise VisitIsBooked
    day = (date - week.monday).days
    if not 0 <= day < DAYS or (crew is not None and crew.pk not in hand.week.crew_index):
        raise NoSuchPlace
    about = {"job": key, "day": day, "crew": crew.pk if crew else None, "farm": hand.ground.facts[key].farm}
    return _ask(week, WeekQuestion.Kind.WHY_NOT, about, settings_of(week.business).seconds, by, now)


@transaction.atomic
def ask_worth(*, week: ProposedWeek, by: User | None, now: dt.datetime) -> WeekQuestion:
    """Have found out what one more hour on each crew-day, or one more crew-day, would be worth."""
    _open(week)
    hand_of(week)
    return _ask(week, WeekQuestion.Kind.WORTH, {}, WORTH_TIMES * settings_of(week.business).seconds, by, now)


def _open(week: ProposedWeek) -> None:
    if week.state != WeekState.PROPOSED:
        raise NotProposed


def _ask(
    week: ProposedWeek,
    kind: WeekQuestion.Kind,
    about: dict[str, Any],
    seconds: int,
    by: User | None,
    now: dt.datetime,
) -> WeekQuestion:
    ProposedWeek.objects.select_for_update().get(pk=week.pk)
    for asked in WeekQuestion.objects.filter(week=week, kind=kind, version=week.version).select_related("job"):
        if asked.about == about and (asked.answer or (asked.job and asked.job.state != JobState.FAILED)):
            return asked
    question = WeekQuestion.objects.create(
        week=week, kind=kind, about=about, version=week.version, asked_by=by, asked_at=now
    )
    arguments = {"question": question.pk, "seconds": min(MOST_SECONDS, seconds)}
    question.job = start_job(business=week.business, kind="answer_question", arguments=arguments, asked_by=by)
    question.save(update_fields=["job"])
    return question


def solving_week(hand: Hand, *, free: str | None = None) -> planner.Week:
    """The week of an arrangement as it is solved: pins and what was taken out hold, but for one job set free."""
    pins = {key: pin for key, pin in hand.arranged.pins.items() if key != free}
    return held_week(hand.ground.week, pins, hand.arranged.out - {free or ""}, solving=True)


def hand_then(question: WeekQuestion) -> Hand:
    """The proposal as it was when it was asked about; refuses when it has changed since."""
    week = question.week
    if week.version != question.version:
        raise ChangedMeanwhile
    return hand_of(week)


def why_not_answer(hand: Hand, found: planner.WhyNot) -> dict[str, Any]:
    """What is kept of an answer, ready for a JSON column."""
    if found.refused is not None:
        return {"refused": {"reason": found.refused.code, "details": named_details(hand.ground, found.refused)}}
    assert found.plan is not None  # noqa: S101  (there is one where nothing was refused)
    key = str(found.job)
    arranged = arrangement_of(
        found.plan,
        pins={name: pin for name, pin in hand.arranged.pins.items() if name != key},
        out=hand.arranged.out - {key},
        reasons={
            name: reason for name, reason in hand.arranged.reasons.items() if name in map(str, found.plan.skipped)
        },
    )
    return {"extra": str(money(found.extra or 0)), "arrangement": arranged.as_row()}


def changes_found(question: WeekQuestion) -> planner.Difference:
    """What would change for each farm with the plan that was found, from the proposal as it was asked about."""
    hand = hand_then(question)
    arranged = read_arrangement(question.answer["arrangement"])
    return planner.compare(hand.plan, Hand(hand.ground, arranged).plan, tolerance=15)


def worth_answer(hand: Hand, found: tuple[planner.Worth, ...]) -> dict[str, Any]:
    """What is kept of the worth of time, ready for a JSON column: the most worth first, farms by their ids."""
    return {
        "worth": [
            {
                "kind": str(worth.change.kind),
                "crew": worth.change.crew,
                "day": worth.change.day,
                "minutes": worth.change.minutes,
                "saved": None if worth.saved is None else str(money(worth.saved)),
                "farms": [hand.ground.facts[str(job)].farm for job in worth.brought_in],
            }
            for worth in found
        ]
    }


def take_over(*, question: WeekQuestion, version: int, by: User | None, now: dt.datetime) -> WeekStep:
    """Make the plan that was found for a question the proposal, as a step that can be undone."""
    if "arrangement" not in question.answer:
        raise NoAnswer
    if question.version != version:
        raise ChangedMeanwhile
    arranged = read_arrangement(question.answer["arrangement"])
    about = question.about
    crew = about["crew"] or next((at[0] for at in arranged.days_of(about["job"]) if at[1] == about["day"]), 0)
    return keep_arrangement(
        week=question.week,
        version=version,
        key=about["job"],
        arranged=_whole(arranged),
        kind=StepKind.REARRANGED,
        details={"crew": crew, "day": about["day"]},
        by=by,
        now=now,
    )


def _whole(arranged: Arrangement) -> Arrangement:
    return replace(arranged, rounds={at: visits for at, visits in arranged.rounds.items() if visits})


def named_details(ground: Ground, reason: planner.LeftOut) -> dict[str, Any]:
    """A reason's figures with names in place of the planner's ids, as a left-out row keeps them."""
    crews = dict(Crew.objects.filter(pk__in=[crew.id for crew in ground.week.crews]).values_list("pk", "name"))
    farms = {facts.farm for facts in ground.facts.values()}
    names = dict(Farm.objects.filter(pk__in=farms).values_list("pk", "name"))
    return reason_details(
        reason,
        booked=ground.week.job(reason.job).fixed is not None,
        crew_name=lambda crew: crews.get(crew, ""),
        farm_name=lambda job: names.get(ground.facts[str(job)].farm, ""),
    )
