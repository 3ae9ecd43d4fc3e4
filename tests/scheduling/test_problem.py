"""A week that cannot be meant does not come into being."""

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from scheduling.planner import BadWeek, Costs, Fixed, Rules, Week, read_week, write_week

from .small_weeks import a_crew, a_job, on_a_road

WEEKS = Path(__file__).parents[2] / "fixtures" / "weeks"


def _file(name: str = "w01") -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((WEEKS / f"{name}.json").read_text())
    return loaded


@pytest.mark.parametrize("name", ["w01", "w03", "w05"])
def test_a_week_file_survives_reading_and_writing(name: str) -> None:
    week = read_week(_file(name))
    assert read_week(json.loads(json.dumps(write_week(week)))) == week


def test_a_plain_week_is_written_plainly() -> None:
    written = write_week(read_week(_file()))
    assert written["minutes"] == _file()["minutes"]
    assert written["costs"] == _file()["costs"]
    assert written["rules"] == _file()["rules"]


def test_a_part_day_and_a_day_off_are_kept() -> None:
    crew = a_crew(hours={0: (390, 720), 3: (390, 1140)})
    week = read_week(write_week(on_a_road([a_job("a")], [10], crews=[crew])))
    assert week.crews[0].hours == {0: (390, 720), 3: (390, 1140)}
    assert week.crew_days() == ((0, 0), (0, 3))


def test_what_the_plain_format_lacks_is_kept_too() -> None:
    job = a_job(
        "a",
        last_of_day=True,
        chute_kind="tilt",
        head=9,
        lock_up=120,
        latest_day=3,
        fixed=Fixed(crew="north", day=1, start=600),
    )
    week = on_a_road([job], [10], crews=[a_crew(chute_kind="tilt", most_head=60, costs=Costs(crew_day=90))])
    assert read_week(write_week(week)).crews[0].most_head == 60
    assert read_week(write_week(week)).jobs[0] == replace(job, id=0, due_day=5, fixed=Fixed(crew=0, day=1, start=600))
    assert read_week(write_week(week)).crews[0].costs == Costs(crew_day=90)


@pytest.mark.parametrize(
    ("code", "changes"),
    [
        ("no-crew", {"crews": [], "minutes": {"crew_to_job": [], "job_to_job": _file()["minutes"]["job_to_job"]}}),
        ("missing", {"minutes": {"crew_to_job": [[1] * 8]}}),
        ("bad-matrix", {"minutes": {"crew_to_job": [[1] * 7], "job_to_job": [[1] * 8] * 8}}),
        ("bad-driving", {"minutes": {"crew_to_job": [[-1] * 8], "job_to_job": [[1] * 8] * 8}}),
        ("bad-driving", {"minutes": {"crew_to_job": [[None] * 8], "job_to_job": [[1] * 8] * 8}}),
        ("bad-cost", {"costs": {"crew_day": -1}}),
        ("bad-rule", {"rules": {"split_step": 0}}),
        ("bad-lunch", {"rules": {"lunch_from": 800, "lunch_to": 700}}),
        ("not-a-week", {"jobs": 7}),
    ],
)
def test_a_bad_file_is_refused_with_a_code(code: str, changes: dict[str, Any]) -> None:
    with pytest.raises(BadWeek) as refused:
        read_week(_file() | changes)
    assert refused.value.code == code
    assert str(refused.value).endswith(".")


@pytest.mark.parametrize("obj", [None, [], "week", {}])
def test_something_else_than_a_week_is_refused(obj: object) -> None:
    with pytest.raises(BadWeek):
        read_week(obj)


@pytest.mark.parametrize(
    ("code", "job"),
    [
        ("bad-work", {"work": 0}),
        ("bad-work", {"work": -30}),
        ("bad-setup", {"setup": -1}),
        ("bad-window", {"windows": {0: ((700, 600),)}}),
        ("bad-cost", {"skip_cost": float("nan")}),
        ("bad-cost", {"late_cost": -5}),
        ("bad-limit", {"lock_up": 0}),
        ("bad-crews", {"crews_at_once": 0}),
        ("bad-tier", {"tier": None}),
        ("bad-rule", {"wash_after": -1}),
        ("bad-head", {"head": -1}),
    ],
)
def test_a_job_that_cannot_be_is_refused(code: str, job: dict[str, Any]) -> None:
    with pytest.raises(BadWeek) as refused:
        a_job("a", **job)
    assert refused.value.code == code


def test_a_crew_that_is_not_there_is_refused() -> None:
    with pytest.raises(BadWeek, match="names a crew south"):
        on_a_road([a_job("a", crews=frozenset({"south"}))], [10])


def test_twins_are_refused() -> None:
    with pytest.raises(BadWeek) as refused:
        on_a_road([a_job("a"), a_job("a")], [10, 20])
    assert refused.value.code == "twin-job"


def test_a_long_job_may_be_split_in_two_or_three() -> None:
    job = a_job("a", work=390, may_split=True)
    patterns = on_a_road([job], [10]).split_patterns(job)
    assert patterns == ((270, 120), (240, 150), (210, 180), (150, 120, 120))


def test_a_limit_on_one_visit_rules_out_the_whole() -> None:
    job = a_job("a", work=390, may_split=True, longest_visit=210)
    assert on_a_road([job], [10]).part_sizes(job) == (210, 180, 150, 120)


def test_a_job_that_may_not_be_split_has_one_size() -> None:
    job = a_job("a", work=390)
    assert on_a_road([job], [10]).part_sizes(job) == (390,)


def test_a_part_has_its_share_of_the_head_rounded_up() -> None:
    job = a_job("a", work=390, may_split=True, head=50)
    week = on_a_road([job], [10])
    assert [week.head(job, work) for work in (390, 270, 120)] == [50, 35, 16]


@pytest.mark.parametrize("most", [0, -1, 2.5])
def test_a_crew_that_may_treat_no_head_is_refused(most: int) -> None:
    with pytest.raises(BadWeek) as refused:
        a_crew(most_head=most)
    assert refused.value.code == "bad-head"


def test_lock_up_makes_pens_and_each_further_pen_takes_time() -> None:
    job = a_job("a", work=200, lock_up=90)
    week: Week = on_a_road([job], [10], rules=Rules(regroup=15))
    assert week.pens(job, 200) == 3
    assert week.service(job, 200) == 10 + 200 + 2 * 15
