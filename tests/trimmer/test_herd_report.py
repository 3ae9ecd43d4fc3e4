"""The arithmetic of the herd report, against statsmodels and published counts."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from trimmer.herd_report import (
    PUBLISHED,
    Due,
    Kept,
    Seen,
    difference_interval,
    published_share,
    report_on,
    returning_in,
    score_interval,
)

FIRST, LAST = dt.date(2026, 1, 1), dt.date(2026, 6, 30)
TODAY = dt.date(2026, 7, 2)


def seen(animal: int, month: int, day: int, *lesions: str, year: int = 2026) -> Seen:
    return Seen(animal, dt.date(year, month, day), frozenset(lesions))


@st.composite
def counts(draw: st.DrawFn) -> tuple[int, int]:
    of = draw(st.integers(1, 400))
    return draw(st.integers(0, of)), of


@given(counts(), st.sampled_from([0.8, 0.95, 0.99]))
def test_the_interval_of_a_share_is_statsmodels(share: tuple[int, int], confidence: float) -> None:
    """statsmodels, proportion_confint(method="wilson")."""
    low, high = proportion_confint(*share, alpha=1 - confidence, method="wilson")
    ours = score_interval(*share, confidence)
    assert ours is not None
    assert (ours.low, ours.high) == pytest.approx((max(low, 0), min(high, 1)), abs=1e-9)


@given(counts(), counts())
def test_the_interval_of_a_difference_is_statsmodels(now: tuple[int, int], before: tuple[int, int]) -> None:
    """statsmodels, confint_proportions_2indep(method="newcomb")."""
    low, high = confint_proportions_2indep(*now, *before, method="newcomb", compare="diff")
    ours = difference_interval(*now, *before)
    assert ours is not None
    assert (ours.low, ours.high) == pytest.approx((low, high), abs=1e-9)


@pytest.mark.published
def test_a_published_difference() -> None:
    """Newcombe (1998), table II, contrast (a) 56/70 - 48/80, method 10: 0.0524 to 0.3339."""
    interval = difference_interval(56, 70, 48, 80)
    assert interval is not None
    assert (interval.low, interval.high) == pytest.approx((0.0524, 0.3339), abs=5e-5)


def test_no_head_has_no_interval() -> None:
    assert score_interval(0, 0) is None
    assert difference_interval(0, 0, 1, 2) is None


def test_more_than_all_is_no_share() -> None:
    with pytest.raises(ValueError, match="no share"):
        score_interval(3, 2)


@pytest.mark.published
def test_the_published_counts_have_their_own_totals() -> None:
    """Alberta Dairy Hoof Health Project, November 2012: totals and shares as printed there."""
    assert [region.all_lesions for region in PUBLISHED] == [30_657, 14_405, 12_898]
    assert sum(region.farms for region in PUBLISHED) == 578
    assert sum(region.cows for region in PUBLISHED) == 80_533
    assert sum(region.with_lesions for region in PUBLISHED) == 39_323
    assert round(100 * published_share("")[0], 1) == 48.8
    dermatitis = sum(region.lesions["DD"] for region in PUBLISHED)
    assert round(100 * dermatitis / sum(region.all_lesions for region in PUBLISHED), 1) == 40.0


def test_a_published_share_has_its_regions() -> None:
    together, lowest, highest = published_share("DD")
    assert lowest == 4_488 / 24_045
    assert highest == 5_464 / 15_930
    assert lowest < together < highest


def test_an_animal_counts_once_however_often_it_came() -> None:
    cows = [seen(1, 1, 5, "DD"), seen(1, 2, 5, "DD", "SU"), seen(2, 2, 5), seen(3, 6, 30, "WLF"), seen(4, 7, 1, "DD")]
    report = report_on(cows, [], first=FIRST, last=LAST, today=TODAY)
    assert (report.head, report.visits, report.any_lesion.now.count) == (3, 3, 2)
    assert [(row.lesion, row.now.count) for row in report.lesions] == [("DD", 1), ("SU", 1), ("WLF", 1)]


def test_the_published_names_put_lesions_together() -> None:
    cows = [seen(1, 1, 5, "WLF"), seen(2, 1, 5, "WLA", "WLF"), seen(3, 1, 5)]
    report = report_on(cows, [], first=FIRST, last=LAST, today=TODAY)
    white_line = next(row for row in report.compared if row.lesion == "WL")
    assert (white_line.here.count, white_line.here.head) == (2, 3)
    assert report.compared[0].lesion == ""


def test_a_change_beyond_chance_is_told_from_one_within_it() -> None:
    before = [seen(n, 9, 1, *(["DD"] if n < 10 else []), *(["SU"] if n < 5 else []), year=2025) for n in range(60)]
    now = [seen(n, 3, 1, *(["DD"] if n < 35 else []), *(["SU"] if n < 7 else [])) for n in range(60)]
    report = report_on(before + now, [], first=FIRST, last=LAST, today=TODAY)
    assert {row.lesion: row.change for row in report.lesions} == {"DD": "more", "SU": "unsure"}
    back = report_on(
        now + [seen(n, 9, 1) for n in range(60)], [], first=dt.date(2026, 7, 1), last=dt.date(2026, 12, 28), today=TODAY
    )
    assert {row.lesion: row.change for row in back.lesions} == {"DD": "fewer", "SU": "fewer"}


def test_without_an_earlier_period_nothing_is_said_of_the_change() -> None:
    report = report_on([seen(1, 1, 5, "DD")], [], first=FIRST, last=LAST, today=TODAY)
    assert report.lesions[0].change is None


def test_months_are_those_with_head() -> None:
    cows = [seen(1, 1, 5, "DD"), seen(1, 1, 9), seen(2, 1, 5), seen(2, 4, 1)]
    months = report_on(cows, [], first=FIRST, last=LAST, today=TODAY).months
    assert [(each.first.month, each.any_lesion.count, each.any_lesion.head) for each in months] == [
        (1, 1, 2),
        (4, 0, 1),
    ]


def test_rechecks_are_done_in_time_late_or_missing() -> None:
    by = dt.date(2026, 3, 10)
    due = [
        Due(by, by),
        Due(by, by - dt.timedelta(days=3)),
        Due(by, by + dt.timedelta(days=1)),
        Due(by, by, told=True),
        Due(by, by + dt.timedelta(days=2), told=True),
        Due(by),
        Due(LAST + dt.timedelta(days=1)),
    ]
    kept = report_on([], due, first=FIRST, last=LAST, today=TODAY).kept
    assert kept == Kept(at_chute=2, told=1, late=2, missing=1)
    assert kept.share == 3 / 6


def test_a_recheck_still_to_come_is_not_missing() -> None:
    kept = report_on([], [Due(LAST)], first=FIRST, last=LAST, today=LAST).kept
    assert (kept.due, kept.share) == (0, None)


def test_what_is_found_again_within_four_weeks_did_not_come_back() -> None:
    again = [seen(1, 1, 5, "SU"), seen(1, 1, 20, "SU"), seen(1, 2, 10, "SU")]
    back = [seen(2, 1, 5, "SU"), seen(2, 2, 2, "SU"), seen(2, 6, 1, "SU"), seen(2, 6, 20, "DD")]
    old = [seen(3, 1, 5, "SU", year=2025), seen(3, 3, 1, "SU")]
    (found,) = returning_in(again + back + old, first=FIRST, last=LAST)
    assert (found.animal, found.lesion, [day.month for day in found.days]) == (2, "SU", [1, 2, 6])


def test_a_period_that_ends_before_it_begins_is_refused() -> None:
    with pytest.raises(ValueError, match="before it begins"):
        report_on([], [], first=LAST, last=FIRST, today=TODAY)
