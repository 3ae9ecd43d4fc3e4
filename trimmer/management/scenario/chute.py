"""What is found on a cow's feet and what is done about it, drawn by chance from published shares."""

from __future__ import annotations

import datetime as dt
import random
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from trimmer.lesions import ACTIVE_M_STAGES, LESIONS, ZONES_WITHOUT_CLAW
from trimmer.locomotion import SCALES
from trimmer.management.scenario.valley import Lesions
from trimmer.models import BarnKind, BlockKind, Claw, Foot, HeadKind, Scale, TreatmentKind
from trimmer.services.records import FindingValues, TreatmentValues

ALL_FEET: Final = ("LF", "RF", "LH", "RH")
PRODUCT: Final = "Paste of the farm's veterinarian"
PAINFUL: Final = frozenset({"SU", "BU", "TU", "TN", "WLA", "IP"})

# Common practice: minutes at the chute, and how often a lesion is on a hind foot and there on the outer claw.
MINUTES: Final[Mapping[str, float]] = {"cow": 7.5, "heifer": 6.5, "bull": 15, "lame": 9, "recheck": 3.5}
MORE_MINUTES: Final[Mapping[str, float]] = {"block": 6, "wrap": 2, "topical": 1, "wall_opened": 2}
HIND: Final = 0.85
OUTER: Final = 0.75

# What is done, and how often (common practice; a veterinarian's decision where it says referral).
TREATED: Final[Mapping[str, tuple[tuple[TreatmentKind, float], ...]]] = {
    "SU": ((TreatmentKind.LOOSE_HORN_REMOVED, 0.8), (TreatmentKind.BLOCK, 0.45)),
    "BU": ((TreatmentKind.LOOSE_HORN_REMOVED, 0.8), (TreatmentKind.BLOCK, 0.4)),
    "TU": ((TreatmentKind.LOOSE_HORN_REMOVED, 0.7), (TreatmentKind.REFERRAL, 0.15)),
    "WLF": ((TreatmentKind.LOOSE_HORN_REMOVED, 0.5),),
    "WLA": ((TreatmentKind.WALL_OPENED, 1.0), (TreatmentKind.BLOCK, 0.4)),
    "IP": ((TreatmentKind.REFERRAL, 1.0),),
    "HFA": ((TreatmentKind.LOOSE_HORN_REMOVED, 0.6),),
    "HFV": ((TreatmentKind.LOOSE_HORN_REMOVED, 0.3),),
    "HFH": ((TreatmentKind.LOOSE_HORN_REMOVED, 0.3),),
}
WRAPPED: Final = 0.3


@dataclass(frozen=True)
class Look:
    """One cow in the chute."""

    findings: tuple[FindingValues, ...]
    treatments: tuple[TreatmentValues, ...]
    score: int
    feet_trimmed: tuple[str, ...]
    minutes: Decimal

    scale: str = Scale.AHDB.value


@dataclass(frozen=True)
class Cow:
    """What is known before she goes in: why she comes, what is to be looked at again, when withholding would end."""

    kind: str
    barn: str
    rechecks: Collection[str]
    withheld_until: dt.datetime


def look_at(cow: Cow, lesions: Lesions, chance: random.Random) -> Look:
    """Draw what is found and done."""
    findings = _findings(cow, lesions, chance)
    treatments = [*_removed(cow.rechecks), *(done for found in findings for done in _done(found, cow, chance))]
    treatments = _once_a_foot(treatments)
    minutes = MINUTES[cow.kind] + sum(MORE_MINUTES.get(done.kind, 0) for done in treatments)
    return Look(
        findings=tuple(findings),
        treatments=tuple(treatments),
        score=_score(cow, findings, chance),
        feet_trimmed=_feet(cow, findings),
        minutes=Decimal(max(2, round(2 * chance.gauss(minutes, 1.2)))) / 2,
    )


def _findings(cow: Cow, lesions: Lesions, chance: random.Random) -> list[FindingValues]:
    share = float(lesions.share_in_tie_stalls if cow.barn == BarnKind.TIE_STALL else lesions.share)
    if cow.kind == HeadKind.RECHECK:
        share /= 4
    if cow.kind != HeadKind.LAME and chance.random() >= share:
        return []
    found: dict[tuple[str, str], FindingValues] = {}
    for _ in range(1 + (chance.random() < float(lesions.each) - 1)):
        codes, weights = zip(*lesions.counts.items(), strict=True)
        code = chance.choices(codes, [float(weight) for weight in weights])[0]
        one = _finding(code, lesions, chance)
        found.setdefault((one.foot, one.lesion), one)
    return list(found.values())


def _finding(code: str, lesions: Lesions, chance: random.Random) -> FindingValues:
    lesion = LESIONS[code]
    hind = chance.random() < HIND
    foot = chance.choice((Foot.LH, Foot.RH) if hind else (Foot.LF, Foot.RF))
    zone = chance.choice(lesion.usual_zones) if lesion.usual_zones else None
    outer = chance.random() < OUTER
    claw = ""
    if zone not in ZONES_WITHOUT_CLAW and lesion.needs_claw:
        claw = Claw.OUTER.value if outer is hind else Claw.INNER.value
    stage = chance.choices(list(lesions.m_stages), list(lesions.m_stages.values()))[0] if lesion.has_m_stage else ""
    return FindingValues(foot=foot.value, lesion=code, claw=claw, zone=zone, m_stage=stage)


def _done(found: FindingValues, cow: Cow, chance: random.Random) -> list[TreatmentValues]:
    if found.lesion == "DD":
        return _skin_treated(found, cow, chance) if found.m_stage in ACTIVE_M_STAGES else []
    done = []
    for kind, share in TREATED.get(found.lesion, ()):
        if chance.random() >= share:
            continue
        if kind == TreatmentKind.BLOCK:
            other = Claw.INNER if found.claw == Claw.OUTER else Claw.OUTER
            block = chance.choices([BlockKind.WOOD, BlockKind.FLEXIBLE], [3, 2])[0]
            done.append(TreatmentValues(kind.value, found.foot, other.value, block_kind=block.value))
        else:
            done.append(TreatmentValues(kind.value, found.foot, found.claw))
    return done


def _skin_treated(found: FindingValues, cow: Cow, chance: random.Random) -> list[TreatmentValues]:
    """The product is the farm's, from its veterinarian; until when milk is withheld is as the farm reads its label."""
    topical = TreatmentValues(
        TreatmentKind.TOPICAL.value,
        found.foot,
        product=PRODUCT,
        batch=f"V-{chance.randint(2100, 2299)}",
        milk_withhold_until=cow.withheld_until,
    )
    wrap = [TreatmentValues(TreatmentKind.WRAP.value, found.foot)] if chance.random() < WRAPPED else []
    return [topical, *wrap]


def _removed(rechecks: Collection[str]) -> list[TreatmentValues]:
    done = []
    if "remove_block" in rechecks:
        done.append(TreatmentValues(TreatmentKind.BLOCK_REMOVED.value))
    if "remove_wrap" in rechecks:
        done.append(TreatmentValues(TreatmentKind.WRAP_REMOVED.value))
    return done


def _once_a_foot(treatments: list[TreatmentValues]) -> list[TreatmentValues]:
    """One block, one wrap, one paste a foot, whatever was found there."""
    return list({(done.kind, done.foot): done for done in reversed(treatments)}.values())[::-1]


def _score(cow: Cow, findings: list[FindingValues], chance: random.Random) -> int:
    painful = any(found.lesion in PAINFUL or found.m_stage in ACTIVE_M_STAGES for found in findings)
    if painful:
        weights = (20, 40, 33, 7)
    elif findings:
        weights = (50, 42, 8, 0)
    else:
        weights = (80, 19, 1, 0)
    scores = SCALES[Scale.AHDB].values
    drawn = chance.choices(scores, weights)[0]
    return max(drawn, 2) if cow.kind == HeadKind.LAME else drawn


def _feet(cow: Cow, findings: list[FindingValues]) -> tuple[str, ...]:
    if cow.kind in {HeadKind.RECHECK, HeadKind.LAME}:
        return tuple(foot for foot in ALL_FEET if any(found.foot == foot for found in findings))
    return ALL_FEET
