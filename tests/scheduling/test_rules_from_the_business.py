"""Each rule a trimmer lives by, from the rows of the business to the week the planner sees, and to the plan."""

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest

from scheduling import planner
from scheduling.models import ProposedRound
from scheduling.services.loading import load_week
from scheduling.services.settings import FiguresRefused, keep_settings
from tests import make
from trimmer.models import AccessWindow, ChuteKind, Crew, DaysOff, Farm, HealthTier, Recheck, Urgency, WorkingHours

from .proposals import MONDAY, THURSDAY, propose

pytestmark = pytest.mark.django_db


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"))


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business))


def _week(crew: Crew) -> planner.Week:
    week = load_week(business=crew.business, monday=MONDAY, today=make.TODAY).week
    assert week is not None
    return week


def _job(crew: Crew, farm: Farm, **request: Any) -> planner.Job:
    make.a_request(farm, **request)
    return _week(crew).job(f"farm-{farm.pk}")


def test_several_openings_of_a_weekday_are_the_jobs_windows(crew: Crew, farm: Farm) -> None:
    for opens, closes in ((dt.time(8), dt.time(11)), (dt.time(13), dt.time(16, 30))):
        AccessWindow.objects.create(farm=farm, weekday=1, opens=opens, closes=closes)
    windows = _job(crew, farm).windows
    assert windows[1] == ((480, 660), (780, 990))
    assert windows[0] == ((0, 1440),)


def test_days_that_do_not_suit_have_no_window(crew: Crew, farm: Farm) -> None:
    farm.days_that_suit = [1, 3]
    farm.save()
    assert sorted(_job(crew, farm).windows) == [1, 3]


def test_the_days_of_a_request_come_before_the_farms(crew: Crew, farm: Farm) -> None:
    assert sorted(_job(crew, farm, weekdays=[2]).windows) == [2]


def test_earliest_and_due_dates_are_days_of_the_week(crew: Crew, farm: Farm) -> None:
    job = _job(crew, farm, earliest_on=MONDAY + dt.timedelta(days=1), due_on=THURSDAY)
    assert (job.earliest_day, job.due_day) == (1, 3)


def test_a_recheck_pulls_its_farm_forward(crew: Crew, farm: Farm) -> None:
    Recheck.objects.create(
        animal=make.an_animal(farm),
        trigger="block_wood",
        what="look_at_block",
        due_from=MONDAY,
        due_by=MONDAY + dt.timedelta(days=1),
    )
    job = _week(crew).job(f"farm-{farm.pk}")
    assert (job.earliest_day, job.due_day) == (0, 1)
    assert job.late_cost > 0


def test_a_crews_days_off_and_part_days_are_its_hours(crew: Crew, farm: Farm) -> None:
    make.a_request(farm)
    DaysOff.objects.create(crew=crew, first=THURSDAY, last=THURSDAY)
    WorkingHours.objects.filter(crew=crew, weekday=4).update(back_by=dt.time(12))
    hours = _week(crew).crew(crew.pk).hours
    assert sorted(hours) == [0, 1, 2, 4]
    assert hours[4] == (420, 720)


def test_crews_of_different_bases_have_drives_of_their_own(crew: Crew, farm: Farm) -> None:
    far = make.a_crew(crew.business, base=make.a_base(crew.business, latitude=47.60, longitude=9.90))
    make.a_request(farm)
    week = _week(crew)
    assert week.out[week.crew_index[far.pk]][0] > week.out[week.crew_index[crew.pk]][0]


def test_chute_kinds_and_the_longest_day_are_the_crews(crew: Crew, farm: Farm) -> None:
    farm.chute_kind_needed = ChuteKind.TILT_TABLE
    farm.save()
    Crew.objects.filter(pk=crew.pk).update(chute_kind=ChuteKind.TILT_TABLE, longest_day=500)
    job, who = _job(crew, farm), _week(crew).crew(crew.pk)
    assert (job.chute_kind, who.chute_kind, who.longest_day) == (ChuteKind.TILT_TABLE, ChuteKind.TILT_TABLE, 500)


def test_the_health_tier_and_the_last_of_the_day_are_the_farms(crew: Crew, farm: Farm) -> None:
    farm.health_tier = HealthTier.LAST
    farm.save()
    job = _job(crew, farm)
    assert (job.tier, job.last_of_day) == (HealthTier.LAST, True)


def test_lunch_wash_down_and_penning_are_the_businesss_figures(crew: Crew, farm: Farm) -> None:
    make.a_request(farm)
    keep_settings(business=crew.business, lunch_minutes=45, wash_minutes=50, regroup_minutes=15)
    rules = _week(crew).rules
    assert (rules.lunch, rules.wash, rules.regroup) == (45, 50, 15)


def test_a_long_job_is_worked_in_pens_that_wait_no_longer_than_the_farm_says(crew: Crew, farm: Farm) -> None:
    farm.lock_up_hours = Decimal("2")
    farm.save()
    keep_settings(business=crew.business, regroup_minutes=15)
    job = _job(crew, farm, head={"cow": 30})  # 30 cows at 8 minutes: four hours
    week = _week(crew)
    assert week.pens(job, job.work) == 2
    assert week.service(job, job.work) == job.setup + 240 + 15


def test_a_booked_visit_keeps_crew_day_and_hour(crew: Crew, farm: Farm) -> None:
    start = dt.datetime(2026, 3, 10, 10, 0, tzinfo=dt.UTC)
    end = start + dt.timedelta(hours=2)
    visit = make.a_visit(farm, crew, date=dt.date(2026, 3, 10), planned_start=start, planned_end=end)
    fixed = _week(crew).job(f"visit-{visit.pk}").fixed
    assert fixed == planner.Fixed(crew=crew.pk, day=1, start=600)


def test_two_crews_may_share_a_very_large_herd_on_one_day(crew: Crew, farm: Farm) -> None:
    other = make.a_crew(crew.business, base=crew.base)
    farm.days_that_suit = [2]
    farm.save()
    make.a_request(farm, head={"cow": 100})
    assert not ProposedRound.objects.filter(week=propose(crew)).exists()
    keep_settings(business=crew.business, two_crews_from_head=90)
    rounds = ProposedRound.objects.filter(week=propose(crew))
    assert {(made.crew_id, made.date.weekday()) for made in rounds} == {(crew.pk, 2), (other.pk, 2)}


def test_a_crew_treats_no_more_head_in_a_day_than_the_business_says(crew: Crew, farm: Farm) -> None:
    second = make.a_farm(farm.client, latitude=47.151)
    for place in (farm, second):
        make.a_request(place, head={"cow": 15})
    assert ProposedRound.objects.filter(week=propose(crew)).count() == 1
    keep_settings(business=crew.business, most_head=20)
    assert ProposedRound.objects.filter(week=propose(crew)).count() == 2


def test_nobody_drives_far_for_little_unless_it_is_due(crew: Crew, farm: Farm) -> None:
    far = make.a_farm(farm.client, latitude=47.45, longitude=9.60)
    request = make.a_request(far, head={"cow": 3}, urgency=Urgency.URGENT)
    keep_settings(business=crew.business, most_drive_share=Decimal("0.5"))
    assert not ProposedRound.objects.filter(week=propose(crew)).exists()
    request.due_on = MONDAY + dt.timedelta(days=1)
    request.save()
    (made,) = ProposedRound.objects.filter(week=propose(crew))
    assert made.date >= request.due_on


def _two_far_farms(farm: Farm) -> None:
    for latitude in (48.2, 48.25):
        make.a_request(make.a_farm(farm.client, latitude=latitude), head={"cow": 28}, urgency=Urgency.URGENT)


def test_a_night_away_is_proposed_where_it_is_cheaper_and_has_a_price(crew: Crew, farm: Farm) -> None:
    _two_far_farms(farm)
    assert not ProposedRound.objects.filter(week=propose(crew)).exclude(sleeps_near=None).exists()
    keep_settings(business=crew.business, bed_cost=Decimal("80"))
    week = propose(crew)
    evening, morning = ProposedRound.objects.filter(week=week).order_by("date")
    assert evening.sleeps_near_id in {stop.farm_id for stop in (*evening.stops.all(), *morning.stops.all())}
    assert (morning.date - evening.date).days == 1
    assert week.bound is None


def test_the_board_says_where_the_crew_sleeps(crew: Crew, farm: Farm) -> None:
    _two_far_farms(farm)
    keep_settings(business=crew.business, bed_cost=Decimal("80"))
    week = propose(crew)
    browser = make.signed_in(make.a_member(crew.business))
    page = browser.get(f"/weeks/{MONDAY.isoformat()}")
    near = ProposedRound.objects.filter(week=week).exclude(sleeps_near=None).get().sleeps_near
    assert near is not None
    assert f"to a bed near {near.name}" in page.content.decode()


def test_figures_that_may_be_empty_may_be_and_others_may_not(crew: Crew) -> None:
    kept = keep_settings(business=crew.business, bed_cost=None, most_head=None)
    assert (kept.bed_cost, kept.most_head) == (None, None)
    with pytest.raises(FiguresRefused):
        keep_settings(business=crew.business, wash_minutes=None)


@pytest.mark.parametrize(
    ("figure", "value"), [("most_head", 0), ("two_crews_from_head", 1), ("bed_cost", -1), ("most_drive_share", 0)]
)
def test_limits_that_make_no_sense_are_refused(crew: Crew, figure: str, value: int) -> None:
    with pytest.raises(FiguresRefused) as refused:
        keep_settings(business=crew.business, **{figure: value})
    assert figure in refused.value.fields
