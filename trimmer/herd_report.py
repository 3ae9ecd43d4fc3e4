"""What was found in a herd over a period, for the farm and its veterinarian. No Django, no database, no clock.

Lesions per 100 head with their intervals, the trend, rechecks kept in time, animals that keep coming back.

A head is an animal that came to the chute at least once in the period, however often; it has a lesion if the lesion was
written down at least once. Shares are 0 to 1. Published figures are beside it for orientation, never as a judgement.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal

type Change = Literal["more", "fewer", "unsure"]

DAYS_APART: Final = 28
"""Found again within four weeks it is the same trouble looked at again; later, it came back (common practice)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """An animal in the chute: its key, the day of the visit, and the codes of the lesions written down."""

    animal: int
    day: dt.date
    lesions: frozenset[str]


@dataclass(frozen=True, slots=True)
class Due:
    """A recheck: the last day it was due, the day it was done, and whether at the chute or by what the farm told."""

    due_by: dt.date
    done_on: dt.date | None = None
    told: bool = False


@dataclass(frozen=True, slots=True)
class Interval:
    """From `low` to `high`."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Rate:
    """Head with a lesion among all head seen, and the 95 % interval of the share (None where no head was seen)."""

    count: int
    head: int
    interval: Interval | None

    @property
    def share(self) -> float | None:
        return self.count / self.head if self.head else None


@dataclass(frozen=True, slots=True)
class LesionRow:
    """One lesion: in the period, in the period of the same length before it, and whether that differs beyond chance."""

    lesion: str
    now: Rate
    before: Rate
    change: Change | None


@dataclass(frozen=True, slots=True)
class Month:
    """A month in which head were seen, and those with any lesion."""

    first: dt.date
    any_lesion: Rate


@dataclass(frozen=True, slots=True)
class Kept:
    """Rechecks due in the period: in time at the chute, in time by what the farm told, later, and not done yet."""

    at_chute: int = 0
    told: int = 0
    late: int = 0
    missing: int = 0

    @property
    def due(self) -> int:
        return self.at_chute + self.told + self.late + self.missing

    @property
    def share(self) -> float | None:
        """Those done in time, of all that were due."""
        return (self.at_chute + self.told) / self.due if self.due else None


@dataclass(frozen=True, slots=True)
class Returning:
    """An animal whose lesion came back: the days on which it began anew."""

    animal: int
    lesion: str
    days: tuple[dt.date, ...]


@dataclass(frozen=True, slots=True)
class Compared:
    """A lesion as the published counts name it ("" for any): here; there in all regions, the lowest, the highest."""

    lesion: str
    here: Rate
    there: float
    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class HerdReport:
    """All of it for one period, both days included."""

    first: dt.date
    last: dt.date
    visits: int
    head: int
    any_lesion: LesionRow
    lesions: tuple[LesionRow, ...]
    compared: tuple[Compared, ...]
    months: tuple[Month, ...]
    kept: Kept
    returning: tuple[Returning, ...]


@dataclass(frozen=True, slots=True)
class Published:
    """A published count of lesions among cows trimmed, of one region."""

    region: str
    farms: int
    cows: int
    with_lesions: int
    lesions: Mapping[str, int]

    @property
    def all_lesions(self) -> int:
        return sum(self.lesions.values())


PUBLISHED_SOURCE: Final = (
    "Alberta Dairy Hoof Health Project, lesion counts of November 2012 (hoofhealth.ca, article 1_10)"
)
PUBLISHED: Final = (
    Published(
        "Alberta",
        158,
        40_558,
        20_644,
        {
            "DD": 13_241,
            "SU": 5_284,
            "WL": 4_760,
            "SH": 1_964,
            "TU": 1_504,
            "IH": 1_141,
            "TS": 728,
            "IP": 733,
            "HHE": 199,
            "CC": 403,
            "ID": 178,
            "HFA": 270,
            "HFV": 204,
            "HFH": 48,
        },
    ),
    Published(
        "British Columbia",
        85,
        15_930,
        9_523,
        {
            "DD": 5_464,
            "SU": 2_149,
            "WL": 2_053,
            "SH": 1_026,
            "TU": 763,
            "IH": 444,
            "TS": 306,
            "IP": 262,
            "HHE": 91,
            "CC": 45,
            "ID": 1_612,
            "HFA": 107,
            "HFV": 21,
            "HFH": 62,
        },
    ),
    Published(
        "Ontario",
        335,
        24_045,
        9_156,
        {
            "DD": 4_488,
            "SU": 1_684,
            "WL": 1_106,
            "SH": 2_894,
            "TU": 213,
            "IH": 968,
            "TS": 128,
            "IP": 133,
            "HHE": 280,
            "CC": 155,
            "ID": 769,
            "HFA": 40,
            "HFV": 30,
            "HFH": 10,
        },
    ),
)
"""Lesions by ICAR code, or by ICAR group where the source has no finer name (WL: white line, SH: sole haemorrhage).

A cow with a lesion on two feet may have been counted twice there: the source does not say.
"""


GROUPED: Final[Mapping[str, frozenset[str]]] = {"WL": frozenset({"WLF", "WLA"}), "SH": frozenset({"SHD", "SHC"})}
"""What the published counts put together, by their ICAR codes."""


def published_share(lesion: str) -> tuple[float, float, float]:
    """A lesion's count for each cow trimmed: all regions together, the lowest region, the highest region.

    "" stands for cows with any lesion. Raises KeyError for a lesion that the source does not name.
    """
    counts = [region.lesions[lesion] if lesion else region.with_lesions for region in PUBLISHED]
    shares = [count / region.cows for count, region in zip(counts, PUBLISHED, strict=True)]
    return sum(counts) / sum(region.cows for region in PUBLISHED), min(shares), max(shares)


def score_interval(count: int, of: int, confidence: float = 0.95) -> Interval | None:
    """The score interval of a share, Wilson (1927), J. Am. Stat. Assoc. 22, 209-212. None where `of` is 0.

    Raises ValueError unless 0 <= count <= of.
    """
    if not 0 <= count <= of:
        raise ValueError(f"{count} of {of} is no share")
    if of == 0:
        return None
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    share = count / of
    middle = share + z * z / (2 * of)
    half = z * math.sqrt(share * (1 - share) / of + z * z / (4 * of * of))
    scale = 1 + z * z / of
    return Interval(max(0.0, (middle - half) / scale), min(1.0, (middle + half) / scale))


def difference_interval(count: int, of: int, count_before: int, of_before: int) -> Interval | None:
    """The 95 % interval of a share less an earlier one: Newcombe's hybrid score method 10.

    Newcombe (1998), Statistics in Medicine 17, 873-890. None where one of the two has no head.
    """
    now, before = score_interval(count, of), score_interval(count_before, of_before)
    if now is None or before is None:
        return None
    a, b = count / of, count_before / of_before
    return Interval(
        a - b - math.hypot(a - now.low, before.high - b),
        a - b + math.hypot(now.high - a, b - before.low),
    )


def report_on(seen: Sequence[Seen], due: Sequence[Due], *, first: dt.date, last: dt.date, today: dt.date) -> HerdReport:
    """The report of `first` to `last`. `seen` also holds what came before: the earlier period, and a year for returns.

    Raises ValueError where the period ends before it begins.
    """
    if last < first:
        raise ValueError("the period ends before it begins")
    before_first = first - (last - first) - dt.timedelta(days=1)
    now = [each for each in seen if first <= each.day <= last]
    before = [each for each in seen if before_first <= each.day < first]
    with_now, with_before = _with_lesion(now), _with_lesion(before)
    head, head_before = len({each.animal for each in now}), len({each.animal for each in before})
    rows = [
        _row(lesion, len(with_now.get(lesion, ())), head, len(with_before.get(lesion, ())), head_before)
        for lesion in {*with_now, *with_before}
    ]
    any_now, any_before = set().union(*with_now.values()), set().union(*with_before.values())
    return HerdReport(
        first=first,
        last=last,
        visits=len({each.day for each in now}),
        head=head,
        any_lesion=_row("", len(any_now), head, len(any_before), head_before),
        lesions=tuple(sorted(rows, key=lambda row: (-row.now.count, -row.before.count, row.lesion))),
        compared=_compared(with_now, head),
        months=_months(now),
        kept=_kept(due, first, last, today),
        returning=returning_in(seen, first=first, last=last),
    )


def returning_in(seen: Iterable[Seen], *, first: dt.date, last: dt.date) -> tuple[Returning, ...]:
    """Animals with a lesion that came back: begun anew at least twice in the year before `last`, once in the period.

    The most returns first.
    """
    year = last - dt.timedelta(days=365)
    days: dict[tuple[int, str], list[dt.date]] = defaultdict(list)
    for each in seen:
        if year < each.day <= last:
            for lesion in each.lesions:
                days[each.animal, lesion].append(each.day)
    found = []
    for (animal, lesion), on in days.items():
        begun, latest = [], None
        for day in sorted(on):
            if latest is None or (day - latest).days >= DAYS_APART:
                begun.append(day)
            latest = day
        if len(begun) > 1 and begun[-1] >= first:
            found.append(Returning(animal, lesion, tuple(begun)))
    return tuple(sorted(found, key=lambda each: (-len(each.days), each.lesion, each.animal)))


def _with_lesion(seen: Iterable[Seen]) -> dict[str, set[int]]:
    animals: dict[str, set[int]] = defaultdict(set)
    for each in seen:
        for lesion in each.lesions:
            animals[lesion].add(each.animal)
    return animals


def _row(lesion: str, count: int, head: int, count_before: int, head_before: int) -> LesionRow:
    now = Rate(count, head, score_interval(count, head))
    before = Rate(count_before, head_before, score_interval(count_before, head_before))
    differs = difference_interval(count, head, count_before, head_before)
    change: Change | None = None
    if differs is not None:
        change = "more" if differs.low > 0 else "fewer" if differs.high < 0 else "unsure"
    return LesionRow(lesion, now, before, change)


def _compared(with_lesion: Mapping[str, set[int]], head: int) -> tuple[Compared, ...]:
    rows = []
    for lesion in ("", *PUBLISHED[0].lesions):
        codes = GROUPED.get(lesion, {lesion}) if lesion else with_lesion.keys()
        count = len(set().union(*(with_lesion.get(code, set()) for code in codes)))
        rows.append(Compared(lesion, Rate(count, head, score_interval(count, head)), *published_share(lesion)))
    return tuple(sorted(rows, key=lambda row: (bool(row.lesion), -row.there)))


def _months(seen: Iterable[Seen]) -> tuple[Month, ...]:
    head: dict[dt.date, dict[int, bool]] = defaultdict(dict)
    for each in seen:
        month = head[each.day.replace(day=1)]
        month[each.animal] = month.get(each.animal, False) or bool(each.lesions)
    return tuple(
        Month(first, Rate(sum(animals.values()), len(animals), score_interval(sum(animals.values()), len(animals))))
        for first, animals in sorted(head.items())
    )


def _kept(due: Iterable[Due], first: dt.date, last: dt.date, today: dt.date) -> Kept:
    counts: Counter[str] = Counter()
    for each in due:
        if not first <= each.due_by <= last:
            continue
        if each.done_on is not None:
            counts["late" if each.done_on > each.due_by else "told" if each.told else "at_chute"] += 1
        elif each.due_by < today:
            counts["missing"] += 1
    return Kept(**counts)
