"""Visits that are done and not billed: what they are worth, and what speaks against billing them as they are."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal

from django.db.models import Exists, F, OuterRef, Q, QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from billing.charges.discounts import Discount, allowances_of
from billing.charges.prices import (
    HEAD_ARTICLES,
    TREATMENT_ARTICLES,
    PricedVisit,
    VisitWork,
    price_visit,
)
from billing.charges.totals import ZERO, rounded
from billing.currencies import MOST, places_of
from billing.models import Article, BilledVisit, ForgoneFee, Invoice, InvoiceKind, TaxCode, TravelShare
from billing.queries.prices import prices_of, settings_of
from billing.queries.rounds import NO_ROADS, Roads, Round, roads_of
from billing.queries.sales_tax import sales_taxes_of, with_sales_taxes
from trimmer.models import Business, Client, HeadKind, Recheck, Units, Visit, VisitHead, VisitState
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
    round: Round | None = None

    @property
    def cancelled(self) -> bool:
        """Nothing was done: what is asked for is the fee of a late cancellation."""
        return self.work.cancelled

    @property
    def client(self) -> Client:
        """Who pays."""
        return self.visit.farm.client

    @property
    def ready(self) -> bool:
        """Whether it can become lines of a draft."""
        return not self.obstacles


def visits_to_bill(business: Business, *, client: Client | None = None, until: date | None = None) -> QuerySet[Visit]:
    """Visits that are done, or cancelled late, and stand on no invoice and no draft, by client, then as they were
    driven. What was billed before it was known here is left out, and so is a fee that was forgone."""
    standing = BilledVisit.objects.filter(visit=OuterRef("pk"), released_at__isnull=True)
    wanted = Q(state=VisitState.DONE) | _cancelled_late(business)
    visits = Visit.objects.of(business).filter(wanted).filter(~Exists(standing), billed_elsewhere=False)
    if client is not None:
        visits = visits.filter(farm__client=client)
    if until is not None:
        visits = visits.filter(date__lte=until)
    return visits.select_related("farm__client").order_by(
        "farm__client__name", "farm__client_id", "date", "position", "pk"
    )


def _cancelled_late(business: Business) -> Q:
    """Visits called off within the hours the business has set for that; none if it has set none."""
    hours = settings_of(business).late_cancel_hours
    if hours is None:
        return Q(pk__in=())
    since = F("planned_start") - timedelta(hours=hours)
    forgone = ForgoneFee.objects.filter(visit=OuterRef("pk"))
    return Q(state=VisitState.CANCELLED, cancelled_at__gte=since) & Q(~Exists(forgone))


def priced_visits(business: Business, visits: Iterable[Visit]) -> list[VisitToBill]:
    """Price visits and look at each. A dozen queries or so, however many visits there are."""
    found = list(visits)
    clients = {visit.farm.client_id for visit in found}
    prices = prices_of(business, clients)
    settings = settings_of(business)
    roads = roads_of(business, found, wished=settings.travel_share, prices=prices)
    work = work_of(found, roads=roads, legs=settings.travel_share == TravelShare.LEGS)
    travel_counts = settings.travel_counts
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
        net = _net(priced, places)
        billed = sum(done.work.head.values())
        obstacles = _obstacles(done, priced, net)
        shared = roads.round_of(visit)
        cautions = _cautions(business, visit, done, priced, shared)
        if lacks_place:
            obstacles = (*obstacles, _no_place(visit))
        elif taxes is not None and (number := taxes.ran_out(visit.farm.client_id, visit.date)):
            cautions = (*cautions, _ran_out(number))
        rows.append(VisitToBill(visit, done.work, priced, net, billed, done.recorded, obstacles, cautions, shared))
    return rows


def _no_place(visit: Visit) -> Caution:
    text = _("Nobody said in which place %(farm)s lies for sales taxes. Say so under Prices, Sales taxes.")
    return Caution("no_sales_tax_place", text % {"farm": visit.farm.name})


def _ran_out(number: str) -> Caution:
    text = _("Certificate %(number)s ran out before this day: sales tax is charged. Ask the client for a new one.")
    return Caution("certificate_ran_out", text % {"number": number})


def _net(priced: PricedVisit, places: int) -> Decimal:
    """What a visit comes to before tax, less its list's discount."""
    lines = [line.as_line() for line in priced.lines]
    off = [] if priced.discount is None else allowances_of(lines, [Discount(percent=priced.discount.percent)], places)
    return sum((line.net(places) for line in lines), ZERO) - sum((one.amount for one in off), ZERO)


@dataclass(frozen=True, slots=True)
class _Done:
    work: VisitWork
    recorded: int


def work_of(visits: Collection[Visit], *, roads: Roads = NO_ROADS, legs: bool = True) -> dict[int, _Done]:
    """What was done on each visit, by its key; with `legs` the way driven to the farm is its own.

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
    rechecked = _recheck_days(keys)
    found = {}
    for visit in visits:
        if visit.state == VisitState.CANCELLED:
            found[visit.pk] = _Done(VisitWork(str(visit.pk), visit.date, {}, {}, cancelled=True), 0)
            continue
        shared = roads.round_of(visit)
        travel = shared.travel_of(visit.pk) if shared else None
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
                distance_m=_leg(visit) if legs else None,
                hours=_hours(visit),
                travel=travel,
                from_base_m=roads.from_base.get(visit.pk),
                recheck_days=rechecked.get(visit.pk, ()),
            ),
            recorded[visit.pk].head_count,
        )
    return found


def _leg(visit: Visit) -> int | None:
    return visit.distance_planned_m if visit.distance_driven_m is None else visit.distance_driven_m


def _recheck_days(keys: Collection[int]) -> dict[int, tuple[int, ...]]:
    """By visit, for each animal whose record closed a recheck: days since that was raised, the latest of several."""
    rows = Recheck.objects.filter(
        closed_by_record__visit__in=keys, closed_by_record__kind=HeadKind.RECHECK, raised_on__isnull=False
    ).values_list("closed_by_record__visit_id", "closed_by_record__visit__date", "animal_id", "raised_on")
    latest: dict[int, dict[int, int]] = {}
    for visit, day, animal, raised in rows:
        if raised is not None:
            days = max(0, (day - raised).days)
            of_visit = latest.setdefault(visit, {})
            of_visit[animal] = min(days, of_visit.get(animal, days))
    return {visit: tuple(sorted(of_visit.values())) for visit, of_visit in latest.items()}


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
    if not done.work.head and not done.work.cancelled:
        found.append(Caution("nothing_done", _("No head was counted or recorded. Put that right on the visit first.")))
    if priced.missing:
        text = _("No price on that day for: %(articles)s. Add it to a price list that holds on the day of the visit.")
        found.append(Caution("price_missing", text % {"articles": _named(priced.missing)}))
    elif not priced.lines:
        found.append(Caution("no_prices", _("No price list holds on that day.")))
    if net >= MOST:
        found.append(Caution("amount_too_large", _("It would come to too much. Look at distance and prices again.")))
    return tuple(found)


def _cautions(
    business: Business, visit: Visit, done: _Done, priced: PricedVisit, shared: Round | None
) -> tuple[Caution, ...]:
    found, client = [], visit.farm.client
    if done.work.cancelled:
        text = _("Cancelled late: %(why)s. Ask for the fee only if it was the farm that called it off.")
        found.append(Caution("cancelled_late", text % {"why": visit.cancel_reason or _("no reason was noted")}))
    found += _head_cautions(done)
    if priced.unmeasured:
        text = _("Priced, but not measured on this visit: %(articles)s.")
        found.append(Caution("not_measured", text % {"articles": _named(priced.unmeasured)}))
    if shared is not None and shared.frozen and done.work.travel is None and not done.work.cancelled:
        text = _("The travel of this round was shared and billed without this visit. Add a line if it bears a part.")
        found.append(Caution("round_shared_without_it", text))
    elif shared is not None and shared.way != shared.wished:
        text = _("Ways or zones are missing for what you chose, so the round is %(how)s.")
        found.append(Caution("shared_otherwise", text % {"how": TravelShare(shared.way).label}))
    return (*found, *tax_cautions(business, client, {line.category for line in priced.lines}))


def draft_cautions(drafts: Iterable[Invoice]) -> dict[int, list[Caution]]:
    """By draft, what its visits' records say against it now, and whose country is taken for granted. Six queries or so,
    however many drafts there are."""
    rows = [draft for draft in drafts if draft.kind == InvoiceKind.INVOICE]
    billed = BilledVisit.objects.filter(invoice__in=rows, released_at__isnull=True).select_related("visit__farm")
    visits: dict[int, list[Visit]] = {}
    for one in billed.order_by("visit__date", "pk"):
        visits.setdefault(one.invoice_id, []).append(one.visit)
    done = work_of([visit for group in visits.values() for visit in group])
    found: dict[int, list[Caution]] = {}
    for draft in rows:
        head: dict[int | None, Decimal] = {}
        for line in draft.lines.all():
            if line.article in HEAD_ARTICLES:
                head[line.visit_id] = head.get(line.visit_id, ZERO) + line.quantity
        cautions = []
        for visit in visits.get(draft.pk, ()):
            if visit.state == VisitState.DONE:
                on_bill = int(head.get(visit.pk, ZERO))
                said = _recorded_against(done[visit.pk].recorded, on_bill)
                cautions += [Caution(one.code, f"{visit.farm}: {one.text}") for one in said]
        if not draft.client.country:
            text = _("No country is stored for %(client)s: it is taken to be in that of your business, %(country)s.")
            values = {"client": draft.client, "country": draft.business.country or "–"}
            cautions.append(Caution("country_taken_for_granted", text % values))
        found[draft.pk] = cautions
    return found


def _head_cautions(done: _Done) -> list[Caution]:
    return _recorded_against(done.recorded, sum(done.work.head.values()))


def _recorded_against(recorded: int, billed: int) -> list[Caution]:
    """Head recorded at the chute against those a bill counts."""
    if not recorded and billed:
        return [Caution("no_records", _("Nothing was recorded at the chute: no treatment is on the bill."))]
    if recorded == billed:
        return []
    text = ngettext(
        "%(recorded)s of %(billed)s head is recorded at the chute.",
        "%(recorded)s of %(billed)s head are recorded at the chute.",
        recorded,
    )
    return [Caution("head_differ", text % {"recorded": recorded, "billed": billed})]


def tax_cautions(business: Business, client: Client, codes: Collection[str]) -> list[Caution]:
    """What is missing of the tax registrations of seller and client for lines of these categories."""
    found = []
    if TaxCode.REVERSE_CHARGE in codes and not client.tax_id:
        found.append(Caution("client_tax_id_missing", _("Reverse charge, but the client has no tax registration.")))
    if set(codes) - {TaxCode.NOT_SUBJECT} and not (business.tax_id or business.tax_number):
        found.append(Caution("own_tax_id_missing", _("The business has no tax registration in its settings.")))
    return found
