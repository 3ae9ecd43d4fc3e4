"""The driving tables of a week, as the planner takes them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from scheduling.planner.problem import Matrix
from scheduling.services.roads import rig_of, rigs_of
from scheduling.services.travel import Ways, factors_of, ways
from scheduling.travel.matrix import Block, whole_metres, whole_minutes
from scheduling.travel.rig import Rig
from trimmer.models import Business, Crew, Farm


@dataclass(frozen=True, kw_only=True)
class Driving:
    """Minutes and metres: rows of `out` and `home` follow the crews, everything else the farms. source: how made."""

    out: Matrix
    home: Matrix
    between: Matrix
    metres_out: Matrix
    metres_home: Matrix
    metres_between: Matrix
    source: str


NOWHERE = Driving(out=(), home=(), between=(), metres_out=(), metres_home=(), metres_between=(), source="")
"""Of a week without crews or without farms."""


def drive_week(*, business: Business, crews: Sequence[Crew], farms: Sequence[Farm]) -> Driving:
    """Ways between the crews' bases and the farms. Each crew drives out and home as its own rig does; between farms the
    planner knows one table for all crews: the slowest of their rigs, way by way, so that no round is too short. Where
    a crew's own drives support it, its ways take longer or shorter by the factor learned.
    """
    if not crews or not farms:
        return NOWHERE
    bases = [(crew.base.latitude, crew.base.longitude) for crew in crews]
    places = [*bases, *(farm.position or bases[0] for farm in farms)]
    rigs, factors = rigs_of(business), factors_of(business)
    by_rig: dict[Rig, Ways] = {}
    blocks = []
    for crew in crews:
        rig = rigs.get(crew.pk) or rig_of(crew)
        if rig not in by_rig:
            by_rig[rig] = ways(business=business, rig=rig, places=places)
        block = by_rig[rig].block
        blocks.append(replace(block, seconds=block.seconds * np.float32(factors.get(crew.pk, 1.0))))
    n = len(bases)
    slowest = _slowest(blocks, n)
    return Driving(
        out=_frozen(whole_minutes(np.stack([block.seconds[c, n:] for c, block in enumerate(blocks)]))),
        home=_frozen(whole_minutes(np.stack([block.seconds[n:, c] for c, block in enumerate(blocks)]))),
        between=_frozen(whole_minutes(slowest.seconds)),
        metres_out=_frozen(whole_metres(np.stack([block.metres[c, n:] for c, block in enumerate(blocks)]))),
        metres_home=_frozen(whole_metres(np.stack([block.metres[n:, c] for c, block in enumerate(blocks)]))),
        metres_between=_frozen(whole_metres(slowest.metres)),
        source=_source(list(by_rig.values()), factors.values()),
    )


def _slowest(blocks: Sequence[Block], first: int) -> Block:
    seconds = np.stack([block.seconds[first:, first:] for block in blocks])
    chosen = np.argmax(seconds, axis=0)[None, :, :]
    metres = np.stack([block.metres[first:, first:] for block in blocks])
    made = np.stack([block.made[first:, first:] for block in blocks])
    seconds, metres, made = (np.take_along_axis(each, chosen, axis=0)[0] for each in (seconds, metres, made))
    return Block(seconds, metres, made)


def _source(made: Sequence[Ways], factors: Iterable[float]) -> str:
    """How the week's ways were made, kept with its proposal: the source, how many ways were not had from it, and the
    largest factor learned."""
    straight = max(one.by_straight_line for one in made)
    learned = max(factors, default=1.0, key=lambda factor: abs(factor - 1))
    return f"{made[0].source[:150]}|straight={straight}|learned={learned:.2f}"


def _frozen(rows: list[list[int]]) -> Matrix:
    return tuple(tuple(row) for row in rows)
