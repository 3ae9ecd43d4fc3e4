"""The service's own planner."""

from typing import Any

from scheduling.planner import Progress, Week, solve


def plan(week: Week, seconds: float) -> dict[str, Any]:
    """Its plan and bound, when the first plan was there, and what each stage had reached."""
    heard: list[Progress] = []
    found = solve(week, seconds=seconds, on_progress=heard.append)
    whole = [news.seconds for news in heard if news.plan.rounds]
    reached = [(news.seconds, news.cost) for news in heard]
    return {"plan": found.as_file(), "bound": found.bound, "first": whole[0] if whole else None, "reached": reached}
