"""Changes by hand to a proposed week: tried first, then kept as steps that can be undone and done again.

A change names the version of the proposal it was made on. The write that keeps it raises the version where it still
stands, so that of two people who change the same proposal the second is told and nothing of theirs is mixed.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

from django.db import transaction
from django.utils.translation import gettext_lazy

from scheduling.models import ProposedWeek, StepKind, WeekState, WeekStep
from scheduling.queries import DAYS
from scheduling.rules import rule_sentence
from scheduling.services.arranging import Arrangement, CannotBe, Hand, Place, read_arrangement, read_held
from scheduling.services.ground import read_ground
from scheduling.services.weeks import AlreadyBeingPlanned, ChangedMeanwhile, NotProposed
from scheduling.services.writing import write_arrangement
from trimmer.errors import Refusal
from trimmer.models import Crew, Farm, Job, User


class RuleForbids(Refusal):
    code = "rule_forbids"
    message = gettext_lazy("%(why)s")


class NotToBeChanged(Refusal):
    code = "proposal_cannot_be_changed"
    message = gettext_lazy("This proposal holds nothing that could be moved. Propose the week again.")


class NoSuchVisit(Refusal):
    code = "no_such_visit_in_the_proposal"
    message = gettext_lazy("This visit is not in the proposal any more. Look at the week again.")
    status = HTTPStatus.NOT_FOUND


class NoSuchPlace(Refusal):
    code = "no_such_place"
    message = gettext_lazy("Choose one of your crews and a day of this week.")
    status = HTTPStatus.BAD_REQUEST


class VisitIsBooked(Refusal):
    code = "visit_is_booked_already"
    message = gettext_lazy("This visit is booked and its farm was told. Move it on the visit's own page.")


class VisitIsPinned(Refusal):
    code = "visit_is_pinned"
    message = gettext_lazy("This visit is pinned where it is. Take the pin off first.")


class NotLeftOut(Refusal):
    code = "visit_is_in_the_week"
    message = gettext_lazy("This visit is in the week already. Move it where you want it.")


class NothingToUndo(Refusal):
    code = "nothing_to_undo"
    message = gettext_lazy("There is no step to take back: this is the week as it was proposed.")


class NothingToRedo(Refusal):
    code = "nothing_to_do_again"
    message = gettext_lazy("There is no step to do again.")


@dataclass(frozen=True)
class Trial:
    """What a change would make of the week. `extra`: what the week would cost more (cents); before, after: in hand;
    touched: the crew-days whose rounds change."""

    before: Hand
    after: Hand
    extra: float
    touched: tuple[tuple[int, int], ...]


def hand_of(week: ProposedWeek) -> Hand:
    """The proposal as it stands, ready to be tried on. Refuses one that holds nothing to plan."""
    step = WeekStep.objects.filter(week=week, number=week.step).first()
    if step is None or not week.ground:
        raise NotToBeChanged
    return Hand(read_ground(week.ground), read_arrangement(step.arrangement))


def farm_names(hand: Hand) -> dict[int, str]:
    """The names of all farms in the proposal."""
    farms = {facts.farm for facts in hand.ground.facts.values()}
    return dict(Farm.objects.filter(pk__in=farms).values_list("pk", "name"))


def sentence_of(why: CannotBe, hand: Hand, day: int | None = None, farms: Mapping[int, str] | None = None) -> str:
    """The rule that forbids a change, for people."""
    facts = hand.ground.facts.get(why.job or "")
    names = farm_names(hand) if farms is None else farms
    farm = names.get(facts.farm, "") if facts else ""
    job = hand.week.job(why.job) if why.job in hand.week.job_index else None
    code = why.code
    if code == "window-missed" and job is not None and job.fixed is not None:
        code = "pin-missed" if why.job in hand.arranged.pins else "booking-missed"
    return rule_sentence(code, farm=farm, job=job, day=day, **why.params)


def places_of(*, week: ProposedWeek, key: str, part: int = 1) -> list[Place]:
    """Where the visit could be: the cheapest place on each crew-day, or the rule that refuses it."""
    hand = hand_of(week)
    return hand.places(key, _part_in(hand, key, part))


def try_move(*, week: ProposedWeek, key: str, part: int = 1, crew: Crew, date: dt.date, place: int | None) -> Trial:
    """What moving the visit there would cost, kept nowhere. A left-out job is tried as put in."""
    hand = hand_of(week)
    return _trial(hand, _moved(hand, week, key, part, crew, date, place))


def try_taking_out(*, week: ProposedWeek, key: str) -> Trial:
    """What leaving the visit for another week would cost, kept nowhere."""
    hand = hand_of(week)
    return _trial(hand, _taken_out(hand, key))


def move_stop(
    *,
    week: ProposedWeek,
    version: int,
    key: str,
    part: int = 1,
    crew: Crew,
    date: dt.date,
    place: int | None = None,
    by: User | None,
    now: dt.datetime,
) -> WeekStep:
    """Move a visit to another crew, day or place in the round (from 0; None: where it is cheapest)."""

    def change(hand: Hand) -> tuple[StepKind, Hand, dict[str, Any]]:
        at, _work = hand.part_at(key, part) if key in _placed(hand) else ((0, 0), 0)
        was = {"from_crew": at[0], "from_day": at[1]}
        after = _moved(hand, week, key, part, crew, date, place)
        kind = StepKind.PUT_IN if key not in _placed(hand) else StepKind.MOVED
        return kind, after, was | {"crew": crew.pk, "day": (date - week.monday).days}

    return _keep(week, version, key, change, by=by, now=now)


def put_in_job(*, week: ProposedWeek, version: int, key: str, by: User | None, now: dt.datetime) -> WeekStep:
    """Put a job that was left out where it costs least, in several visits if it must be and may be."""

    def change(hand: Hand) -> tuple[StepKind, Hand, dict[str, Any]]:
        _known(hand, key)
        if key in _placed(hand):
            raise NotLeftOut
        with _rules_said(hand, None):
            after = hand.put_in_anywhere(key)
        crew, day = after.arranged.days_of(key)[0]
        return StepKind.PUT_IN, after, {"crew": crew, "day": day}

    return _keep(week, version, key, change, by=by, now=now)


def take_out_stop(*, week: ProposedWeek, version: int, key: str, by: User | None, now: dt.datetime) -> WeekStep:
    """Leave all visits of a job for another week."""
    return _keep(week, version, key, lambda hand: (StepKind.TAKEN_OUT, _taken_out(hand, key), {}), by=by, now=now)


def pin_stop(*, week: ProposedWeek, version: int, key: str, hour: bool, by: User | None, now: dt.datetime) -> WeekStep:
    """Pin a job's visits to their crews and days, and with `hour` to the hour: the next proposal keeps them."""

    def change(hand: Hand) -> tuple[StepKind, Hand, dict[str, Any]]:
        _known(hand, key)
        if key not in _placed(hand):
            raise NoSuchVisit
        _not_booked(hand, key)
        with _rules_said(hand, None):
            return StepKind.PINNED, hand.pinned(key, hour=hour), {"hour": hour}

    return _keep(week, version, key, change, by=by, now=now)


def unpin_stop(*, week: ProposedWeek, version: int, key: str, by: User | None, now: dt.datetime) -> WeekStep:
    """Take the pin off."""

    def change(hand: Hand) -> tuple[StepKind, Hand, dict[str, Any]]:
        if key not in hand.arranged.pins:
            raise NoSuchVisit
        with _rules_said(hand, None):
            return StepKind.UNPINNED, hand.unpinned(key), {}

    return _keep(week, version, key, change, by=by, now=now)


def keep_arrangement(
    *,
    week: ProposedWeek,
    version: int,
    key: str,
    arranged: Arrangement,
    kind: StepKind,
    details: dict[str, Any],
    by: User | None,
    now: dt.datetime,
) -> WeekStep:
    """Make a whole arrangement of the same week the proposal: one that a worker found around the visit `key`."""

    def change(hand: Hand) -> tuple[StepKind, Hand, dict[str, Any]]:
        with _rules_said(hand, None):
            after = Hand(hand.ground, arranged)
            assert after.plan is not None  # noqa: S101  (worked out, and checked)
        return kind, after, details

    return _keep(week, version, key, change, by=by, now=now)


def undo_change(*, week: ProposedWeek, version: int) -> ProposedWeek:
    """Take the last step back."""
    return _go_to(week, version, -1, NothingToUndo)


def redo_change(*, week: ProposedWeek, version: int) -> ProposedWeek:
    """Do the step again that was taken back."""
    return _go_to(week, version, +1, NothingToRedo)


def bound_holds(week: ProposedWeek) -> bool:
    """Whether the bound, proven under what the solving had to keep, says something of the week as it is now: it does
    while all of that is still kept."""
    pins, out = read_held(week.held)
    if not pins and not out:
        return True
    step = WeekStep.objects.filter(week=week, number=week.step).first()
    if step is None:
        return False
    now = read_arrangement(step.arrangement)
    return all(now.pins.get(key) == pin for key, pin in pins.items()) and out <= now.out


def _moved(hand: Hand, week: ProposedWeek, key: str, part: int, crew: Crew, date: dt.date, place: int | None) -> Hand:
    _known(hand, key)
    _not_booked(hand, key)
    day = (date - week.monday).days
    if not 0 <= day < DAYS or crew.business_id != week.business_id or crew.pk not in hand.week.crew_index:
        raise NoSuchPlace
    if key in hand.arranged.pins:
        raise VisitIsPinned
    with _rules_said(hand, day):
        if key in _placed(hand):
            try:
                return hand.moved(key, part, crew.pk, day, place)
            except KeyError as error:
                raise NoSuchVisit from error
        return hand.put_in(key, crew.pk, day, place)


def _taken_out(hand: Hand, key: str) -> Hand:
    _known(hand, key)
    if key not in _placed(hand):
        raise NoSuchVisit
    _not_booked(hand, key)
    with _rules_said(hand, None):
        return hand.taken_out(key)


def _trial(before: Hand, after: Hand) -> Trial:
    rounds = {at: visits for at, visits in before.arranged.rounds.items() if visits}
    changed = {at: visits for at, visits in after.arranged.rounds.items() if visits}
    touched = sorted(
        (at for at in rounds.keys() | changed.keys() if rounds.get(at) != changed.get(at)),
        key=lambda at: (at[1], at[0]),
    )
    return Trial(before, after, after.plan.cost - before.plan.cost, tuple(touched))


@contextmanager
def _rules_said(hand: Hand, day: int | None) -> Iterator[None]:
    """A rule that forbids becomes a refusal with its sentence."""
    try:
        yield
    except CannotBe as why:
        raise RuleForbids(why=sentence_of(why, hand, day), rule=why.code) from why


def _placed(hand: Hand) -> set[str]:
    return {key for visits in hand.arranged.rounds.values() for key, _ in visits}


def _part_in(hand: Hand, key: str, part: int) -> int | None:
    """The part if there is one; None for a job that is left out."""
    _known(hand, key)
    if key not in _placed(hand):
        return None
    try:
        hand.part_at(key, part)
    except KeyError as error:
        raise NoSuchVisit from error
    return part


def _known(hand: Hand, key: str) -> None:
    if key not in hand.ground.facts:
        raise NoSuchVisit


def _not_booked(hand: Hand, key: str) -> None:
    if hand.ground.week.job(key).fixed is not None:
        raise VisitIsBooked


@contextmanager
def _changing(week: ProposedWeek, version: int) -> Iterator[None]:
    """One change to the proposal in this version, all of it or nothing; refused, `week` is as the database has it."""
    try:
        with transaction.atomic():
            _raise_version(week, version)
            yield
    except Refusal:
        week.refresh_from_db()
        raise


def _keep(
    week: ProposedWeek,
    version: int,
    key: str,
    change: Callable[[Hand], tuple[StepKind, Hand, dict[str, Any]]],
    *,
    by: User | None,
    now: dt.datetime,
) -> WeekStep:
    with _changing(week, version):
        return _write_step(week, key, change, by=by, now=now)


def _write_step(
    week: ProposedWeek,
    key: str,
    change: Callable[[Hand], tuple[StepKind, Hand, dict[str, Any]]],
    *,
    by: User | None,
    now: dt.datetime,
) -> WeekStep:
    before = hand_of(week)
    kind, after, details = change(before)
    WeekStep.objects.filter(week=week, number__gt=week.step).delete()
    week.step += 1
    write_arrangement(week, after)
    week.save(update_fields=["step", "cost", "parts"])
    extra = after.plan.cost - before.plan.cost
    return WeekStep.objects.create(
        week=week,
        number=week.step,
        kind=kind,
        farm_id=after.ground.facts[key].farm,
        details=details | {"extra": round(extra)},
        arrangement=after.arranged.as_row(),
        cost=week.cost,
        made_by=by,
        made_at=now,
    )


def _go_to(week: ProposedWeek, version: int, by: int, refusal: type[Refusal]) -> ProposedWeek:
    with _changing(week, version):
        step = WeekStep.objects.filter(week=week, number=week.step + by).first()
        if step is None:
            raise refusal
        week.step = step.number
        write_arrangement(week, Hand(read_ground(week.ground), read_arrangement(step.arrangement)))
        week.save(update_fields=["step", "cost", "parts"])
    return week


def _raise_version(week: ProposedWeek, version: int) -> None:
    """Take the proposal in this version for oneself, or say that somebody was first. The row stays locked."""
    taken = ProposedWeek.objects.filter(pk=week.pk, state=WeekState.PROPOSED, version=version).update(
        version=version + 1
    )
    week.refresh_from_db()
    if not taken:
        raise ChangedMeanwhile if week.state == WeekState.PROPOSED else NotProposed
    planning = ProposedWeek.objects.of(week.business).filter(monday=week.monday, state=WeekState.PLANNING)
    if Job.objects.unfinished().filter(proposed_week__in=planning).exists():
        raise AlreadyBeingPlanned
