"""Farms: where they are, when a visit suits, whom to call; archived and brought back; and what their people see."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse
from pytest_django import DjangoAssertNumQueries

from tests import make
from tests.make import NOW, TODAY
from trimmer.access import Seat
from trimmer.errors import Refusal
from trimmer.models import Client, Farm, Recheck, Role, VisitState
from trimmer.queries.farms import farms_to_show, overview_of
from trimmer.services import farms
from trimmer.services.businesses import UnknownCountry
from trimmer.services.farms import (
    WindowDetails,
    add_farm,
    archive_farm,
    metres_to_nearest_base,
    restore_farm,
    update_farm,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner() -> Seat:
    return make.a_member(make.a_business())


@pytest.fixture
def client(owner: Seat) -> Client:
    return make.a_client(owner.business)


@pytest.fixture
def farm(client: Client) -> Farm:
    return make.a_farm(client, name="Alder Bank")


def window(weekday: int, opens: int, closes: int) -> WindowDetails:
    return WindowDetails(weekday=weekday, opens=dt.time(opens), closes=dt.time(closes))


# What is said of a farm


def test_a_farm_has_hours_on_several_days_and_contacts(client: Client) -> None:
    hours = [window(1, 8, 11), window(1, 13, 16), window(3, 8, 16)]

    farm = add_farm(
        client=client,
        name="Alder Bank",
        access_windows=hours,
        contacts=[{"name": "Cora", "email": "cora@alder.test"}, {"name": "Dan", "phone": "555 0102"}],
    )

    assert [(w.weekday, w.opens.hour) for w in farm.access_windows.all()] == [(1, 8), (1, 13), (3, 8)]
    assert [(c.name, c.told_of_visits) for c in farm.contacts.all()] == [("Cora", True), ("Dan", False)]


def test_lists_that_are_not_named_stay_and_named_ones_are_replaced(client: Client) -> None:
    farm = add_farm(client=client, name="Alder Bank", access_windows=[window(1, 8, 11)], contacts=[{"name": "Cora"}])

    update_farm(farm=farm, milking=80, contacts=[])

    assert farm.milking == 80
    assert farm.access_windows.count() == 1
    assert not farm.contacts.exists()


def test_a_farm_goes_to_another_client(owner: Seat, farm: Farm) -> None:
    heir = make.a_client(owner.business, name="Alder Bank Ltd")

    update_farm(farm=farm, client=heir)

    assert Farm.objects.get().client == heir


def test_a_farm_does_not_go_to_a_client_of_another_business(farm: Farm) -> None:
    with pytest.raises(farms.ClientIsAnothers):
        update_farm(farm=farm, client=make.a_client(make.a_business()))


def test_an_archived_client_gets_no_farm(owner: Seat, farm: Farm) -> None:
    gone = make.a_client(owner.business, archived_at=NOW)

    with pytest.raises(farms.ClientIsInArchive):
        add_farm(client=gone, name="Alder Bank")
    with pytest.raises(farms.ClientIsInArchive):
        update_farm(farm=farm, client=gone)


def test_a_client_has_one_farm_of_a_name(client: Client, farm: Farm) -> None:
    with pytest.raises(farms.FarmNameIsTaken):
        add_farm(client=client, name="Alder Bank")


REFUSED: list[tuple[dict[str, Any], type[Refusal]]] = [
    ({"name": "  "}, farms.FarmNeedsName),
    ({"country": "Ireland"}, UnknownCountry),
    ({"milking": 100_001}, farms.FigureIsOutOfRange),
    ({"health_tier": 4}, farms.FigureIsOutOfRange),
    ({"lock_up_hours": Decimal(0)}, farms.FigureIsOutOfRange),
    ({"lock_up_hours": Decimal("24.25")}, farms.FigureIsOutOfRange),
    ({"visit_interval_weeks": 105}, farms.FigureIsOutOfRange),
    ({"days_that_suit": []}, farms.NoDaySuits),
    ({"days_that_suit": [0, 7]}, farms.UnknownWeekday),
    ({"longitude": None}, farms.PositionIsHalf),
    ({"latitude": 95.0}, farms.PositionIsSwapped),
    ({"latitude": 200.0}, farms.PositionIsNowhere),
    ({"longitude": 181.0}, farms.PositionIsNowhere),
    ({"latitude": float("nan")}, farms.PositionIsNowhere),
    ({"latitude": 0.0, "longitude": 0.0}, farms.PositionIsZero),
    ({"access_windows": [window(7, 8, 11)]}, farms.UnknownWeekday),
    ({"access_windows": [window(1, 11, 11)]}, farms.WindowEndsBeforeItBegins),
    ({"access_windows": [window(1, 8, 12), window(1, 11, 16)]}, farms.WindowsOverlap),
    ({"access_windows": [window(6, 8, 12)]}, farms.WindowOnUnsuitableDay),
    ({"contacts": [{"name": " "}]}, farms.ContactNeedsName),
    ({"contacts": [{"name": "Cora", "told_of_visits": True}]}, farms.ContactCannotBeTold),
]


@pytest.mark.parametrize(("change", "refusal"), REFUSED)
def test_what_cannot_be_is_refused_at_its_field(farm: Farm, change: dict[str, Any], refusal: type[Refusal]) -> None:
    with pytest.raises(refusal) as refused:
        update_farm(farm=farm, **change)

    assert set(refused.value.fields) <= set(change) | {"longitude"}
    assert refused.value.fields


def test_hours_that_meet_do_not_overlap(farm: Farm) -> None:
    update_farm(farm=farm, access_windows=[window(1, 12, 16), window(1, 8, 12)])

    assert farm.access_windows.count() == 2


def test_a_day_with_hours_is_not_unticked_alone(farm: Farm) -> None:
    update_farm(farm=farm, access_windows=[window(1, 8, 12)])

    with pytest.raises(farms.WindowOnUnsuitableDay):
        update_farm(farm=farm, days_that_suit=[0, 2])


def test_the_nearest_base_counts(owner: Seat, farm: Farm) -> None:
    make.a_base(owner.business, latitude=52.0, longitude=9.52)
    make.a_base(owner.business, latitude=48.15, longitude=9.52)

    assert metres_to_nearest_base(farm=farm) == pytest.approx(111_195, abs=1)  # a degree of latitude, from 47.15


# Archive


def test_an_archived_farm_comes_back(farm: Farm) -> None:
    archive_farm(farm=farm, now=NOW)
    assert not Farm.objects.current().exists()
    restore_farm(farm=farm)

    assert Farm.objects.current().get() == farm


def test_a_farm_about_to_be_visited_is_not_archived(farm: Farm) -> None:
    make.a_visit(farm, make.a_crew(farm.client.business))

    with pytest.raises(farms.VisitsAreBooked, match="A visit to Alder Bank is booked for Wed"):
        archive_farm(farm=farm, now=NOW)


def test_a_farm_that_waits_for_a_visit_is_not_archived(farm: Farm) -> None:
    make.a_request(farm)

    with pytest.raises(farms.RequestsAreWaiting):
        archive_farm(farm=farm, now=NOW)


def test_a_farm_of_an_archived_client_does_not_come_back_alone(owner: Seat) -> None:
    gone = make.a_client(owner.business, archived_at=NOW)

    with pytest.raises(farms.ClientIsInArchive):
        restore_farm(farm=make.a_farm(gone, archived_at=NOW))


# What is known of a farm


def a_recheck(farm: Farm, due_from: dt.date, due_by: dt.date) -> Recheck:
    return Recheck.objects.create(
        animal=make.an_animal(farm), trigger="wrap", what="remove_wrap", due_from=due_from, due_by=due_by
    )


def test_an_overview_counts_what_is_due_and_what_is_late(farm: Farm) -> None:
    a_recheck(farm, TODAY - dt.timedelta(days=9), TODAY - dt.timedelta(days=1))
    a_recheck(farm, TODAY, TODAY)
    a_recheck(farm, TODAY + dt.timedelta(days=1), TODAY + dt.timedelta(days=3))

    overview = overview_of(farm, today=TODAY)

    assert (overview.rechecks_due, overview.rechecks_overdue, overview.animals) == (1, 1, 3)


def test_an_overview_knows_the_next_visit_and_the_latest(farm: Farm) -> None:
    crew = make.a_crew(farm.client.business)
    done = make.a_visit(farm, crew, date=TODAY - dt.timedelta(days=30), state=VisitState.DONE)
    make.a_visit(farm, crew, date=TODAY + dt.timedelta(days=8))
    soon = make.a_visit(farm, crew, date=TODAY + dt.timedelta(days=2))
    make.a_visit(farm, crew, date=TODAY + dt.timedelta(days=1), state=VisitState.CANCELLED, cancelled_at=NOW)

    overview = overview_of(farm, today=TODAY)

    assert (overview.next_visit, overview.recent_visits) == (soon, (done,))


def test_the_list_of_farms_knows_the_days_too(owner: Seat, farm: Farm) -> None:
    crew = make.a_crew(owner.business)
    make.a_visit(farm, crew, date=TODAY - dt.timedelta(days=30), state=VisitState.DONE)
    make.a_visit(farm, crew, date=TODAY + dt.timedelta(days=8))
    a_recheck(farm, TODAY - dt.timedelta(days=9), TODAY - dt.timedelta(days=1))

    listed = farms_to_show(owner, today=TODAY).get()

    assert listed.last_visit_on == TODAY - dt.timedelta(days=30)  # type: ignore[attr-defined]
    assert listed.next_visit_on == TODAY + dt.timedelta(days=8)  # type: ignore[attr-defined]
    assert listed.rechecks_overdue == 1  # type: ignore[attr-defined]


# Pages


def farm_sheet(client: Client, **changes: Any) -> dict[str, Any]:
    """What a browser sends from the form of a farm, with one row of hours and one contact."""
    values = {
        "client": client.pk,
        "name": "Alder Bank",
        "barn": "free_stall",
        "milking": 60,
        "dry": 8,
        "heifers": 0,
        "latitude": "47.15",
        "longitude": "9.52",
        "days_that_suit": ["1", "3"],
        "health_tier": 1,
        "lock_up_hours": "3",
        "visit_interval_weeks": "12",
        "windows-TOTAL_FORMS": 2,
        "windows-INITIAL_FORMS": 0,
        "windows-0-weekday": 1,
        "windows-0-opens": "08:00",
        "windows-0-closes": "11:30",
        "windows-1-weekday": 0,
        "contacts-TOTAL_FORMS": 1,
        "contacts-INITIAL_FORMS": 0,
        "contacts-0-name": "Cora",
        "contacts-0-told_of_visits": "on",
    }
    return values | changes


def test_the_page_adds_a_farm_with_its_hours_and_contacts(owner: Seat, client: Client) -> None:
    answer = make.signed_in(owner).post(reverse("farm-add"), farm_sheet(client))

    farm = Farm.objects.get()
    assert answer["Location"] == reverse("farm-page", args=[farm.pk])
    assert [str(w) for w in farm.access_windows.all()] == ["Tuesday 08:00-11:30"]
    assert [(c.name, c.told_of_visits) for c in farm.contacts.all()] == [("Cora", False)]
    assert (farm.days_that_suit, farm.visit_interval_weeks) == ([1, 3], 12)


def test_the_page_says_at_the_field_that_places_are_swapped(owner: Seat, client: Client) -> None:
    page = make.signed_in(owner).post(reverse("farm-add"), farm_sheet(client, latitude="95.2")).content.decode()

    assert "seem to have changed places" in page
    assert "Nothing is stored yet" in page
    assert 'value="95.2"' in page
    assert 'value="08:00"' in page
    assert not Farm.objects.exists()


def test_the_page_warns_of_a_farm_far_from_every_base(owner: Seat, client: Client) -> None:
    make.a_base(owner.business)

    answer = make.signed_in(owner).post(
        reverse("farm-add"), farm_sheet(client, latitude="9.52", longitude="47.15"), follow=True
    )

    assert "from your nearest base" in answer.content.decode()


def test_the_page_changes_a_farm_and_takes_ticked_rows_away(owner: Seat, client: Client) -> None:
    browser = make.signed_in(owner)
    browser.post(reverse("farm-add"), farm_sheet(client))
    farm = Farm.objects.get()
    sheet = farm_sheet(client, **{"milking": 75, "windows-INITIAL_FORMS": 1, "windows-0-DELETE": "on"})

    browser.post(reverse("farm-edit", args=[farm.pk]), sheet)

    farm.refresh_from_db()
    assert farm.milking == 75
    assert not farm.access_windows.exists()


def test_the_page_archives_and_brings_back(owner: Seat, farm: Farm) -> None:
    browser = make.signed_in(owner)

    browser.post(reverse("farm-archive", args=[farm.pk]))
    assert Farm.objects.get().archived_at is not None
    browser.post(reverse("farm-restore", args=[farm.pk]))

    assert Farm.objects.get().archived_at is None


def test_the_page_says_why_it_does_not_archive(owner: Seat, farm: Farm) -> None:
    make.a_visit(farm, make.a_crew(owner.business))

    answer = make.signed_in(owner).post(reverse("farm-archive", args=[farm.pk]))

    assert "A visit to Alder Bank is booked" in answer.content.decode()


def test_a_farms_person_sees_the_farm_and_no_note_of_the_business(client: Client) -> None:
    farm = make.a_farm(client, handling_notes="SECRET-A", access_notes="SECRET-B", health_tier=2)
    browser = make.signed_in(make.a_farm_person(client))

    page = browser.get(reverse("farm-page", args=[farm.pk])).content.decode()

    assert farm.name in page
    assert "SECRET" not in page
    assert "infectious" not in page


def test_a_farms_person_sees_no_other_farm_and_changes_none(owner: Seat, client: Client, farm: Farm) -> None:
    other = make.a_farm(make.a_client(owner.business), name="Beech Hill")
    browser = make.signed_in(make.a_farm_person(client))

    assert "Beech Hill" not in browser.get(reverse("farm-list")).content.decode()
    assert browser.get(reverse("farm-page", args=[other.pk])).status_code == 404
    assert browser.post(reverse("farm-edit", args=[farm.pk])).status_code == 403


def test_a_stranger_sees_no_farm(farm: Farm) -> None:
    stranger = make.signed_in(make.a_member(make.a_business(name="Far Trim")))

    for name in ("farm-page", "farm-edit", "farm-archive"):
        assert stranger.get(reverse(name, args=[farm.pk])).status_code == 404


def test_a_client_of_another_business_is_not_to_choose(owner: Seat) -> None:
    other = make.a_client(make.a_business(name="Far Trim"))

    make.signed_in(owner).post(reverse("farm-add"), farm_sheet(other))

    assert not Farm.objects.exists()


def test_the_list_finds_by_farm_client_town_and_tier(owner: Seat, farm: Farm) -> None:
    make.a_farm(make.a_client(owner.business, name="Larkham Dairy"), name="Beech Hill", health_tier=2)
    browser = make.signed_in(owner)

    for asked in ({"q": "larkham"}, {"q": "beech"}, {"tier": "2"}):
        page = browser.get(reverse("farm-list"), asked).content.decode()
        assert "Beech Hill" in page
        assert "Alder Bank</a>" not in page


def test_a_list_of_many_farms_takes_few_queries(
    owner: Seat, client: Client, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    for _ in range(6):
        make.a_farm(client)
    browser = make.signed_in(owner)

    with django_assert_max_num_queries(9):
        browser.get(reverse("farm-list"))


def test_the_page_of_a_busy_farm_takes_few_queries(
    owner: Seat, farm: Farm, django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    crew = make.a_crew(owner.business)
    for day in range(1, 6):
        make.a_request(farm)
        make.a_visit(farm, crew, date=TODAY - dt.timedelta(days=day), state=VisitState.DONE, head={"cow": 5})
    browser = make.signed_in(make.a_member(owner.business, Role.TRIMMER))

    with django_assert_max_num_queries(19):
        assert browser.get(reverse("farm-page", args=[farm.pk])).status_code == 200
