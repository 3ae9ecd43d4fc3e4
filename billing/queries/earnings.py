"""What it earned: issued bills against the hours of their visits, by farm, crew or round."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Final

from django.db.models import Sum

from billing.charges.earnings import Earned, Stop, earned
from billing.charges.share import shared_out
from billing.charges.totals import ZERO
from billing.currencies import in_currency, places_of
from billing.models import InvoiceAllowance, InvoiceKind, InvoiceLine, InvoiceState
from trimmer.models import Business, Visit
from trimmer.showing import show_day

COMING: Final = ("call_out", "distance", "travel")
"""How the articles begin that are charged for coming."""
SECONDS_IN_MINUTE: Final = 60
LONGEST_LEG: Final = 4 * 60
"""Minutes between two farms of a round beyond which there was a pause: the planned drive is taken instead."""


class Group(StrEnum):
    """What is added up."""

    FARM = "farm"
    CREW = "crew"
    ROUND = "round"


@dataclass(frozen=True, slots=True)
class EarnedRow:
    """A row with its name; `client` of a farm."""

    name: str
    client: str
    farm: int | None
    earned: Earned
    below: bool
    """Earns less an hour than all together."""


@dataclass(frozen=True, slots=True)
class Earnings:
    """Rows by what they earn an hour, the most first, and all together. `unplaced` is billed without a visit."""

    rows: tuple[EarnedRow, ...]
    total: Earned | None
    unplaced: Decimal


def earnings_of(business: Business, first: dt.date, last: dt.date, group: Group) -> Earnings:
    """What visits of a period earned an hour. Half a dozen queries, whatever the number of visits."""
    visits = list(
        Visit.objects.of(business)
        .done()
        .filter(date__range=(first, last), billed_elsewhere=False)
        .select_related("farm__client", "crew")
        .annotate(done_head=Sum("head__done"))
        .order_by("date", "crew", "position", "arrived_at", "pk")
    )
    billed, travel = _billed(business, first, last)
    rounds: dict[tuple[dt.date, int], list[Visit]] = defaultdict(list)
    for visit in visits:
        rounds[visit.date, visit.crew_id].append(visit)
    stops = [_stops(rows, billed, travel) for rows in rounds.values()]
    by_key = {visit.pk: visit for visit in visits}

    def key(stop: Stop) -> object:
        visit = by_key[stop.key]
        return {
            Group.FARM: visit.farm_id,
            Group.CREW: visit.crew_id,
            Group.ROUND: (visit.date, visit.crew_id),
        }[group]

    names = {}
    for visit in visits:
        names[key(_bare(visit))] = visit
    rows = earned(stops, key)
    all_of_it = next(iter(earned(stops, lambda _stop: "")), None)
    mean = all_of_it.an_hour if all_of_it else None
    told = [_row(row, names[row.key], group, business, mean) for row in rows]
    told.sort(key=lambda row: (row.earned.an_hour is None, -(row.earned.an_hour or ZERO), row.name.casefold()))
    return Earnings(tuple(told), all_of_it, _unplaced(business, first, last))


def _bare(visit: Visit) -> Stop:
    return Stop(visit.pk, 0, None, ZERO, 0, 0)


def _row(row: Earned, visit: Visit, group: Group, business: Business, mean: Decimal | None) -> EarnedRow:
    day = show_day(visit.date, business.language, weekday=False)
    name = {Group.FARM: visit.farm.name, Group.CREW: visit.crew.name, Group.ROUND: f"{day}, {visit.crew.name}"}[group]
    farm = group is Group.FARM
    below = mean is not None and row.an_hour is not None and row.an_hour < mean
    return EarnedRow(name, visit.farm.client.name if farm else "", visit.farm_id if farm else None, row, below)


def _billed(business: Business, first: dt.date, last: dt.date) -> tuple[dict[int, Decimal], dict[int, Decimal]]:
    """Net of issued lines by visit, discounts and credit notes taken off; and the part that is charged for coming.

    A discount under the lines is shared by the lines it was taken off, to the cent. A visit billed at nothing (free
    rechecks) is billed; one whose bill was credited whole is not.
    """
    billed: dict[int, Decimal] = {}
    travel: dict[int, Decimal] = defaultdict(lambda: ZERO)
    rows = InvoiceLine.objects.of(business).filter(
        invoice__state=InvoiceState.ISSUED,
        visit__date__range=(first, last),
        visit__billings__invoice__state=InvoiceState.ISSUED,
        visit__billings__released_at__isnull=True,
    )
    columns = ("pk", "visit_id", "article", "net", "invoice__kind", "invoice__currency")
    for _pk, visit, article, net, kind, currency in rows.distinct().values_list(*columns):
        if visit is None:
            continue
        amount = in_currency(net, currency) * (-1 if kind == InvoiceKind.CREDIT_NOTE else 1)
        billed[visit] = billed.get(visit, ZERO) + amount
        if article.startswith(COMING):
            travel[visit] += amount
    for visit, article, off in _taken_off(business, first, last):
        if visit not in billed:
            continue
        billed[visit] -= off
        if article.startswith(COMING):
            travel[visit] -= off
    return billed, travel


def _taken_off(business: Business, first: dt.date, last: dt.date) -> Iterator[tuple[int, str, Decimal]]:
    """What discounts take off each line of a visit (a credit note: give back): visit, article, amount."""
    allowances = (
        InvoiceAllowance.objects.of(business)
        .filter(invoice__state=InvoiceState.ISSUED, invoice__lines__visit__date__range=(first, last))
        .select_related("invoice", "discount", "credits__discount")
        .distinct()
    )
    found = list(allowances)
    lines: dict[int, list[InvoiceLine]] = defaultdict(list)
    for line in InvoiceLine.objects.filter(invoice__in={row.invoice_id for row in found}).select_related("visit"):
        lines[line.invoice_id].append(line)
    for row in found:
        discount = row.discount or (row.credits.discount if row.credits else None)
        only = set(discount.visits) if discount else set()
        of_it = [
            line
            for line in lines[row.invoice_id]
            if line.net > 0
            and (line.tax_code, line.tax_rate) == (row.tax_code, row.tax_rate)
            and (not only or line.visit_id in only)
        ]
        if not of_it:
            continue
        sign = -1 if row.invoice.kind == InvoiceKind.CREDIT_NOTE else 1
        places = places_of(row.invoice.currency)
        parts = shared_out(in_currency(row.amount, row.invoice.currency), [line.net for line in of_it], places)
        for line, part in zip(of_it, parts, strict=True):
            if line.visit is not None and first <= line.visit.date <= last:
                yield line.visit.pk, line.article, sign * part


def _unplaced(business: Business, first: dt.date, last: dt.date) -> Decimal:
    rows = InvoiceLine.objects.of(business).filter(
        invoice__state=InvoiceState.ISSUED, visit__isnull=True, invoice__issued_on__range=(first, last)
    )
    total = ZERO
    for net, kind, currency in rows.values_list("net", "invoice__kind", "invoice__currency"):
        total += in_currency(net, currency) * (-1 if kind == InvoiceKind.CREDIT_NOTE else 1)
    return total


def _stops(visits: list[Visit], billed: dict[int, Decimal], travel: dict[int, Decimal]) -> list[Stop]:
    driven = sorted(visits, key=lambda one: (one.arrived_at is None, one.arrived_at or one.date, one.position, one.pk))
    if any(one.arrived_at is None for one in visits):
        driven = visits
    stops, before = [], None
    for visit in driven:
        chute, told = _chute(visit)
        stops.append(
            Stop(
                key=visit.pk,
                head=getattr(visit, "done_head", None) or 0,
                billed=billed.get(visit.pk),
                travel=travel.get(visit.pk, ZERO),
                chute=chute,
                leg=_leg(visit, before),
                leg_metres=visit.distance_planned_m if visit.distance_driven_m is None else visit.distance_driven_m,
                alone_metres=visit.distance_alone_m,
                told=told,
            )
        )
        before = visit
    return stops


def _chute(visit: Visit) -> tuple[int, bool]:
    """Minutes at the farm: from arriving to leaving; else from the first head to the last; else as planned."""
    for start, end in ((visit.arrived_at, visit.left_at), (visit.first_head_at, visit.last_head_at)):
        if start and end and end >= start:
            return int((end - start).total_seconds()) // SECONDS_IN_MINUTE, True
    if visit.planned_start and visit.planned_end and visit.planned_end >= visit.planned_start:
        return int((visit.planned_end - visit.planned_start).total_seconds()) // SECONDS_IN_MINUTE, False
    return 0, False


def _leg(visit: Visit, before: Visit | None) -> int:
    """Minutes driven to a farm: since leaving the one before; the first of a round, and after a pause, as planned."""
    planned = visit.drive_minutes_planned or 0
    if before is None or not before.left_at or not visit.arrived_at or visit.arrived_at < before.left_at:
        return planned
    minutes = int((visit.arrived_at - before.left_at).total_seconds()) // SECONDS_IN_MINUTE
    return planned if minutes > LONGEST_LEG else minutes
