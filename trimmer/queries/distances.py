"""Distances between a crew's base and farms, from whoever knows ways.

The facts do not know who reckons ways. The app that does says so when it is loaded (`reckoned_by`); others ask here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from django.utils.module_loading import import_string

from trimmer.models import Crew, Farm


@dataclass(frozen=True, slots=True)
class Distances:
    """Metres from a crew's base to each of some farms, back from each, and from each (row) to each other (column). The
    way there and the way back may differ."""

    from_base: tuple[int, ...]
    to_base: tuple[int, ...]
    between: tuple[tuple[int, ...], ...]

    def of(self, places: Sequence[int]) -> Distances:
        """Those of some of the farms, in this order."""
        return Distances(
            tuple(self.from_base[one] for one in places),
            tuple(self.to_base[one] for one in places),
            tuple(tuple(self.between[one][other] for other in places) for one in places),
        )


_reckoner: dict[str, str] = {}


def reckoned_by(path: str) -> None:
    """Say by its dotted path which function knows ways: it takes `crew` and `farms`, all of which have a position."""
    _reckoner["path"] = path


def distances(*, crew: Crew, farms: Sequence[Farm]) -> Distances | None:
    """Distances for a crew; None where nobody knows ways, or one of the farms has no position."""
    if not _reckoner or any(farm.position is None for farm in farms):
        return None
    reckon: Callable[..., Distances] = import_string(_reckoner["path"])
    return reckon(crew=crew, farms=farms)
