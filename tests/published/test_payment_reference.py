"""Creditor references (ISO 11649) against published ones: the check digits, by mod 97-10 (ISO 7064)."""

import pytest
from stdnum import iso11649

from billing.documents.reference import rf_reference

pytestmark = [pytest.mark.pure, pytest.mark.published]


@pytest.mark.parametrize(
    ("number", "reference"),
    [
        ("539007547034", "RF18539007547034"),  # example of the documentation of python-stdnum, module iso11649
        ("5390075470Y", "RF185390075470Y"),  # the same
        ("G72UUR", "RF45G72UUR"),  # from memory
        ("18K5", "RF6518K5"),  # from memory
        ("2026-000123", "RF462026000123"),  # own: 2026000123 271500 mod 97 = 52, and 98 - 52 = 46
    ],
)
def test_reference_has_the_published_check_digits(number: str, reference: str) -> None:
    assert rf_reference(number) == reference


def test_reference_with_a_wrong_check_digit_is_not_valid() -> None:
    """The published one with its check digits raised by one."""
    assert not iso11649.is_valid("RF19539007547034")
