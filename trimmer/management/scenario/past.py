"""What happened so far: visits with their records, rechecks seen to or not, bills and payments, week by week."""

from __future__ import annotations

import datetime as dt
import math
import random
import uuid
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, field
from decimal import Decimal
from itertools import groupby
from typing import Any

from django.db import transaction

from billing.models import Invoice, PaymentMethod
from billing.services.credits import LineCredit, credit_invoice
from billing.services.drafts import draft_invoices
from billing.services.issuing import issue_invoice
from billing.services.payments import record_payment
from billing.services.sending import deliver, send_invoice
from trimmer.acting import acting
from trimmer.management.scenario.agenda import Stop, agenda
from trimmer.management.scenario.chute import Cow, Look, look_at
from trimmer.management.scenario.founding import Ground
from trimmer.models import (
    Animal,
    AnimalClass,
    AskedVia,
    ChuteRecord,
    Finding,
    HeadKind,
    Recheck,
    Scale,
    Treatment,
    Urgency,
    Visit,
    VisitRequest,
)
from trimmer.rechecks import EARLY_DAYS
from trimmer.services.clients import update_client
from trimmer.services.rechecks import close_recheck, follow_records
from trimmer.services.records import FindingValues, TreatmentValues, record_animal
from trimmer.services.requests import LameValues, ask_for_visit
from trimmer.services.trim_lists import draw_up_trim_list
from trimmer.services.visits import VisitTimes, book_visit, complete_visit, note_times

FRIDAY = 4
WEEKS_RECORDED_SINGLY = 1
OFFICE_HOURS = dt.time(15)
MOST_RECHECKED = 10
DRAFTS_LEFT = 2
CREDITED_WEEKS_AGO = (6, 4)

SEEN_TO = {
    "remove_wrap": (0.99, "Wrap taken off by the farm"),
    "look_at_skin": (0.9, "Seen by the farm: dry and healing"),
    "look_at_skin_again": (0.9, "Seen by the farm: healed"),
    "look_at_block": (0.9, "Seen by the farm: block firm, walks better"),
    "look_at_flexible_block": (0.92, "Block came off by itself, walks sound"),
    "remove_block": (0.88, "Block worn off, walks sound"),
    "look_at_lesion": (0.88, "Seen by the farm: grown over"),
    "look_at_lesion_early": (0.9, "Seen by the farm: no worse"),
    "look_after_vet": (0.95, "Seen by the veterinarian"),
    "look_at_gait": (0.92, "Walks sound, says the farm"),
}
"""How often a farm sees to a recheck itself and says so by telephone (common practice; no published share exists)."""

DRIVES_TAKE = (1.0, 1.3)
"""How long a drive takes against what was reckoned: tractors, school buses, a gate that is tied up."""

COW_FLOW = (0.07, 0.09)
"""How far farms, and visits to one, stray in how well cows come to the chute (standard deviations of the logarithm).
Common practice: trimmers call poor cow flow their main loss of time."""

PAYS_AFTER = {"prompt": (5, 16), "slow": (29, 47), "part": (12, 24)}


@dataclass
class Memory:
    """What the simulated past has to remember."""

    chance: random.Random
    trimmed: dict[int, dt.date] = field(default_factory=dict)
    """By key of the animal: when last"""
    money_coming: list[tuple[dt.date, Invoice, Decimal]] = field(default_factory=list)
    credited: int = 0
    drives: random.Random = field(default_factory=lambda: random.Random("drives"))  # noqa: S311  (repeatable)
    flow: random.Random = field(default_factory=lambda: random.Random("flow"))  # noqa: S311  (repeatable)
    left: dict[tuple[int, dt.date], dt.datetime] = field(default_factory=dict)
    """By crew and day: when it left its last farm"""


def live_through(ground: Ground, tell: Callable[[str, int], None]) -> None:
    """Let all weeks up to today pass. `tell` hears how far it is, in per cent."""
    memory = Memory(random.Random("past"))  # noqa: S311  (a repeatable past, no secret)
    stops = agenda(ground)
    by_day = {date: list(group) for date, group in groupby(stops, key=lambda stop: stop.coming.date)}
    last = max(by_day)
    days = (last - ground.first_day).days + 1
    for number in range(days):
        date = ground.first_day + dt.timedelta(days=number)
        with transaction.atomic():
            for stop in by_day.get(date, ()):
                _visit(ground, memory, stop)
            if date < ground.today:
                _see_to_rechecks(ground, memory, date)
                if date.weekday() == FRIDAY:
                    with acting(ground.people["office"], "demo"):
                        _office_day(ground, memory, date)
        tell(f"{date:%d %b %Y}", 100 * (number + 1) // days)
    for client in ground.valley.clients:
        if client.on_hold:
            update_client(client=ground.clients[client.number], on_hold=True)


def _visit(ground: Ground, memory: Memory, stop: Stop) -> None:
    coming = stop.coming
    farm, crew = ground.farms[coming.farm], ground.crews[coming.crew]
    day = coming.date - dt.timedelta(days=1 if coming.lame else 4)
    agreed = ground.at(min(day, ground.today - dt.timedelta(days=1)), dt.time(18))
    lame = _lame_of(ground, memory, stop) if coming.lame else []
    requests = [_request(ground, stop, lame, agreed)] if coming.asked else []
    visit = book_visit(
        farm=farm,
        crew=crew,
        date=coming.date,
        planned_start=stop.start,
        planned_end=stop.end,
        head=coming.head,
        requests=requests,
        position=stop.position,
        drive_minutes=stop.drive_minutes,
        distance_m=stop.distance_m,
        tell=coming.date >= ground.this_monday,
        by=ground.people["owner"],
        now=agreed,
    )
    if coming.date < ground.today:
        record_visit(ground, memory, visit, stop, lame)
    else:
        draw_up_trim_list(visit=visit, now=ground.now)


def _lame_of(ground: Ground, memory: Memory, stop: Stop) -> list[Animal]:
    milking = [cow for cow in ground.herds[stop.coming.farm] if _may_come(cow, stop.coming.date)]
    return memory.chance.sample(milking, stop.coming.lame)


def _request(ground: Ground, stop: Stop, lame: Iterable[Animal], agreed: dt.datetime) -> VisitRequest:
    named = [LameValues(cow.number, 2, Scale.AHDB.value) for cow in lame]
    return ask_for_visit(
        farm=ground.farms[stop.coming.farm],
        head=stop.coming.head,
        lame=named,
        urgency=Urgency.URGENT if named else Urgency.ROUTINE,
        via=AskedVia.PHONE,
        by=ground.people["office"],
        now=agreed - dt.timedelta(hours=3),
    )


def record_visit(ground: Ground, memory: Memory, visit: Visit, stop: Stop, lame: Iterable[Animal]) -> None:
    """Bring the cows in one by one, note the times, and complete the visit."""
    chance, farm = memory.chance, visit.farm
    arrived = stop.start + dt.timedelta(minutes=chance.randint(-4, 9))
    if (before := memory.left.get((visit.crew_id, visit.date))) is not None:
        arrived = before + dt.timedelta(minutes=stop.drive_minutes * memory.drives.uniform(*DRIVES_TAKE))
    first = clock = arrived + dt.timedelta(minutes=25)
    why = _rechecks_on(visit)
    flow = _cow_flow(farm.name, memory.flow)
    seen = []
    for animal, kind in _brought(ground, memory, visit, stop, lame, why):
        cow = Cow(kind, farm.barn, why.get(animal.pk, ()), withheld_until=clock + dt.timedelta(days=2))
        look = look_at(cow, ground.valley.lesions, chance)
        clock += dt.timedelta(minutes=round(float(look.minutes) * flow, 2))
        seen.append(Seen(_record_id(chance), animal, kind, look, clock))
        if look.feet_trimmed:
            memory.trimmed[animal.pk] = visit.date
    if visit.date < ground.this_monday - dt.timedelta(weeks=WEEKS_RECORDED_SINGLY):
        _store_together(ground, visit, seen)
    else:
        for one in seen:
            _store(ground, visit, one)
    if farm.name == ground.valley.chute_day["farm"] and visit.date == ground.working_day_before:
        clock = _record_named(ground, memory, visit, clock)
    left = clock + dt.timedelta(minutes=30)
    memory.left[visit.crew_id, visit.date] = left
    note_times(
        visit=visit,
        times=VisitTimes(arrived, first, clock, left),
        distance_driven_m=int(round(stop.distance_m * chance.uniform(0.98, 1.06), -2)),
        now=left,
    )
    complete_visit(visit=visit, head_done=None, by=ground.people["owner"], now=left)


def _cow_flow(farm: str, chance: random.Random) -> float:
    """Minutes from one head to the next, against those at the chute: a farm has its own, and each day is another."""
    usual, day = COW_FLOW
    own = random.Random(farm).gauss(0.0, usual)  # noqa: S311  (repeatable)
    return math.exp(own + chance.gauss(0.0, day))


@dataclass(frozen=True)
class Seen:
    """A cow that was in the chute, and when she was out again."""

    id: uuid.UUID
    animal: Animal
    kind: str
    look: Look
    out: dt.datetime


def _store(ground: Ground, visit: Visit, seen: Seen) -> None:
    record_animal(
        visit=visit,
        id=seen.id,
        animal=seen.animal,
        kind=seen.kind,
        findings=seen.look.findings,
        treatments=seen.look.treatments,
        score=seen.look.score,
        scale=seen.look.scale,
        feet_trimmed=seen.look.feet_trimmed,
        minutes=seen.look.minutes,
        recorded_at=seen.out,
        by=ground.people["owner"],
        now=seen.out,
    )


def _store_together(ground: Ground, visit: Visit, seen: Iterable[Seen]) -> None:
    """The records of a whole visit in one go, as for a sheet of past visits; the rechecks follow as always."""
    rows = [
        ChuteRecord(
            id=one.id,
            visit=visit,
            animal=one.animal,
            kind=one.kind,
            score=one.look.score,
            scale=one.look.scale,
            feet_trimmed=list(one.look.feet_trimmed),
            minutes=one.look.minutes,
            recorded_at=one.out,
            recorded_by=ground.people["owner"],
        )
        for one in seen
    ]
    ChuteRecord.objects.bulk_create(rows)
    looks = [(row, one.look) for row, one in zip(rows, seen, strict=True)]
    Finding.objects.bulk_create(Finding(record=row, **asdict(found)) for row, look in looks for found in look.findings)
    Treatment.objects.bulk_create(
        Treatment(record=row, **asdict(done)) for row, look in looks for done in look.treatments
    )
    follow_records(business=ground.business, records=rows)


def _record_id(chance: random.Random) -> uuid.UUID:
    return uuid.UUID(int=chance.getrandbits(128), version=4)


def _record_named(ground: Ground, memory: Memory, visit: Visit, clock: dt.datetime) -> dt.datetime:
    """The cows of the story, as they are written down in fixtures/demo/chute_day.json."""
    herd = {animal.number: animal for animal in ground.herds[visit.farm.name]}
    for told in ground.valley.chute_day["cows"]:
        out = clock + dt.timedelta(minutes=float(told["minutes"]))
        record_animal(
            visit=visit,
            id=_record_id(memory.chance),
            animal=herd[told["number"]],
            kind=told["kind"],
            findings=[FindingValues(**finding) for finding in told["findings"]],
            treatments=[_treatment(dict(done), out) for done in told["treatments"]],
            score=told["score"],
            scale=Scale.AHDB,
            feet_trimmed=("LH", "RH"),
            minutes=Decimal(told["minutes"]),
            note=told["note"],
            recorded_at=out,
            by=ground.people["owner"],
            now=out,
        )
        clock = out
    return clock


def _treatment(told: dict[str, Any], out: dt.datetime) -> TreatmentValues:
    days = told.get("milk_days")
    until = out + dt.timedelta(days=float(days)) if days else None
    values = {name: value for name, value in told.items() if name != "milk_days"}
    return TreatmentValues(**values, milk_withhold_until=until)


def _rechecks_on(visit: Visit) -> dict[int, set[str]]:
    """What is to be looked at again by the day of a visit, by animal."""
    why: dict[int, set[str]] = defaultdict(set)
    reach = visit.date + dt.timedelta(days=EARLY_DAYS)
    due = Recheck.objects.open().filter(animal__farm=visit.farm_id, due_from__lte=reach).order_by("due_by", "pk")
    for animal_id, what in due.values_list("animal_id", "what"):
        why[animal_id].add(what)
    return why


def _brought(
    ground: Ground, memory: Memory, visit: Visit, stop: Stop, lame: Iterable[Animal], why: dict[int, set[str]]
) -> list[tuple[Animal, str]]:
    """The animals in the order they come: lame ones, rechecks, those that fit the rules of a trim list, the rest."""
    herd = ground.herds[visit.farm.name]
    named = {told["number"] for told in ground.valley.chute_day["cows"]}
    if visit.farm.name != ground.valley.chute_day["farm"]:
        named = set()
    by_key = {animal.pk: animal for animal in herd if animal.number not in named}
    brought = {cow.pk: (cow, HeadKind.LAME.value) for cow in lame}
    for key in [key for key in why if key in by_key][:MOST_RECHECKED]:
        brought.setdefault(key, (by_key[key], HeadKind.RECHECK.value))
    head = stop.coming.head
    cows = [cow for cow in by_key.values() if cow.pk not in brought and _may_come(cow, visit.date)]
    heifers = [cow for cow in by_key.values() if cow.animal_class == AnimalClass.HEIFER]
    memory.chance.shuffle(cows)
    memory.chance.shuffle(heifers)
    cows.sort(key=lambda cow: _turn(cow, visit.date, memory.trimmed.get(cow.pk)))
    heifers.sort(key=lambda heifer: memory.trimmed.get(heifer.pk, dt.date.min))
    picked = [(cow, HeadKind.COW.value) for cow in cows[: head.get(HeadKind.COW, 0)]]
    picked += [(heifer, HeadKind.HEIFER.value) for heifer in heifers[: head.get(HeadKind.HEIFER, 0)]]
    return [*brought.values(), *picked]


def _may_come(cow: Animal, date: dt.date) -> bool:
    """A cow that had calved by then, as far as was told, and is not within four weeks of calving."""
    if cow.animal_class == AnimalClass.HEIFER or (cow.calved_on is not None and cow.calved_on > date):
        return False
    return cow.calving_due_on is None or (cow.calving_due_on - date).days > 28


def _turn(cow: Animal, date: dt.date, trimmed: dt.date | None) -> tuple[int, dt.date]:
    """First those 60 to 100 days in milk, then those before dry-off, then whose last trim is longest ago."""
    milking = (date - cow.calved_on).days if cow.calved_on else 0
    fresh = 60 <= milking <= 100 and (trimmed is None or cow.calved_on is None or trimmed < cow.calved_on)
    drying = cow.dry_off_on is not None and 3 <= (cow.dry_off_on - date).days <= 10
    return (0 if fresh else 1 if drying else 2), trimmed or dt.date.min


def _see_to_rechecks(ground: Ground, memory: Memory, date: dt.date) -> None:
    """In the evening farms ring about the rechecks whose last day it was; some do not."""
    for recheck in Recheck.objects.of(ground.business).open().filter(due_by=date).order_by("pk"):
        share, reason = SEEN_TO[recheck.what]
        if memory.chance.random() < share:
            close_recheck(recheck=recheck, reason=reason, by=ground.people["office"], now=ground.at(date, dt.time(20)))


def _office_day(ground: Ground, memory: Memory, friday: dt.date) -> None:
    """The office writes down the money that came, bills the visits up to Thursday, and now and then puts one right."""
    now = ground.at(friday, OFFICE_HOURS)
    weeks_ago = (ground.this_monday - friday).days // 7 + 1
    _take_payments(ground, memory, friday, now)
    if weeks_ago in CREDITED_WEEKS_AGO:
        _put_right(ground, memory, friday, now)
    drafting = draft_invoices(
        business=ground.business, until=friday - dt.timedelta(days=1), by=ground.people["office"], now=now
    )
    is_last = friday + dt.timedelta(weeks=1) >= ground.today
    kept_back = DRAFTS_LEFT if is_last else 0
    habits = {client.number: client.pays for client in ground.valley.clients}
    for draft in drafting.drafts[kept_back:]:
        invoice = issue_invoice(invoice=draft, on=friday, by=ground.people["office"], now=now)
        if is_last and invoice.client.email:
            for sending in send_invoice(invoice=invoice, by=ground.people["office"], now=now):
                deliver(sending=sending, now=now)
        _expect_money(memory, invoice, habits[invoice.client.number], friday)


def _expect_money(memory: Memory, invoice: Invoice, habit: str, issued: dt.date) -> None:
    if habit not in PAYS_AFTER:
        return
    comes = issued + dt.timedelta(days=memory.chance.randint(*PAYS_AFTER[habit]))
    amount = invoice.gross_total
    if habit == "part":
        amount = (amount / 2).quantize(Decimal(1))
    memory.money_coming.append((comes, invoice, amount))


def _take_payments(ground: Ground, memory: Memory, friday: dt.date, now: dt.datetime) -> None:
    come = sorted(
        (row for row in memory.money_coming if row[0] <= friday), key=lambda row: (row[0], row[1].number or "")
    )
    memory.money_coming = [row for row in memory.money_coming if row[0] > friday]
    for day, invoice, amount in come:
        record_payment(
            client=invoice.client,
            received_on=day,
            amount=amount,
            method=PaymentMethod.CHEQUE if memory.chance.random() < 0.15 else PaymentMethod.TRANSFER,
            reference=invoice.reference,
            named_invoices=[invoice],
            by=ground.people["office"],
            now=now,
        )


def _put_right(ground: Ground, memory: Memory, friday: dt.date, now: dt.datetime) -> None:
    """Credit the whole of one invoice, and two weeks later one block of another."""
    rows = [row for row in memory.money_coming if row[1].lines.filter(article="treatment_block").exists()]
    _comes, invoice, _amount = rows[0]
    parts, reason = None, "Billed before the head were counted again with the farm; a new invoice follows."
    if memory.credited:
        line = invoice.lines.filter(article="treatment_block")[0]
        parts, reason = [LineCredit(line, quantity=Decimal(1))], "One block came off on the way out of the chute."
    note = credit_invoice(invoice=invoice, parts=parts, reason=reason, by=ground.people["office"], now=now)
    issue_invoice(invoice=note, on=friday, by=ground.people["office"], now=now)
    memory.credited += 1
    left = invoice.gross_total - note.gross_total
    memory.money_coming = [
        (day, other, left if other == invoice else amount)
        for day, other, amount in memory.money_coming
        if other != invoice or left > 0
    ]
