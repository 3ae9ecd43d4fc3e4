"""What a person should think of before or after a visit. Cautions, never decisions.

Each function returns a ``Caution`` (a code and the values a sentence needs) or nothing. Medicines and withholding
times are the veterinarian's and the label's: here they are only compared with a date. This module knows no Django and
no clock.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Final, Literal

CautionCode = Literal[
    "late_pregnancy",
    "milk_withheld",
    "meat_withheld",
    "ask_milk_withholding",
    "long_lock_up",
    "heat_start_early",
    "heat_shorten_waiting",
    "heat_postpone",
    "call_veterinarian",
]
HeatBand = Literal["none", "mild", "moderate", "severe"]
Food = Literal["milk", "meat"]

LATE_PREGNANCY_DAYS: Final = 28
"""Warned from here on: odds of abortion 2.4 times as high when trimmed in the last four weeks (Thomsen et al. 2020,
Res. Vet. Sci., 1 476 013 pregnancies); not within four weeks of calving (AHDB, which cows should be on the trim
list)."""

BETTER_PREGNANCY_DAYS: Final = 56
"""The check before drying off is best about eight weeks before calving (AHDB, same page)."""

STALE_DUE_DAYS: Final = 30
"""An expected calving so long past says the calving was not written down; no caution then (common practice)."""

LOCK_UP_HOURS: Final = Decimal(3)
"""More than three hours a day of standing is a risk for the feet (International Lameness Committee, list of causes)."""

SALICYLIC_ACID_MILK_HOURS: Final = 48
"""Milk not sold for at least 48 h after salicylic acid, for which no US withholding is set (Wirt et al. 2021, Bovine
Practitioner 55(1):45). Only a reminder to ask, used where neither label nor veterinarian was entered."""

VETERINARY_LESIONS: Final = frozenset({"TN", "SW", "IP"})
"""Toe necrosis, swelling above the claw, phlegmon: for the veterinarian the same day (common practice)."""


@dataclass(frozen=True, slots=True)
class Caution:
    """``code`` says which sentence, the others fill it: days until calving, until when, hours, index, lesion codes."""

    code: CautionCode
    days: int | None = None
    on: date | None = None
    until: datetime | None = None
    hours: Decimal | None = None
    limit: Decimal | None = None
    index: float | None = None
    lesions: tuple[str, ...] = ()


def late_pregnancy(*, due_on: date | None, visit_on: date) -> Caution | None:
    """A cow that calves within 28 days of the visit, or should have calved: ``days`` to go (negative when past) and, in
    ``on``, the day by which a trim would have been better, eight weeks before calving."""
    if due_on is None:
        return None
    days = (due_on - visit_on).days
    if not -STALE_DUE_DAYS <= days <= LATE_PREGNANCY_DAYS:
        return None
    return Caution("late_pregnancy", days=days, on=due_on - timedelta(days=BETTER_PREGNANCY_DAYS))


def withholding(*, until: datetime | None, now: datetime, food: Food) -> Caution | None:
    """Milk or meat that may not be sold yet, as was entered from the label or the veterinarian. Both times with a
    zone."""
    if until is None or until < now:
        return None
    return Caution("milk_withheld" if food == "milk" else "meat_withheld", until=until)


def salicylic_acid(*, treated_at: datetime, milk_until: datetime | None, now: datetime) -> Caution | None:
    """After salicylic acid: the withholding as entered; where none was, a reminder for 48 h to ask the veterinarian."""
    if milk_until is not None:
        return withholding(until=milk_until, now=now, food="milk")
    until = treated_at + timedelta(hours=SALICYLIC_ACID_MILK_HOURS)
    return None if until < now else Caution("ask_milk_withholding", until=until)


def long_lock_up(*, hours: Decimal, limit: Decimal = LOCK_UP_HOURS) -> Caution | None:
    """Cows held longer than the farm's limit, in hours."""
    return Caution("long_lock_up", hours=hours, limit=limit) if hours > limit else None


def call_veterinarian(codes: Iterable[str]) -> Caution | None:
    """Lesions found that are the veterinarian's, in the order of the alphabet."""
    found = tuple(sorted(VETERINARY_LESIONS.intersection(codes)))
    return Caution("call_veterinarian", lesions=found) if found else None


def thi_nrc(celsius: float, humidity: float) -> float:
    """Temperature-humidity index, NRC 1971 form (from memory; Dikmen & Hansen 2009, J. Dairy Sci. 92:109, print 26.8
    for 26, which moves the index by less than 0.3). Air in degrees Celsius, relative humidity in percent."""
    fahrenheit = 1.8 * celsius + 32
    return fahrenheit - (0.55 - 0.0055 * _percent(humidity)) * (1.8 * celsius - 26)


def thi_veterinary_handbook(celsius: float, humidity: float) -> float:
    """Temperature-humidity index, 0.8 T form (MLA/LiveCorp Veterinary Handbook, 14.2). Units as in ``thi_nrc``."""
    return 0.8 * celsius + _percent(humidity) / 100 * (celsius - 14.4) + 46.4


def heat_band(index: float) -> HeatBand:
    """Band of an index: mild from 68, moderate from 72, severe from 80 (trade press; 72 is the classic start, 68 that
    of Zimbelman, Collier et al. 2009, from memory)."""
    if index >= 80:
        return "severe"
    if index >= 72:
        return "moderate"
    return "mild" if index >= 68 else "none"


def heat(index: float) -> Caution | None:
    """What to think of in the heat (common practice): start early; keep the waiting short; leave what is not urgent."""
    codes: dict[HeatBand, CautionCode] = {
        "mild": "heat_start_early",
        "moderate": "heat_shorten_waiting",
        "severe": "heat_postpone",
    }
    code = codes.get(heat_band(index))
    return Caution(code, index=index) if code else None


def _percent(humidity: float) -> float:
    if not 0 <= humidity <= 100:
        raise ValueError(f"relative humidity {humidity}: 0 to 100 is needed")
    return humidity
