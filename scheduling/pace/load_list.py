"""What to carry: blocks, wraps, glue and product, so that none runs out but with a stated chance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, gammaln

from .findings import Findings
from .rates import KINDS

type Floats = npt.NDArray[np.float64]

_STEPS = ((-2.857, 0.0112574), (-1.3556, 0.2220759), (0.0, 0.5333333), (1.3556, 0.2220759), (2.857, 0.0112574))
"""Five points for a normal average (Gauss-Hermite): standard deviations, and how much each counts."""


@dataclass(frozen=True)
class Supply:
    """A thing that is used up: a unit serves so many head of these kinds of work (a cartridge of glue: 8 blocks).
    `often`: shares of those head that use 1, 2, ... portions of it."""

    code: str
    kinds: tuple[str, ...]
    head_per_unit: float = 1.0
    often: tuple[float, ...] = (1.0,)

    def __post_init__(self) -> None:
        if not self.kinds or set(self.kinds) - set(KINDS):
            raise ValueError(f"no such kind of work: {self.kinds}")
        if not self.head_per_unit > 0:
            raise ValueError("a unit serves more than 0 head")
        if not math.isclose(sum(self.often), 1.0) or min(self.often) < 0:
            raise ValueError("shares add up to 1")


@dataclass(frozen=True)
class Coming:
    """Head to come to the chute at one farm, by kind brought."""

    farm: str
    head: Mapping[str, int]


@dataclass(frozen=True)
class LoadLine:
    """Of a supply, in units: the mean need, how many to carry and the chance that those do not do, how many to get."""

    code: str
    mean: float
    carry: int
    chance: float
    on_hand: int
    on_hand_chance: float

    @property
    def to_get(self) -> int:
        return max(0, self.carry - self.on_hand)


def load_list(
    coming: Iterable[Coming],
    findings: Findings,
    supplies: Sequence[Supply],
    *,
    chance: float,
    on_hand: Mapping[str, int],
) -> tuple[LoadLine, ...]:
    """The fewest units of each supply with which it runs out with at most this chance. The chance is each supply's own.

    Raises ValueError unless the chance lies between 0 and 1.
    """
    if not 0 < chance < 1:
        raise ValueError("a chance lies between 0 and 1")
    herds: dict[str, dict[str, int]] = {}
    for each in coming:
        herd = herds.setdefault(each.farm, {})
        for brought, count in each.head.items():
            herd[brought] = herd.get(brought, 0) + count
    lines = []
    for supply in supplies:
        need = _need_unsure(herds, findings, supply)
        units = np.ceil(np.arange(len(need)) / supply.head_per_unit - 1e-9).astype(int)
        short = 1.0 - np.cumsum(np.bincount(units, weights=need))
        carry = int(np.argmax(short <= chance + 1e-12))
        stock = on_hand.get(supply.code, 0)
        lines.append(
            LoadLine(
                code=supply.code,
                mean=float(units @ need),
                carry=carry,
                chance=max(0.0, float(short[carry])),
                on_hand=stock,
                on_hand_chance=max(0.0, float(short[stock])) if stock < len(short) else 0.0,
            )
        )
    return tuple(lines)


def _need_unsure(herds: Mapping[str, Mapping[str, int]], findings: Findings, supply: Supply) -> Floats:
    """Chances of 0, 1, 2, ... portions over all farms, also over how far the business's own shares may be off."""
    need = sum((part * _need(herds, findings, supply, step) for step, part in _STEPS), np.zeros(1))
    return np.asarray(need / need.sum())


def _need(herds: Mapping[str, Mapping[str, int]], findings: Findings, supply: Supply, step: float) -> Floats:
    """As if the shares of the whole were off by so many standard deviations: the farms then are independent, each a
    beta-binomial count of head."""
    places = [KINDS.index(kind) for kind in supply.kinds]
    total = np.ones(1)
    for farm, head in herds.items():
        for brought, count in head.items():
            weights = findings.weights(farm, brought)
            whole = findings.whole[brought]
            usual, strength = float(whole[places].sum()), float(whole.sum())
            if count and usual > 0:
                share = usual / strength
                off = step * math.sqrt(findings.unsure[brought] * (1.0 - share) / share)
                moved = min(usual * math.exp(off - off * off / 2), 0.5 * (usual + strength))
                own = float(weights[places].sum()) - usual
                ours, others = moved + own, float(weights.sum()) - own - moved
                total = np.convolve(total, _portions(_beta_binomial(count, ours, others), supply))
    return total


def _beta_binomial(count: int, ours: float, others: float) -> Floats:
    """Chances of 0..count head, where the share of one is beta distributed with these weights."""
    if others <= 0:
        certain: Floats = np.eye(count + 1)[count]
        return certain
    k = np.arange(count + 1)
    ways = gammaln(count + 1) - gammaln(k + 1) - gammaln(count - k + 1)
    return np.asarray(np.exp(ways + betaln(k + ours, count - k + others) - betaln(ours, others)))


def _portions(head: Floats, supply: Supply) -> Floats:
    """Chances of portions from those of head, each using one or more."""
    if len(supply.often) == 1:
        return head
    one = np.concatenate([[0.0], supply.often])
    total, power = np.zeros((len(head) - 1) * len(supply.often) + 1), np.ones(1)
    for chance in head:
        total[: len(power)] += chance * power
        power = np.convolve(power, one)
    return total
