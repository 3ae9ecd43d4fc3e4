"""The booked week is planned anew after something happened: looked at, then accepted, all of it or nothing."""

import datetime as dt

import pytest
from django.core import mail
from django.db.models import F

from scheduling.models import ProposedStop, ProposedWeek, WeekState
from scheduling.services import changing, replanning, weeks
from scheduling.services.replanning import Happened
from tests import make
from tests.scheduling.paced import learn, some_visits
from tests.scheduling.proposals import MONDAY, THURSDAY, TUESDAY, a_week
from trimmer.models import Contact, Crew, DaysOff, Farm, JobState, RequestState, Urgency, Visit, VisitState
from trimmer.services import jobs

pytestmark = pytest.mark.django_db


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"), name="North")


@pytest.fixture
def farms(crew: Crew) -> list[Farm]:
    client = make.a_client(crew.business)
    farms = [make.a_farm(client, name=f"Alder {n}", latitude=47.12 + n * 0.03) for n in range(4)]
    for farm in farms:
        Contact.objects.create(farm=farm, name="Una", email=f"farm{farm.pk}@example.test")
    return farms


@pytest.fixture
def visits(crew: Crew, farms: list[Farm]) -> list[Visit]:
    """Four visits, booked by confirming a week."""
    booked = weeks.confirm_week(week=a_week(crew, *farms, head=25), by=None, now=make.NOW)
    mail.outbox.clear()
    return booked


def replan(crew: Crew, *happened: Happened) -> ProposedWeek:
    """The week planned anew, as a worker would."""
    week = replanning.replan_week(business=crew.business, monday=MONDAY, happened=happened, by=None, now=make.NOW)
    assert week.job is not None
    jobs.run(week.job.pk, clock=lambda: make.NOW)
    week.refresh_from_db()
    assert week.job is not None
    week.job.refresh_from_db()
    assert week.job.state == JobState.DONE, week.job.message
    return week


def hows(week: ProposedWeek) -> list[str]:
    return sorted(change.how for change in replanning.changes_of(week))


def test_a_visit_called_off_moves_no_other(crew: Crew, visits: list[Visit]) -> None:
    week = replan(crew, Happened(kind="called_off", visit=visits[0].pk))
    assert hows(week) == ["dropped", "kept", "kept", "kept"]
    assert {visit.state for visit in Visit.objects.all()} == {VisitState.BOOKED}  # nothing is true yet
    replanning.accept_replan(week=week, by=None, now=make.NOW)
    visits[0].refresh_from_db()
    assert (visits[0].state, visits[0].cancel_reason) == (VisitState.CANCELLED, "The farm called it off.")
    assert Visit.objects.filter(state=VisitState.BOOKED).count() == 3


def test_visits_of_a_crew_that_cannot_go_out_are_moved(crew: Crew, visits: list[Visit]) -> None:
    date = visits[0].date
    there = [visit for visit in visits if visit.date == date]
    week = replan(crew, Happened(kind="crew_down", crew=crew.pk, date=date.isoformat()))
    assert hows(week).count("moved") >= len(there)
    assert "dropped" not in hows(week)
    replanning.accept_replan(week=week, by=None, now=make.NOW)
    assert not Visit.objects.filter(state=VisitState.BOOKED, date=date).exists()
    assert DaysOff.objects.filter(crew=crew, first=date, last=date).exists()


def test_farms_are_told_only_of_what_changes(
    crew: Crew, visits: list[Visit], django_capture_on_commit_callbacks: object
) -> None:
    week = replan(crew, Happened(kind="crew_down", crew=crew.pk, date=visits[0].date.isoformat()))
    moved = {change.farm.pk for change in replanning.changes_of(week) if change.how == "moved"}
    with django_capture_on_commit_callbacks(execute=True):  # type: ignore[operator]
        replanning.accept_replan(week=week, by=None, now=make.NOW)
    assert {message.to[0] for message in mail.outbox} == {f"farm{farm}@example.test" for farm in moved}


def test_an_urgent_request_comes_in_and_told_visits_stay(crew: Crew, visits: list[Visit]) -> None:
    ill = make.a_farm(visits[0].farm.client, name="Thistle End", latitude=47.13)
    request = make.a_request(ill, head={"lame": 2}, urgency=Urgency.URGENT)
    make.a_request(make.a_farm(visits[0].farm.client), head={"cow": 10})  # waits, but was not named
    week = replan(crew, Happened(kind="request", request=request.pk))
    assert "dropped" not in hows(week)
    assert [change.farm for change in replanning.changes_of(week) if change.how == "added"] == [ill]
    replanning.accept_replan(week=week, by=None, now=make.NOW)
    request.refresh_from_db()
    assert request.state == RequestState.BOOKED
    assert Visit.objects.filter(state=VisitState.BOOKED).count() == 5


def test_a_visit_that_takes_longer_gets_its_time(crew: Crew, visits: list[Visit]) -> None:
    visit = visits[0]
    assert visit.planned_start is not None
    assert visit.planned_end is not None
    before = visit.planned_end - visit.planned_start
    week = replan(crew, Happened(kind="takes_longer", visit=visit.pk, minutes=90))
    stop = ProposedStop.objects.get(round__week=week, visit=visit)
    assert stop.end_at - stop.start_at >= before + dt.timedelta(minutes=60)  # lunch may have been inside before
    replanning.accept_replan(week=week, by=None, now=make.NOW)
    visit.refresh_from_db()
    assert visit.planned_end == stop.end_at


def test_kept_visits_keep_the_hours_their_farms_were_told(crew: Crew, visits: list[Visit]) -> None:
    told = {visit.pk: (visit.told_from, visit.told_to) for visit in visits}
    week = replan(crew, Happened(kind="called_off", visit=visits[0].pk))
    replanning.accept_replan(week=week, by=None, now=make.NOW)
    for visit in Visit.objects.filter(state=VisitState.BOOKED):
        assert (visit.told_from, visit.told_to) == told[visit.pk]


def test_visits_keep_their_hours_when_another_pace_is_learned_in_between(crew: Crew, visits: list[Visit]) -> None:
    with_lunch = ProposedStop.objects.filter(visit__in=visits, round__lunch_at__range=(F("start_at"), F("end_at")))
    assert with_lunch.exists()
    off = Happened(kind="called_off", visit=visits[0].pk)

    def hours() -> set[tuple[object, ...]]:
        stops = ProposedStop.objects.filter(round__week=replan(crew, off))
        return set(stops.values_list("visit", "start_at", "end_at"))

    before = hours()
    some_visits(visits[0].farm, crew, *(400,) * 8)
    learn(crew.business)
    assert hours() == before


def test_the_new_plan_is_changed_by_hand_before_it_is_accepted(crew: Crew, visits: list[Visit]) -> None:
    week = replan(crew, Happened(kind="called_off", visit=visits[0].pk))
    key = f"visit-{visits[1].pk}"
    day = THURSDAY if visits[1].date != THURSDAY else TUESDAY
    changing.unpin_stop(week=week, version=week.version, key=key, by=None, now=make.NOW)
    changing.move_stop(week=week, version=week.version, key=key, crew=crew, date=day, by=None, now=make.NOW)
    replanning.accept_replan(week=week, version=week.version, by=None, now=make.NOW)
    visits[1].refresh_from_db()
    assert visits[1].date == day


def test_a_visit_changed_meanwhile_makes_the_new_plan_out_of_date(crew: Crew, visits: list[Visit]) -> None:
    week = replan(crew, Happened(kind="called_off", visit=visits[0].pk))
    Visit.objects.filter(pk=visits[1].pk).update(date=MONDAY + dt.timedelta(days=6))
    with pytest.raises(weeks.OutOfDate):
        replanning.accept_replan(week=week, by=None, now=make.NOW)
    week.refresh_from_db()
    visits[0].refresh_from_db()
    assert (week.state, visits[0].state) == (WeekState.PROPOSED, VisitState.BOOKED)


def test_accepting_a_version_one_has_not_seen_is_refused(crew: Crew, visits: list[Visit]) -> None:
    week = replan(crew, Happened(kind="called_off", visit=visits[0].pk))
    with pytest.raises(weeks.ChangedMeanwhile):
        replanning.accept_replan(week=week, version=week.version + 1, by=None, now=make.NOW)


def test_a_new_plan_is_accepted_and_not_confirmed_nor_undone(crew: Crew, visits: list[Visit]) -> None:
    week = replan(crew, Happened(kind="called_off", visit=visits[0].pk))
    with pytest.raises(weeks.ReplanIsAccepted):
        weeks.confirm_week(week=week, by=None, now=make.NOW)
    replanning.accept_replan(week=week, by=None, now=make.NOW)
    with pytest.raises(weeks.ReplanStays):
        weeks.undo_week(week=week, by=None, now=make.NOW)
    with pytest.raises(weeks.NotProposed):
        replanning.accept_replan(week=week, by=None, now=make.NOW)


def test_a_plain_proposal_is_not_accepted_as_a_new_plan(crew: Crew, farms: list[Farm]) -> None:
    with pytest.raises(replanning.NoReplan):
        replanning.accept_replan(week=a_week(crew, farms[0]), by=None, now=make.NOW)


@pytest.mark.parametrize(
    ("happened", "refusal"),
    [
        ([], replanning.NothingHappened),
        ([Happened(kind="called_off", visit=0)], replanning.NotOfThisWeek),
        ([Happened(kind="takes_longer", visit=0, minutes=30)], replanning.NotOfThisWeek),
        ([Happened(kind="crew_down", crew=0, date="2026-03-10")], replanning.NotOfThisWeek),
        ([Happened(kind="request", request=0)], replanning.NotOfThisWeek),
    ],
)
def test_what_happened_lies_in_the_week(
    crew: Crew, visits: list[Visit], happened: list[Happened], refusal: type[Exception]
) -> None:
    with pytest.raises(refusal):
        replanning.replan_week(business=crew.business, monday=MONDAY, happened=happened, by=None, now=make.NOW)


def test_a_week_without_booked_visits_is_not_planned_anew(crew: Crew) -> None:
    down = Happened(kind="crew_down", crew=crew.pk, date=TUESDAY.isoformat())
    with pytest.raises(replanning.NothingBooked):
        replanning.replan_week(business=crew.business, monday=MONDAY, happened=[down], by=None, now=make.NOW)


def test_a_week_is_named_by_its_monday_and_not_over(crew: Crew, visits: list[Visit]) -> None:
    off = [Happened(kind="called_off", visit=visits[0].pk)]
    with pytest.raises(weeks.NotAMonday):
        replanning.replan_week(business=crew.business, monday=TUESDAY, happened=off, by=None, now=make.NOW)
    with pytest.raises(weeks.WeekIsOver):
        replanning.replan_week(
            business=crew.business, monday=MONDAY - dt.timedelta(weeks=3), happened=off, by=None, now=make.NOW
        )
