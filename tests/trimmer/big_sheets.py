"""Large sheets as a person would send them, the same on every call; all names are invented.

They are written without the package's own writing, in British English: ``17/02/2026``, ``07:30``, ``12.5``. With
``faults`` twelve cells are spoilt; ``BigSheet.faults`` names each by row and key of its column. Client, animal and
record sheets go together: the records are of the first farms of the clients, worked on by ``CREWS``.
"""

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, time, timedelta
from random import Random
from typing import Any, Literal

from openpyxl import Workbook

from trimmer.sheets.layout import Layout
from trimmer.sheets.layouts import ANIMALS, CLIENTS_AND_FARMS, VISITS_AND_RECORDS

type Form = Literal["csv", "xlsx"]
type Cells = dict[str, Any]

TODAY = date(2026, 3, 1)
LANGUAGE = "en-GB"
CREWS = ("North", "South")
FARMS_WITH_RECORDS = 40
ANIMALS_OF_A_FARM = 120

_FIRST = ("Alder", "Birch", "Clover", "Dell", "Elder", "Fern", "Gorse", "Hazel", "Iris", "Juniper")
_SECOND = ("Bank", "Croft", "Dale", "End", "Fold", "Gate", "Hill", "Knoll", "Lea", "Mead")
_FAMILY = ("Abbot", "Barrow", "Carter", "Dunn", "Ewart", "Farrow", "Garth", "Holm", "Ingle", "Jessop")
_TOWNS = ("Overdale", "Netherby", "Long Marsh", "Stonewick", "Thornbeck")


@dataclass(frozen=True, slots=True)
class BigSheet:
    """A file, its language, the day on which it is read, and the (row, column key) of each planted fault."""

    name: str
    content: bytes
    faults: tuple[tuple[int, str], ...] = ()
    language: str = LANGUAGE
    today: date = TODAY


def client_sheet(*, form: Form = "csv", rows: int = 500, faults: bool = False) -> BigSheet:
    """One row for each farm; every tenth client has two."""
    return _sheet("clients", CLIENTS_AND_FARMS, list(_farms(rows)), form, _CLIENT_FAULTS if faults else {})


def animal_sheet(*, form: Form = "csv") -> BigSheet:
    """The animals of the farms that have records: one row each."""
    return _sheet("animals", ANIMALS, list(_animals()), form, {})


def record_sheet(*, form: Form = "csv", rows: int = 20_000, faults: bool = False) -> BigSheet:
    """One row for each animal on a visit, and one more for a second treatment."""
    records = _records()
    return _sheet(
        "records", VISITS_AND_RECORDS, [next(records) for _ in range(rows)], form, _RECORD_FAULTS if faults else {}
    )


# what is in them


def _farms(count: int) -> Iterator[Cells]:
    chance = Random(11)
    client = 1000
    for index in range(count):
        if index % 11 != 10:  # else a second farm of the client before
            client += 1
        family = _FAMILY[client % 10]
        town = _TOWNS[client % 5]
        head = chance.choice((30, 60, 120, 240, 480, 1600))
        yield {
            "client_number": str(client),
            "client_name": f"{family} & Family {client}",
            "client_street": f"{client % 90 + 1} High Row",
            "client_postcode": f"ZZ{client % 9 + 1} {client % 7}AB",
            "client_city": town,
            "client_country": "GB",
            "client_email": f"office{client}@{family.lower()}.example",
            "client_phone": f"+44 1632 960{client % 1000:03}",
            "on_hold": "no",
            "farm_name": f"{_FIRST[index % 10]} {_SECOND[index // 10 % 10]} {index // 100 + 1}",
            "farm_city": town,
            "latitude": round(54 + chance.random() / 2, 5),
            "longitude": round(-2 - chance.random() / 2, 5),
            "barn": "tie stall" if head < 60 else "free stall",
            "milking": head,
            "dry": head // 7,
            "heifers": head // 3,
            "health_tier": chance.choice((0, 1, 1, 1, 2, 3)),
            "days_that_suit": "Mon-Fri",
            "access_hours": chance.choice(
                ("Mon-Fri 07:00-11:30, 13:00-16:30", "Tue, Thu 8-12; Fri 9-15", "daily 6am-2pm")
            ),
            "lock_up_hours": chance.choice((2, 2.5, 3)),
            "visit_interval_weeks": chance.choice((4, 8, 12, None)),
            "handling_notes": "Heifers are shy; fetch them last." if index % 6 == 0 else None,
            "contact_name": f"Jo {family}",
            "contact_phone": f"+44 7700 900{index % 1000:03}",
            "contact_email": f"jo{index}@{family.lower()}.example",
        }


def _animals() -> Iterator[Cells]:
    chance = Random(12)
    for index, farm in enumerate(_farms(FARMS_WITH_RECORDS)):
        for animal in range(ANIMALS_OF_A_FARM):
            herd, number = 230_000 + index, 100 + animal
            check = (herd * 100_000 + number) % 7 + 1
            born = date(2018, 1, 1) + timedelta(days=chance.randrange(1800))
            calved = date(2025, 3, 1) + timedelta(days=chance.randrange(330))
            yield {
                "client_number": farm["client_number"],
                "farm_name": farm["farm_name"],
                "number": str(number),
                "official_tag": f"UK{herd:06}{check}{number:05}",
                "transponder": f"826{herd:06}{number:06}",
                "group": f"Pen {animal % 4 + 1}",
                "animal_class": chance.choice(("cow", "cow", "cow", "dry", "heifer")),
                "born_on": born,
                "calved_on": calved,
                "calving_due_on": calved + timedelta(days=395),
            }


_FOUND = (
    ("SU", "outer", 4, None, "block"),
    ("WLF", "outer", 3, None, "wall opened"),
    ("WLA", "outer", 3, None, "block"),
    ("DD", None, 10, "M2", "topical"),
    ("DD", None, 10, "M4", None),
    ("SHC", "inner", 5, None, None),
    ("HHE", "inner", 6, None, "loose horn removed"),
    ("IH", None, 0, None, None),
)


def _records() -> Iterator[Cells]:
    """Visit by visit: each farm every 28 days, going back from yesterday; 55 head each."""
    chance = Random(13)
    farms = list(_farms(FARMS_WITH_RECORDS))
    for turn in range(30):
        for index, farm in enumerate(farms):
            day = TODAY - timedelta(days=1 + index % 27 + 28 * turn)
            visit: Cells = {
                "visit_date": day,
                "crew": CREWS[index % 2],
                "client_number": farm["client_number"],
                "farm_name": farm["farm_name"],
                "arrived": time(7, 30),
                "first_head_in": time(8),
                "last_head_out": time(14, 40),
                "left": time(15, 15),
            }
            for number in sorted(chance.sample(range(100, 100 + ANIMALS_OF_A_FARM), 55)):
                yield from _animal_on_visit({**visit, "number": str(number)}, day, chance)


def _animal_on_visit(record: Cells, day: date, chance: Random) -> Iterator[Cells]:
    record |= {"work": "cow", "feet_trimmed": "all", "minutes": chance.randrange(50, 160) / 10}
    if chance.random() < 0.4:
        record |= {"score": chance.randrange(1, 6), "scale": "Locomotion score 1-5"}
    if chance.random() < 0.55:
        yield record
        return
    lesion, claw, zone, m_stage, treatment = chance.choice(_FOUND)
    foot = chance.choice(("LF", "RF", "LH", "RH", "LH", "RH"))
    row = {
        **record,
        "foot": foot,
        "claw": claw,
        "zone": zone,
        "lesion": lesion,
        "m_stage": m_stage,
        "treatment": treatment,
    }
    if treatment == "block":
        row["block_kind"] = chance.choice(("wood", "plastic shoe"))
    if treatment == "topical":
        row |= {"product": "Spray 7", "batch": f"B{day:%y%m}", "milk_withhold_until": day + timedelta(days=2)}
    yield row
    if treatment == "topical":
        yield {**record, "foot": foot, "treatment": "wrap", "note": "Wrap off in three days"}


# what is wrong with them: row -> (column, how it is spoilt); the last one of each repeats the row before it

_REPEATED = "the row before again"

_CLIENT_FAULTS: dict[int, tuple[str, Any]] = {
    7: ("client_number", None),
    48: ("client_name", "  "),
    93: ("client_email", "office at mill"),
    140: ("latitude", 541234),
    181: ("longitude", None),
    222: ("milking", "about 200"),
    263: ("dry", 12.5),
    304: ("health_tier", 5),
    345: ("access_hours", "in the morning"),
    386: ("lock_up_hours", "2,5"),
    427: ("visit_interval_weeks", 0),
    501: ("client_number", _REPEATED),
}
_RECORD_FAULTS: dict[int, tuple[str, Any]] = {
    3: ("visit_date", "31/02/2026"),
    1_777: ("visit_date", "17/02/26"),
    3_456: ("number", None),
    5_000: ("number", "8,40003E+14"),
    6_789: ("lesion", "WL"),
    8_888: ("foot", "back left"),
    10_001: ("zone", 13),
    12_345: ("m_stage", "M5"),
    14_142: ("score", 7),
    16_180: ("minutes", "1:30"),
    18_000: ("treatment", "massage"),
    20_001: ("visit_date", _REPEATED),
}


def _sheet(name: str, layout: Layout, rows: list[Cells], form: Form, faults: dict[int, tuple[str, Any]]) -> BigSheet:
    for number, (column, spoilt) in faults.items():
        if spoilt is _REPEATED:
            rows[number - 2] = dict(rows[number - 3])
        else:
            rows[number - 2] = {**rows[number - 2], column: spoilt}
    content = _WRITERS[form](layout, rows)
    return BigSheet(f"{name}.{form}", content, tuple((number, column) for number, (column, _) in faults.items()))


def _csv(layout: Layout, rows: list[Cells]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow([column.title for column in layout.columns])
    writer.writerows([_text(row.get(column.key)) for column in layout.columns] for row in rows)
    return out.getvalue().encode()


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, date):
        return f"{value:%d/%m/%Y}"
    return f"{value:%H:%M}" if isinstance(value, time) else str(value)


def _xlsx(layout: Layout, rows: list[Cells]) -> bytes:
    book = Workbook(write_only=True)
    sheet = book.create_sheet("Sheet1")
    sheet.append([column.title for column in layout.columns])
    for row in rows:
        sheet.append([row.get(column.key) for column in layout.columns])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


_WRITERS: dict[Form, Callable[[Layout, list[Cells]], bytes]] = {"csv": _csv, "xlsx": _xlsx}
