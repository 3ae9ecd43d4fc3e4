"""The pace from recorded visits: learned by a worker, kept, and what weeks are planned with."""

import datetime as dt

import pytest

from scheduling import pace_tasks
from scheduling.pace_models import LearnedPace, PaceSettings
from scheduling.services.loading import LoadedWeek, load_week
from scheduling.services.pace import (
    NoHead,
    PaceFiguresRefused,
    estimate_visit,
    estimator_of,
    keep_pace_settings,
    pace_settings_of,
)
from scheduling.services.pace_learning import AlreadyLearning, ask_to_learn, has_news
from tests import make
from trimmer.models import Crew, Farm, Job, JobState, TreatmentKind, VisitHead

from .paced import a_visit_done, learn, some_visits
from .proposals import MONDAY, a_week, propose

pytestmark = pytest.mark.django_db


@pytest.fixture
def crew() -> Crew:
    return make.a_crew(make.a_business(time_zone="Europe/Dublin"))


@pytest.fixture
def farm(crew: Crew) -> Farm:
    return make.a_farm(make.a_client(crew.business))


def _loaded(crew: Crew) -> LoadedWeek:
    return load_week(business=crew.business, monday=MONDAY, today=make.TODAY)


def _work(crew: Crew, farm: Farm) -> int:
    week = _loaded(crew).week
    assert week is not None
    return week.job(f"farm-{farm.pk}").work


# Estimates


def test_without_visits_the_defaults_answer_and_are_called_so(farm: Farm) -> None:
    said = estimate_visit(farm=farm, head={"bull": 4})
    assert said.minutes[0] == pytest.approx(25 + 4 * 15)  # set-up and bulls
    assert not said.learned


def test_own_defaults_come_before_common_practice(farm: Farm) -> None:
    keep_pace_settings(business=farm.client.business, setup=10, bull=20)
    assert estimate_visit(farm=farm, head={"bull": 4}).minutes[0] == pytest.approx(10 + 4 * 20)


def test_an_estimate_follows_the_visits_of_the_farm(crew: Crew, farm: Farm) -> None:
    other = make.a_farm(farm.client)
    some_visits(farm, crew, *(420, 450, 430, 440, 425, 445, 435, 438))
    some_visits(other, make.a_crew(crew.business), *(240, 250, 245, 255, 238, 242, 251, 247))
    learn(crew.business)
    slow, quick = (estimate_visit(farm=each, head={"cow": 30}) for each in (farm, other))
    assert slow.minutes[0] > 380 > 300 > quick.minutes[0]
    assert slow.learned
    assert (slow.visits, slow.of_business) == (8, 16)


def test_the_parts_add_up_to_the_middle_also_with_heifers_and_rechecks(crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, *(300, 310, 290, 305, 295, 320))
    learn(crew.business)
    for head in ({"cow": 60}, {"cow": 20, "heifer": 8, "recheck": 3, "lame": 2, "bull": 1}):
        said = estimate_visit(farm=farm, head=head)
        assert said.setup + sum(part.minutes for part in said.parts) == pytest.approx(said.minutes[0])
        assert said.minutes[0] < said.minutes[1] < said.minutes[2]
    assert estimate_visit(farm=farm, head={"cow": 60}).parts[0].head == pytest.approx(60)


def test_a_farm_never_visited_is_less_sure(crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, *(300, 310, 290, 305, 295, 320))
    learn(crew.business)
    known, unknown = (estimate_visit(farm=each, head={"cow": 30}) for each in (farm, make.a_farm(farm.client)))
    assert unknown.minutes[2] / unknown.minutes[0] > known.minutes[2] / known.minutes[0]
    assert unknown.visits == 0


def test_no_head_is_refused(farm: Farm) -> None:
    with pytest.raises(NoHead):
        estimate_visit(farm=farm, head={"cow": 0})


def test_head_recorded_singly_count_under_their_heaviest_work(crew: Crew, farm: Farm) -> None:
    visit = a_visit_done(farm, crew, minutes=60, head={"cow": 3})
    for treatments in ((TreatmentKind.TOPICAL, TreatmentKind.BLOCK), (TreatmentKind.WRAP,), ()):
        record = make.a_record(visit, make.an_animal(farm))
        for kind in treatments:
            record.treatments.create(kind=kind, foot="LH", claw="outer")
    learned = learn(crew.business)
    assert learned.seen == [{"farm": farm.pk, "brought": "cow", "work": {"block": 1, "wrap": 1, "trim": 1}}]


def test_head_counted_but_not_recorded_are_not_lost(crew: Crew, farm: Farm) -> None:
    visit = a_visit_done(farm, crew, minutes=300, head={"cow": 30})
    make.a_record(visit, make.an_animal(farm))
    assert learn(crew.business).tried[0]["head"] == 30


def test_another_businesses_visits_teach_nothing(crew: Crew, farm: Farm) -> None:
    stranger = make.a_crew(make.a_business())
    some_visits(make.a_farm(make.a_client(stranger.business)), stranger, *(600,) * 8)
    learn(crew.business)
    assert estimator_of(crew.business).visits == 0


def test_where_most_farms_are_tie_stalls_fewer_blocks_are_expected(farm: Farm) -> None:
    free = estimate_visit(farm=farm, head={"cow": 100})
    for _number in range(2):
        make.a_farm(farm.client, barn="tie_stall")
    tied = estimate_visit(farm=farm, head={"cow": 100})
    assert [free.head["block"], tied.head["block"]] == pytest.approx([5.7, 2.5])


# What cannot be is set aside by name


@pytest.mark.parametrize(
    ("minutes", "date", "head", "code"),
    [
        (-20, None, {"cow": 30}, "end_before_start"),
        (0, None, {"cow": 30}, "no_minutes"),
        (300, None, {}, "no_head"),
        (300, make.TODAY + dt.timedelta(days=3), {"cow": 30}, "future"),
        (540, None, {"cow": 3}, "too_long"),
        (5, None, {"cow": 30}, "looks_like_hours"),
    ],
)
def test_a_record_that_cannot_be_is_set_aside_by_name_and_changes_nothing(
    crew: Crew, farm: Farm, minutes: float, date: dt.date | None, head: dict[str, int], code: str
) -> None:
    some_visits(farm, crew, *(300, 310, 290, 305, 295, 320))
    before = learn(crew.business).figures
    wild = a_visit_done(farm, make.a_crew(crew.business), minutes=minutes, date=date, head=head)
    after = learn(crew.business)
    assert [(row["visit"], row["code"]) for row in after.set_aside] == [(wild.pk, code)]
    assert after.figures == before


def test_a_farm_with_all_visits_at_0_minutes_leaves_the_defaults(crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, 0, 0, 0)
    learned = learn(crew.business)
    assert (learned.visits, len(learned.set_aside)) == (0, 3)
    assert not estimate_visit(farm=farm, head={"cow": 10}).learned


def test_a_visit_without_times_says_nothing(crew: Crew, farm: Farm) -> None:
    visit = make.a_visit(farm, crew, state="done", date=make.TODAY - dt.timedelta(days=9))
    VisitHead.objects.create(visit=visit, kind="cow", done=30)
    learned = learn(crew.business)
    assert (learned.visits, learned.set_aside) == (0, [])


# Weeks


def test_a_week_is_planned_with_the_minutes_learned(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 12})
    assert (_work(crew, farm), _loaded(crew).pace_visits) == (96, 0)  # the planner's own 8 minutes a cow
    some_visits(farm, crew, *(200, 210, 190, 205, 195, 200, 203, 198), head={"cow": 10})
    learn(crew.business)
    said = estimate_visit(farm=farm, head={"cow": 12})
    assert _work(crew, farm) == pytest.approx(said.minutes[0] - said.setup, abs=1)
    assert _work(crew, farm) > 140
    assert _loaded(crew).pace_visits == 8


def test_a_careful_business_plans_with_what_nine_visits_in_ten_stay_under(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 10})
    some_visits(farm, crew, *(200, 210, 190, 205, 195, 200, 203, 198), head={"cow": 10})
    learn(crew.business)
    half = _work(crew, farm)
    keep_pace_settings(business=crew.business, plan_level=90)
    said = estimate_visit(farm=farm, head={"cow": 10})
    assert _work(crew, farm) == pytest.approx(said.minutes[2] - said.setup, abs=1)
    assert _work(crew, farm) > half


def test_too_few_visits_or_a_wish_leave_the_planners_own_minutes(crew: Crew, farm: Farm) -> None:
    make.a_request(farm, head={"cow": 20})
    some_visits(farm, crew, *(300,) * 4)
    learn(crew.business)
    assert _work(crew, farm) == 160
    some_visits(make.a_farm(farm.client), crew, *(300,) * 4)
    learn(crew.business)
    assert _work(crew, farm) != 160
    keep_pace_settings(business=crew.business, plan_with_learned=False)
    assert _work(crew, farm) == 160


def test_the_week_says_whose_minutes_it_is_planned_with(crew: Crew, farm: Farm) -> None:
    browser = make.signed_in(make.a_member(crew.business))
    a_week(crew, farm, head=5)
    assert "Minutes at the chute are default figures" in browser.get(f"/weeks/{MONDAY}").text
    some_visits(farm, crew, *(300,) * 6)
    learn(crew.business)
    propose(crew)
    assert "Minutes at the chute are those learned from 6 visits." in browser.get(f"/weeks/{MONDAY}").text


# When it is learned


def test_it_is_learned_once_at_a_time(crew: Crew) -> None:
    job = ask_to_learn(business=crew.business, today=make.TODAY, by=None)
    with pytest.raises(AlreadyLearning):
        ask_to_learn(business=crew.business, today=make.TODAY, by=None)
    Job.objects.filter(pk=job.pk).update(state=JobState.DONE)
    assert ask_to_learn(business=crew.business, today=make.TODAY, by=None)


def test_each_night_those_with_new_visits_are_learned_from(crew: Crew, farm: Farm) -> None:
    night = dt.datetime(2026, 3, 4, 3, 0, tzinfo=dt.UTC)
    make.a_business()
    assert pace_tasks.learn_where_due(now=night) == 0
    some_visits(farm, crew, 300)
    assert pace_tasks.learn_where_due(now=night - dt.timedelta(hours=2)) == 0  # one o'clock there
    assert pace_tasks.learn_where_due(now=night) == 1
    assert pace_tasks.learn_where_due(now=night) == 0  # somebody is at it
    Job.objects.of(crew.business).delete()
    learn(crew.business)
    assert pace_tasks.learn_where_due(now=night + dt.timedelta(days=1)) == 0  # nothing new
    some_visits(make.a_farm(farm.client), crew, 200)
    assert pace_tasks.learn_where_due(now=night) == 0  # learned today already
    assert pace_tasks.learn_where_due(now=night + dt.timedelta(days=1)) == 1


@pytest.mark.parametrize("change", ["time", "head", "record", "default"])
def test_a_change_to_what_was_read_is_news(crew: Crew, farm: Farm, change: str) -> None:
    visit = a_visit_done(farm, crew, minutes=200)
    learn(crew.business)
    assert not has_news(business=crew.business)
    if change == "time":
        assert visit.last_head_at
        visit.last_head_at += dt.timedelta(minutes=5)
        visit.save()
    elif change == "head":
        visit.head.update(done=31)
    elif change == "record":
        make.a_record(visit, make.an_animal(farm))
    else:
        keep_pace_settings(business=crew.business, trim=7)
    assert has_news(business=crew.business)


def test_a_pace_kept_by_another_release_gives_way_to_the_defaults(crew: Crew, farm: Farm) -> None:
    some_visits(farm, crew, *(300,) * 6)
    learn(crew.business)
    LearnedPace.objects.of(crew.business).update(figures={"format": 0})
    assert not estimate_visit(farm=farm, head={"cow": 10}).learned


# Figures


@pytest.mark.parametrize(
    "figures",
    [
        *({"trim": 0}, {"block": -1}, {"setup": -1}, {"trim": 12345}, {"wrap": None}),
        *({"run_out_percent": 0}, {"run_out_percent": 51}, {"plan_level": 70}, {"blocks_a_cartridge": 0}),
    ],
)
def test_impossible_figures_are_refused_by_name(crew: Crew, figures: dict[str, int | None]) -> None:
    with pytest.raises(PaceFiguresRefused) as refused:
        keep_pace_settings(business=crew.business, **figures)
    assert list(refused.value.fields) == list(figures)
    assert not PaceSettings.objects.of(crew.business).exists()


def test_figures_not_given_stay(crew: Crew) -> None:
    keep_pace_settings(business=crew.business, trim=7)
    keep_pace_settings(business=crew.business, wrap=12)
    kept = pace_settings_of(crew.business)
    assert (float(kept.trim), float(kept.wrap), kept.plan_level) == (7, 12, 50)
