"""How long a visit takes, learned from those recorded; what will be found; what to carry. No Django, no database."""

from .fit import LEVELS, Estimate, Pace, Tried, fit_pace
from .lines import NoLine, pinball, quantile_lines
from .rates import KINDS, Rates, Spread
from .visits import PastVisit, SetAside, WorkAsked

__all__ = [
    "KINDS",
    "LEVELS",
    "Estimate",
    "NoLine",
    "Pace",
    "PastVisit",
    "Rates",
    "SetAside",
    "Spread",
    "Tried",
    "WorkAsked",
    "fit_pace",
    "pinball",
    "quantile_lines",
]
