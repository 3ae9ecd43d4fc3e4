"""How a cow walks, on two published scales. A score is always kept with its scale: a 3 on one is not a 3 on the other.

``sprecher_1_5``: Sprecher, Hostetler, Kaneene 1997, Theriogenology 47:1179-87. That lame means 3 and more is from
memory (most papers that use the scale).
``ahdb_0_3``: AHDB (DairyCo) mobility score sheet, 2011. Lame means 2 and 3.

This module knows no Django: texts are plain English and are translated where they are shown.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final, Literal

ScoreProblem = Literal["scale_unknown", "score_not_on_scale"]


@dataclass(frozen=True, slots=True)
class Score:
    """One step of a scale."""

    value: int
    name: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Scale:
    """A published scale: ``lame_from`` and ``severe_from`` are the lowest scores that count as such."""

    key: str
    name: str
    scores: tuple[Score, ...]
    lame_from: int
    severe_from: int
    source: str

    @property
    def values(self) -> tuple[int, ...]:
        return tuple(score.value for score in self.scores)


SCALES: Final[Mapping[str, Scale]] = MappingProxyType(
    {
        scale.key: scale
        for scale in (
            Scale(
                "sprecher_1_5",
                "Locomotion score 1-5",
                (
                    Score(1, "Normal", "Stands and walks with a level back."),
                    Score(
                        2,
                        "Mildly lame",
                        "Level back when standing, arched when walking; the gait is slightly off.",
                    ),
                    Score(
                        3,
                        "Moderately lame",
                        "Arched back standing and walking; short strides.",
                    ),
                    Score(
                        4,
                        "Lame",
                        "Arched back; spares one or more legs but still puts weight on them.",
                    ),
                    Score(
                        5,
                        "Severely lame",
                        "Strongly arched, unwilling to move, hardly any weight on a leg.",
                    ),
                ),
                lame_from=3,
                severe_from=4,
                source="Sprecher et al. 1997, Theriogenology 47:1179-87; lame from 3, severe from 4: from memory",
            ),
            Scale(
                "ahdb_0_3",
                "Mobility score 0-3",
                (
                    Score(0, "Good", "Even weight and rhythm on all feet, flat back."),
                    Score(1, "Imperfect", "Uneven or short steps; the leg cannot be told."),
                    Score(
                        2,
                        "Impaired",
                        "The lame leg can be told, or the strides are clearly short: lift it soon.",
                    ),
                    Score(
                        3,
                        "Severely impaired",
                        "Cannot keep up with the herd, and shows the signs of 2: urgent.",
                    ),
                ),
                lame_from=2,
                severe_from=3,
                source="AHDB (DairyCo) mobility score sheet, 2011",
            ),
        )
    }
)
"""Key -> scale."""


def check_score(scale: str, score: int) -> tuple[ScoreProblem, ...]:
    """What is wrong with a score; empty when nothing is."""
    if scale not in SCALES:
        return ("scale_unknown",)
    return () if score in SCALES[scale].values else ("score_not_on_scale",)


def is_lame(scale: str, score: int) -> bool:
    """Whether the score counts as lame. Raises ValueError for a score that is not on the scale."""
    return score >= _scale_of(scale, score).lame_from


def is_severe(scale: str, score: int) -> bool:
    """Whether the cow is so lame that she is urgent: 3 of 0-3; 4 and 5 of 1-5. Raises ValueError as ``is_lame``."""
    return score >= _scale_of(scale, score).severe_from


def _scale_of(scale: str, score: int) -> Scale:
    if problems := check_score(scale, score):
        raise ValueError(f"{scale} {score}: {problems[0]}")
    return SCALES[scale]
