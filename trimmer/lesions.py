"""What may be found on a foot: lesion codes, M-stages of digital dermatitis, the foot map.

Codes follow the ICAR Claw Health Atlas (ICAR Technical Series, 2015; second edition with the M-stages). Names and
definitions are in our own words. A row's ``status`` says how well it is backed: ``read`` means that code or definition
was read in a published text, ``memory`` that the row was written down from memory and should be compared with the
printed atlas.

Zones 0-12 are the international foot map, used with the lesion key of the International Lameness Committee (2008).

This module knows no Django: texts are plain English and are translated where they are shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from types import MappingProxyType
from typing import Final, Literal

Status = Literal["read", "memory"]
FindingProblem = Literal[
    "lesion_unknown",
    "lesion_is_a_group",
    "m_stage_unknown",
    "m_stage_only_for_dd",
    "foot_unknown",
    "claw_unknown",
    "claw_missing",
    "claw_not_in_this_zone",
    "zone_unknown",
]


@dataclass(frozen=True, slots=True)
class Lesion:
    """One disorder of the atlas.

    ``usual_zones`` are where it is expected (empty: no zone was found in print); another zone is worth a second look,
    never a refusal. ``has_m_stage`` holds for digital dermatitis alone. ``needs_claw`` is false for what lies between
    the claws, on the skin, or concerns both claws. ``source`` names what backs code, definition and zones.
    """

    code: str
    group: str
    name: str
    meaning: str
    usual_zones: tuple[int, ...]
    has_m_stage: bool
    needs_claw: bool
    status: Status
    source: str


@dataclass(frozen=True, slots=True)
class Zone:
    """One area of the foot map: ``status`` as in ``Lesion``."""

    number: int
    name: str
    meaning: str
    status: Status
    source: str


_INTERBULL = "code read: Interbull claw health evaluation France 2024"
_INTERBULL_SPAIN = "code read: Charfeddine et al., Interbull Bulletin"
_IRISH = "definition read: Ir. Vet. J. 2015;68:10 Table 2; code from memory"
_MEMORY = "from memory: ICAR Claw Health Atlas"
_ILC = "zones read: International Lameness Committee, lesion key 2008"
_ILC_MEMORY = "zones from memory: International Lameness Committee, lesion key 2008"


def _lesion(
    code: str,
    group: str,
    name: str,
    meaning: str,
    zones: tuple[int, ...],
    status: Status,
    source: str,
    *,
    needs_claw: bool = True,
) -> Lesion:
    return Lesion(code, group, name, meaning, zones, code == "DD", needs_claw, status, source)


LESIONS: Final[Mapping[str, Lesion]] = MappingProxyType(
    {
        lesion.code: lesion
        for lesion in (
            _lesion(
                "AC",
                "AC",
                "Asymmetric claws",
                "Inner and outer claw differ clearly in size, and trimming cannot balance them.",
                (),
                "memory",
                _MEMORY,
                needs_claw=False,
            ),
            _lesion(
                "CD",
                "CD",
                "Concave dorsal wall",
                "The front wall of the claw is hollow.",
                (),
                "read",
                _INTERBULL_SPAIN,
            ),
            _lesion(
                "CC",
                "CC",
                "Corkscrew claw",
                "The claw is twisted; its front edge is no longer a straight line.",
                (),
                "read",
                f"{_INTERBULL}, written CSC there",
            ),
            _lesion(
                "DD",
                "DD",
                "Digital dermatitis",
                "Infection of the skin of the foot: erosion, painful ulcer, or chronic thickened skin.",
                (9, 10),
                "read",
                f"{_INTERBULL}; {_ILC}",
                needs_claw=False,
            ),
            _lesion(
                "ID",
                "ID",
                "Interdigital dermatitis",
                "Mild inflammation of the skin around the claws that is not digital dermatitis.",
                (0,),
                "memory",
                "pooled with DD in Charfeddine et al., Interbull Bulletin; code and zone from memory",
                needs_claw=False,
            ),
            _lesion(
                "DS",
                "DS",
                "Double sole",
                "Two or more layers of loose sole horn.",
                (),
                "read",
                _IRISH,
            ),
            _lesion(
                "HHE",
                "HHE",
                "Heel horn erosion",
                "The horn of the heel is eaten away, in bad cases in a V.",
                (6,),
                "read",
                f"code read: Heringstad et al. 2018; {_INTERBULL}; {_ILC}",
            ),
            _lesion(
                "HFA",
                "HF",
                "Axial horn fissure",
                "A vertical crack in the inner wall, on the side of the other claw.",
                (11, 12),
                "read",
                f"{_IRISH}; {_ILC_MEMORY}",
            ),
            _lesion(
                "HFH",
                "HF",
                "Horizontal horn fissure",
                "A crack in the wall that runs along the coronet.",
                (7, 8),
                "read",
                f"{_IRISH}; {_ILC_MEMORY}",
            ),
            _lesion(
                "HFV",
                "HF",
                "Vertical horn fissure",
                "A vertical crack in the outer or front wall.",
                (7, 8),
                "read",
                f"{_IRISH}; {_ILC}",
            ),
            _lesion(
                "IH",
                "IH",
                "Interdigital hyperplasia",
                "A growth of fibrous tissue between the claws.",
                (0,),
                "read",
                f"{_INTERBULL}; {_ILC_MEMORY}",
                needs_claw=False,
            ),
            _lesion(
                "IP",
                "IP",
                "Interdigital phlegmon",
                "Sudden, even, painful swelling of the whole foot, with smell and often fever.",
                (0, 9),
                "read",
                f"{_INTERBULL_SPAIN}; {_ILC} for zone 9, zone 0 from memory",
                needs_claw=False,
            ),
            _lesion(
                "SC",
                "SC",
                "Scissor claws",
                "The tips of the toes cross.",
                (),
                "memory",
                _MEMORY,
                needs_claw=False,
            ),
            _lesion(
                "SHD",
                "SH",
                "Sole haemorrhage, diffuse",
                "A red or yellow discolouration of the sole without a sharp edge.",
                (4, 5, 6),
                "read",
                f"{_INTERBULL}; {_ILC}",
            ),
            _lesion(
                "SHC",
                "SH",
                "Sole haemorrhage, circumscribed",
                "A discolouration of the sole with a sharp edge.",
                (4, 5, 6),
                "read",
                f"{_INTERBULL}; {_ILC}",
            ),
            _lesion(
                "SW",
                "SW",
                "Swelling of coronet or bulb",
                "Swelling above the horn of the claw, on one or both sides.",
                (),
                "memory",
                _MEMORY,
                needs_claw=False,
            ),
            _lesion(
                "TS",
                "TS",
                "Thin sole",
                "The sole gives under the pressure of a finger.",
                (4, 5),
                "memory",
                f"{_MEMORY}; {_ILC}",
            ),
            _lesion(
                "SU",
                "U",
                "Sole ulcer",
                "The horn of the sole is broken through at the usual place and the quick is bare.",
                (4,),
                "read",
                f"{_INTERBULL}; {_ILC}",
            ),
            _lesion(
                "BU",
                "U",
                "Bulb ulcer",
                "An ulcer at the bulb of the heel.",
                (6,),
                "memory",
                _MEMORY,
            ),
            _lesion(
                "TU",
                "U",
                "Toe ulcer",
                "An ulcer at the toe.",
                (1, 5),
                "memory",
                f"{_MEMORY}; {_ILC} for zone 1",
            ),
            _lesion(
                "TN",
                "U",
                "Toe necrosis",
                "Dead tissue at the tip of the toe, the bone included.",
                (1, 5),
                "read",
                f"{_INTERBULL}; zones from memory",
            ),
            _lesion(
                "WLF",
                "WL",
                "White line fissure",
                "The white line is parted and still so after the soles were balanced.",
                (1, 2, 3),
                "read",
                f"{_INTERBULL}; {_ILC_MEMORY}",
            ),
            _lesion(
                "WLA",
                "WL",
                "White line abscess",
                "Pus under the white line.",
                (1, 2, 3),
                "memory",
                f"{_MEMORY}; {_ILC_MEMORY}",
            ),
        )
    }
)
"""Code -> lesion, in the order of the atlas."""

GROUPS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "HF": "Horn fissure",
        "SH": "Sole haemorrhage",
        "U": "Ulcer",
        "WL": "White line disease",
    }
)
"""Groups that have sub-codes. A finding names the sub-code."""

LESION_ALIASES: Final[Mapping[str, str]] = MappingProxyType({"AF": "HFA", "VF": "HFV", "CSC": "CC"})
"""Older or national codes accepted on import. The single letters of the 2008 key are not: they are ambiguous."""

M_STAGES: Final[tuple[str, ...]] = ("M0", "M1", "M2", "M3", "M4", "M4.1")
"""Stages of DD: Doepfer et al. 1997, Berry et al. 2012 (Vet. Res. 2020, 10.1186/s13567-020-00750-8."""

M_STAGE_MEANINGS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "M0": "Normal skin.",
        "M1": "Early, active, smaller than 2 cm.",
        "M2": "Active ulcer, mostly larger than 2 cm, painful.",
        "M3": "Healing after treatment, under a dry scab.",
        "M4": "Chronic: thickened or growing skin.",
        "M4.1": "Chronic, with a small active spot.",
    }
)

ACTIVE_M_STAGES: Final = frozenset({"M1", "M2", "M4.1"})
"""Stages with an active lesion (same source as ``M_STAGES``)."""

FEET: Final[tuple[str, ...]] = ("LF", "RF", "LH", "RH")
FOOT_NAMES: Final[Mapping[str, str]] = MappingProxyType(
    {"LF": "Left fore", "RF": "Right fore", "LH": "Left hind", "RH": "Right hind"}
)
CLAWS: Final[tuple[str, ...]] = ("inner", "outer")
CLAW_NAMES: Final[Mapping[str, str]] = MappingProxyType({"inner": "Inner claw", "outer": "Outer claw"})

_ZONE_ARTICLE = "Recording hoof lesions by zone, trade press after J. Shearer, Iowa State"

ZONES: Final[Mapping[int, Zone]] = MappingProxyType(
    {
        zone.number: zone
        for zone in (
            Zone(
                0,
                "Between the claws",
                "The skin between the claws.",
                "read",
                _ZONE_ARTICLE,
            ),
            Zone(
                1,
                "White line, toe",
                "The white line at the tip of the toe.",
                "memory",
                _ZONE_ARTICLE,
            ),
            Zone(
                2,
                "White line, side",
                "The outer white line, front and middle.",
                "memory",
                _ZONE_ARTICLE,
            ),
            Zone(
                3,
                "White line, heel",
                "Where the outer wall meets the bulb; the usual place of white line disease.",
                "read",
                _ZONE_ARTICLE,
            ),
            Zone(
                4,
                "Sole, back",
                "Where the sole meets the bulb; the usual place of a sole ulcer.",
                "read",
                _ILC,
            ),
            Zone(5, "Sole, toe", "The toe part of the sole.", "memory", _ILC),
            Zone(6, "Heel", "The bulb of the heel.", "read", _ILC),
            Zone(
                7,
                "Wall, front",
                "The front part of the outer wall.",
                "read",
                _ZONE_ARTICLE,
            ),
            Zone(
                8,
                "Wall, side",
                "The side part of the outer wall.",
                "read",
                _ZONE_ARTICLE,
            ),
            Zone(
                9,
                "Skin above the claw",
                "The skin at the coronet and above the heel.",
                "memory",
                _ILC,
            ),
            Zone(
                10,
                "Back of the foot",
                "The skin at the back, above the cleft of the heels.",
                "read",
                _ILC,
            ),
            Zone(
                11,
                "Inner wall, front",
                "The wall that faces the other claw, front part.",
                "memory",
                _ZONE_ARTICLE,
            ),
            Zone(
                12,
                "Inner wall, back",
                "The wall that faces the other claw, back part.",
                "memory",
                _ZONE_ARTICLE,
            ),
        )
    }
)

ZONES_WITHOUT_CLAW: Final = frozenset({0, 10})
"""Zones that lie between the two claws, so that neither is named."""


def lesion_code(text: str) -> str:
    """The code a person or a file meant: no spaces, upper case, aliases resolved. An unknown code comes back."""
    code = "".join(text.split()).upper()
    return LESION_ALIASES.get(code, code)


def check_finding(
    code: str, m_stage: str | None, foot: str, claw: str | None, zone: int | None
) -> tuple[FindingProblem, ...]:
    """What is wrong with one finding; empty when nothing is.

    An empty stage, claw or zone (``None`` or ``""``) means not told. The zone may always be left out (older records
    have none), the M-stage too; the claw only where the lesion does not sit on one, or the zone lies between the claws.
    ``code`` must be as in ``LESIONS``; run what people wrote through ``lesion_code`` first.
    """
    problems: list[FindingProblem] = []
    lesion = LESIONS.get(code)
    if lesion is None:
        problems.append("lesion_is_a_group" if code in GROUPS else "lesion_unknown")
    if m_stage:
        if m_stage not in M_STAGES:
            problems.append("m_stage_unknown")
        elif lesion is not None and not lesion.has_m_stage:
            problems.append("m_stage_only_for_dd")
    if foot not in FEET:
        problems.append("foot_unknown")
    if zone is not None and zone not in ZONES:
        problems.append("zone_unknown")
    if claw:
        if claw not in CLAWS:
            problems.append("claw_unknown")
        elif zone in ZONES_WITHOUT_CLAW:
            problems.append("claw_not_in_this_zone")
    elif lesion is not None and lesion.needs_claw and zone not in ZONES_WITHOUT_CLAW:
        problems.append("claw_missing")
    return tuple(problems)


def is_unusual_zone(code: str, zone: int | None) -> bool:
    """Whether the lesion is not expected in that zone: worth a second look, never a refusal."""
    lesion = LESIONS.get(code)
    return lesion is not None and zone is not None and bool(lesion.usual_zones) and zone not in lesion.usual_zones


def share_percent(part: int, whole: int) -> Decimal:
    """``part`` of ``whole`` in percent, to one decimal, half up; 0 of 0 is 0."""
    if part < 0 or whole < 0 or (whole == 0 and part):
        raise ValueError(f"{part} of {whole} is no share")
    if whole == 0:
        return Decimal("0.0")
    return (Decimal(100 * part) / Decimal(whole)).quantize(Decimal("0.1"), rounding=ROUND_HALF_UP)
