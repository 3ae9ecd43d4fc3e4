"""Rechecks are written down and closed by hand, listed with the overdue first, and raised by the business's rules."""

from __future__ import annotations

import datetime as dt
import threading
import uuid
from typing import Any

import pytest
from django.db import connection

from tests import make
from trimmer.access import Seat
from trimmer.models import Animal, Recheck, RecheckRule, VisitState
from trimmer.queries.rechecks import as_rows, count_overdue, rechecks_to_show
from trimmer.services.businesses import add_default_rules
from trimmer.services.rechecks import (
    PurposeIsUnknown,
    ReasonIsMissing,
    RecheckEndsTooEarly,
    RecheckIsClosed,
    RuleCannotBe,
    change_rule,
    close_recheck,
    raise_recheck,
)
from trimmer.services.records import TreatmentValues, record_animal

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)


@pytest.fixture
def owner() -> Seat:
    return make.a_member(make.a_business())


@pytest.fixture
def cow(owner: Seat) -> Animal:
    return make.an_animal(make.a_farm(make.a_client(owner.business)), number="112")


def written_down(cow: Animal, **fields: Any) -> Recheck:
    values: dict[str, Any] = {
        "what": "look_at_lesion",
        "due_from": make.TODAY + 5 * DAY,
        "due_by": make.TODAY + 9 * DAY,
    }
    return raise_recheck(animal=cow, today=make.TODAY, **(values | fields))


def record(cow: Animal, *kinds: str, day: dt.date = make.TODAY) -> None:
    visit = make.a_visit(cow.farm, make.a_crew(cow.farm.client.business), date=day)
    record_animal(
        visit=visit,
        id=uuid.uuid4(),
        animal=cow,
        kind="cow",
        treatments=[TreatmentValues(kind, foot="LH") for kind in kinds],
        recorded_at=make.NOW,
        by=None,
        now=make.NOW,
    )


def test_a_recheck_is_written_down_by_hand(cow: Animal) -> None:
    recheck = written_down(cow, note=" limps on gravel ")
    assert (recheck.trigger, recheck.raised_on, recheck.note) == ("by_hand", make.TODAY, "limps on gravel")
    assert recheck in Recheck.objects.open()


def test_a_recheck_that_ends_before_it_begins_is_refused(cow: Animal) -> None:
    with pytest.raises(RecheckEndsTooEarly):
        written_down(cow, due_by=make.TODAY)


def test_an_unknown_purpose_is_refused(cow: Animal) -> None:
    with pytest.raises(PurposeIsUnknown):
        written_down(cow, what="sing")


def test_a_recheck_written_down_by_hand_is_closed_by_a_record_in_its_days(cow: Animal) -> None:
    recheck = written_down(cow)
    record(cow, day=make.TODAY + 6 * DAY)
    recheck.refresh_from_db()
    assert recheck.closed_by_record is not None


def test_an_old_record_does_not_close_a_recheck_written_down_today(cow: Animal) -> None:
    record(cow, "block_removed", day=make.TODAY - DAY)
    written_down(cow, what="look_at_block")
    record(cow, "wrap")
    assert Recheck.objects.open().filter(what="look_at_block").exists()


def test_a_recheck_is_closed_by_hand_with_a_reason(cow: Animal, owner: Seat) -> None:
    recheck = written_down(cow)
    close_recheck(recheck=recheck, reason=" sold ", by=owner.user, now=make.NOW)
    assert (recheck.closed_at, recheck.closed_reason, recheck.closed_by) == (make.NOW, "sold", owner.user)


def test_closing_needs_a_reason(cow: Animal) -> None:
    with pytest.raises(ReasonIsMissing):
        close_recheck(recheck=written_down(cow), reason=" ", by=None, now=make.NOW)


def test_a_closed_recheck_is_not_closed_again(cow: Animal) -> None:
    recheck = written_down(cow)
    close_recheck(recheck=recheck, reason="sold", by=None, now=make.NOW)
    with pytest.raises(RecheckIsClosed):
        close_recheck(recheck=recheck, reason="dead", by=None, now=make.NOW)
    assert Recheck.objects.get().closed_reason == "sold"


@pytest.mark.django_db(transaction=True)
def test_of_two_who_close_at_once_one_does(cow: Animal) -> None:
    recheck = written_down(cow)
    together = threading.Barrier(2)
    answers: list[str] = []

    def close(reason: str) -> None:
        mine = Recheck.objects.get(pk=recheck.pk)
        together.wait(10)
        try:
            close_recheck(recheck=mine, reason=reason, by=None, now=make.NOW)
            answers.append(reason)
        except RecheckIsClosed:
            pass
        finally:
            connection.close()

    closers = [threading.Thread(target=close, args=[reason]) for reason in ("sold", "dead")]
    for closer in closers:
        closer.start()
    for closer in closers:
        closer.join(30)
    assert answers == [Recheck.objects.get().closed_reason]


def test_a_business_without_rules_of_its_own_follows_the_defaults(cow: Animal) -> None:
    record(cow, "wrap")
    assert Recheck.objects.get().due_by == make.TODAY + 5 * DAY


def test_a_changed_rule_raises_with_its_own_days(cow: Animal, owner: Seat) -> None:
    add_default_rules(business=owner.business)
    rule = RecheckRule.objects.get(trigger="wrap")
    change_rule(rule=rule, from_days=1, by_days=3, warn_days=1, active=True)
    record(cow, "wrap")
    recheck = Recheck.objects.get()
    assert (recheck.due_from, recheck.due_by) == (make.TODAY + DAY, make.TODAY + 3 * DAY)
    assert recheck.warn_from == make.TODAY + DAY


def test_a_rule_that_is_not_in_use_raises_nothing(cow: Animal, owner: Seat) -> None:
    add_default_rules(business=owner.business)
    change_rule(rule=RecheckRule.objects.get(trigger="wrap"), from_days=3, by_days=5, warn_days=None, active=False)
    record(cow, "wrap")
    assert not Recheck.objects.exists()


def test_the_rules_of_another_business_do_not_count(cow: Animal) -> None:
    stranger = make.a_business()
    add_default_rules(business=stranger)
    RecheckRule.objects.filter(trigger="wrap").update(by_days=30)
    record(cow, "wrap")
    assert Recheck.objects.get().due_by == make.TODAY + 5 * DAY


@pytest.mark.parametrize(("from_days", "by_days", "warn_days"), [(5, 3, None), (3, 401, None), (3, 5, 6)])
def test_a_rule_that_cannot_be_is_refused(owner: Seat, from_days: int, by_days: int, warn_days: int | None) -> None:
    add_default_rules(business=owner.business)
    rule = RecheckRule.objects.get(trigger="wrap")
    with pytest.raises(RuleCannotBe):
        change_rule(rule=rule, from_days=from_days, by_days=by_days, warn_days=warn_days, active=True)


def dated(cow: Animal, first: int, last: int) -> Recheck:
    return written_down(cow, due_from=make.TODAY + first * DAY, due_by=make.TODAY + last * DAY)


def test_the_list_has_the_overdue_first(cow: Animal, owner: Seat) -> None:
    later, due, over = dated(cow, 20, 25), dated(cow, -1, 3), dated(cow, -9, -2)
    rows = as_rows(rechecks_to_show(owner, today=make.TODAY), today=make.TODAY)
    assert [(row.recheck, row.state) for row in rows] == [(over, "overdue"), (due, "due"), (later, "waiting")]


def test_the_list_is_narrowed_to_overdue_this_week_or_a_farm(cow: Animal, owner: Seat) -> None:
    later, due, over = dated(cow, 20, 25), dated(cow, 4, 8), dated(cow, -9, -3)
    other = dated(make.an_animal(make.a_farm(cow.farm.client)), 4, 8)
    assert set(rechecks_to_show(owner, today=make.TODAY, show="overdue")) == {over}
    assert set(rechecks_to_show(owner, today=make.TODAY, show="week")) == {due, other}
    assert set(rechecks_to_show(owner, today=make.TODAY, farm=cow.farm)) == {later, due, over}


def test_closed_rechecks_have_a_list_of_their_own(cow: Animal, owner: Seat) -> None:
    closed = dated(cow, 1, 2)
    close_recheck(recheck=closed, reason="sold", by=None, now=make.NOW)
    assert not rechecks_to_show(owner, today=make.TODAY).exists()
    rows = as_rows(rechecks_to_show(owner, today=make.TODAY, show="closed"), today=make.TODAY)
    assert [(row.recheck, row.state) for row in rows] == [(closed, "closed")]


def test_the_list_names_the_farms_next_visit(cow: Animal, owner: Seat) -> None:
    crew = make.a_crew(owner.business)
    make.a_visit(cow.farm, crew, date=make.TODAY + 2 * DAY, state=VisitState.CANCELLED, cancelled_at=make.NOW)
    make.a_visit(cow.farm, crew, date=make.TODAY + 7 * DAY)
    dated(cow, 1, 9)
    (row,) = as_rows(rechecks_to_show(owner, today=make.TODAY), today=make.TODAY)
    assert row.next_visit_on == make.TODAY + 7 * DAY


def test_the_visit_that_raised_a_recheck_is_not_its_next_one(cow: Animal, owner: Seat) -> None:
    crew = make.a_crew(owner.business)
    visit = make.a_visit(cow.farm, crew, date=make.TODAY)
    raised, by_hand = dated(cow, 5, 9), dated(cow, 6, 10)
    Recheck.objects.filter(pk=raised.pk).update(raised_by=make.a_record(visit, cow))
    rows = as_rows(rechecks_to_show(owner, today=make.TODAY), today=make.TODAY)
    assert [(row.recheck, row.next_visit_on) for row in rows] == [(raised, None), (by_hand, make.TODAY)]


def test_a_farm_sees_its_own_rechecks_and_a_stranger_none(cow: Animal, owner: Seat) -> None:
    own = dated(cow, -9, -2)
    farm = make.a_farm_person(cow.farm.client)
    neighbour = make.a_farm_person(make.a_client(owner.business))
    stranger = make.a_member(make.a_business())
    assert list(rechecks_to_show(farm, today=make.TODAY)) == [own]
    for seat in (neighbour, stranger):
        assert not rechecks_to_show(seat, today=make.TODAY).exists()
        assert count_overdue(seat, today=make.TODAY) == 0
    assert count_overdue(owner, today=make.TODAY) == 1
