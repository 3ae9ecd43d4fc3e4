"""Plans a week: which crew visits which farm on which day, in what order. No Django, no database, no clock of its
own."""

from .change import Change, ChangeKind, apply, burden
from .check import Breach, check_plan
from .difference import Difference, Moved, Visit, compare
from .explain import LeftOut, explain, hopeless, left_out
from .letting_in import Suggestion
from .nearest import Nearest
from .plan import Infeasible, Plan, Progress, Round, Stop
from .problem import BadWeek, Costs, Crew, Fixed, Job, Key, Moves, Night, Rules, Told, Week
from .replan import Cancelled, CrewDown, Event, NewJob, Overran, Replanned, happen, replan, usual_moves
from .rounds import evaluate
from .solve import solve
from .totals import plan_of
from .weekfile import read_week, write_week
from .whatif import WhyNot, why_not
from .worth import Worth, worth_of_time

__all__ = [
    "BadWeek",
    "Breach",
    "Cancelled",
    "Change",
    "ChangeKind",
    "Costs",
    "Crew",
    "CrewDown",
    "Difference",
    "Event",
    "Fixed",
    "Infeasible",
    "Job",
    "Key",
    "LeftOut",
    "Moved",
    "Moves",
    "Nearest",
    "NewJob",
    "Night",
    "Overran",
    "Plan",
    "Progress",
    "Replanned",
    "Round",
    "Rules",
    "Stop",
    "Suggestion",
    "Told",
    "Visit",
    "Week",
    "WhyNot",
    "Worth",
    "apply",
    "burden",
    "check_plan",
    "compare",
    "evaluate",
    "explain",
    "happen",
    "hopeless",
    "left_out",
    "plan_of",
    "read_week",
    "replan",
    "solve",
    "usual_moves",
    "why_not",
    "worth_of_time",
    "write_week",
]
