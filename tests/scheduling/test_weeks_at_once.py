"""Two people at the same proposal at the same time: one change is made, the other is told."""

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection

from scheduling.models import ProposedStop, ProposedWeek, WeekState, WeekStep
from scheduling.services import changing, weeks
from tests import make
from tests.scheduling.proposals import MONDAY, a_week, key_of
from trimmer.errors import Refusal
from trimmer.models import Farm, Visit

pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*calls: Callable[[], object]) -> list[Refusal | None]:
    """The refusal of each call, all begun together, each on a connection of its own; None where it was done."""
    start = threading.Barrier(len(calls))

    def outcome(call: Callable[[], object]) -> Refusal | None:
        start.wait()
        try:
            call()
        except Refusal as refusal:
            return refusal
        finally:
            connection.close()
        return None

    with ThreadPoolExecutor(len(calls)) as pool:
        return list(pool.map(outcome, calls))


@pytest.fixture
def farms() -> list[Farm]:
    crew = make.a_crew(make.a_business(time_zone="Europe/Dublin"), name="North")
    client = make.a_client(crew.business)
    return [make.a_farm(client, latitude=47.12 + n * 0.03) for n in range(3)]


@pytest.fixture
def week(farms: list[Farm]) -> ProposedWeek:
    crew = farms[0].client.business.crews.get()
    return a_week(crew, *farms)


def take_out(week: ProposedWeek, farm: Farm, version: int) -> Callable[[], object]:
    own = ProposedWeek.objects.select_related("business").get(pk=week.pk)
    return lambda: changing.take_out_stop(week=own, version=version, key=key_of(farm), by=None, now=make.NOW)


def test_of_two_changes_at_once_one_is_kept_and_one_told(week: ProposedWeek, farms: list[Farm]) -> None:
    outcomes = at_once(*(take_out(week, farm, week.version) for farm in farms))
    told = [outcome for outcome in outcomes if outcome is not None]
    assert [type(outcome) for outcome in told] == [weeks.ChangedMeanwhile] * 2
    week.refresh_from_db()
    assert (week.version, week.step) == (2, 1)
    assert WeekStep.objects.filter(week=week).count() == 2
    assert ProposedStop.objects.filter(round__week=week).count() == 2


def test_a_change_and_confirming_at_once_never_mix(week: ProposedWeek, farms: list[Farm]) -> None:
    own = ProposedWeek.objects.select_related("business").get(pk=week.pk)
    outcomes = at_once(
        take_out(week, farms[0], week.version),
        lambda: weeks.confirm_week(week=own, version=week.version, by=None, now=make.NOW),
    )
    assert sum(outcome is None for outcome in outcomes) == 1
    week.refresh_from_db()
    if week.state == WeekState.CONFIRMED:
        assert Visit.objects.count() == 3
        assert isinstance(outcomes[0], weeks.NotProposed)
    else:
        assert not Visit.objects.exists()
        assert isinstance(outcomes[1], weeks.ChangedMeanwhile)


def test_of_two_who_have_a_week_planned_at_once_one_is_told(week: ProposedWeek) -> None:
    business = week.business
    call = lambda: weeks.propose_week(business=business, monday=MONDAY, by=None, now=make.NOW)  # noqa: E731
    outcomes = at_once(call, call)
    assert sorted(type(outcome).__name__ for outcome in outcomes) == ["AlreadyBeingPlanned", "NoneType"]
