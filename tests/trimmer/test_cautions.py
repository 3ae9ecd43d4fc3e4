from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from trimmer.cautions import (
    Caution,
    call_veterinarian,
    heat,
    heat_band,
    late_pregnancy,
    long_lock_up,
    salicylic_acid,
    thi_nrc,
    thi_veterinary_handbook,
    withholding,
)

pytestmark = pytest.mark.pure

VISIT = date(2025, 3, 3)
NOW = datetime(2025, 3, 3, 9, 0, tzinfo=UTC)


@pytest.mark.parametrize("days", [28, 1, 0, -5, -30])
def test_a_cow_near_calving_or_overdue_is_warned_of(days: int) -> None:
    due_on = VISIT + timedelta(days=days)
    assert late_pregnancy(due_on=due_on, visit_on=VISIT) == Caution(
        "late_pregnancy", days=days, on=due_on - timedelta(days=56)
    )


@pytest.mark.parametrize("days", [29, 56, 200, -31, -300])
def test_a_cow_far_from_calving_or_with_a_stale_date_is_not(days: int) -> None:
    assert late_pregnancy(due_on=VISIT + timedelta(days=days), visit_on=VISIT) is None


def test_a_cow_without_a_date_is_not_warned_of() -> None:
    assert late_pregnancy(due_on=None, visit_on=VISIT) is None


def test_food_is_withheld_up_to_and_with_the_time_entered() -> None:
    assert withholding(until=NOW, now=NOW, food="milk") == Caution("milk_withheld", until=NOW)
    assert withholding(until=NOW, now=NOW, food="meat") == Caution("meat_withheld", until=NOW)
    assert withholding(until=NOW - timedelta(seconds=1), now=NOW, food="milk") is None
    assert withholding(until=None, now=NOW, food="milk") is None


def test_what_label_or_veterinarian_say_stands_before_the_reminder() -> None:
    treated_at = NOW - timedelta(hours=1)
    later = NOW + timedelta(hours=12)
    assert salicylic_acid(treated_at=treated_at, milk_until=later, now=NOW) == Caution("milk_withheld", until=later)
    assert salicylic_acid(treated_at=treated_at, milk_until=NOW - timedelta(minutes=1), now=NOW) is None


def test_the_reminder_to_ask_ends_by_itself() -> None:
    assert salicylic_acid(treated_at=NOW - timedelta(hours=49), milk_until=None, now=NOW) is None


def test_a_lock_up_is_long_when_it_passes_the_limit() -> None:
    assert long_lock_up(hours=Decimal(3)) is None
    assert long_lock_up(hours=Decimal("3.5")) == Caution("long_lock_up", hours=Decimal("3.5"), limit=Decimal(3))
    assert long_lock_up(hours=Decimal("3.5"), limit=Decimal(4)) is None


def test_some_lesions_are_the_veterinarians() -> None:
    assert call_veterinarian(["SU", "TN", "IP", "TN"]) == Caution("call_veterinarian", lesions=("IP", "TN"))
    assert call_veterinarian(["SU", "WLA"]) is None


@pytest.mark.parametrize(
    ("index", "band", "code"),
    [
        (67.9, "none", None),
        (68.0, "mild", "heat_start_early"),
        (71.9, "mild", "heat_start_early"),
        (72.0, "moderate", "heat_shorten_waiting"),
        (79.9, "moderate", "heat_shorten_waiting"),
        (80.0, "severe", "heat_postpone"),
        (95.0, "severe", "heat_postpone"),
    ],
)
def test_the_hotter_it_is_the_more_is_to_be_thought_of(index: float, band: str, code: str | None) -> None:
    caution = heat(index)
    assert heat_band(index) == band
    assert (caution and caution.code) == code
    assert caution is None or caution.index == index


@pytest.mark.parametrize("humidity", [-1.0, 100.1, float("nan")])
def test_a_humidity_that_is_none_is_refused(humidity: float) -> None:
    for formula in (thi_nrc, thi_veterinary_handbook):
        with pytest.raises(ValueError, match="relative humidity"):
            formula(20.0, humidity)
