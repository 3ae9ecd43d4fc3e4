"""Setting up: the business, bases, crews with their week, days off. The owner changes, the others read."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from django.urls import reverse

from tests import make
from tests.make import TODAY
from trimmer.access import Seat
from trimmer.errors import Refusal
from trimmer.models import Base, Business, Crew, DaysOff, Role, VisitState
from trimmer.services import crews, farms
from trimmer.services.crews import (
    HoursDetails,
    add_base,
    add_crew,
    add_days_off,
    remove_base,
    update_base,
    update_crew,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner() -> Seat:
    return make.a_member(make.a_business())


@pytest.fixture
def base(owner: Seat) -> Base:
    return make.a_base(owner.business, name="Home yard")


@pytest.fixture
def crew(owner: Seat, base: Base) -> Crew:
    return make.a_crew(owner.business, base=base, name="Red crew")


def goes_out(weekday: int, leave: int = 7, back: int = 17) -> HoursDetails:
    return HoursDetails(weekday=weekday, leave_from=dt.time(leave), back_by=dt.time(back))


# Bases


def test_a_base_is_added_and_moved(owner: Seat) -> None:
    base = add_base(business=owner.business, name="Home yard", latitude=47.1, longitude=9.5)

    update_base(base=base, name="Home yard", latitude=47.2, longitude=9.6)

    assert (base.business, base.latitude) == (owner.business, 47.2)


def test_a_base_has_a_name(owner: Seat) -> None:
    with pytest.raises(crews.BaseNeedsName):
        add_base(business=owner.business, name=" ", latitude=47.1, longitude=9.5)


def test_a_base_lies_on_the_globe(owner: Seat) -> None:
    with pytest.raises(farms.PositionIsSwapped):
        add_base(business=owner.business, name="Yard", latitude=109.5, longitude=47.1)


def test_a_base_name_is_used_once(owner: Seat, base: Base) -> None:
    with pytest.raises(crews.BaseNameIsTaken):
        add_base(business=owner.business, name="Home yard", latitude=47.1, longitude=9.5)


def test_an_unused_base_goes(base: Base) -> None:
    remove_base(base=base)

    assert not Base.objects.exists()


def test_a_base_crews_start_from_stays(base: Base, crew: Crew) -> None:
    with pytest.raises(crews.BaseIsUsed):
        remove_base(base=base)


# Crews


def test_a_crew_has_people_and_a_week(owner: Seat, base: Base) -> None:
    crew = add_crew(
        business=owner.business,
        base=base,
        name="Red crew",
        members=[owner.user],
        hours=[goes_out(0), goes_out(2, 8, 16)],
    )

    assert [str(day) for day in crew.hours.all()] == ["Monday 07:00-17:00", "Wednesday 08:00-16:00"]
    assert list(crew.members.all()) == [owner.user]


def test_what_is_not_named_stays(owner: Seat, crew: Crew) -> None:
    crew.members.add(owner.user)

    update_crew(crew=crew, longest_day=540)

    assert (crew.longest_day, crew.members.count(), crew.hours.count()) == (540, 1, 5)


def test_a_named_week_replaces_the_old_one(crew: Crew) -> None:
    update_crew(crew=crew, hours=[goes_out(5)])

    assert [day.weekday for day in crew.hours.all()] == [5]


REFUSED: list[tuple[dict[str, Any], type[Refusal]]] = [
    ({"name": " "}, crews.CrewNeedsName),
    ({"chute_kind": "sling"}, crews.UnknownChute),
    ({"longest_day": 30}, crews.LongestDayIsOutOfRange),
    ({"longest_day": 1441}, crews.LongestDayIsOutOfRange),
    ({"hours": [goes_out(7)]}, crews.WorkingDayIsNone),
    ({"hours": [goes_out(1), goes_out(1, 18, 20)]}, crews.WorkingDayTwice),
    ({"hours": [goes_out(1, 17, 7)]}, crews.WorkingDayEndsBeforeItBegins),
]


@pytest.mark.parametrize(("change", "refusal"), REFUSED)
def test_what_cannot_be_is_refused_at_its_field(crew: Crew, change: dict[str, Any], refusal: type[Refusal]) -> None:
    with pytest.raises(refusal) as refused:
        update_crew(crew=crew, **change)

    assert list(refused.value.fields) == list(change)


def test_a_crew_name_is_used_once(owner: Seat, base: Base, crew: Crew) -> None:
    with pytest.raises(crews.CrewNameIsTaken):
        add_crew(business=owner.business, base=base, name="Red crew")


def test_a_crew_starts_from_a_base_of_its_own_business(owner: Seat, crew: Crew) -> None:
    with pytest.raises(crews.BaseIsUnknown):
        update_crew(crew=crew, base=make.a_base(make.a_business()))


def test_only_people_who_work_here_ride_along(owner: Seat, crew: Crew) -> None:
    farmer = make.a_farm_person(make.a_client(owner.business))

    with pytest.raises(crews.PersonDoesNotWorkHere):
        update_crew(crew=crew, members=[farmer.user])


def test_a_crew_with_visits_to_do_does_not_stay_in(owner: Seat, crew: Crew) -> None:
    visit = make.a_visit(make.a_farm(make.a_client(owner.business)), crew)

    with pytest.raises(crews.CrewHasVisits):
        update_crew(crew=crew, active=False)
    visit.state = VisitState.DONE
    visit.save()
    update_crew(crew=crew, active=False)

    assert not Crew.objects.get().active


def test_days_off_end_after_they_begin(crew: Crew) -> None:
    with pytest.raises(crews.DaysOffEndBeforeTheyBegin):
        add_days_off(crew=crew, first=TODAY, last=TODAY - dt.timedelta(days=1))


# Pages


def week_sheet(**changes: Any) -> dict[str, Any]:
    """The seven rows of a working week as a browser sends them: Mondays only."""
    rows = {f"week-{day}-weekday": day for day in range(7)}
    times = {"week-0-leave_from": "07:00", "week-0-back_by": "17:00"}
    return {"week-TOTAL_FORMS": 7, "week-INITIAL_FORMS": 7} | rows | times | changes


def crew_sheet(base: Base, **changes: Any) -> dict[str, Any]:
    values = {"name": "Red crew", "base": base.pk, "chute_kind": "stand_up", "longest_day": 600, "active": "on"}
    return values | week_sheet() | changes


def test_the_owner_changes_the_business_by_the_page(owner: Seat) -> None:
    browser = make.signed_in(owner)
    details = {
        "name": "Hollin Trim",
        "country": "IE",
        "language": "en-IE",
        "time_zone": "Europe/Dublin",
        "units": "metric",
        "currency": "EUR",
        "payment_days": 14,
        "paper": "a4",
    }

    answer = browser.post(reverse("business-edit"), details)

    assert answer["Location"] == reverse("settings")
    business = Business.objects.get()
    assert (business.name, business.time_zone, business.payment_days) == ("Hollin Trim", "Europe/Dublin", 14)
    refused = browser.post(reverse("business-edit"), details | {"language": "english"}).content.decode()
    assert "no language tag" in refused
    assert 'value="english"' in refused


def test_the_owner_adds_a_base_and_a_crew_by_the_pages(owner: Seat) -> None:
    browser = make.signed_in(owner)
    assert "needs a base" in browser.get(reverse("crew-add")).content.decode()

    browser.post(reverse("base-add"), {"name": "Home yard", "latitude": "47.1", "longitude": "9.5"})
    answer = browser.post(reverse("crew-add"), crew_sheet(Base.objects.get(), members=[owner.user.pk]))

    crew = Crew.objects.get()
    assert answer["Location"] == reverse("crew-page", args=[crew.pk])
    assert [day.weekday for day in crew.hours.all()] == [0]
    assert crew.name in browser.get(reverse("settings")).content.decode()
    assert "07:00" in browser.get(reverse("crew-page", args=[crew.pk])).content.decode()


def test_half_a_working_day_is_refused_in_its_row(owner: Seat, base: Base) -> None:
    sheet = crew_sheet(base, **{"week-2-leave_from": "07:00"})

    page = make.signed_in(owner).post(reverse("crew-add"), sheet).content.decode()

    assert "Give both times" in page
    assert not Crew.objects.exists()


def test_the_page_says_why_a_crew_does_not_stay_in(owner: Seat, base: Base, crew: Crew) -> None:
    make.a_visit(make.a_farm(make.a_client(owner.business)), crew)
    sheet = crew_sheet(base)
    del sheet["active"]

    page = make.signed_in(owner).post(reverse("crew-edit", args=[crew.pk]), sheet).content.decode()

    assert "has visits to do" in page


def test_days_off_come_and_go_by_the_pages(owner: Seat, crew: Crew) -> None:
    make.a_visit(make.a_farm(make.a_client(owner.business)), crew, date=dt.date(2999, 1, 2))
    browser = make.signed_in(owner)

    answer = browser.post(
        reverse("days-off-add", args=[crew.pk]), {"first": "2999-01-01", "last": "2999-01-05"}, follow=True
    )
    assert "1 visit is booked on these days" in answer.content.decode()
    browser.post(reverse("days-off-remove", args=[DaysOff.objects.get().pk]))

    assert not DaysOff.objects.exists()


def test_a_base_is_changed_and_removed_by_the_pages(owner: Seat, base: Base) -> None:
    browser = make.signed_in(owner)

    browser.post(reverse("base-edit", args=[base.pk]), {"name": "Top yard", "latitude": "47.1", "longitude": "9.5"})
    assert Base.objects.get().name == "Top yard"
    browser.post(reverse("base-remove", args=[base.pk]))

    assert not Base.objects.exists()


def test_the_page_says_why_a_base_stays(owner: Seat, base: Base, crew: Crew) -> None:
    answer = make.signed_in(owner).post(reverse("base-remove", args=[base.pk]))

    assert "Red crew starts from Home yard" in answer.content.decode()


@pytest.mark.parametrize("role", [Role.TRIMMER, Role.OFFICE])
def test_the_others_read_and_change_nothing(owner: Seat, base: Base, crew: Crew, role: str) -> None:
    browser = make.signed_in(make.a_member(owner.business, role))

    assert browser.get(reverse("settings")).status_code == 200
    assert browser.get(reverse("crew-page", args=[crew.pk])).status_code == 200
    changes = [reverse("business-edit"), reverse("crew-edit", args=[crew.pk]), reverse("base-remove", args=[base.pk])]
    assert [browser.post(address).status_code for address in changes] == [403, 403, 403]


def test_a_stranger_sees_no_crew_or_base(base: Base, crew: Crew) -> None:
    stranger = make.signed_in(make.a_member(make.a_business(name="Far Trim")))

    for address in (reverse("crew-page", args=[crew.pk]), reverse("base-edit", args=[base.pk])):
        assert stranger.get(address).status_code == 404
