"""What will be found: how many of the head brought will need a topical, a wrap, a block.

A head of a kind ends under one kind of work. The shares of a farm are drawn around those of the business (a Dirichlet
distribution whose strength is the one under which the farms' counts are most likely), and those of the business start
from published shares. So a farm seen for the first time has the shares of the whole, one seen often its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from .rates import KINDS

type Floats = npt.NDArray[np.float64]

BROUGHT: Final = ("cow", "lame", "recheck", "heifer", "bull")
"""Kinds of head a farm asks for."""

PUBLISHED: Final[Mapping[str, Mapping[str, float]]] = {
    # Cramer et al. 2008, J. Dairy Sci. 91:3888, free stalls in Ontario: digital dermatitis in 22.7 % of cows, ulcers in
    # 9.2 %, blocks on 2.2 %. A block share between those two, and a third of dermatitis wrapped: common practice.
    "cow": {"trim": 0.715, "topical": 0.152, "wrap": 0.076, "block": 0.057},
    # Common practice; no share is published for head brought as lame, rechecks, heifers and bulls.
    "lame": {"trim": 0.20, "topical": 0.25, "wrap": 0.20, "block": 0.35},
    "recheck": {"recheck": 0.80, "topical": 0.07, "wrap": 0.06, "block": 0.07},
    "heifer": {"heifer": 0.92, "topical": 0.05, "wrap": 0.02, "block": 0.01},
    "bull": {"bull": 1.0},
}
TIE_STALL: Final[Mapping[str, float]] = {"trim": 0.882, "topical": 0.062, "wrap": 0.031, "block": 0.025}
"""As "cow", of tie stalls: dermatitis 9.3 %, ulcers 4.7 %, blocks 0.3 % (same source)."""

_PUBLISHED_HEAD: Final = 150.0
"""The published shares count for so many head of the business's own."""
_STRENGTHS: Final = (8.0, 15.0, 30.0, 60.0, 120.0, 250.0, 500.0)
_USUAL_STRENGTH: Final = 60.0


@dataclass(frozen=True)
class Seen:
    """Head of one kind brought at one farm, by the work they came to."""

    farm: str
    brought: str
    work: Mapping[str, int]

    def __post_init__(self) -> None:
        if self.brought not in BROUGHT or set(self.work) - set(KINDS) or min(self.work.values(), default=0) < 0:
            raise ValueError(f"no such count: {self}")


@dataclass(frozen=True)
class Expected:
    """Head by kind of work: mean and covariance, in the order of KINDS."""

    mean: Floats
    covariance: Floats

    def head(self) -> dict[str, float]:
        return {kind: float(count) for kind, count in zip(KINDS, self.mean, strict=True)}

    def spread(self, rates: Mapping[str, float]) -> float:
        """Standard deviation of the minutes that these head take."""
        row = np.array([rates[kind] for kind in KINDS])
        return float(np.sqrt(max(0.0, row @ self.covariance @ row)))


@dataclass(frozen=True)
class Findings:
    """`whole`: weights of the business's shares by kind of head (in the order of KINDS, their sum is the strength);
    `unsure`: how far those shares themselves may be off, as variances over share x (1 - share); `own`: what each farm
    has shown."""

    whole: Mapping[str, Floats]
    unsure: Mapping[str, float]
    own: Mapping[str, Mapping[str, Floats]]

    def weights(self, farm: str, brought: str) -> Floats:
        """Weights of the Dirichlet distribution of a farm's shares."""
        return self.whole[brought] + self.own.get(farm, {}).get(brought, 0.0)

    def head_seen(self, farm: str) -> int:
        """How many head of the farm this comes from."""
        return round(sum(float(counts.sum()) for counts in self.own.get(farm, {}).values()))

    def expected(self, farm: str, head: Mapping[str, int]) -> Expected:
        """What so many head of each kind brought will come to."""
        mean, covariance = np.zeros(len(KINDS)), np.zeros((len(KINDS), len(KINDS)))
        for brought, count in head.items():
            weights = self.weights(farm, brought)
            strength = float(weights.sum())
            share = weights / strength
            mean += count * share
            wider = count * (count + strength) / (1.0 + strength)
            covariance += wider * (np.diag(share) - np.outer(share, share))
        return Expected(mean, covariance)


def learn_findings(seen: Iterable[Seen], published: Mapping[str, Mapping[str, float]] = PUBLISHED) -> Findings:
    """Shares of the business and of its farms, from what was seen; without anything the published ones."""
    own: dict[str, dict[str, Floats]] = {}
    for each in seen:
        row = own.setdefault(each.farm, {}).setdefault(each.brought, np.zeros(len(KINDS)))
        row += np.array([float(each.work.get(kind, 0)) for kind in KINDS])
    whole: dict[str, Floats] = {}
    unsure: dict[str, float] = {}
    for brought in BROUGHT:
        usual = np.array([published[brought].get(kind, 0.0) for kind in KINDS])
        rows = [counts[brought] for counts in own.values() if brought in counts and counts[brought].sum() > 0]
        table = np.array(rows).reshape(-1, len(KINDS))
        # Farms count by head, but none for more than a few hundred: one big herd is not the whole.
        capped = table * np.minimum(1.0, 300.0 / np.maximum(table.sum(axis=1, keepdims=True), 1.0))
        shares = _PUBLISHED_HEAD * usual + capped.sum(axis=0)
        shares = shares / shares.sum()
        strength = _strength(table, shares)
        whole[brought] = strength * shares
        # The published shares count as one more farm of so many head.
        counts = np.append(capped.sum(axis=1), _PUBLISHED_HEAD)
        unsure[brought] = float(np.sum((counts / counts.sum()) ** 2 * (1.0 / counts + 1.0 / (1.0 + strength))))
    return Findings(whole, unsure, own)


def _strength(table: Floats, shares: Floats) -> float:
    """Of the shares' Dirichlet distribution: the most likely of a few values, the usual one before any count."""
    open_ = shares > 0
    best, most = _USUAL_STRENGTH, -np.inf
    for strength in _STRENGTHS:
        weights = strength * shares[open_]
        rows = table[:, open_]
        likely = float(np.sum(gammaln(strength) - gammaln(strength + rows.sum(axis=1))))
        likely += float(np.sum(gammaln(weights + rows) - gammaln(weights)))
        likely -= 0.5 * (np.log(strength / _USUAL_STRENGTH) / 1.0) ** 2
        if likely > most:
            best, most = strength, likely
    return best
