"""The pace of a business: minutes of a visit by kind of work, farm and crew, with how far they may be off.

A visit takes (set-up + head x minutes a head, summed over kinds) x farm x crew x season. The lines in brackets are
quantile lines of levels 50, 80 and 90 % found together (lines.py), the factors are shrunk effects (effects.py); each
is found in turn. Lines are drawn through visits divided by the factors that the *other* visits give them, so that what
is not known about a farm is part of the spread. Last, each level is moved so that its share of left-out visits holds
(conformal correction: Romano, Patterson, Candes, Conformalized Quantile Regression, NeurIPS 2019), apart for farms well
known and for farms unknown.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np
import numpy.typing as npt

from .effects import Effects, LeftOut, Penalties, Strays, choose_penalties
from .lines import quantile_lines
from .rates import KINDS, Rates, Spread
from .visits import PastVisit, SetAside, WorkAsked, set_impossible_aside, set_wild_aside

type Floats = npt.NDArray[np.float64]
type Ints = npt.NDArray[np.int64]

LEVELS: Final = (0.5, 0.8, 0.9)
_NORMAL: Final = np.array([0.0, 0.8416212335729143, 1.2815515655446004])
"""Quantiles of the normal distribution at the levels."""
_STEPS: Final = np.array([-1.645, -1.036, -0.674, -0.385, -0.126, 0.126, 0.385, 0.674, 1.036, 1.645])
"""Ten equally likely values of the normal distribution."""

_DEFAULT_VISITS: Final = 2.0
"""How many visits the default of a kind of work counts for."""
_HALF_LIFE_DAYS: Final = 540.0
_ROUGH: Final = 1200
"""Visits, the latest, on which the first lines are drawn."""
_WILD: Final = 4.0
_WILD_FACTOR: Final = math.log(1.6)
"""A record further off than both, in standard deviations and as a factor, is set aside."""
_HEAVY: Final = 2.5
"""From so many standard deviations on a visit counts less the further off it is."""
_FEW: Final = 20.0
_FEW_FARMS: Final = 10.0
"""So many visits, or farms, left out weigh as much as the usual shape does."""
_MARGIN: Final = 0.01
"""Added to the upper levels: what is measured on the visits learned from holds a little less on new ones."""
_CUTS: Final = (0.5, 0.6, 0.7, 0.8, 0.9)
"""Where the later visits are cut into steps, each foretold from all before it."""
_FEWEST_AHEAD: Final = 30
_NARROW, _WIDE = 0.6, 1.7
"""How much the spread of one mix of work may differ from the usual."""


@dataclass(frozen=True)
class Estimate:
    """What a visit will take.

    minutes: at 50, 80 and 90 %. setup, rates: the parts of the middle; setup + sum of head x rate is minutes[0].
    visits, crew_visits: how many of this farm and of this crew it comes from. spread: standard deviation of the
    logarithm of minutes.
    """

    minutes: tuple[float, float, float]
    setup: float
    rates: Mapping[str, float]
    visits: int
    crew_visits: int
    spread: float


@dataclass(frozen=True)
class Tried:
    """A past visit and what the others would have said of it."""

    visit: PastVisit
    minutes: tuple[float, float, float]


@dataclass(frozen=True)
class Corrections:
    """By how many standard deviations each level is moved: for farms well known, and for farms nobody was at."""

    known: Floats
    unknown: Floats

    @classmethod
    def none(cls) -> Corrections:
        return cls(np.zeros(len(LEVELS)), np.zeros(len(LEVELS)))

    @classmethod
    def measured(
        cls, known: Floats, unknown: Floats, recent: Floats, even: Floats, *, usual: Corrections, farms: int
    ) -> Corrections:
        """From misses [level, visit] in standard deviations of visits left out, foretold as known and as new; weights
        of visits for either; what holds where they are few."""
        moved = Corrections.none()
        trust = len(recent) / (len(recent) + _FEW)
        trust_new = farms / (farms + _FEW_FARMS)
        for n, level in enumerate(LEVELS):
            moved.known[n] = _share(known[n], recent, level) * trust + usual.known[n] * (1.0 - trust)
            rest = (usual.unknown[n] - usual.known[n]) + moved.known[n]
            moved.unknown[n] = _share(unknown[n], even, level) * trust_new + rest * (1.0 - trust_new)
        return moved


@dataclass(frozen=True)
class Levels:
    """How minutes at the levels follow from the lines, the factor and how well it is known.

    lines: minutes of set-up and a head by kind [level, column]. sigma: of a usual visit's log around its own middle.
    rise: log of the 90 % line over the middle at a usual mix of work. variance: of the effects of a usual left-out
    visit, unknown: of a farm's nobody was at; both in units of sigma squared. within, ahead: corrections for days among
    those learned from, and for later ones, where nothing later helps.
    """

    lines: Floats
    sigma: float
    rise: float
    variance: float
    unknown: float
    within: Corrections
    ahead: Corrections

    def noise(self, design: Floats) -> Floats:
        """Own variance of visits [row]: 1 for a usual mix of work, more where the lines spread more."""
        middle, _mid, high = self.lines @ design.T
        shape = np.log(high / middle) / self.rise if self.rise > 1e-6 else np.ones(len(design))
        return np.asarray(np.clip(shape, _NARROW, _WIDE) ** 2)

    def spread(self, design: Floats, variance: Floats) -> Floats:
        """Standard deviation of the log of minutes, for effects of this variance."""
        return np.asarray(self.sigma * np.sqrt(self.noise(design) + variance))

    def raw(self, design: Floats, variance: Floats) -> Floats:
        """Logs of minutes [level, row] of the whole, before corrections."""
        lines = self.lines @ design.T
        noise = self.noise(design)
        wider = np.sqrt((noise + variance) / (noise + self.variance))
        return np.asarray(np.log(lines[0]) + np.log(lines / lines[0]) * wider)

    def logs(self, design: Floats, variance: Floats, corrections: Corrections, unsure: float = 0.0) -> Floats:
        """Logs of minutes [level, row] of the whole; those of a farm and crew add its effect. unsure: variance on top,
        of what may be found, in units of sigma squared."""
        span = max(self.unknown - self.variance, 1e-9)
        new = np.clip((variance - self.variance) / span, 0.0, 1.0)
        moved = corrections.known[:, None] * (1.0 - new) + corrections.unknown[:, None] * new
        whole = variance + unsure
        return np.maximum.accumulate(self.raw(design, whole) + moved * self.spread(design, whole), axis=0)


@dataclass(frozen=True)
class Pace:
    """A fit. `tried`: each past visit as the other visits foretell it; `as_new`: as visits to other farms do."""

    levels: Levels
    penalties: Penalties
    effects: Effects | None
    farms: Mapping[str, int]
    crews: Mapping[str, int]
    farm_visits: Mapping[str, int]
    crew_visits: Mapping[str, int]
    set_aside: tuple[SetAside, ...]
    tried: tuple[Tried, ...] = ()
    as_new: tuple[Tried, ...] = ()
    last: dt.date = dt.date.min
    """Of the visits learned from."""

    @property
    def visits(self) -> int:
        return sum(self.farm_visits.values())

    @property
    def in_another_unit(self) -> bool:
        """Most records are off by as much as hours or seconds are from minutes: all of them are in doubt."""
        odd = sum(each.code in {"looks_like_hours", "looks_like_seconds"} for each in self.set_aside)
        return odd > 1 and odd > self.visits

    def estimate(self, ask: WorkAsked) -> Estimate:
        """Minutes of a visit. Raises ValueError when there is nothing to work on."""
        effect = self.effect(ask.farm, ask.crew, ask.date)
        corrections = self.levels.ahead if ask.date > self.last else self.levels.within
        return estimated(
            ask, self.levels, corrections, effect, self.farm_visits.get(ask.farm, 0), self.crew_visits.get(ask.crew, 0)
        )

    def effect(self, farm: str, crew: str, date: dt.date) -> tuple[float, float]:
        """Log of the factor at a farm for a crew, and its variance in units of sigma squared."""
        if self.effects is None:
            return 0.0, self.penalties.farm + self.penalties.crew
        return self.effects.at(self.farms.get(farm, -1), self.crews.get(crew, -1), float(date.toordinal()))


def estimated(
    ask: WorkAsked,
    levels: Levels,
    corrections: Corrections,
    effect: tuple[float, float],
    visits: int,
    crew_visits: int,
) -> Estimate:
    """Minutes of a visit from the whole's lines and the effect (log of the factor, its variance)."""
    if not ask.total > 0:
        raise ValueError("no head")
    middle, variance = effect
    design, line = _design([ask]), levels.lines[0]
    # What may be found instead is one more thing not known: a variance of minutes, here of their logarithm.
    unsure = (ask.unsure_minutes / (float(line @ design[0]) * math.exp(middle)) / levels.sigma) ** 2
    known = np.array([variance])
    low, mid, high = np.exp(levels.logs(design, known, corrections, unsure)[:, 0] + middle)
    factor = float(low / (line @ design[0]))
    return Estimate(
        minutes=(float(low), float(mid), float(high)),
        setup=float(line[0]) * factor,
        rates={kind: float(rate) * factor for kind, rate in zip(KINDS, line[1:], strict=True)},
        visits=visits,
        crew_visits=crew_visits,
        spread=float(levels.spread(design, known + unsure)[0]),
    )


def fit_pace(
    visits: Sequence[PastVisit],
    *,
    today: dt.date,
    defaults: Rates | None = None,
    spread: Spread | None = None,
) -> Pace:
    """Learn the pace from past visits; without any it is the defaults. Records that cannot be are set aside by name."""
    rates, spread = defaults or Rates(), spread or Spread()
    kept, impossible = set_impossible_aside(visits, today=today)
    kept, wild = set_wild_aside(kept, rates, spread)
    aside = [*impossible, *wild]
    if not kept:
        return _by_default(rates, spread, aside)
    rough = _Rough(kept, rates, spread)
    if far := rough.far_off():
        aside += [
            SetAside.of(kept[n], "too_long" if kept[n].minutes > expected else "too_short", expected)
            for n, expected in far.items()
        ]
        kept = [visit for n, visit in enumerate(kept) if n not in far]
        rough = _Rough(kept, rates, spread)
    return rough.fitted(aside)


def _by_default(rates: Rates, spread: Spread, aside: list[SetAside]) -> Pace:
    penalties = Penalties(farm=(spread.farm / spread.visit) ** 2, crew=(spread.crew / spread.visit) ** 2)
    line = np.array([rates.setup, *(rates.per_head[kind] for kind in KINDS)])
    levels = Levels(
        lines=line * np.exp(_NORMAL * spread.unknown)[:, None],
        sigma=spread.visit,
        rise=float(_NORMAL[2]) * spread.unknown,
        variance=penalties.farm + penalties.crew,
        unknown=penalties.farm + penalties.crew,
        within=Corrections.none(),
        ahead=Corrections.none(),
    )
    return Pace(levels, penalties, None, {}, {}, {}, {}, tuple(aside))


class _Rough:
    """Visits with first lines and effects, good enough to see which records are wild and where to start from."""

    def __init__(self, visits: list[PastVisit], rates: Rates, spread: Spread) -> None:
        self.visits = visits
        self.rates = rates
        self.spread = spread
        self.design = _design(visits)
        self.minutes = np.array([visit.minutes for visit in visits])
        self.farms = {name: n for n, name in enumerate(sorted({visit.farm for visit in visits}))}
        self.crews = {name: n for n, name in enumerate(sorted({visit.crew for visit in visits}))}
        self.farm = np.array([self.farms[visit.farm] for visit in visits], dtype=np.int64)
        self.crew = np.array([self.crews[visit.crew] for visit in visits], dtype=np.int64)
        self.day = np.array([float(visit.date.toordinal()) for visit in visits])
        self.recent = 0.5 ** ((self.day.max() - self.day) / _HALF_LIFE_DAYS)
        self.latest = np.argsort(self.day, kind="stable")[-_ROUGH:]
        usual = self.design @ np.array([rates.setup, *(rates.per_head[kind] for kind in KINDS)])
        shift = float(np.median(np.log(self.minutes / usual))) * len(visits) / (len(visits) + 2.0)
        self.scale = math.exp(shift)
        self.line = self._lines(np.ones(len(visits)), self.latest, usual * self.scale, levels=(0.5,))[0]
        self.effects = Effects(self._strays(self.line, np.ones(len(visits))), len(self.crews), Penalties())
        self.left_out = self.effects.left_out()[0]

    def _strays(self, line: Floats, noise: Floats) -> Strays:
        return Strays(np.log(self.minutes / (self.design @ line)), noise, self.farm, self.crew, self.day)

    def _lines(
        self, factor: Floats, rows: Ints, size: Floats, levels: Sequence[float], near: Floats | None = None
    ) -> Floats:
        """Lines through these visits divided by their factors, and through the defaults as a few more visits. Misses
        count as shares of the visit's size."""
        prior, prior_minutes = self._default_visits()
        design = np.vstack([self.design[rows] * factor[rows, None], prior])
        minutes = np.concatenate([self.minutes[rows], prior_minutes])
        weights = np.concatenate(
            [self.recent[rows] / size[rows], _DEFAULT_VISITS * len(KINDS) / len(prior) / (prior @ self._default_line())]
        )
        return quantile_lines(design, minutes, levels, weights=weights * len(weights), bounded=True, near=near)

    def _default_line(self) -> Floats:
        return self.scale * np.array([self.rates.setup, *(self.rates.per_head[kind] for kind in KINDS)])

    def _default_visits(self) -> tuple[Floats, Floats]:
        """The defaults as visits of one kind of work each, small and large, with ten minutes figures each."""
        mixes = np.zeros((2 * len(KINDS), 1 + len(KINDS)))
        mixes[:, 0] = 1.0
        for n in range(len(KINDS)):
            mixes[2 * n, 1 + n], mixes[2 * n + 1, 1 + n] = 4.0, 40.0
        middle = mixes @ self._default_line()
        wide = math.hypot(self.spread.visit, self.spread.farm / 2)
        minutes = (middle[:, None] * np.exp(wide * _STEPS)[None, :]).ravel()
        return np.repeat(mixes, len(_STEPS), axis=0), minutes

    def far_off(self) -> dict[int, float]:
        """Records too far from what the others say, with the minutes those say."""
        strays = self._strays(self.line, np.ones(len(self.visits)))
        middle, variance = _seen(self.left_out, strays, self.effects)
        miss = strays.log - middle
        usual = _robust_sigma(miss / np.sqrt(1.0 + variance), self.spread.visit)
        far = (np.abs(miss) > _WILD * usual * np.sqrt(1.0 + variance)) & (np.abs(miss) > _WILD_FACTOR)
        expected = self.minutes * np.exp(-miss)
        return {int(n): float(expected[n]) for n in np.flatnonzero(far)}

    def fitted(self, aside: list[SetAside]) -> Pace:
        count = len(self.visits)
        strays = self._strays(self.line, np.ones(count))
        middle, variance = _seen(self.left_out, strays, self.effects)
        size = self.design @ self.line * np.exp(middle)
        lines = self._lines(np.exp(middle), self.latest, size, LEVELS)
        levels = self._levels(lines, variance, self.spread.visit)
        noise = _heavy(levels.noise(self.design), strays.log - middle, variance, self.spread.visit)
        penalties = choose_penalties(self._strays(lines[0], noise), len(self.crews))
        effects = Effects(self._strays(lines[0], noise), len(self.crews), penalties)
        strays = self._strays(lines[0], noise)
        middle, variance = _seen(effects.left_out()[0], strays, effects)
        size = self.design @ lines[0] * np.exp(middle)
        lines = self._lines(np.exp(middle), np.arange(count), size, LEVELS, near=lines)
        strays = self._strays(lines[0], noise)
        effects = Effects(strays, len(self.crews), penalties)
        return self._corrected(lines, strays, effects, penalties, aside)

    def _levels(self, lines: Floats, variance: Floats, sigma: float) -> Levels:
        rise = float(np.median(np.log((self.design @ lines[2]) / (self.design @ lines[0]))))
        usual = float(np.average(variance, weights=self.recent))
        return Levels(lines, sigma, rise, usual, 1.0, Corrections.none(), Corrections.none())

    def _corrected(
        self, lines: Floats, strays: Strays, effects: Effects, penalties: Penalties, aside: list[SetAside]
    ) -> Pace:
        """Move each level so that its share of the left-out visits holds."""
        visit, farm = effects.left_out()
        middle, variance = _seen(visit, strays, effects)
        new_middle, new_variance = _seen(farm, strays, effects)
        levels = self._levels(lines, variance, 1.0)
        own = levels.noise(self.design)
        sigma = _robust_sigma((strays.log - middle) / np.sqrt(own + variance), self.spread.visit)
        levels = replace(levels, sigma=sigma, unknown=max(penalties.farm, levels.variance))
        size = np.log(self.design @ lines[0])

        def misses(rows: Ints, at: Floats, known: Floats) -> Floats:
            raw = levels.raw(self.design[rows], known) - size[rows]
            return np.asarray((strays.log[rows] - at - raw) / levels.spread(self.design[rows], known))

        every = np.arange(len(self.visits))
        even = 1.0 / np.bincount(self.farm)[self.farm]
        within = Corrections.measured(
            misses(every, middle, variance),
            misses(every, new_middle, new_variance),
            self.recent,
            even,
            usual=Corrections.none(),
            farms=len(self.farms),
        )
        ahead = within
        later, as_known, as_new = self._foretold(strays, penalties)
        if len(later):
            ahead = Corrections.measured(
                misses(later, *as_known),
                misses(later, *as_new),
                self.recent[later],
                1.0 / np.bincount(self.farm[later])[self.farm[later]],
                usual=within,
                farms=len(np.unique(self.farm[later])),
            )
        levels = replace(levels, within=within, ahead=ahead)
        return Pace(
            levels=levels,
            penalties=penalties,
            effects=effects,
            farms=self.farms,
            crews=self.crews,
            farm_visits=_counts(visit.farm for visit in self.visits),
            crew_visits=_counts(visit.crew for visit in self.visits),
            set_aside=tuple(aside),
            tried=self._tried(levels, middle, variance),
            as_new=self._tried(levels, new_middle, new_variance),
            last=max(visit.date for visit in self.visits),
        )

    def _foretold(
        self, strays: Strays, penalties: Penalties
    ) -> tuple[Ints, tuple[Floats, Floats], tuple[Floats, Floats]]:
        """The later half of the visits as those before them foretell it, step by step: rows; middle and variance for a
        known farm; the same as if nobody had been there. No rows where there are few visits."""
        order = np.argsort(self.day, kind="stable")
        cuts = [round(share * len(order)) for share in _CUTS]
        rows: list[int] = []
        known: list[tuple[float, float]] = []
        new: list[tuple[float, float]] = []
        for cut, end in pairwise([*cuts, len(order)]) if len(order) >= _FEWEST_AHEAD else ():
            before = order[:cut][self.day[order[:cut]] < self.day[order[cut]]]
            if not len(before):
                continue
            effects = Effects(strays.of(before), len(self.crews), penalties)
            for row in order[cut:end]:
                rows.append(int(row))
                known.append(effects.at(int(self.farm[row]), int(self.crew[row]), float(self.day[row])))
                new.append(effects.at(-1, int(self.crew[row]), float(self.day[row])))
        as_known, as_new = np.array(known).reshape(-1, 2), np.array(new).reshape(-1, 2)
        return np.array(rows, dtype=np.int64), (as_known[:, 0], as_known[:, 1]), (as_new[:, 0], as_new[:, 1])

    def _tried(self, levels: Levels, middle: Floats, variance: Floats) -> tuple[Tried, ...]:
        figures = np.exp(levels.logs(self.design, variance, levels.within) + middle).T.tolist()
        return tuple(
            Tried(visit, (low, mid, high)) for visit, (low, mid, high) in zip(self.visits, figures, strict=True)
        )


def _design(visits: Sequence[WorkAsked]) -> Floats:
    """A row for each visit: 1 for the set-up, then head by kind."""
    return np.array([[1.0, *(float(visit.head.get(kind, 0)) for kind in KINDS)] for visit in visits])


def _seen(left_out: LeftOut, strays: Strays, effects: Effects) -> tuple[Floats, Floats]:
    """Middle and variance for each visit left out; for old ones nobody looks at, those of their farm, crew and day."""
    middle, variance = left_out.middle.copy(), left_out.variance.copy()
    for n in np.flatnonzero(~np.isfinite(middle)):
        middle[n], variance[n] = effects.at(int(strays.farm[n]), int(strays.crew[n]), float(strays.day[n]))
    return middle, variance


def _robust_sigma(misses: Floats, usual: float) -> float:
    """Standard deviation by the median miss, with the usual one counting for eight visits; at least 2 %."""
    count = len(misses)
    found = float(np.median(np.abs(misses))) * 1.4826
    return max(0.02, math.sqrt((count * found**2 + 8 * usual**2) / (count + 8)))


def _heavy(noise: Floats, misses: Floats, variance: Floats, usual: float) -> Floats:
    """Own variances, larger for visits far off, so that they pull less."""
    spread = np.sqrt(noise + variance)
    off = np.abs(misses) / (_robust_sigma(misses / spread, usual) * spread)
    return np.asarray(noise * np.maximum(1.0, off / _HEAVY))


def _share(values: Floats, weights: Floats, level: float) -> float:
    """The value that a share `level` of one more draw lies below: the weighted quantile, one draw at infinity."""
    order = np.argsort(values, kind="stable")
    weight = weights[order]
    below = np.cumsum(weight)
    total = float(below[-1])
    effective = total**2 / float(np.sum(weight**2))
    wanted = total * (level * (1.0 + 1.0 / effective) + _MARGIN) if level > 0.5 else level * total
    place = min(int(np.searchsorted(below, wanted - 1e-12)), len(values) - 1)
    return float(values[order][place])


def _counts(names: Iterable[str]) -> dict[str, int]:
    return dict(sorted(Counter(names).items()))
