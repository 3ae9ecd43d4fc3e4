"""`manage.py solve_week`: a week from a file, its plan into another, bad files in one plain sentence."""

import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from scheduling.planner import write_week

from .small_weeks import a_job, on_a_road


def _week(**changes: Any) -> dict[str, Any]:
    return write_week(on_a_road([a_job("a"), a_job("b", work=120)], [10, 20])) | changes


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


def test_a_job_nobody_can_do_is_named(tmp_path: Path) -> None:
    hopeless = write_week(on_a_road([a_job("a", windows={})], [10]))
    assert "cannot be done: job 0 (no-day-suits)" in _solve(tmp_path, hopeless)


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("{", "does not hold JSON text: line 1 is wrong."),
        ([], "The file does not hold a week."),
        ({"crews": []}, "The week lacks 'jobs'."),
        (_week(crews=[]), "A week without a crew cannot be planned."),
        (_week(minutes={}), "The week lacks minutes 'crew_to_job'."),
        (_week(minutes={"crew_to_job": [[1, -2]], "job_to_job": [[0, 1], [1, 0]]}), "missing or negative entry."),
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
