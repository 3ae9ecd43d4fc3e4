"""Visits that are done and not billed: what they are worth, and what speaks against billing them as they are."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.db.models import Exists, OuterRef, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from billing.charges.prices import (
    TREATMENT_ARTICLES,
    PricedVisit,
    VisitWork,
    price_visit,
)
from billing.charges.totals import ZERO, rounded
from billing.currencies import MOST, places_of
from billing.models import Article, BilledVisit, TaxCode
from billing.queries.prices import prices_of, settings_of
from billing.queries.sales_tax import sales_taxes_of, with_sales_taxes
from trimmer.models import Business, Client, Units, Visit, VisitHead
from trimmer.queries.records import work_done

SECONDS_IN_HOUR = 3600


@dataclass(frozen=True, slots=True)
class Caution:
    """A code, and a sentence for people, about a visit that is to be billed."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class VisitToBill:
    """A visit with its priced lines.

    `obstacles` keep it from being billed; `cautions` are things to look at first. `recorded` are head counted from the
    records made at the chute, `billed` those the bill counts.
    """

    visit: Visit
    work: VisitWork
    priced: PricedVisit
    net: Decimal
    billed: int
    recorded: int
    obstacles: tuple[Caution, ...]
    cautions: tuple[Caution, ...]

    @property
    def client(self) -> Client:
        """Who pays."""
        return self.visit.farm.client

    @property
    def ready(self) -> bool:
        """Whether it can become lines of a draft."""
        return not self.obstacles


def visits_to_bill(business: Business, *, client: Client | None = None, until: date | None = None) -> QuerySet[Visit]:
    """Visits that are done and stand on no invoice and no draft, by client, then as they were driven. What was billed
    before it was known here is left out."""
    standing = BilledVisit.objects.filter(visit=OuterRef("pk"), released_at__isnull=True)
    visits = Visit.objects.of(business).done().filter(~Exists(standing), billed_elsewhere=False)
    if client is not None:
        visits = visits.filter(farm__client=client)
    if until is not None:
        visits = visits.filter(date__lte=until)
    return visits.select_related("farm__client").order_by(
        "farm__client__name", "farm__client_id", "date", "position", "pk"
    )


def priced_visits(business: Business, visits: Iterable[Visit]) -> list[VisitToBill]:
    """Price visits and look at each. Seven queries or so, however many visits there are."""
    found = list(visits)
    clients = {visit.farm.client_id for visit in found}
    prices = prices_of(business, clients)
    work = work_of(found)
    travel_counts = settings_of(business).travel_counts
    places = places_of(business.currency)
    taxes = sales_taxes_of(business, clients) if prices.sold else None
    rows = []
    for visit in found:
        done = work[visit.pk]
        priced = price_visit(
            done.work,
            prices.sheets_of(visit.farm.client_id),
            miles=business.units == Units.US,
            travel_counts=travel_counts,
            places=places,
        )
        lacks_place = False
        if taxes is not None:
            priced, lacks_place = with_sales_taxes(priced, visit, prices.sold, taxes)
        net = sum((line.as_line().net(places) for line in priced.lines), ZERO)
        billed = sum(done.work.head.values())
        obstacles = _obstacles(done, priced, net)
        cautions = _cautions(business, visit.farm.client, done, priced)
        if lacks_place:
            obstacles = (*obstacles, _no_place(visit))
        elif taxes is not None and (number := taxes.ran_out(visit.farm.client_id, visit.date)):
            cautions = (*cautions, _ran_out(number))
        rows.append(VisitToBill(visit, done.work, priced, net, billed, done.recorded, obstacles, cautions))
    return rows


def _no_place(visit: Visit) -> Caution:
    text = _("Nobody said in which place %(farm)s lies for sales taxes. Say so under Prices, Sales taxes.")
    return Caution("no_sales_tax_place", text % {"farm": visit.farm.name})


def _ran_out(number: str) -> Caution:
    text = _("Certificate %(number)s ran out before this day: sales tax is charged. Ask the client for a new one.")
    return Caution("certificate_ran_out", text % {"number": number})


@dataclass(frozen=True, slots=True)
class _Done:
    work: VisitWork
    recorded: int


def work_of(visits: Collection[Visit]) -> dict[int, _Done]:
    """What was done on each visit, by its key.

    Head are those the crew counted when the visit was completed, which holds those without a record too; a kind of
    which more were recorded since counts by its records. Treatments are those recorded.
    """
    keys = [visit.pk for visit in visits]
    recorded = work_done(keys)
    counted: dict[int, dict[str, int]] = {}
    for key, kind, count in VisitHead.objects.filter(visit__in=keys, done__gt=0).values_list(
        "visit_id", "kind", "done"
    ):
        counted.setdefault(key, {})[kind] = count
    found = {}
    for visit in visits:
        by_record = recorded[visit.pk].head
        by_crew = counted.get(visit.pk, {})
        head = {kind: max(by_record.get(kind, 0), by_crew.get(kind, 0)) for kind in {*by_record, *by_crew}}
        treatments = {
            article: count
            for kind, count in recorded[visit.pk].treatments.items()
            if (article := f"treatment_{kind}") in TREATMENT_ARTICLES
        }
        found[visit.pk] = _Done(
            VisitWork(
                key=str(visit.pk),
                on=visit.date,
                head={f"head_{kind}": count for kind, count in head.items()},
                treatments=treatments,
                distance_m=visit.distance_planned_m if visit.distance_driven_m is None else visit.distance_driven_m,
                hours=_hours(visit),
            ),
            recorded[visit.pk].head_count,
        )
    return found


def _hours(visit: Visit) -> Decimal | None:
    """Hours at the chute, from the first head in to the last head out, to a hundredth."""
    if visit.first_head_at is None or visit.last_head_at is None:
        return None
    seconds = int((visit.last_head_at - visit.first_head_at).total_seconds())
    return rounded(Decimal(seconds) / SECONDS_IN_HOUR, 2)


def _named(articles: Iterable[str]) -> str:
    return ", ".join(str(Article(article).label) for article in articles)


def _obstacles(done: _Done, priced: PricedVisit, net: Decimal) -> tuple[Caution, ...]:
    found = []
    if not done.work.head:
        found.append(Caution("nothing_done", _("No head was counted or recorded. Put that right on the visit first.")))
    if priced.missing:
        text = _("No price on that day for: %(articles)s. Add it to a price list that holds on the day of the visit.")
        found.append(Caution("price_missing", text % {"articles": _named(priced.missing)}))
    elif not priced.lines:
        found.append(Caution("no_prices", _("No price list holds on that day.")))
    if net >= MOST:
        found.append(Caution("amount_too_large", _("It would come to too much. Look at distance and prices again.")))
    return tuple(found)


def _cautions(business: Business, client: Client, done: _Done, priced: PricedVisit) -> tuple[Caution, ...]:
    found = []
    billed = sum(done.work.head.values())
    if not done.recorded and billed:
        found.append(Caution("no_records", _("Nothing was recorded at the chute: no treatment is on the bill.")))
    elif done.recorded != billed:
        text = ngettext(
            "%(recorded)s of %(billed)s head is recorded at the chute.",
            "%(recorded)s of %(billed)s head are recorded at the chute.",
            done.recorded,
        )
        found.append(Caution("head_differ", text % {"recorded": done.recorded, "billed": billed}))
    if priced.unmeasured:
        text = _("Priced, but not measured on this visit: %(articles)s.")
        found.append(Caution("not_measured", text % {"articles": _named(priced.unmeasured)}))
    codes = {line.category for line in priced.lines}
    if TaxCode.REVERSE_CHARGE in codes and not client.tax_id:
        found.append(Caution("client_tax_id_missing", _("Reverse charge, but the client has no tax registration.")))
    if codes - {TaxCode.NOT_SUBJECT} and not (business.tax_id or business.tax_number):
        found.append(Caution("own_tax_id_missing", _("The business has no tax registration in its settings.")))
    return tuple(found)
