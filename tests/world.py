"""One business with one of everything, and a cast of people around it: whose it is, colleagues, strangers."""

from __future__ import annotations

import datetime as dt
import hashlib
import uuid
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from billing.models import (
    Allocation,
    BankEntry,
    BankFile,
    BilledVisit,
    BooksFile,
    ExemptionCertificate,
    Invoice,
    InvoiceFile,
    InvoiceLine,
    InvoiceSending,
    InvoiceTax,
    IssueRun,
    Payment,
    Price,
    PriceList,
    ReminderStop,
    SalesTaxPlace,
    TaxCategory,
)
from scheduling import planner
from scheduling.models import LeftOut, ProposedWeek, WeekQuestion
from scheduling.services.loading import load_week
from scheduling.services.saving import save_plan
from tests import make
from trimmer.access import Seat
from trimmer.models import (
    AccessWindow,
    Animal,
    ApiToken,
    Business,
    ChuteRecord,
    Client,
    Contact,
    Crew,
    DaysOff,
    Farm,
    Finding,
    Invitation,
    Job,
    JobState,
    Recheck,
    RecheckRule,
    Role,
    SentMessage,
    SheetImport,
    SheetState,
    Treatment,
    TrimListEntry,
    VetLink,
    Visit,
    VisitRequest,
    VisitState,
)

MARK = "Quillfeather"  # stands in everything of the business that a stranger must never read
MONDAY = dt.date(2026, 3, 9)


@dataclass
class World:
    """The business, its objects by the noun of their address, and the cast."""

    business: Business
    client: Client
    farm: Farm
    crew: Crew
    animal: Animal
    request: VisitRequest
    visit: Visit
    record: ChuteRecord
    objects: dict[str, Any] = field(default_factory=dict)
    samples: dict[str, Any] = field(default_factory=dict)  # arguments that are no object of their own
    cast: dict[str, Seat | None] = field(default_factory=dict)


def a_world() -> World:
    """Build it all."""
    business = make.a_business(
        name="Hollin Hoof Care", street="1 Mill Lane", city="Ashcombe", tax_id="IE6388047V", time_zone="Europe/Dublin"
    )
    crew = make.a_crew(business, name=f"{MARK} crew")
    client = make.a_client(business, name=f"{MARK} Dairy", street="2 Mill Lane", city="Ashcombe", country="IE")
    farm = make.a_farm(client, name=f"{MARK} Farm")
    animal = make.an_animal(farm, number="MK4711")
    request = make.a_request(farm, note=MARK)
    visit = make.a_visit(farm, crew, date=make.TODAY, state=VisitState.UNDER_WAY, head={"cow": 5}, note=MARK)
    record = make.a_record(visit, animal, note=MARK)
    world = World(business, client, farm, crew, animal, request, visit, record)
    world.samples |= {"kind": "animals", "form": "csv"}  # of sheets
    _add_facts(world)
    _add_rounds(world)
    _add_bills(world)
    _add_cast(world)
    return world


def _add_facts(world: World) -> None:
    owner = make.a_member(world.business, name=f"{MARK} Owner")
    world.cast["owner"] = owner
    now = make.NOW
    finding = Finding.objects.create(record=world.record, foot="RH", claw="outer", zone=4, lesion="SU")
    Treatment.objects.create(record=world.record, kind="block", foot="RH", claw="inner", block_kind="wood")
    world.objects |= {
        "clients": world.client,
        "farms": world.farm,
        "crews": world.crew,
        "bases": world.crew.base,
        "animals": world.animal,
        "requests": world.request,
        "visits": world.visit,
        "records": world.record,
        "findings": finding,
        "vet-links": VetLink.objects.create(farm=world.farm, name=MARK, secret_hash="v" * 64, given_at=now),
        "windows": AccessWindow.objects.create(farm=world.farm, weekday=1, opens=dt.time(8), closes=dt.time(15)),
        "contacts": Contact.objects.create(farm=world.farm, name=f"{MARK} Herd", email="herd@example.test"),
        "days-off": DaysOff.objects.create(crew=world.crew, first=make.TODAY, last=make.TODAY, note=MARK),
        "rechecks": Recheck.objects.create(
            animal=world.animal,
            raised_by=world.record,
            trigger="block_wood",
            what="look_at_block",
            due_from=make.TODAY,
            due_by=make.TODAY,
            note=MARK,
        ),
        "recheck-rules": RecheckRule.objects.create(
            business=world.business, trigger="wrap", what="remove_wrap", from_days=2, by_days=3
        ),
        "trim-list": TrimListEntry.objects.create(
            visit=world.visit, animal=world.animal, number=world.animal.number, reason="picked", note=MARK
        ),
        "jobs": Job.objects.create(business=world.business, kind="plan_week", state=JobState.DONE, message=MARK),
        "sheets": SheetImport.objects.create(
            business=world.business,
            kind="animals",
            file_name=f"{MARK}.csv",
            content=b"",
            state=SheetState.FAULTY,
            brought_by=owner.user,
            brought_at=now,
        ),
        "tokens": ApiToken.objects.create(
            business=world.business, user=owner.user, name=MARK, secret_hash=uuid.uuid4().hex, made_at=now
        ),
        "invitations": Invitation.objects.create(
            business=world.business,
            email="new@example.test",
            role=Role.OFFICE,
            secret_hash=uuid.uuid4().hex,
            sent_at=now,
            expires_at=now + dt.timedelta(days=3),
        ),
    }


def _add_rounds(world: World) -> None:
    """A proposed week with one visit in it, made as a worker makes it but without a search."""
    week = ProposedWeek.objects.create(business=world.business, monday=MONDAY, asked_at=make.NOW)
    loaded = load_week(business=world.business, monday=MONDAY, today=make.TODAY)
    assert loaded.week is not None
    (job,) = (job for job in loaded.week.jobs if job.fixed is None)
    made = planner.evaluate(loaded.week, world.crew.pk, 0, [(job.id, job.work)])
    assert isinstance(made, planner.Round)
    save_plan(proposed=week, loaded=loaded, plan=planner.plan_of(loaded.week, [made]), reasons=())
    LeftOut.objects.create(week=week, farm=world.farm, head={"cow": 2}, reason="no-room")
    world.objects |= {"weeks": week, "proposed-weeks": week}
    question = WeekQuestion.objects.create(
        week=week,
        kind=WeekQuestion.Kind.WHY_NOT,
        about={"job": str(job.id), "day": 1, "crew": None, "farm": world.farm.pk},
        version=week.version,
        answer={"refused": {"reason": "no-day-suits", "details": {}}},
        asked_at=make.NOW,
    )
    world.objects["questions"] = question
    world.samples |= {"key": str(job.id), "stops": str(job.id)}


def _add_bills(world: World) -> None:
    business, client, now = world.business, world.client, make.NOW
    tax = TaxCategory.objects.create(business=business, name="Standard", code="S", rate=Decimal("23"))
    prices = PriceList.objects.create(business=business, name=f"{MARK} list", valid_from=dt.date(2026, 1, 1))
    Price.objects.create(price_list=prices, article="head_cow", amount=Decimal("14.50"), tax_category=tax)
    draft = _an_invoice(world, visit=None)
    done = make.a_visit(
        world.farm, world.crew, date=make.TODAY - dt.timedelta(days=9), state=VisitState.DONE, note=MARK
    )
    done.head.create(kind="cow", planned=5, done=5)
    invoice = _an_invoice(world, visit=done)
    Invoice.objects.filter(pk=invoice.pk).update(
        state="issued",
        number=f"{MARK}-1",
        issued_on=make.TODAY,
        due_on=make.TODAY,
        issued_at=now,
        seller={"name": business.name},
        buyer={"name": client.name},
    )
    pdf = b"%PDF-1.7"
    InvoiceFile.objects.create(invoice=invoice, pdf=pdf, sha256=hashlib.sha256(pdf).hexdigest(), made_at=now)
    payment = Payment.objects.create(
        business=business, client=client, received_on=make.TODAY, amount=Decimal("10"), note=MARK, recorded_at=now
    )
    Allocation.objects.create(invoice=invoice, payment=payment, amount=Decimal("10"))
    sheet = b"Wann,Wieviel\n2026-03-04,10.00\n"
    bank_file = BankFile.objects.create(
        business=business,
        name=f"{MARK}.csv",
        content=sheet,
        sha256=hashlib.sha256(sheet).hexdigest(),
        brought_at=now,
    )
    bank_line = BankEntry.objects.create(
        business=business,
        file=bank_file,
        key="0" * 64,
        booked_on=make.TODAY,
        amount=Decimal("10"),
        currency=business.currency,
        payer=MARK,
    )
    books = BooksFile.objects.create(
        business=business, first=make.TODAY, last=make.TODAY, asked_at=now, content=b"PK", made_at=now
    )
    message = SentMessage.objects.create(
        business=business, client=client, kind="invoice", recipient="a@example.test", subject=MARK, sent_at=now
    )
    sending = InvoiceSending.objects.create(invoice=invoice, message=message)
    place = SalesTaxPlace.objects.create(business=business, name=f"{MARK} County")
    certificate = ExemptionCertificate.objects.create(client=client, number=MARK, valid_from=make.TODAY)
    stop = ReminderStop.objects.create(business=business, client=client, reason=MARK, set_at=now)
    world.objects |= {
        "reminder-stops": stop,
        "invoice-sendings": sending,
        "sales-tax-places": place,
        "exemption-certificates": certificate,
        "books-files": books,
        "bank-files": bank_file,
        "bank-lines": bank_line,
        "tax-categories": tax,
        "price-lists": prices,
        "drafts": draft,
        "invoices": Invoice.objects.get(pk=invoice.pk),
        "payments": payment,
        "issue-runs": IssueRun.objects.create(business=business, issue_on=make.TODAY, asked_at=now),
    }


def _an_invoice(world: World, *, visit: Visit | None) -> Invoice:
    invoice = Invoice.objects.create(
        business=world.business,
        client=world.client,
        currency="EUR",
        net_total=Decimal("72.50"),
        tax_total=Decimal("16.68"),
        gross_total=Decimal("89.18"),
        note=MARK,
        drafted_at=make.NOW,
    )
    InvoiceLine.objects.create(
        invoice=invoice,
        position=1,
        visit=visit,
        name="Cow trimmed",
        quantity=Decimal("5"),
        unit="HEA",
        price=Decimal("14.50"),
        net=Decimal("72.50"),
        tax_code="S",
        tax_rate=Decimal("23"),
    )
    InvoiceTax.objects.create(
        invoice=invoice, code="S", rate=Decimal("23"), base=Decimal("72.50"), tax=Decimal("16.68")
    )
    if visit is not None:
        BilledVisit.objects.create(invoice=invoice, visit=visit)
    return invoice


def _add_cast(world: World) -> None:
    world.cast["no one"] = None
    world.cast["trimmer"] = make.a_member(
        world.business, Role.TRIMMER, email="the.trimmer.of.the.upper.valley@hollin-hoof-care.example.test"
    )
    world.cast["office"] = make.a_member(world.business, Role.OFFICE)
    world.cast["farm person"] = make.a_farm_person(world.client)
    neighbour = make.a_client(world.business, name="Thistle End")
    make.a_farm(neighbour, name="Thistle End")
    world.cast["farm person of another client"] = make.a_farm_person(neighbour)
    world.cast["owner of another business"] = make.a_member(make.a_business(name="Bracken Hoof Care"))
    member = world.business.memberships.filter(role=Role.TRIMMER).get()
    world.objects |= {"members": member, "people": member, "farm-people": world.client.people.get()}
