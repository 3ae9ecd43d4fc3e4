"""Which cows must be seen again, from when and by when, because of what was done.

The default rules are intervals for a list of reminders, made from published trial schedules; each row names its anchor.
Where only one day is published the window is that day and three to either side, as the second look of Thomas 2015
is day 28 with 25-31 allowed. A business may edit them all. Nothing here decides a treatment.

Days are whole calendar days after the day of the record. This module knows no Django and no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from types import MappingProxyType
from typing import Final, Literal

from trimmer.lesions import ACTIVE_M_STAGES, FEET
from trimmer.locomotion import check_score, is_severe

State = Literal["waiting", "warned", "due", "overdue"]

TREATMENTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "loose_horn_removed": "Loose horn removed",
        "wall_opened": "Wall opened",
        "block": "Block put on",
        "wrap": "Wrap put on",
        "topical": "Topical product",
        "referral": "Referred to the veterinarian",
        "block_removed": "Block taken off",
        "wrap_removed": "Wrap taken off",
    }
)
"""What can be done beyond trimming: code -> English. The last two are no work on a lesion: they close a recheck."""

BLOCK_KINDS: Final[Mapping[str, str]] = MappingProxyType(
    {"wood": "Wood", "flexible": "Rubber or foam, flexible", "plastic": "Plastic shoe"}
)
"""Kind -> English name. All but flexible ones follow the rules of wood, unknown ones too: they stay until taken off."""

TRIGGERS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "block_wood": "Block put on (wood, plastic)",
        "block_flexible": "Flexible block put on",
        "wrap": "Wrap put on",
        "active_dd": "Active digital dermatitis treated",
        "sole_or_bulb_ulcer": "Sole or bulb ulcer",
        "white_line_abscess": "White line abscess",
        "toe_ulcer": "Toe ulcer",
        "vet_case": "Case for the veterinarian",
        "lame_after_treatment": "Severely lame when treated",
    }
)
"""Why a cow is to be seen again: code -> English name."""

PURPOSES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "look_at_block": "Look at the block: still on, cow no worse",
        "remove_block": "Take the block off",
        "look_at_flexible_block": "See whether the flexible block has come off",
        "remove_wrap": "Take the wrap off",
        "look_at_skin": "Look at the skin",
        "look_at_skin_again": "Look at the skin again",
        "look_at_lesion_early": "Look at the lesion early",
        "look_at_lesion": "Look at the lesion",
        "look_after_vet": "Look again after the veterinarian",
        "look_at_gait": "See how she walks and lift the foot if lame",
    }
)
"""What is to be done then: code -> English name."""

EARLY_DAYS: Final = 2
"""How many days before its window a look already counts (common practice: the round comes when it comes)."""

_REMOVED_BY: Final[Mapping[str, str]] = MappingProxyType(
    {"remove_block": "block_removed", "look_at_flexible_block": "block_removed", "remove_wrap": "wrap_removed"}
)
"""What is on the foot until taken off, and the treatment that says it was."""


@dataclass(frozen=True, slots=True)
class Rule:
    """After ``trigger``, do ``what`` from ``from_days`` to ``by_days`` after the record; warn from ``warn_days``."""

    trigger: str
    what: str
    from_days: int
    by_days: int
    warn_days: int | None
    source: str

    def __post_init__(self) -> None:
        if self.trigger not in TRIGGERS:
            raise ValueError(f"unknown trigger {self.trigger!r}")
        if self.what not in PURPOSES:
            raise ValueError(f"unknown purpose {self.what!r}")
        if not 0 <= self.from_days <= self.by_days:
            raise ValueError(f"a window of {self.from_days} to {self.by_days} days: 0 <= from <= by is needed")
        if self.warn_days is not None and not 0 <= self.warn_days <= self.by_days:
            raise ValueError(f"warned after {self.warn_days} days: between 0 and {self.by_days} is needed")


_THOMAS = "Thomas et al. 2015, J. Dairy Sci.: looked at on day 5-11, block removed on day 25-31"

DEFAULT_RULES: Final[tuple[Rule, ...]] = (
    Rule("block_wood", "look_at_block", 5, 11, None, _THOMAS),
    Rule(
        "block_wood",
        "remove_block",
        25,
        31,
        21,
        f"{_THOMAS}; warned from day 21: Maierl, Fiedler et al., a wooden block comes off after three weeks",
    ),
    Rule(
        "block_flexible",
        "look_at_flexible_block",
        14,
        20,
        None,
        "Maierl, Fiedler et al.: a flexible block falls off by itself on day 7-20; from day 14: common practice",
    ),
    Rule(
        "wrap",
        "remove_wrap",
        3,
        5,
        None,
        "Fiedler et al. 2015, Tieraerztl Prax 43(6):350: bandage 5 days; from day 3: common practice; the label rules",
    ),
    Rule(
        "active_dd",
        "look_at_skin",
        7,
        14,
        None,
        "Klawitter et al. 2019, Vet Rec Open 6:e000264: weekly; Schultz & Capion 2013, Vet J: day 14",
    ),
    Rule(
        "active_dd",
        "look_at_skin_again",
        25,
        31,
        None,
        "day 28 of a German trial of salicylic acid against polyurethane dressing; the window is our own",
    ),
    Rule("sole_or_bulb_ulcer", "look_at_lesion", 25, 31, None, f"{_THOMAS}; for the ulcer itself common practice"),
    Rule("white_line_abscess", "look_at_lesion", 25, 31, None, f"{_THOMAS}; for the abscess itself common practice"),
    Rule("toe_ulcer", "look_at_lesion_early", 11, 17, None, "common practice: 14 days"),
    Rule("toe_ulcer", "look_at_lesion", 25, 31, None, "common practice: 28 days"),
    Rule("vet_case", "look_after_vet", 3, 7, None, "common practice: the veterinarian the same day, then 3-7 days"),
    Rule(
        "lame_after_treatment",
        "look_at_gait",
        5,
        11,
        None,
        "common practice: 7 days; the window is that of Thomas et al. 2015",
    ),
)
"""The rules a new business starts with. No trigger has two rules with one purpose."""


@dataclass(frozen=True, slots=True)
class FindingFacts:
    """One lesion found: atlas code, for DD the M-stage, and the foot ("" when not told)."""

    code: str
    m_stage: str = ""
    foot: str = ""


@dataclass(frozen=True, slots=True)
class TreatmentFacts:
    """One treatment: a code of ``TREATMENTS``, for a block its kind, and the foot ("" when not told)."""

    code: str
    block_kind: str = ""
    foot: str = ""

    def __post_init__(self) -> None:
        if self.code not in TREATMENTS:
            raise ValueError(f"unknown treatment {self.code!r}")
        if self.block_kind and (self.code != "block" or self.block_kind not in BLOCK_KINDS):
            raise ValueError(f"block kind {self.block_kind!r} of {self.code!r}")


@dataclass(frozen=True, slots=True)
class ScoreFacts:
    """A locomotion score with its scale."""

    scale: str
    score: int

    def __post_init__(self) -> None:
        if problems := check_score(self.scale, self.score):
            raise ValueError(f"{self.scale} {self.score}: {problems[0]}")


@dataclass(frozen=True, slots=True)
class RecordFacts:
    """What one record says about one animal on one day, as far as rechecks need it."""

    on: date
    findings: tuple[FindingFacts, ...] = ()
    treatments: tuple[TreatmentFacts, ...] = ()
    score: ScoreFacts | None = None


@dataclass(frozen=True, slots=True)
class DueRecheck:
    """A recheck to be kept: why, what, and the days (both included) between which it is due.

    ``raised_on`` is the day of the record that raised it; none for one written down by hand. ``feet`` are those it is
    about, of LF, RF, LH, RH in this order; none when it is about the whole animal, or the foot was not told.
    """

    trigger: str
    what: str
    due_from: date
    due_by: date
    warn_from: date | None
    raised_on: date | None
    feet: tuple[str, ...] = ()


def triggers_of(record: RecordFacts) -> frozenset[str]:
    """The triggers of ``TRIGGERS`` that hold for a record.

    Digital dermatitis counts when it was treated (topical product or wrap) and its stage is active, or was not told. A
    referral counts as a case for the veterinarian, as do toe necrosis, swelling and phlegmon. A severe score counts
    when anything was done; taking off a block or a wrap is not a treatment in this sense.
    """
    return frozenset(trigger for trigger, causes in _CAUSES.items() if causes(record))


type Feet = list[str]
"""The foot of each cause, "" where it was not told or the whole animal is meant; empty: no cause."""


def _treated(record: RecordFacts, *codes: str) -> Feet:
    return [treatment.foot for treatment in record.treatments if treatment.code in codes]


def _found(record: RecordFacts, *codes: str) -> Feet:
    return [finding.foot for finding in record.findings if finding.code in codes]


def _blocked(record: RecordFacts, *, flexible: bool) -> Feet:
    return [t.foot for t in record.treatments if t.code == "block" and (t.block_kind == "flexible") is flexible]


def _active_dd_treated(record: RecordFacts) -> Feet:
    if not _treated(record, "topical", "wrap"):
        return []
    return [f.foot for f in record.findings if f.code == "DD" and (not f.m_stage or f.m_stage in ACTIVE_M_STAGES)]


def _lame_and_treated(record: RecordFacts) -> Feet:
    work = any(treatment.code not in _REMOVED_BY.values() for treatment in record.treatments)
    lame = work and record.score is not None and is_severe(record.score.scale, record.score.score)
    return [""] if lame else []


_CAUSES: Final[Mapping[str, Callable[[RecordFacts], Feet]]] = MappingProxyType(
    {
        "block_wood": lambda record: _blocked(record, flexible=False),
        "block_flexible": lambda record: _blocked(record, flexible=True),
        "wrap": lambda record: _treated(record, "wrap"),
        "active_dd": _active_dd_treated,
        "sole_or_bulb_ulcer": lambda record: _found(record, "SU", "BU"),
        "white_line_abscess": lambda record: _found(record, "WLA"),
        "toe_ulcer": lambda record: _found(record, "TU"),
        "vet_case": lambda record: _found(record, "TN", "SW", "IP") + _treated(record, "referral"),
        "lame_after_treatment": _lame_and_treated,
    }
)


def raised_by(record: RecordFacts, rules: Iterable[Rule] = DEFAULT_RULES) -> tuple[DueRecheck, ...]:
    """The rechecks one record raises, the first to be due first.

    An animal is one cow in the chute however many feet were worked on, so there is one recheck for each purpose: of
    several rules with the same purpose the one due by the earlier day stands (then the one that opens earlier), and
    its trigger is kept as the reason. Two blocks are one "take the block off", which names both feet. Purposes that
    differ are never merged, even in the same window: each is a thing to do, and one later record closes them all.
    So that no merging loses a look, what comes at another time has a purpose of its own: a flexible block, the
    early look at a toe ulcer, the second look at skin.
    """
    raised = sorted(
        (_due(rule, record.on, causes) for rule in rules if (causes := _CAUSES[rule.trigger](record))),
        key=lambda due: (due.due_by, due.due_from, due.what, due.trigger),
    )
    first: dict[str, DueRecheck] = {}
    for due in raised:
        stands = first.setdefault(due.what, due)
        first[due.what] = replace(stands, feet=_in_order({*stands.feet, *due.feet}))
    return tuple(first.values())


def _in_order(feet: Iterable[str]) -> tuple[str, ...]:
    told = frozenset(feet)
    return tuple(foot for foot in FEET if foot in told)


def _due(rule: Rule, on: date, causes: Feet) -> DueRecheck:
    return DueRecheck(
        trigger=rule.trigger,
        what=rule.what,
        due_from=on + timedelta(days=rule.from_days),
        due_by=on + timedelta(days=rule.by_days),
        warn_from=None if rule.warn_days is None else on + timedelta(days=rule.warn_days),
        raised_on=on,
        feet=_in_order(causes),
    )


def is_overdue(due_by: date, today: date) -> bool:
    """Whether the last day of the window has passed."""
    return today > due_by


def state(due_from: date, due_by: date, today: date, *, warn_from: date | None = None) -> State:
    """Where an open recheck stands today: ``waiting``, ``warned`` (before its window, or within), ``due``, ``overdue``.

    A warning counts from ``warn_from`` until the window opens; from then on the recheck is due. A ``warn_from`` inside
    the window marks its last part instead.
    """
    if is_overdue(due_by, today):
        return "overdue"
    if warn_from is not None and today >= warn_from and (today < due_from or warn_from > due_from):
        return "warned"
    return "waiting" if today < due_from else "due"


def closes(recheck: DueRecheck, record_on: date, treatments: Iterable[TreatmentFacts] = ()) -> bool:
    """Whether a later record of the same animal settles an open recheck.

    ``treatments`` are those of that record. The rule:

    * A record of the day the recheck was raised, or before, closes nothing: it is the record that raised it, or an old
      one that came in late.
    * What is on the foot (block, wrap) is settled on any later day by a record that says it was taken off each of its
      feet, otherwise from the first day of the window on. The look at the block on day 7 therefore leaves its removal
      standing, and so does taking off another foot's block.
    * A look is settled from ``EARLY_DAYS`` before its window on. A record made still earlier leaves it standing: a cow
      seen on day 7 for her block is seen again on day 28 for her ulcer. When the block was taken off, there is no block
      left to look at.
    * A record after the last day settles it too: late, but seen.
    """
    if recheck.raised_on is not None and record_on <= recheck.raised_on:
        return False
    if recheck.what in _REMOVED_BY:
        return record_on >= recheck.due_from or _all_off(recheck, _REMOVED_BY[recheck.what], treatments)
    if recheck.what == "look_at_block" and _all_off(recheck, "block_removed", treatments):
        return True
    return record_on >= recheck.due_from - timedelta(days=EARLY_DAYS)


def _all_off(recheck: DueRecheck, removal: str, treatments: Iterable[TreatmentFacts]) -> bool:
    """Whether the thing was taken off every foot the recheck is about; a removal without a foot counts for all."""
    off = {treatment.foot for treatment in treatments if treatment.code == removal}
    return "" in off or (bool(off) and off.issuperset(recheck.feet))
