"""`manage.py solve_week`: a week from a file, its plan into another, bad files in one plain sentence."""

import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from scheduling.planner import Fixed, write_week

from .small_weeks import a_crew, a_job, on_a_road


def _week(**changes: Any) -> dict[str, Any]:
    return write_week(on_a_road([a_job("a"), a_job("b", work=120)], [10, 20])) | changes


def _job(**changes: Any) -> dict[str, Any]:
    """The week with something wrong in its first job."""
    week = _week()
    week["jobs"][0] |= changes
    return week


def _solve(tmp_path: Path, content: object, *options: str) -> str:
    problem = tmp_path / "week.json"
    problem.write_text(content if isinstance(content, str) else json.dumps(content))
    said = StringIO()
    call_command("solve_week", str(problem), *options, stdout=said)
    return said.getvalue()


def test_it_says_cost_bound_gap_and_seconds(tmp_path: Path) -> None:
    words = [line.split()[0] for line in _solve(tmp_path, _week(), "--bound").splitlines()]
    assert words == ["cost", "bound", "gap", "left", "seconds"]


def test_a_small_week_is_proven(tmp_path: Path) -> None:
    said = _solve(tmp_path, _week(), "--bound")
    assert "cost 180\nbound 180\ngap 0.00 %" in said


def test_it_writes_the_plan(tmp_path: Path) -> None:
    _solve(tmp_path, _week(), "--plan", str(tmp_path / "plan.json"))
    (made,) = json.loads((tmp_path / "plan.json").read_text())["rounds"]
    assert sorted(visit["job"] for visit in made["visits"]) == [0, 1]


@pytest.mark.parametrize(
    ("why", "place", "job"),
    [
        ("no day of the week suits", 10, {"windows": {}}),
        ("a visit takes 70 minutes, longer than the farm is open at a stretch", 10, {"windows": {0: ((390, 400),)}}),
        ("a visit takes 910 minutes, longer than the farm is open at a stretch", 10, {"work": 900}),
        ("even alone it passes the longest day or the hours of a crew by 100 minutes", 300, {}),
        ("even alone it passes the longest day or the hours of a crew by 999260 minutes", 10**6, {}),
        ("no crew has the chute it needs", 10, {"chute_kind": "tilt"}),
        ("nobody who could do it works on the days that suit", 10, {"windows": {4: ((390, 1140),)}}),
        ("its crew does not work on the day it is fixed to", 10, {"fixed": Fixed(crew="north", day=4, start=600)}),
        ("it has 50 head, and no crew treats more than 40 in a day", 10, {"head": 50}),
    ],
)
def test_a_job_nobody_can_do_is_named_before_solving(tmp_path: Path, why: str, place: int, job: dict[str, Any]) -> None:
    crew = a_crew(hours=dict.fromkeys(range(4), (390, 1140)), most_head=40)
    said = _solve(tmp_path, write_week(on_a_road([a_job("a", **job), a_job("b")], [place, 10], crews=[crew])))
    assert said.startswith(f"job 0 cannot be done: {why}.\ncost ")
    assert "left out 1" in said


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("{", "does not hold JSON text: line 1 is wrong."),
        ([], "The file does not hold a week."),
        (_week(jobs=[{"id": 0}]), "Job 0 lacks 'work'."),
        (_week(crews=[None]), "Crew 0 holds something of the wrong kind."),
        (_job(windows={"0": [[500]]}), "Job 0 holds something of the wrong kind."),
        (_job(windows={"monday": [[500, 600]]}), "Job 0 holds something of the wrong kind."),
        (_job(windows={"0": [[600, 500]]}), "Job 0 has a window on day 0 that cannot be."),
        (_job(work=-30), "Job 0 must have work, in minutes."),
        (_job(work=10**9), "Job 0 must have work, in minutes."),
        (_job(setup=None), "Job 0: setup must be minutes, not negative."),
        (_job(due_day="soon"), "Job 0: due_day must be a day."),
        (_job(earliest_day=None), "Job 0: earliest_day must be a day."),
        (_job(id=[1]), "The id of a job must be a word or a whole number."),
        (_job(fixed={"crew": 0, "day": 0, "start": 500.5}), "A confirmed visit must have a day and a minute"),
        (_week(rules=None), "The week holds something of the wrong kind."),
        (_week(minutes=3), "The driving table crew_to_job holds something of the wrong kind."),
        ({"crews": []}, "The week lacks 'jobs'."),
        (_week(crews=[]), "A week without a crew cannot be planned."),
        (_week(minutes={}), "The week lacks minutes 'crew_to_job'."),
        (
            _week(minutes={"crew_to_job": [[1, -2]], "job_to_job": [[0, 1], [1, 0]]}),
            "missing, negative or endless entry.",
        ),
        (_week(minutes={"crew_to_job": [[1]], "job_to_job": [[0, 1], [1, 0]]}), "has the wrong size."),
    ],
)
def test_a_bad_file_gets_a_sentence(tmp_path: Path, content: object, sentence: str) -> None:
    with pytest.raises(CommandError, match=sentence.replace(".", r"\.")):
        _solve(tmp_path, content)


def test_a_file_that_is_not_there_gets_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="cannot be read: No such file or directory"):
        call_command("solve_week", str(tmp_path / "none.json"))


def test_a_plan_that_cannot_be_written_gets_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="The plan cannot be written"):
        _solve(tmp_path, _week(), "--plan", str(tmp_path / "nowhere" / "plan.json"))
