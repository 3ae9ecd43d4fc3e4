"""Plans a week: which crew visits which farm on which day, in what order. No Django, no database, no clock of its
own."""

from .change import Change, ChangeKind, apply, burden
from .check import Breach, check_plan
from .explain import LeftOut, hopeless, left_out
from .plan import Infeasible, Plan, Progress, Round, Stop
from .problem import BadWeek, Costs, Crew, Fixed, Job, Key, Moves, Rules, Told, Week
from .rounds import evaluate
from .solve import solve
from .totals import plan_of
from .weekfile import read_week, write_week

__all__ = [
    "BadWeek",
    "Breach",
    "Change",
    "ChangeKind",
    "Costs",
    "Crew",
    "Fixed",
    "Infeasible",
    "Job",
    "Key",
    "LeftOut",
    "Moves",
    "Plan",
    "Progress",
    "Round",
    "Rules",
    "Stop",
    "Told",
    "Week",
    "apply",
    "burden",
    "check_plan",
    "evaluate",
    "hopeless",
    "left_out",
    "plan_of",
    "read_week",
    "solve",
    "write_week",
]
