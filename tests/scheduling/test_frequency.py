from decimal import Decimal

import pytest

from scheduling.frequency import days_between_visits, visits_per_year

pytestmark = pytest.mark.pure


def test_visits_are_not_rounded() -> None:
    assert visits_per_year(30, 40) == Decimal("1.95")


def test_a_herd_with_its_own_factor_needs_its_own_number_of_visits() -> None:
    assert visits_per_year(100, 20, Decimal(2)) == 10


def test_no_cows_no_visits_and_no_days_between_them() -> None:
    assert visits_per_year(0, 40) == 0
    assert days_between_visits(Decimal(0)) is None


@pytest.mark.parametrize(("herd", "cows_per_day", "factor"), [(-1, 40, "2.6"), (100, 0, "2.6"), (100, 40, "-1")])
def test_what_no_herd_and_no_trimmer_has_is_refused(herd: int, cows_per_day: int, factor: str) -> None:
    with pytest.raises(ValueError, match="cows a day"):
        visits_per_year(herd, cows_per_day, Decimal(factor))


def test_a_negative_number_of_visits_is_refused() -> None:
    with pytest.raises(ValueError, match="visits a year"):
        days_between_visits(Decimal(-1))
