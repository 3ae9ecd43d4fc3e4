"""Sheets brought in: checked, looked at, stored whole or not at all; and taken out again."""

import csv
import datetime as dt
import io
from decimal import Decimal
from typing import Any, Literal

import pytest
from django.conf import settings
from openpyxl import Workbook

from billing.models import Price, PriceList, TaxCategory
from billing.queries import visits_to_bill
from tests import make
from tests.trimmer import big_sheets
from trimmer.access import MEMBERS, OFFICE, OWNER
from trimmer.models import (
    Animal,
    Business,
    ChuteRecord,
    Client,
    Contact,
    Farm,
    Finding,
    JobState,
    Recheck,
    RecheckRule,
    SheetImport,
    SheetState,
    Treatment,
    Visit,
    VisitHead,
    VisitState,
)
from trimmer.services import jobs, sheets
from trimmer.sheets.layouts import LAYOUTS

pytestmark = pytest.mark.django_db

NOW = make.NOW
TITLES = {kind: {column.key: column.title for column in layout.columns} for kind, layout in LAYOUTS.items()}


@pytest.fixture
def business() -> Business:
    return make.a_business(time_zone="Europe/Dublin")


def a_file(kind: str, *rows: dict[str, str]) -> bytes:
    """A CSV file with the columns the rows have."""
    keys = list(dict.fromkeys(key for row in rows for key in row))
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([TITLES[kind][key] for key in keys])
    writer.writerows([row.get(key, "") for key in keys] for row in rows)
    return out.getvalue().encode()


def run_job(sheet: SheetImport, now: dt.datetime = NOW) -> None:
    assert sheet.job
    jobs.run(sheet.job.pk, clock=lambda: now)
    sheet.refresh_from_db()


def checked(business: Business, kind: str, content: bytes, *, now: dt.datetime = NOW) -> SheetImport:
    sheet = sheets.bring_sheet(
        business=business, kind=kind, file_name="my sheet.csv", content=content, by=None, now=now
    )
    run_job(sheet, now)
    return sheet


def stored(business: Business, kind: str, content: bytes, *, now: dt.datetime = NOW) -> SheetImport:
    sheet = checked(business, kind, content, now=now)
    assert sheet.problems == []
    run_job(sheets.store_sheet(sheet=sheet, by=None, now=now), now)
    assert sheet.job
    return SheetImport.objects.get(pk=sheet.pk)


def counts(sheet: SheetImport) -> dict[str, tuple[int, int, int]]:
    """Table -> added, changed, same."""
    return {table["name"]: (table["added"], table["changed"], table["same"]) for table in sheet.summary["tables"]}


def faults(sheet: SheetImport) -> list[tuple[int, str, str]]:
    return [(fault["row"], fault["column"], fault["code"]) for fault in sheet.problems]


CLIENT = {
    "client_number": "1001",
    "client_name": "Marsh & Daughters",
    "farm_name": "Upper Mill",
    "milking": "120",
    "access_hours": "Mon-Fri 06:00-11:00",
    "contact_name": "Ann Marsh",
    "contact_email": "ann@marsh.example",
}
ANIMAL = {"client_number": "1001", "farm_name": "Upper Mill", "number": "217", "group": "Pen 3"}
PRICE = {
    "list_name": "Prices 2026",
    "valid_from": "01/01/2026",
    "article": "head_cow",
    "amount": "14.50",
    "tax_category": "Standard",
    "tax_code": "S",
    "tax_rate": "20",
}
RECORD = {
    "visit_date": "17/02/2026",
    "crew": "North",
    "client_number": "1001",
    "farm_name": "Upper Mill",
    "arrived": "07:30",
    "first_head_in": "08:00",
    "last_head_out": "11:40",
    "left": "12:15",
    "number": "217",
    "work": "cow",
    "feet_trimmed": "all",
    "foot": "LH",
    "claw": "outer",
    "zone": "4",
    "lesion": "SU",
    "treatment": "block",
    "block_kind": "wood",
    "minutes": "12.5",
}


@pytest.fixture
def farm(business: Business) -> Farm:
    make.a_crew(business, name="North")
    return make.a_farm(make.a_client(business, number="1001", name="Marsh & Daughters"), name="Upper Mill")


def test_the_kinds_stand_in_the_order_in_which_they_are_best_brought_in() -> None:
    assert [(kind.name, kind.who) for kind in sheets.kinds()] == [
        ("clients_and_farms", frozenset({OWNER, OFFICE})),
        ("animals", MEMBERS),
        ("prices", frozenset({OWNER, OFFICE})),
        ("visits_and_records", MEMBERS),
    ]


# clients and farms


def test_clients_and_farms_are_stored_once_somebody_says_so(business: Business) -> None:
    sheet = checked(business, "clients_and_farms", a_file("clients_and_farms", CLIENT))

    assert (sheet.state, sheet.row_count) == (SheetState.READY, 1)
    assert counts(sheet) == {"clients": (1, 0, 0), "farms": (1, 0, 0), "contacts": (1, 0, 0)}
    assert sheet.summary["tables"][1]["examples"] == [
        "Row 2: Upper Mill is added: Milking cows “120”; Access hours “Mon-Fri 06:00-11:00”."
    ]
    assert not Client.objects.of(business).exists()

    run_job(sheets.store_sheet(sheet=sheet, by=None, now=NOW))

    kept = SheetImport.objects.get(pk=sheet.pk)
    farm = Farm.objects.of(business).get()
    assert (kept.state, kept.stored_at) == (SheetState.STORED, NOW)
    assert (farm.client.number, farm.name, farm.milking) == ("1001", "Upper Mill", 120)
    assert farm.access_windows.count() == 5
    assert Contact.objects.of(business).get().email == "ann@marsh.example"


def test_the_same_clients_again_change_nothing(business: Business) -> None:
    stored(business, "clients_and_farms", a_file("clients_and_farms", CLIENT))

    again = stored(business, "clients_and_farms", a_file("clients_and_farms", CLIENT))

    assert counts(again) == {"clients": (0, 0, 1), "farms": (0, 0, 1), "contacts": (0, 0, 1)}
    assert Farm.objects.of(business).count() == 1


def test_a_changed_cell_is_told_and_a_column_that_is_not_there_leaves_values_alone(business: Business) -> None:
    stored(business, "clients_and_farms", a_file("clients_and_farms", CLIENT))
    less = {key: CLIENT[key] for key in ("client_number", "client_name", "farm_name")} | {"milking": "130"}

    sheet = stored(business, "clients_and_farms", a_file("clients_and_farms", less))

    assert counts(sheet)["farms"] == (0, 1, 0)
    assert sheet.summary["tables"][1]["examples"] == ["Row 2: Upper Mill changes: Milking cows from “120” to “130”."]
    farm = Farm.objects.of(business).get()
    assert (farm.milking, farm.access_windows.count(), farm.contacts.count()) == (130, 5, 1)


def test_an_empty_cell_empties_what_can_be_empty_and_leaves_what_cannot(business: Business) -> None:
    full = CLIENT | {"client_phone": "+44 1632 960100", "payment_days": "14", "days_that_suit": "Mon-Fri"}
    stored(business, "clients_and_farms", a_file("clients_and_farms", full))
    empty = dict.fromkeys(("client_phone", "payment_days", "milking", "access_hours", "days_that_suit"), "")

    stored(business, "clients_and_farms", a_file("clients_and_farms", full | empty))

    farm = Farm.objects.select_related("client").get()
    assert (farm.client.phone, farm.client.payment_days, farm.access_windows.count()) == ("", None, 0)
    assert (farm.milking, farm.days_that_suit) == (120, [0, 1, 2, 3, 4])


def test_hours_on_days_that_do_not_suit_are_passed_over_and_pointed_out(business: Business) -> None:
    row = CLIENT | {"days_that_suit": "Mon, Tue", "access_hours": "daily 6am-2pm"}

    sheet = stored(business, "clients_and_farms", a_file("clients_and_farms", row))

    assert [fault["code"] for fault in sheet.warnings] == ["hours_on_unsuitable_day"]
    assert list(Farm.objects.get().access_windows.values_list("weekday", flat=True)) == [0, 1]


def test_a_contact_told_without_an_address_and_a_place_that_is_none_are_faults(business: Business) -> None:
    row = CLIENT | {"contact_email": "", "contact_told": "yes", "latitude": "0", "longitude": "0"}

    places = checked(business, "clients_and_farms", a_file("clients_and_farms", row))
    contacts = checked(business, "clients_and_farms", a_file("clients_and_farms", row | {"latitude": "54"}))

    assert faults(places) == [(2, "latitude", "position_is_zero")]
    assert faults(contacts) == [(2, "contact_told", "contact_cannot_be_told")]


# animals


def test_animals_are_added_changed_and_left_as_they_are(business: Business, farm: Farm) -> None:
    make.an_animal(farm, number="218", group="Pen 1")
    make.an_animal(farm, number="219", group="Pen 3", note="Shy")
    rows = [ANIMAL, ANIMAL | {"number": "218"}, ANIMAL | {"number": "219"}]

    first = stored(business, "animals", a_file("animals", *rows))
    again = stored(business, "animals", a_file("animals", *rows))

    assert counts(first) == {"animals": (1, 1, 1)}
    assert counts(again) == {"animals": (0, 0, 3)}
    assert set(Animal.objects.of(business).values_list("number", "group", "note")) == {
        ("217", "Pen 3", ""),
        ("218", "Pen 3", ""),
        ("219", "Pen 3", "Shy"),
    }


def test_animals_of_unknown_clients_and_farms_are_faults(business: Business, farm: Farm) -> None:
    rows = [ANIMAL | {"client_number": "9"}, ANIMAL | {"farm_name": "Elsewhere"}]

    sheet = checked(business, "animals", a_file("animals", *rows))

    assert faults(sheet) == [(2, "client_number", "client_unknown"), (3, "farm_name", "farm_unknown")]
    assert [fault["cell"] for fault in sheet.problems] == ["A2", "B3"]
    assert sheet.state == SheetState.FAULTY


def test_an_animal_told_twice_by_naming_its_farm_only_once_is_a_fault(business: Business, farm: Farm) -> None:
    sheet = checked(business, "animals", a_file("animals", ANIMAL, ANIMAL | {"farm_name": ""}))

    assert faults(sheet) == [(3, "number", "animal_given_twice")]


def test_a_client_of_another_business_is_unknown(business: Business, farm: Farm) -> None:
    sheet = checked(make.a_business(name="Others"), "animals", a_file("animals", ANIMAL))

    assert faults(sheet) == [(2, "client_number", "client_unknown")]


def test_a_tag_without_its_country_gets_that_of_the_farm(business: Business, farm: Farm) -> None:
    Farm.objects.update(country="GB")
    content = a_file("animals", ANIMAL | {"official_tag": "230011 200123"})

    sheet = stored(business, "animals", content)
    again = checked(business, "animals", content)

    assert Animal.objects.get().official_tag == "UK230011200123"
    assert sheet.warnings == again.warnings == []
    assert counts(again) == {"animals": (0, 0, 1)}


def test_a_number_that_cannot_be_a_transponder_is_a_fault_and_a_doubtful_tag_is_not(
    business: Business, farm: Farm
) -> None:
    sheet = checked(
        business, "animals", a_file("animals", ANIMAL | {"transponder": "1234", "official_tag": "UK230011500123"})
    )

    assert faults(sheet) == [(2, "transponder", "tag_not_15_digits")]
    assert [(fault["column"], fault["code"]) for fault in sheet.warnings] == [("official_tag", "tag_uk_check_digit")]


def test_what_is_archived_is_not_worked_with(business: Business, farm: Farm) -> None:
    Farm.objects.update(archived_at=NOW)

    animals = checked(business, "animals", a_file("animals", ANIMAL))
    of_farm = checked(business, "clients_and_farms", a_file("clients_and_farms", CLIENT))
    Client.objects.update(archived_at=NOW)
    of_client = checked(business, "clients_and_farms", a_file("clients_and_farms", CLIENT))

    assert faults(animals) == [(2, "farm_name", "farm_is_archived")]
    assert faults(of_farm) == [(2, "farm_name", "farm_is_archived")]
    assert faults(of_client) == [(2, "client_number", "client_is_archived")]


def test_a_farm_need_not_be_named_where_there_is_one(business: Business, farm: Farm) -> None:
    one = stored(business, "animals", a_file("animals", ANIMAL | {"farm_name": ""}))
    make.a_farm(farm.client, name="Lower Mill")
    several = checked(business, "animals", a_file("animals", ANIMAL | {"farm_name": ""}))
    make.a_client(business, number="1002")
    none = checked(business, "animals", a_file("animals", ANIMAL | {"farm_name": "", "client_number": "1002"}))

    assert counts(one) == {"animals": (1, 0, 0)}
    assert faults(several) == [(2, "farm_name", "farm_not_named")]
    assert faults(none) == [(2, "client_number", "client_has_no_farm")]


# prices


def test_prices_are_added_changed_and_left_as_they_are(business: Business) -> None:
    other = PRICE | {"article": "head_heifer", "amount": "12"}

    first = stored(business, "prices", a_file("prices", PRICE, other))
    again = stored(business, "prices", a_file("prices", PRICE, other))
    dearer = stored(business, "prices", a_file("prices", PRICE | {"amount": "15"}))

    assert counts(first) == {"tax_categories": (1, 0, 0), "price_lists": (1, 0, 0), "prices": (2, 0, 0)}
    assert counts(again) == {"tax_categories": (0, 0, 1), "price_lists": (0, 0, 1), "prices": (0, 0, 2)}
    assert counts(dearer)["prices"] == (0, 1, 0)
    assert TaxCategory.objects.of(business).get().rate == 20
    assert set(Price.objects.of(business).values_list("article", "amount")) == {
        ("head_cow", Decimal("15.0000")),
        ("head_heifer", Decimal("12.0000")),
    }


def test_an_agreement_is_with_a_client_that_is_known(business: Business, farm: Farm) -> None:
    agreed = PRICE | {"client_number": "1001"}

    stored(business, "prices", a_file("prices", agreed))
    sheet = checked(business, "prices", a_file("prices", agreed | {"client_number": "9"}))

    assert PriceList.objects.of(business).get().client == farm.client
    assert faults(sheet) == [(2, "client_number", "client_unknown")]


def test_a_new_tax_category_needs_its_code(business: Business) -> None:
    sheet = checked(business, "prices", a_file("prices", PRICE | {"tax_code": "", "tax_rate": ""}))

    assert faults(sheet) == [(2, "tax_category", "tax_category_unknown")]


def test_an_untaxed_category_needs_its_text(business: Business) -> None:
    sheet = checked(business, "prices", a_file("prices", PRICE | {"tax_code": "E", "tax_rate": "", "tax_text": ""}))

    assert faults(sheet) == [(2, "tax_text", "exemption_text_missing")]


def test_a_price_beyond_all_measure_is_a_fault(business: Business) -> None:
    sheet = checked(business, "prices", a_file("prices", PRICE | {"amount": "1000000"}))

    assert faults(sheet) == [(2, "amount", "price_refused")]


def test_naming_a_known_tax_category_leaves_it_as_it_is(business: Business) -> None:
    stored(business, "prices", a_file("prices", PRICE))

    sheet = stored(business, "prices", a_file("prices", PRICE | {"tax_code": "", "tax_rate": ""}))

    assert counts(sheet)["tax_categories"] == (0, 0, 1)


# visits and records


def test_a_past_visit_is_stored_as_done_with_its_records(business: Business, farm: Farm) -> None:
    wrap = RECORD | {"lesion": "", "zone": "", "treatment": "wrap", "block_kind": ""}

    sheet = stored(business, "visits_and_records", a_file("visits_and_records", RECORD, wrap))

    assert counts(sheet) == {"visits": (1, 0, 0), "animals": (1, 0, 0), "records": (1, 0, 0)}
    visit = Visit.objects.of(business).get()
    record = ChuteRecord.objects.of(business).get()
    assert (visit.state, visit.date) == (VisitState.DONE, dt.date(2026, 2, 17))
    assert visit.arrived_at == dt.datetime(2026, 2, 17, 7, 30, tzinfo=dt.UTC)
    assert list(VisitHead.objects.of(business).values_list("kind", "done")) == [("cow", 1)]
    assert (record.animal.number, record.minutes) == ("217", Decimal("12.5"))
    assert [(row.lesion, row.zone, row.claw) for row in record.findings.all()] == [("SU", 4, "outer")]
    assert sorted(row.kind for row in record.treatments.all()) == ["block", "wrap"]
    assert Recheck.objects.of(business).exists()


def test_the_same_records_again_change_nothing(business: Business, farm: Farm) -> None:
    content = a_file("visits_and_records", RECORD, RECORD | {"number": "218", "treatment": "", "block_kind": ""})
    stored(business, "visits_and_records", content)
    rechecks = set(Recheck.objects.of(business).values_list("pk", flat=True))

    again = stored(business, "visits_and_records", content)

    assert counts(again) == {"visits": (0, 0, 1), "animals": (0, 0, 0), "records": (0, 0, 2)}
    assert VisitHead.objects.of(business).get().done == 2
    assert set(Recheck.objects.of(business).values_list("pk", flat=True)) == rechecks


def test_a_changed_record_takes_the_lesions_of_the_sheet(business: Business, farm: Farm) -> None:
    stored(business, "visits_and_records", a_file("visits_and_records", RECORD))

    changed = stored(
        business,
        "visits_and_records",
        a_file("visits_and_records", RECORD | {"lesion": "WLF", "zone": "3", "work": "lame"}),
    )

    assert counts(changed) == {"visits": (0, 0, 1), "animals": (0, 0, 0), "records": (0, 1, 0)}
    assert Finding.objects.of(business).get().lesion == "WLF"
    assert Treatment.objects.of(business).count() == 1
    assert set(VisitHead.objects.of(business).values_list("kind", "done")) == {("cow", 0), ("lame", 1)}


def test_columns_that_are_not_there_leave_a_record_alone(business: Business, farm: Farm) -> None:
    stored(business, "visits_and_records", a_file("visits_and_records", RECORD))
    less = {key: RECORD[key] for key in ("visit_date", "crew", "client_number", "farm_name", "number")}

    sheet = stored(business, "visits_and_records", a_file("visits_and_records", less))

    assert counts(sheet) == {"visits": (0, 0, 1), "animals": (0, 0, 0), "records": (0, 0, 1)}
    assert Finding.objects.of(business).count() == Treatment.objects.of(business).count() == 1


def test_old_records_raise_no_rechecks(business: Business, farm: Farm) -> None:
    stored(business, "visits_and_records", a_file("visits_and_records", RECORD | {"visit_date": "02/12/2025"}))

    assert ChuteRecord.objects.of(business).exists()
    assert not Recheck.objects.of(business).exists()


def test_head_the_crew_counted_stay_counted_until_the_records_pass_them(business: Business, farm: Farm) -> None:
    visit = make.a_visit(farm, business.crews.get(), date=dt.date(2026, 2, 17), state=VisitState.DONE)
    VisitHead.objects.create(visit=visit, kind="cow", done=2)
    rows = [RECORD | {"number": str(number)} for number in range(1, 4)]

    after = []
    for count in (1, 3):
        stored(business, "visits_and_records", a_file("visits_and_records", *rows[:count]))
        after.append(VisitHead.objects.get(visit=visit, kind="cow").done)

    assert after == [2, 3]


def test_an_old_recheck_is_settled_by_an_old_record(business: Business, farm: Farm) -> None:
    animal = make.an_animal(farm, number="217")
    days = {"due_from": dt.date(2025, 10, 20), "due_by": dt.date(2025, 10, 26)}
    Recheck.objects.create(animal=animal, trigger="by_hand", what="look_at_lesion", **days)

    stored(business, "visits_and_records", a_file("visits_and_records", RECORD | {"visit_date": "01/11/2025"}))

    assert Recheck.objects.get().closed_at


def test_rechecks_still_due_by_a_rule_of_many_days_are_raised(business: Business, farm: Farm) -> None:
    RecheckRule.objects.create(business=business, trigger="block_wood", what="look_at_gait", from_days=90, by_days=120)

    stored(business, "visits_and_records", a_file("visits_and_records", RECORD | {"visit_date": "01/12/2025"}))

    assert Recheck.objects.get().due_by == dt.date(2026, 3, 31)


def test_times_that_are_noted_are_not_taken_away_and_seconds_do_not_count(business: Business, farm: Farm) -> None:
    content = a_file("visits_and_records", RECORD | {"arrived": "07:30:20", "left": ""})
    stored(business, "visits_and_records", content)
    left = dt.datetime(2026, 2, 18, 0, 10, tzinfo=dt.UTC)
    Visit.objects.update(left_at=left)

    again = stored(business, "visits_and_records", content)
    taken_out = sheets.export_table(business=business, kind="visits_and_records", form="csv")

    assert counts(again)["visits"] == (0, 0, 1)
    assert Visit.objects.get().left_at == left
    assert checked(business, "visits_and_records", taken_out.content).state == SheetState.READY


def test_a_record_of_a_cow_that_left_the_herd_since_is_hers(business: Business, farm: Farm) -> None:
    gone = make.an_animal(farm, number="217", archived_at=NOW)
    earlier = make.an_animal(farm, number="218", archived_at=dt.datetime(2026, 1, 1, tzinfo=dt.UTC))

    stored(business, "visits_and_records", a_file("visits_and_records", RECORD, RECORD | {"number": "218"}))

    assert ChuteRecord.objects.get(animal__number="217").animal == gone
    assert ChuteRecord.objects.get(animal__number="218").animal != earlier


def test_a_withholding_of_a_whole_day_counts_to_its_end_by_the_businesss_clock(farm: Farm, business: Business) -> None:
    row = RECORD | {"treatment": "topical", "block_kind": "", "product": "Spray 7"}

    stored(
        business,
        "visits_and_records",
        a_file(
            "visits_and_records", row | {"milk_withhold_until": "19/02/2026", "meat_withhold_until": "01/07/2026 06:00"}
        ),
    )

    treatment = Treatment.objects.get()
    assert treatment.milk_withhold_until == dt.datetime(2026, 2, 19, 23, 59, tzinfo=dt.UTC)
    assert treatment.meat_withhold_until == dt.datetime(2026, 7, 1, 5, 0, tzinfo=dt.UTC)


def test_past_visits_wait_to_be_billed_unless_they_are_billed_already(business: Business, farm: Farm) -> None:
    rows = [RECORD | {"billed": "yes"}, RECORD | {"visit_date": "18/02/2026", "billed": "no"}]
    rows.append(RECORD | {"visit_date": "19/02/2026", "billed": ""})

    sheet = stored(business, "visits_and_records", a_file("visits_and_records", *rows))

    assert [visit.date.day for visit in visits_to_bill(business)] == [18, 19]
    assert sheet.summary["notes"] == [
        "Visits that are added count as done and wait to be billed, unless the column “Billed” says yes."
    ]


def test_what_is_billed_here_cannot_be_told_otherwise(business: Business, farm: Farm) -> None:
    stored(business, "visits_and_records", a_file("visits_and_records", RECORD))
    Visit.objects.update(locked_at=NOW)

    said_yes = checked(business, "visits_and_records", a_file("visits_and_records", RECORD | {"billed": "yes"}))
    said_no = checked(business, "visits_and_records", a_file("visits_and_records", RECORD | {"billed": "no"}))

    assert counts(said_yes)["visits"] == (0, 0, 1)
    assert faults(said_no) == [(2, "visit_date", "visit_is_locked")]


def test_a_booked_visit_becomes_done(business: Business, farm: Farm) -> None:
    crew = business.crews.get()
    visit = make.a_visit(farm, crew, date=dt.date(2026, 2, 17), head={"cow": 30})

    sheet = stored(business, "visits_and_records", a_file("visits_and_records", RECORD))

    visit.refresh_from_db()
    assert counts(sheet)["visits"] == (0, 1, 0)
    assert visit.state == VisitState.DONE
    assert list(visit.head.values_list("kind", "planned", "done")) == [("cow", 30, 1)]


def test_a_visit_to_come_an_unknown_crew_and_an_unknown_farm_are_faults(business: Business, farm: Farm) -> None:
    rows = [
        RECORD | {"visit_date": "05/04/2026"},
        RECORD | {"crew": "West"},
        RECORD | {"farm_name": "Elsewhere"},
    ]

    sheet = checked(business, "visits_and_records", a_file("visits_and_records", *rows))

    assert faults(sheet) == [
        (2, "visit_date", "date_to_come"),
        (3, "crew", "crew_unknown"),
        (4, "farm_name", "farm_unknown"),
    ]


def test_the_crew_must_be_named_where_there_are_two(business: Business, farm: Farm) -> None:
    make.a_crew(business, name="South")

    sheet = checked(business, "visits_and_records", a_file("visits_and_records", RECORD | {"crew": ""}))

    assert faults(sheet) == [(2, "crew", "crew_not_named")]


def test_a_billed_visit_takes_the_same_records_but_no_others(business: Business, farm: Farm) -> None:
    stored(business, "visits_and_records", a_file("visits_and_records", RECORD))
    Visit.objects.update(locked_at=NOW)

    same = checked(business, "visits_and_records", a_file("visits_and_records", RECORD))
    other = checked(business, "visits_and_records", a_file("visits_and_records", RECORD, RECORD | {"number": "5"}))

    assert same.state == SheetState.READY
    assert faults(other) == [(3, "visit_date", "visit_is_locked")]


def test_times_must_fit_those_that_are_stored(business: Business, farm: Farm) -> None:
    stored(business, "visits_and_records", a_file("visits_and_records", RECORD))
    less = {key: RECORD[key] for key in ("visit_date", "crew", "client_number", "farm_name", "number")}

    sheet = checked(business, "visits_and_records", a_file("visits_and_records", less | {"arrived": "09:00"}))

    assert faults(sheet) == [(2, "arrived", "times_do_not_fit")]


def test_a_time_to_come_is_a_fault(business: Business, farm: Farm) -> None:
    late = RECORD | {"visit_date": "04/03/2026", "left": "23:00"}

    sheet = checked(business, "visits_and_records", a_file("visits_and_records", late))

    assert (2, "left", "time_to_come") in faults(sheet)


def test_a_booked_visit_cannot_be_done_with_half_its_hours(business: Business, farm: Farm) -> None:
    make.a_visit(farm, business.crews.get(), date=dt.date(2026, 2, 17))

    sheet = checked(business, "visits_and_records", a_file("visits_and_records", RECORD | {"last_head_out": ""}))

    assert faults(sheet) == [(2, "last_head_out", "times_incomplete")]


# as people write it


def test_numbers_and_dates_are_read_as_the_business_writes_them() -> None:
    business = make.a_business(language="de-AT", time_zone="Europe/Vienna")
    make.a_crew(business, name="North")
    make.a_farm(make.a_client(business, number="1001"), name="Upper Mill")
    record = RECORD | {"visit_date": "3.2.2026", "minutes": "12,5"}

    stored(business, "visits_and_records", a_file("visits_and_records", record))

    visit = Visit.objects.of(business).get()
    assert visit.date == dt.date(2026, 2, 3)
    assert visit.arrived_at == dt.datetime(2026, 2, 3, 6, 30, tzinfo=dt.UTC)
    assert ChuteRecord.objects.of(business).get().minutes == Decimal("12.5")


@pytest.mark.parametrize(("language", "code"), [("en-GB", None), ("en", "date_ambiguous"), ("en-US", None)])
def test_a_day_that_can_be_read_in_two_ways_is_refused_unless_the_region_tells(language: str, code: str | None) -> None:
    business = make.a_business(language=language)
    make.a_farm(make.a_client(business, number="1001"), name="Upper Mill")

    sheet = checked(business, "animals", a_file("animals", ANIMAL | {"born_on": "03/04/2022"}))

    assert [fault["code"] for fault in sheet.problems] == ([code] if code else [])


def test_a_decimal_mark_of_another_language_is_refused(business: Business) -> None:
    sheet = checked(business, "clients_and_farms", a_file("clients_and_farms", CLIENT | {"lock_up_hours": "2,5"}))

    assert faults(sheet) == [(2, "lock_up_hours", "decimal_mark")]


def test_titles_and_choices_are_those_of_the_business_and_english_stays_understood(business: Business) -> None:
    content = a_file("animals", ANIMAL).replace(b"Client number", b"Kundennummer")
    make.a_farm(make.a_client(business, number="1001"), name="Upper Mill")

    assert checked(business, "animals", content).state == SheetState.READY


# bringing, storing, dropping


def test_what_is_not_a_sheet_is_refused_at_once(business: Business) -> None:
    def bring(kind: str, content: bytes) -> Any:
        return sheets.bring_sheet(business=business, kind=kind, file_name="a.csv", content=content, by=None, now=NOW)

    with pytest.raises(sheets.SheetKindIsUnknown) as unknown:
        bring("cats", b"x")
    with pytest.raises(sheets.SheetIsEmpty) as empty:
        bring("animals", b" \n")
    with pytest.raises(sheets.SheetIsTooLarge) as large:
        bring("animals", b"x" * 25_000_001)

    assert [caught.value.code for caught in (unknown, empty, large)] == [
        "sheet_kind_is_unknown",
        "sheet_is_empty",
        "sheet_is_too_large",
    ]
    assert not SheetImport.objects.exists()


def test_a_file_that_cannot_be_read_is_refused_at_once(business: Business) -> None:
    with pytest.raises(sheets.SheetCannotBeRead) as refused:
        checked(business, "animals", b"%PDF-1.7 not a table")

    assert str(refused.value) == "This file cannot be read. my sheet.csv is not a table. Send a CSV or XLSX file."
    assert list(refused.value.fields) == ["file"]
    assert not SheetImport.objects.exists()


def test_a_large_file_that_cannot_be_read_has_one_fault_of_the_whole_file(
    business: Business, farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("trimmer.services.sheets.bringing.READ_AT_ONCE", 0)
    book = Workbook()
    book.worksheets[0].append(["Number"])
    book.worksheets[0].merge_cells("A2:B3")
    out = io.BytesIO()
    book.save(out)

    sheet = checked(business, "animals", out.getvalue())

    assert sheet.state == SheetState.FAULTY
    assert [(fault["row"], fault["cell"]) for fault in sheet.problems] == [(0, "")]


def test_a_sheet_is_stored_only_when_it_is_ready(business: Business, farm: Farm) -> None:
    faulty = checked(business, "animals", a_file("animals", ANIMAL, ANIMAL | {"client_number": "9", "number": "1"}))
    ready = checked(business, "animals", a_file("animals", ANIMAL))
    sheets.store_sheet(sheet=ready, by=None, now=NOW)

    for sheet in (faulty, ready):
        with pytest.raises(sheets.SheetIsNotReady):
            sheets.store_sheet(sheet=sheet, by=None, now=NOW)
    assert not Animal.objects.of(business).exists()


def test_a_sheet_that_became_faulty_meanwhile_is_not_stored(business: Business, farm: Farm) -> None:
    second = make.a_farm(farm.client, name="Lower Mill")
    rows = [ANIMAL, ANIMAL | {"farm_name": "Lower Mill"}]
    sheet = checked(business, "animals", a_file("animals", *rows))
    Farm.objects.filter(pk=second.pk).update(name="Mill by the Lake")

    run_job(sheets.store_sheet(sheet=sheet, by=None, now=NOW))

    sheet = SheetImport.objects.get(pk=sheet.pk)
    assert (sheet.state, faults(sheet)) == (SheetState.FAULTY, [(3, "farm_name", "farm_unknown")])
    assert not Animal.objects.of(business).exists()


def test_storing_that_broke_off_leaves_nothing_and_may_be_tried_again(
    business: Business, farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = checked(business, "animals", a_file("animals", ANIMAL))
    sheets.store_sheet(sheet=sheet, by=None, now=NOW)
    with monkeypatch.context() as broken:
        broken.setattr("trimmer.services.sheets.animals._Animals.store", lambda self: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            run_job(sheet)
    sheet = SheetImport.objects.select_related("job").get(pk=sheet.pk)
    assert sheet.job
    assert (sheet.state, sheet.job.state) == (SheetState.STORING, JobState.FAILED)

    run_job(sheets.store_sheet(sheet=sheet, by=None, now=NOW))

    assert SheetImport.objects.get(pk=sheet.pk).state == SheetState.STORED
    assert Animal.objects.of(business).count() == 1


def test_what_somebody_else_stores_at_the_same_moment_is_told_and_nothing_stored(
    business: Business, farm: Farm, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = checked(business, "animals", a_file("animals", ANIMAL))
    sheets.store_sheet(sheet=sheet, by=None, now=NOW)
    before = Animal.objects.bulk_create

    def a_moment_later(rows: list[Animal], **options: Any) -> list[Animal]:
        make.an_animal(farm, number="217")
        return before(rows, **options)

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(Animal.objects, "bulk_create", a_moment_later)
        run_job(sheet)

    sheet = SheetImport.objects.select_related("job").get(pk=sheet.pk)
    assert sheet.job
    assert (sheet.state, sheet.job.state) == (SheetState.STORING, JobState.FAILED)
    assert sheet.job.message == str(sheets.FactsMoved())
    assert not Animal.objects.of(business).exists()


def test_a_sheet_can_be_dropped_but_not_while_it_is_stored(business: Business, farm: Farm) -> None:
    sheet = checked(business, "animals", a_file("animals", ANIMAL))
    other = checked(business, "animals", a_file("animals", ANIMAL))
    sheets.store_sheet(sheet=other, by=None, now=NOW)

    sheets.drop_sheet(sheet=sheet)
    with pytest.raises(sheets.SheetIsBeingStored):
        sheets.drop_sheet(sheet=other)

    assert list(SheetImport.objects.all()) == [other]


def test_a_sheet_dropped_before_it_was_checked_is_forgotten(business: Business) -> None:
    sheet = sheets.bring_sheet(
        business=business, kind="animals", file_name="a.csv", content=a_file("animals", ANIMAL), by=None, now=NOW
    )
    job = sheet.job
    assert job
    sheets.drop_sheet(sheet=sheet)

    assert jobs.run(job.pk, clock=lambda: NOW)

    job.refresh_from_db()
    assert job.state == JobState.DONE


def test_so_many_faults_are_not_all_kept(business: Business) -> None:
    rows = [ANIMAL | {"number": str(number)} for number in range(1, 1003)]

    sheet = checked(business, "animals", a_file("animals", *rows))

    assert len(sheet.problems) == 1001
    assert sheet.problems[-1]["message"] == "There are 2 more."


# taking out


@pytest.mark.parametrize("form", ["csv", "xlsx"])
@pytest.mark.parametrize("kind", list(LAYOUTS))
def test_what_is_taken_out_changes_nothing_when_it_is_brought_in(
    business: Business, farm: Farm, kind: str, form: Literal["csv", "xlsx"]
) -> None:
    rows = [
        RECORD,
        RECORD
        | {
            "lesion": "DD",
            "zone": "10",
            "claw": "",
            "m_stage": "M2",
            "treatment": "topical",
            "block_kind": "",
            "product": "Spray 7",
            "milk_withhold_until": "19/02/2026",
        },
    ]
    stored(business, "clients_and_farms", a_file("clients_and_farms", CLIENT))
    stored(business, "animals", a_file("animals", ANIMAL))
    stored(business, "prices", a_file("prices", PRICE | {"client_number": "1001", "amount": "13.75"}))
    stored(business, "visits_and_records", a_file("visits_and_records", *rows))

    file = sheets.export_table(business=business, kind=kind, form=form)
    sheet = checked(business, kind, file.content)

    assert file.name == f"{kind}.{form}"
    assert (sheet.state, sheet.problems) == (SheetState.READY, [])
    assert all(added == changed == 0 for added, changed, _same in counts(sheet).values())
    assert sum(same for _added, _changed, same in counts(sheet).values()) > 0


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_a_template_brought_in_unfilled_holds_nothing(business: Business, form: Literal["csv", "xlsx"]) -> None:
    file = sheets.template(business=business, kind="animals", form=form)

    sheet = checked(business, "animals", file.content)

    assert file.name == f"animals_template.{form}"
    assert [fault["code"] for fault in sheet.problems] == ["no_rows"]


def test_a_form_that_is_not_made_is_refused(business: Business) -> None:
    for make_file in (sheets.export_table, sheets.template):
        with pytest.raises(sheets.SheetFormIsUnknown):
            make_file(business=business, kind="animals", form="ods")  # type: ignore[arg-type]
        with pytest.raises(sheets.SheetKindIsUnknown):
            make_file(business=business, kind="cats", form="csv")


# real size


@pytest.mark.slow
def test_sheets_of_real_size_name_each_fault_and_are_stored_when_corrected(
    business: Business, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(settings, "JOB_LEASE_SECONDS", 3600)  # no other thread writes beside the test's own transaction
    for name in big_sheets.CREWS:
        make.a_crew(business, name=name)
    steps: list[tuple[str, big_sheets.BigSheet, big_sheets.BigSheet, type[Farm] | type[ChuteRecord]]] = [
        (
            "clients_and_farms",
            big_sheets.client_sheet(form="xlsx", faults=True),
            big_sheets.client_sheet(form="xlsx"),
            Farm,
        ),
        (
            "visits_and_records",
            big_sheets.record_sheet(faults=True),
            big_sheets.record_sheet(),
            ChuteRecord,
        ),
    ]
    for kind, faulty, right, model in steps:
        sheet = checked(business, kind, faulty.content)
        assert {(fault["row"], fault["column"]) for fault in sheet.problems} == set(faulty.faults)
        assert len(sheet.problems) == len(faulty.faults) == 12
        assert sheet.state == SheetState.FAULTY
        assert not model.objects.of(business).exists()

        first = stored(business, kind, right.content)
        assert first.row_count == (500 if model is Farm else 20_000)
        table = first.summary["tables"][1 if model is Farm else -1]
        assert model.objects.of(business).count() == table["added"] > 0

        again = stored(business, kind, right.content)
        assert all(added == changed == 0 for added, changed, _same in counts(again).values())
        assert model.objects.of(business).count() == table["added"]
