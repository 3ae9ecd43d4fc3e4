"""The facts of the scenario, read from fixtures/demo. Nothing here is a real place, person or animal."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parents[3] / "fixtures" / "demo"


@dataclass(frozen=True)
class Habit:
    """How a farm was visited so far: by which crew, on which weekday, when last (0: in the week of today)."""

    crew: str
    weekday: int
    weeks_ago: int
    head: Mapping[str, int]
    days: int = 1
    yesterday: bool = False
    """Last visited on the last working day before today."""


@dataclass(frozen=True)
class FarmFacts:
    """A farm: `details` as the service takes them, the pens of its herd, and how it was visited."""

    name: str
    details: Mapping[str, Any]
    pens: tuple[str, ...]
    habit: Habit

    @property
    def interval(self) -> int | None:
        return self.details["visit_interval_weeks"]  # type: ignore[no-any-return]


@dataclass(frozen=True)
class ClientFacts:
    """A client: `details` as the service takes them, its farms, and how it pays: prompt, slow, part or never."""

    number: str
    details: Mapping[str, Any]
    pays: str
    on_hold: bool
    farms: tuple[FarmFacts, ...]


@dataclass(frozen=True)
class Ask:
    """A request that waits; days count from today backwards and from the planned Monday forwards."""

    farm: str
    clock: dt.time
    by: str
    urgency: str
    head: Mapping[str, int]
    lame: tuple[Mapping[str, Any], ...]
    note: str
    asked_days_ago: int = 0
    due_day: int | None = None
    due_in_days: int | None = None
    weekdays: tuple[int, ...] = ()
    farm_changes: Mapping[str, Any] | None = None
    """What the farm's page says differently from now on."""


@dataclass(frozen=True)
class Lesions:
    """Published counts of what is found at the chute (sources stand in the file)."""

    share: Decimal
    share_in_tie_stalls: Decimal
    each: Decimal
    """Lesions of a cow that has any"""
    counts: Mapping[str, Decimal]
    """By code"""
    m_stages: Mapping[str, int]


@dataclass(frozen=True)
class Valley:
    """Everything the scenario is made of."""

    business: Mapping[str, Any]
    credit_prefix: str
    people: Mapping[str, Mapping[str, str]]
    bases: Mapping[str, Mapping[str, Any]]
    crews: Mapping[str, Mapping[str, Any]]
    day_off: Mapping[str, Any]
    clients: tuple[ClientFacts, ...]
    prices: Mapping[str, Any]
    lesions: Lesions
    waiting: tuple[Ask, ...]
    after_confirming: Ask
    agreed_already: Mapping[str, Any]
    chute_day: Mapping[str, Any]

    @property
    def farms(self) -> dict[str, FarmFacts]:
        return {farm.name: farm for client in self.clients for farm in client.farms}

    def named_at(self, farm: str) -> list[str]:
        """Numbers of the cows at a farm that the scenario names."""
        asks = [ask for ask in (*self.waiting, self.after_confirming) if ask.farm == farm]
        named = [cow["number"] for ask in asks for cow in ask.lame]
        if self.chute_day["farm"] == farm:
            named += [cow["number"] for cow in self.chute_day["cows"]]
        return named


def read_valley() -> Valley:
    """Read the files of fixtures/demo."""
    told = _read("valley")
    asks = _read("requests")
    return Valley(
        business=told["business"],
        credit_prefix=told["credit_prefix"],
        people=told["people"],
        bases=told["bases"],
        crews=told["crews"],
        day_off=told["day_off"],
        clients=tuple(_client(dict(client)) for client in told["clients"]),
        prices=_read("prices"),
        lesions=_lesions(_read("lesions")),
        waiting=tuple(_ask(dict(ask)) for ask in asks["waiting"]),
        after_confirming=_ask(dict(asks["after_confirming"])),
        agreed_already=asks["agreed_already"],
        chute_day=_read("chute_day"),
    )


def _read(name: str) -> dict[str, Any]:
    return json.loads((FOLDER / f"{name}.json").read_text())  # type: ignore[no-any-return]


def _client(told: dict[str, Any]) -> ClientFacts:
    farms = tuple(_farm(dict(farm)) for farm in told.pop("farms"))
    return ClientFacts(
        number=told["number"],
        pays=told.pop("pays"),
        on_hold=told.pop("on_hold", False),
        farms=farms,
        details=told,
    )


def _farm(told: dict[str, Any]) -> FarmFacts:
    habit, pens = Habit(**told.pop("visits")), tuple(told.pop("pens"))
    told["lock_up_hours"] = Decimal(told["lock_up_hours"])
    told["access_windows"] = windows(told.pop("windows"))
    told["contacts"] = [
        {"name": name, "phone": phone, "email": email, "job": job} for name, phone, email, job in told.pop("contacts")
    ]
    return FarmFacts(name=told["name"], details=told, pens=pens, habit=habit)


def windows(told: list[list[Any]]) -> list[dict[str, Any]]:
    """Access hours as the service takes them, from rows of weekday and two times."""
    return [
        {"weekday": weekday, "opens": dt.time.fromisoformat(opens), "closes": dt.time.fromisoformat(closes)}
        for weekday, opens, closes in told
    ]


def _ask(told: dict[str, Any]) -> Ask:
    changes: dict[str, Any] = {name: told.pop(name) for name in ("chute_kind_needed", "days_that_suit") if name in told}
    if "windows" in told:
        changes["access_windows"] = windows(told.pop("windows"))
    return Ask(
        **told
        | {
            "clock": dt.time.fromisoformat(told["clock"]),
            "lame": tuple(told["lame"]),
            "weekdays": tuple(told.get("weekdays", ())),
            "farm_changes": changes or None,
        }
    )


def _lesions(told: dict[str, Any]) -> Lesions:
    counts: dict[str, Decimal] = {}
    for row in told["lesions"]:
        parts = sum(row["codes"].values())
        for code, part in row["codes"].items():
            counts[code] = Decimal(row["count"]) * part / parts
    affected = Decimal(told["cows_with_lesions"])
    return Lesions(
        share=affected / told["cows"],
        share_in_tie_stalls=Decimal(str(told["tie_stall_percent"])) / 100,
        each=sum(counts.values()) / affected,
        counts=counts,
        m_stages=told["m_stages"],
    )
