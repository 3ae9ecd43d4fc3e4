"""Questions about a proposed week, and the booked week planned anew: what a worker solves besides a plan."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils.translation import gettext as _

from scheduling import planner
from scheduling.hearing import Hearing
from scheduling.models import ProposedWeek, WeekQuestion
from scheduling.services.arranging import Hand
from scheduling.services.asking import hand_then, solving_week, why_not_answer, worth_answer
from scheduling.services.replanning import save_replan, standing_of
from trimmer.services.jobs import Save, Work, job_kind


@job_kind("answer_question")
def answer_question(work: Work) -> Save:
    """Solve again for a question, outside any transaction; what saves keeps the answer with it."""
    question = WeekQuestion.objects.select_related("week__business").get(pk=work.job.arguments["question"])
    hand = hand_then(question)
    seconds = float(work.job.arguments["seconds"])
    hearing = Hearing(work, seconds)
    work.report(10, _("Arranging the week anew"))
    if question.kind == WeekQuestion.Kind.WHY_NOT:
        answer = _why_not(question, hand, hearing)
    else:
        found = planner.worth_of_time(solving_week(hand), hand.plan, seconds=seconds, stop=hearing.stop)
        answer = worth_answer(hand, found)

    def save() -> dict[str, Any]:
        WeekQuestion.objects.filter(pk=question.pk).update(answer=answer)
        return {"question": question.pk}

    return save


def _why_not(question: WeekQuestion, hand: Hand, hearing: Hearing) -> dict[str, Any]:
    about = question.about
    found = planner.why_not(
        solving_week(hand, free=about["job"]),
        hand.plan,
        about["job"],
        about["day"],
        crew=about["crew"],
        seconds=hearing.seconds,
        stop=hearing.stop,
    )
    return why_not_answer(hand, found)


@job_kind("replan_week")
def plan_anew(work: Work) -> Save:
    """Plan the booked week anew after something happened, moving little of what farms were told."""
    week = ProposedWeek.objects.select_related("business").get(pk=work.job.arguments["week"])
    seconds = float(work.job.arguments["seconds"])
    work.report(5, _("Reading the booked visits"))
    standing = standing_of(week, dt.date.fromisoformat(work.job.arguments["today"]))
    plan: planner.Plan | None = None
    reasons: tuple[planner.LeftOut, ...] = ()
    if standing.ground is not None:
        hearing = Hearing(work, seconds)
        found = planner.replan(
            standing.ground.week, standing.plan, seconds=seconds, on_progress=hearing.tell, stop=hearing.stop
        )
        plan, reasons = found.plan, planner.left_out(standing.ground.week, found.plan)

    def save() -> dict[str, Any]:
        return save_replan(week=week, standing=standing, plan=plan, reasons=reasons)

    return save
