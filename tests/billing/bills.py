"""Makes what bills are made of, with fixed values: 40 cows at 14.50 and 19 % are 580.00, 110.20 and 690.20."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from billing import tasks
from billing.models import Invoice, PriceList, TaxCategory
from billing.services.drafts import draft_invoices
from billing.services.issuing import issue_invoice
from billing.services.prices import PriceValues, keep_price_list
from billing.services.sending import SEND_JOB
from tests import make
from trimmer.models import Business, Client, HeadKind, Job, Visit, VisitHead, VisitState
from trimmer.services import jobs

assert tasks.send_invoices  # registers what a worker does
D = Decimal

SOUND = {
    "city": "Oberfeld",
    "street": "Mill Lane 4",
    "tax_id": "ATU12345675",
    "iban": "DE89370400440532013000",
    "payment_days": 14,
}
PRICES = {"head_cow": "14.50", "head_lame": "20.00", "treatment_block": "8.00"}


def a_trimming_business(**fields: Any) -> Business:
    """A business that can issue."""
    return make.a_business(**(SOUND | fields))


def a_tax(business: Business, **fields: Any) -> TaxCategory:
    values = {"name": "VAT 19 %", "code": "S", "rate": D(19)} | fields
    return TaxCategory.objects.get_or_create(business=business, name=values.pop("name"), defaults=values)[0]


def a_price_list(
    business: Business, prices: dict[str, str] | None = None, *, client: Client | None = None, **fields: Any
) -> PriceList:
    tax = fields.pop("tax", None) or a_tax(business)
    values: dict[str, Any] = {"name": "Prices 2026", "valid_from": dt.date(2026, 1, 1)} | fields
    priced = [PriceValues(article, D(amount), tax) for article, amount in (prices or PRICES).items()]
    return keep_price_list(business=business, client=client, prices=priced, **values)


def a_done_visit(client: Client, *, head: dict[str, int] | None = None, **fields: Any) -> Visit:
    """A visit that is done, its head counted by the crew."""
    farm = fields.pop("farm", None) or make.a_farm(client)
    crew = fields.pop("crew", None) or make.a_crew(client.business)
    visit = make.a_visit(farm, crew, **({"state": VisitState.DONE} | fields))
    for kind, count in ({HeadKind.COW: 40} if head is None else head).items():
        VisitHead.objects.create(visit=visit, kind=kind, planned=count, done=count)
    return visit


def a_draft(client: Client, *, head: dict[str, int] | None = None, **fields: Any) -> Invoice:
    """A draft of one visit; the business gets a price list if it has none."""
    if not client.business.price_lists.exists():
        a_price_list(client.business)
    visit = a_done_visit(client, head=head, **fields)
    [draft] = draft_invoices(business=client.business, visits=[visit], by=None, now=make.NOW).drafts
    return draft


def post_what_waits() -> None:
    """What a worker does with e-mails that wait."""
    for job in Job.objects.unfinished().filter(kind=SEND_JOB):
        assert jobs.run(job.pk, clock=lambda: make.NOW)


def an_invoice(
    client: Client,
    *,
    head: dict[str, int] | None = None,
    on: dt.date = make.TODAY,
    due_on: dt.date | None = None,
    **fields: Any,
) -> Invoice:
    """An issued invoice of one visit."""
    return issue_invoice(invoice=a_draft(client, head=head, **fields), on=on, due_on=due_on, by=None, now=make.NOW)
