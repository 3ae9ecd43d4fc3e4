"""How far a farm, a crew and a season stray from the whole, each shrunk towards it.

The logarithm of minutes over expected minutes is a farm's effect + a crew's + a slow drift of all + what is left.
Each effect is pulled to zero by a penalty on its square, as if drawn around it (Efron & Morris, Data Analysis Using
Stein's Estimator, JASA 70 (1975), is the case of one observation each). A farm's effect may move: the covariance of two
of its visits falls with the days between them, so that recent visits weigh more. The penalties are those under which
each visit, left out in turn, and each farm, left out in turn, is foretold best; both follow in closed form from the
inverse covariance (Rasmussen & Williams, Gaussian Processes for Machine Learning (2006), 5.4.2), no refit is needed.

Variances are counted in units of the variance of one usual visit around its own middle (`sigma` squared).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

type Floats = npt.NDArray[np.float64]
type Ints = npt.NDArray[np.int64]

_FARM_DAYS: Final = 270.0
_DRIFT_DAYS: Final = 1095.0
_YEAR: Final = 365.25
_KNOT_DAYS: Final = 45.0
_MOST_KNOTS: Final = 24
_MOST_OF_A_FARM: Final = 300
"""Visits of one farm that are looked at; the latest."""
_CHOICE_FARMS, _CHOICE_VISITS = 80, 25
"""Farms, and latest visits of each, on which the penalties are chosen."""


@dataclass(frozen=True)
class Penalties:
    """Variances of the effects, in units of a usual visit's own: the penalty on an effect is one over its variance.
    `moving`: the share of a farm's variance that moves with time."""

    farm: float = 1.0
    moving: float = 0.3
    crew: float = 0.16
    drift: float = 0.1


@dataclass(frozen=True)
class Strays:
    """Visits as the effects see them: `log` of minutes over expected minutes, own variance of each (1: a usual
    visit's), farm and crew by number, day by number."""

    log: Floats
    noise: Floats
    farm: Ints
    crew: Ints
    day: Floats

    def of(self, rows: Ints) -> Strays:
        return Strays(self.log[rows], self.noise[rows], self.farm[rows], self.crew[rows], self.day[rows])


@dataclass(frozen=True)
class LeftOut:
    """What the others say of each visit: middle of its log, and variance of that effect (in units of sigma squared,
    the visit's own variance not counted)."""

    middle: Floats
    variance: Floats


class Effects:
    """Effects at given penalties. Rows beyond the latest 300 of a farm are not looked at."""

    def __init__(self, strays: Strays, crews: int, penalties: Penalties) -> None:
        """crews: how many there are, numbered from 0; a stray of crew -1 or beyond is one of nobody known."""
        self.penalties = penalties
        self.crews = crews
        self._rows = [
            rows[np.argsort(strays.day[rows], kind="stable")][-_MOST_OF_A_FARM:] for rows in _by_number(strays.farm)
        ]
        self._strays = strays
        self._farms = {int(strays.farm[rows[0]]): place for place, rows in enumerate(self._rows)}
        first, last = (float(strays.day.min()), float(strays.day.max())) if len(strays.day) else (0.0, 0.0)
        count = min(_MOST_KNOTS, max(2, round((last - first) / _KNOT_DAYS) + 1))
        self._knots = np.linspace(first, max(last, first + 1.0), count)
        self._last = last
        self._solve()

    def _wide(self, crew: Ints, day: Floats) -> Floats:
        """Columns of what all farms share: crews, then the drift between knots, then the years since the last day."""
        table = np.zeros((len(crew), self._width))
        known = (crew >= 0) & (crew < self.crews)
        table[np.flatnonzero(known), crew[known]] = 1.0
        step = self._knots[1] - self._knots[0]
        at = np.clip((day - self._knots[0]) / step, 0.0, len(self._knots) - 1.0)
        left = np.minimum(at.astype(np.int64), len(self._knots) - 2)
        rows = np.arange(len(crew))
        table[rows, self.crews + left] = 1.0 - (at - left)
        table[rows, self.crews + left + 1] = at - left
        table[:, -1] = (day - self._last) / _YEAR
        return table

    @property
    def _width(self) -> int:
        return self.crews + len(self._knots) + 1

    def _farm_covariance(self, one: Floats, other: Floats) -> Floats:
        gap = np.abs(one[:, None] - other[None, :])
        moving = self.penalties.moving
        years = (one - self._last)[:, None] * (other - self._last)[None, :] / _YEAR**2
        return np.asarray(self.penalties.farm * ((1.0 - moving) + moving * (np.exp(-gap / _FARM_DAYS) + years)))

    @cached_property
    def _prior(self) -> Floats:
        """Covariance of what all farms share."""
        table = np.zeros((self._width,) * 2)
        np.fill_diagonal(table[: self.crews, : self.crews], self.penalties.crew)
        gap = np.abs(self._knots[:, None] - self._knots[None, :])
        table[self.crews : -1, self.crews : -1] = self.penalties.drift * np.exp(-gap / _DRIFT_DAYS)
        table[-1, -1] = 2.0 * self.penalties.drift
        return table

    def _solve(self) -> None:
        strays, width = self._strays, self._width
        self._inverse: list[Floats] = []
        self._columns: list[Floats] = []
        middle, pull = np.zeros((width, width)), np.zeros(width)
        for rows in self._rows:
            day = strays.day[rows]
            inverse = np.linalg.inv(self._farm_covariance(day, day) + np.diag(strays.noise[rows]))
            wide = self._wide(strays.crew[rows], day)
            column = inverse @ wide
            self._inverse.append(inverse)
            self._columns.append(column)
            middle += wide.T @ column
            pull += column.T @ strays.log[rows]
        self._middle = middle
        self._shared = np.linalg.inv(np.linalg.inv(self._prior) + middle)
        # Farm by farm: inverse covariance times the logs.
        common = self._shared @ pull
        self._alpha = [
            inverse @ strays.log[rows] - column @ common
            for rows, inverse, column in zip(self._rows, self._inverse, self._columns, strict=True)
        ]
        self._common = common  # middle of each of what all farms share

    def left_out(self) -> tuple[LeftOut, LeftOut]:
        """Each visit as all others foretell it, and as those of other farms do. Rows not looked at: not a number."""
        size = len(self._strays.log)
        visit = LeftOut(np.full(size, np.nan), np.full(size, np.nan))
        farm = LeftOut(np.full(size, np.nan), np.full(size, np.nan))
        for rows, inverse, column, alpha in zip(self._rows, self._inverse, self._columns, self._alpha, strict=True):
            log, noise = self._strays.log[rows], self._strays.noise[rows]
            whole = inverse - column @ self._shared @ column.T
            precision = np.diag(whole)
            visit.middle[rows] = log - alpha / precision
            visit.variance[rows] = np.maximum(1.0 / precision - noise, 0.0)
            covariance = np.linalg.inv(whole)
            farm.middle[rows] = log - covariance @ alpha
            farm.variance[rows] = np.maximum(np.diag(covariance) - noise, 0.0)
        return visit, farm

    @property
    def sigma(self) -> float:
        """Standard deviation of a usual visit's log around its own middle, from the visits left out."""
        visit, _farm = self.left_out()
        seen = np.isfinite(visit.middle)
        if not seen.any():
            return float("nan")
        spread = (self._strays.log - visit.middle)[seen] ** 2 / (visit.variance + self._strays.noise)[seen]
        return float(np.sqrt(spread.mean()))

    def at(self, farm: int, crew: int, day: float) -> tuple[float, float]:
        """Middle of the log at a farm for a crew on a day, and variance of that effect. A number nobody knows: as the
        whole, with the variance of the unknown."""
        wide = self._wide(np.array([crew]), np.array([day]))[0]
        spread = self._prior @ wide
        now = np.array([day])
        variance = float(self._farm_covariance(now, now)[0, 0] + wide @ spread)
        if not 0 <= crew < self.crews:
            variance += self.penalties.crew
        middle = float(wide @ self._common)
        meets = self._middle @ spread
        seen = float(spread @ meets)
        if (place := self._farms.get(farm)) is not None:
            near = self._farm_covariance(now, self._strays.day[self._rows[place]])[0]
            middle += float(near @ self._alpha[place])
            pulled = self._columns[place].T @ near
            seen += float(near @ self._inverse[place] @ near) + 2.0 * float(spread @ pulled)
            meets = meets + pulled
        return middle, max(variance - (seen - float(meets @ self._shared @ meets)), 0.0)


def choose_penalties(strays: Strays, crews: int, *, sigma: float | None = None) -> Penalties:
    """The penalties under which visits and farms left out are foretold best. sigma: where it is known beforehand.

    Cyclic search over a table of values. With few visits a mild preference for usual values decides; the same visits
    give the same answer.
    """
    part = strays.of(_sample(strays))
    best = Penalties()
    tables: dict[str, Sequence[float]] = {
        "farm": (0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 1.6, 2.5, 4.0, 7.0, 12.0),
        "crew": (0.01, 0.03, 0.08, 0.16, 0.35, 0.8, 2.0),
        "drift": (0.003, 0.03, 0.1, 0.3, 1.0),
        "moving": (0.0, 0.1, 0.3, 0.6),
    }
    worth: dict[Penalties, float] = {}

    def lost(penalties: Penalties) -> float:
        if penalties not in worth:
            worth[penalties] = _lost(part, crews, penalties, sigma)
        return worth[penalties]

    for _sweep in range(2):
        before = best
        for name, values in tables.items():
            best = min([best, *(replace(best, **{name: value}) for value in values)], key=lost)
        if best == before:
            break
    return best


def _lost(strays: Strays, crews: int, penalties: Penalties, sigma: float | None) -> float:
    """Negative log density of visits left out, plus that of the farms, plus the preference."""
    effects = Effects(strays, crews, penalties)
    visit, farm = effects.left_out()
    own = visit.variance + strays.noise
    miss = (strays.log - visit.middle) ** 2
    # A prior of four visits with the usual spread keeps sigma from vanishing where there are few.
    square = sigma**2 if sigma else float((np.sum(miss / own) + 4 * 0.2**2) / (len(miss) + 4))
    lost = 0.5 * float(np.sum(np.log(square * own) + miss / (square * own)))
    whole = square * (farm.variance + strays.noise)
    apart = 0.5 * (np.log(whole) + (strays.log - farm.middle) ** 2 / whole)
    counts = np.bincount(strays.farm)
    lost += 1.5 * float(np.sum(apart / counts[strays.farm]))
    usual = Penalties()
    for name, width in (("farm", 1.2), ("crew", 1.2), ("drift", 1.2)):
        lost += 0.5 * (np.log(getattr(penalties, name) / getattr(usual, name)) / width) ** 2
    return lost + (penalties.moving - usual.moving) ** 2


def _by_number(numbers: Ints) -> list[Ints]:
    """Rows of each number, numbers rising."""
    if not len(numbers):
        return []
    order = np.argsort(numbers, kind="stable")
    return list(np.split(order, np.flatnonzero(np.diff(numbers[order])) + 1))


def _sample(strays: Strays) -> Ints:
    """Rows on which penalties are chosen: an even pick of farms, the latest visits of each."""
    groups = _by_number(strays.farm)
    if len(groups) > _CHOICE_FARMS:
        groups = [groups[int(place)] for place in np.linspace(0, len(groups) - 1, _CHOICE_FARMS)]
    if not groups:
        return np.zeros(0, dtype=np.int64)
    latest = [rows[np.argsort(strays.day[rows], kind="stable")][-_CHOICE_VISITS:] for rows in groups]
    return np.concatenate(latest)
