"""`manage.py fit_pace`: past visits in, estimates out; what is set aside is named, a bad file is one plain sentence."""

import csv
import datetime as dt
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command

HISTORY = "date,farm,crew,minutes,trim,topical,block,wrap,recheck\n"
ASK = "date,farm,crew,trim,topical,block,wrap,recheck\n"
USUAL = "2026-03-{day:02},Lower Brook,A,{minutes},30,6,2,1,1\n"
TODAY = dt.date(2026, 6, 1)


def _usual(*minutes: float) -> str:
    return "".join(USUAL.format(day=day, minutes=each) for day, each in enumerate(minutes, start=1))


def _fit(tmp_path: Path, history: str | bytes, ask: str = ASK + "2026-06-02,Lower Brook,A,40,5,3,2,0\n") -> str:
    past, asked = tmp_path / "history.csv", tmp_path / "ask.csv"
    past.write_bytes(history if isinstance(history, bytes) else history.encode())
    asked.write_text(ask)
    said = StringIO()
    call_command("fit_pace", str(past), ask=asked, out=tmp_path / "out.csv", today=TODAY, stdout=said)
    return said.getvalue()


def _out(tmp_path: Path) -> list[dict[str, str]]:
    with (tmp_path / "out.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_asked_visits_come_out_with_three_rising_figures(tmp_path: Path) -> None:
    _fit(tmp_path, HISTORY + _usual(330, 345, 351, 338, 362))
    (row,) = _out(tmp_path)
    assert list(row) == [*ASK.strip().split(","), "p50", "p80", "p90"]
    assert 300 < float(row["p50"]) < float(row["p80"]) < float(row["p90"]) < 700


def test_a_farm_and_crew_nobody_knows_are_estimated_too_less_surely(tmp_path: Path) -> None:
    ask = ASK + "2026-06-02,Lower Brook,A,40,5,3,2,0\n2026-06-02,Windy Gap,B,40,5,3,2,0\n"
    _fit(tmp_path, HISTORY + _usual(*range(330, 360, 3)), ask)
    known, unknown = _out(tmp_path)
    assert float(unknown["p90"]) / float(unknown["p50"]) > float(known["p90"]) / float(known["p50"])


def test_without_any_history_the_defaults_answer_and_are_called_so(tmp_path: Path) -> None:
    said = _fit(tmp_path, HISTORY, ASK + "2026-06-02,Lower Brook,A,10,0,0,0,0\n")
    assert "defaults, common practice" in said
    assert _out(tmp_path)[0]["p50"] == "105.0"  # 25 + 10 x 8


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("2026-03-09,Lower Brook,A,540,3,0,0,0,0", "540 minutes for 3 head is too long to be true"),
        ("2026-03-09,Lower Brook,A,25,80,0,0,0,0", "25 minutes for 80 head is too short to be true"),
        ("2026-03-09,Lower Brook,A,0,30,6,2,1,1", "it took 0 minutes"),
        ("2026-03-09,Lower Brook,A,-15,30,6,2,1,1", "it ended before it began (-15 minutes)"),
        ("2026-03-09,Lower Brook,A,300,0,0,0,0,0", "no head was counted"),
        ("2026-09-09,Lower Brook,A,340,30,6,2,1,1", "its date is still to come"),
        ("2026-03-09,Lower Brook,A,5.7,30,6,2,1,1", "looks like hours"),
        ("2026-03-09,Lower Brook,A,20400,30,6,2,1,1", "looks like seconds"),
        ("2026-03-09,Lower Brook,A,5 h 40,30,6,2,1,1", "minutes “5 h 40” is not a number"),
        ("2026-03-09,Lower Brook,A,nan,30,6,2,1,1", "minutes “nan” is not a number"),
        ("09/03/2026,Lower Brook,A,340,30,6,2,1,1", "“09/03/2026” is not a date"),
        ("2026-03-09,Lower Brook,A,340,-30,6,2,1,1", "trim “-30” is below 0"),
        ("2026-03-09,Lower Brook,A,340,30.5,6,2,1,1", "trim “30.5” is not a whole number of head"),
        ("2026-03-09,,A,340,30,6,2,1,1", "its farm is missing"),
        ("2026-03-09,Lower Brook,A,340,30", "another number of cells"),
    ],
)
def test_a_record_that_cannot_be_is_set_aside_by_name_and_changes_nothing(tmp_path: Path, line: str, why: str) -> None:
    _fit(tmp_path, HISTORY + _usual(330, 345, 351, 338, 362))
    without = _out(tmp_path)
    said = _fit(tmp_path, HISTORY + _usual(330, 345, 351, 338, 362) + line + "\n")
    assert "line 7" in said
    assert why in said
    assert _out(tmp_path) == without


def test_a_farm_with_all_visits_at_0_minutes_is_named(tmp_path: Path) -> None:
    history = HISTORY + _usual(330, 345) + "2026-04-01,Windy Gap,A,0,9,0,0,0,0\n2026-04-08,Windy Gap,A,0,9,0,0,0,0\n"
    assert "no visit to Windy Gap can be used" in _fit(tmp_path, history)


def test_a_file_in_hours_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="hours or seconds"):
        _fit(tmp_path, HISTORY + _usual(5.5, 5.7, 5.9, 5.6))


def test_a_visit_asked_without_head_is_named_and_left_blank(tmp_path: Path) -> None:
    ask = ASK + "2026-06-02,Lower Brook,A,0,0,0,0,0\n2026-06-02,Lower Brook,A,40,5,3,2,0\n"
    said = _fit(tmp_path, HISTORY + _usual(330, 345), ask)
    assert "not estimated: line 2: no head is counted" in said
    assert [row["p50"] == "" for row in _out(tmp_path)] == [True, False]


@pytest.mark.parametrize(
    ("history", "why"),
    [
        ("", "is empty"),
        (b"\xff\xfe\x00", "is not UTF-8 text"),
        ("date,farm,crew,trim,topical,block,wrap,recheck\n", "has no column “minutes”"),
        (HISTORY.replace("wrap", "trim"), "has no column “wrap”"),
        (HISTORY.replace("\n", ",trim\n"), "has the column “trim” twice"),
        (HISTORY + '"2026-03-09,Lower', "is not comma-separated text"),
    ],
)
def test_a_bad_file_is_refused_in_one_sentence(tmp_path: Path, history: str | bytes, why: str) -> None:
    with pytest.raises(CommandError, match=why):
        _fit(tmp_path, history)


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("fit_pace", "nowhere.csv", ask=tmp_path / "ask.csv", out=tmp_path / "out.csv")


def test_nothing_to_estimate_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CommandError, match="no visit that can be estimated"):
        _fit(tmp_path, HISTORY + _usual(330, 345), ASK)


def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    past, asked = tmp_path / "history.csv", tmp_path / "ask.csv"
    past.write_text(HISTORY)
    asked.write_text(ASK + "2026-06-02,Lower Brook,A,40,5,3,2,0\n")
    with pytest.raises(CommandError, match="cannot be written"):
        call_command("fit_pace", str(past), ask=asked, out=tmp_path / "no" / "out.csv", stdout=StringIO())
