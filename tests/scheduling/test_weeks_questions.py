"""Questions about a proposed week: why not that day, and what one more hour is worth."""

import datetime as dt
from decimal import Decimal

import pytest

from scheduling.models import ProposedStop, ProposedWeek, WeekQuestion
from scheduling.services import asking, changing, weeks
from tests import make
from tests.scheduling.proposals import MONDAY, THURSDAY, a_week, key_of, stop_at
from trimmer.models import Crew, Farm, Job, JobState
from trimmer.services import jobs

pytestmark = pytest.mark.django_db


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"), name="North")


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business), name="Alder Bank")


def answered(question: WeekQuestion) -> WeekQuestion:
    """The question after a worker was at it."""
    assert question.job is not None
    jobs.run(question.job.pk, clock=lambda: make.NOW)
    question.refresh_from_db()
    assert question.job is not None
    assert question.job.state == JobState.DONE, question.job.message
    return question


def ask(week: ProposedWeek, farm: Farm, date: dt.date) -> WeekQuestion:
    return asking.ask_why_not(week=week, key=key_of(farm), date=date, by=None, now=make.NOW)


def test_another_day_costs_what_the_best_plan_with_it_there_costs(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm, make.a_farm(farm.client, latitude=47.2))
    cost = week.cost
    question = answered(ask(week, farm, THURSDAY))
    asking.take_over(question=question, version=week.version, by=None, now=make.NOW)
    week.refresh_from_db()
    assert stop_at(week, farm).round.date == THURSDAY
    assert cost is not None
    assert week.cost == cost + Decimal(question.answer["extra"])


def test_what_was_taken_over_is_undone_like_any_step(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    was = stop_at(week, farm).round.date
    question = answered(ask(week, farm, THURSDAY))
    asking.take_over(question=question, version=week.version, by=None, now=make.NOW)
    week.refresh_from_db()
    changing.undo_change(week=week, version=week.version)
    assert stop_at(week, farm).round.date == was


def test_a_day_that_cannot_be_is_answered_with_its_rule(crew: Crew, farm: Farm) -> None:
    farm.days_that_suit = [0, 1]
    farm.save()
    week = a_week(crew, farm)
    question = answered(ask(week, farm, THURSDAY))
    assert question.answer["refused"]["reason"] == "no-day-suits"
    with pytest.raises(asking.NoAnswer):
        asking.take_over(question=question, version=week.version, by=None, now=make.NOW)


def test_a_question_asked_twice_is_the_same_one(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    assert ask(week, farm, THURSDAY) == ask(week, farm, THURSDAY)
    assert Job.objects.filter(kind="answer_question").count() == 1


def test_a_pinned_visit_may_be_asked_about_and_others_stay_pinned(crew: Crew, farm: Farm) -> None:
    other = make.a_farm(farm.client, latitude=47.2)
    week = a_week(crew, farm, other)
    there = stop_at(week, other)
    for pinned in (farm, other):
        changing.pin_stop(week=week, version=week.version, key=key_of(pinned), hour=True, by=None, now=make.NOW)
    question = answered(ask(week, farm, THURSDAY))
    asking.take_over(question=question, version=week.version, by=None, now=make.NOW)
    assert stop_at(week, other).start_at == there.start_at
    assert stop_at(week, farm).pin == ""


def test_an_answer_to_an_older_version_is_not_taken_over(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    question = answered(ask(week, farm, THURSDAY))
    changing.take_out_stop(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    with pytest.raises(weeks.ChangedMeanwhile):
        asking.take_over(question=question, version=week.version, by=None, now=make.NOW)
    assert not ProposedStop.objects.filter(round__week=week).exists()


def test_a_week_that_changed_before_the_worker_came_is_not_answered(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    question = ask(week, farm, THURSDAY)
    changing.take_out_stop(week=week, version=week.version, key=key_of(farm), by=None, now=make.NOW)
    assert question.job is not None
    jobs.run(question.job.pk, clock=lambda: make.NOW)
    question.job.refresh_from_db()
    assert question.job.state == JobState.FAILED
    assert "changed" in question.job.message


def test_only_what_is_in_an_open_proposal_is_asked_about(crew: Crew, farm: Farm) -> None:
    week = a_week(crew, farm)
    with pytest.raises(changing.NoSuchVisit):
        asking.ask_why_not(week=week, key="farm-0", date=THURSDAY, by=None, now=make.NOW)
    with pytest.raises(changing.NoSuchPlace):
        ask(week, farm, MONDAY - dt.timedelta(days=1))
    weeks.drop_week(week=week)
    with pytest.raises(weeks.NotProposed):
        ask(week, farm, THURSDAY)


def test_an_hour_more_is_worth_what_it_brings_in(crew: Crew, farm: Farm) -> None:
    farm.days_that_suit = [0]
    farm.save()
    other = make.a_farm(farm.client, days_that_suit=[0])
    week = a_week(crew, farm, other, head=31)
    [out] = week.left_out.all()
    question = answered(asking.ask_worth(week=week, by=None, now=make.NOW))
    best = question.answer["worth"][0]
    assert (best["kind"], best["day"]) in {("back-later", 0), ("second-crew", 0)}
    assert best["farms"] == [out.farm_id]
    assert Decimal(best["saved"]) > 0
