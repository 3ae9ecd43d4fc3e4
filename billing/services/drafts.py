"""Drafts: visits that are done become invoices that can still be looked at, changed and dropped."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from http import HTTPStatus
from itertools import groupby

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.charges.prices import ChargeLine
from billing.charges.sales_tax import Levy, Sold
from billing.charges.totals import ZERO, part_of, rounded
from billing.currencies import MOST, places_of
from billing.how_reckoned import how_words
from billing.models import (
    BilledVisit,
    BillsOfClient,
    ClientBilling,
    Invoice,
    InvoiceDiscount,
    InvoiceKind,
    InvoiceLine,
    InvoiceState,
    TaxCategory,
)
from billing.queries.prices import Prices, prices_of
from billing.queries.sales_tax import levies_of, place_for_typed_lines, sales_taxes_of
from billing.queries.visits import Caution, VisitToBill, priced_visits, visits_to_bill
from billing.services.amounts import allowances_from, as_line, write_totals
from billing.services.travel import note_rounds
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, Client, User, Visit, VisitState
from trimmer.showing import show_day, to_local

MOST_QUANTITY = Decimal(1_000_000)
PLACES = 4
"""Decimals of a quantity or a price; an amount has those of its currency."""

UNITS = {
    "C62": gettext_lazy("one"),
    "HEA": gettext_lazy("head"),
    "HUR": gettext_lazy("hour"),
    "KMT": gettext_lazy("km"),
    "SMI": gettext_lazy("mile"),
    "LS": gettext_lazy("lump sum"),
}
"""Units of a line written by hand: codes of UN/ECE Recommendation 20, with their names."""


class NotADraft(Refusal):
    code = "not_a_draft"
    message = gettext_lazy("This invoice is issued, so it stays as it is. Make a credit note to correct it.")


class IsACreditNote(Refusal):
    code = "is_a_credit_note"
    message = gettext_lazy("The lines of a credit note follow its invoice. Drop the draft and credit anew.")


class VisitOfAnotherBusiness(Refusal):
    code = "visit_of_another_business"
    message = gettext_lazy("One of these visits is not yours. Choose visits of your own business.")


class LineRefused(Refusal):
    code = "line_refused"
    message = gettext_lazy("A line cannot be taken as it is. Correct what is marked.")
    status = HTTPStatus.BAD_REQUEST


class DiscountRefused(Refusal):
    code = "discount_refused"
    message = gettext_lazy("A discount cannot be taken as it is. Correct what is marked.")
    status = HTTPStatus.BAD_REQUEST


class PricesMoved(Refusal):
    code = "prices_moved"
    message = gettext_lazy("Prices or records changed while you looked. Look at the difference once more.")


class VisitCannotBePriced(Refusal):
    code = "visit_cannot_be_priced"
    message = gettext_lazy("The visit of %(day)s at %(farm)s cannot be priced now: %(why)s")


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A visit that did not become lines of a draft, and why."""

    visit: Visit
    because: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Drafting:
    """The drafts that were made, and what was left out of them."""

    drafts: tuple[Invoice, ...]
    left_out: tuple[LeftOut, ...]


@transaction.atomic
def draft_invoices(
    *,
    business: Business,
    visits: Iterable[Visit] | None = None,
    client: Client | None = None,
    until: dt.date | None = None,
    by: User | None,
    now: dt.datetime,
) -> Drafting:
    """Make drafts out of visits that are done and not billed: those given, or all of a client, or all. As each client
    wishes it: one draft, one for each visit, or one for each month that is over.

    Everything is frozen into the lines: name, price, unit, tax, and where the price came from. A visit that cannot be
    billed is left out and said, and so is one that somebody else billed in this moment. The fee of a late cancellation
    is only asked for where its visit is among those given.
    """
    with business_locale(business):
        waiting = visits_to_bill(business, client=client, until=until)
        left_out: list[LeftOut] = []
        if visits is not None:
            chosen = {visit.pk: visit for visit in visits}
            if Visit.objects.of(business).filter(pk__in=chosen).count() != len(chosen):
                raise VisitOfAnotherBusiness
            waiting = waiting.filter(pk__in=chosen)
            found = set(waiting.values_list("pk", flat=True))
            left_out += [LeftOut(visit, (_not_to_bill(),)) for key, visit in chosen.items() if key not in found]
        else:
            waiting = waiting.filter(state=VisitState.DONE)
        rows = priced_visits(business, waiting)
        left_out += [LeftOut(row.visit, row.obstacles) for row in rows if row.obstacles]
        clients = {row.client.pk for row in rows}
        prices = prices_of(business, clients)
        bills = dict(ClientBilling.objects.filter(client__in=clients).values_list("client_id", "bills"))
        today = to_local(now, business.time_zone).date()
        drafts: dict[int, Invoice] = {}
        for month, of_draft in _by_draft([row for row in rows if row.ready], bills):
            if month is not None and (month.year, month.month) >= (today.year, today.month):
                left_out += [LeftOut(row.visit, (_month_not_over(),)) for row in of_draft]
                continue
            try:
                with transaction.atomic():
                    draft = _draft(business, of_draft, prices, month, by, now)
                    drafts[draft.pk] = draft
            except IntegrityError:
                if not _somebody_billed(of_draft):
                    raise
                left_out += [LeftOut(row.visit, (_not_to_bill(),)) for row in of_draft]
    return Drafting(tuple(drafts.values()), tuple(left_out))


def _by_draft(
    rows: Sequence[VisitToBill], bills: Mapping[int, str]
) -> Iterator[tuple[dt.date | None, list[VisitToBill]]]:
    """What goes onto one draft, as each client wishes it: with the first of the month where a month is collected."""
    for client, group in groupby(rows, key=lambda row: row.client.pk):
        of_client = list(group)
        match bills.get(client, BillsOfClient.TOGETHER):
            case BillsOfClient.VISIT:
                yield from ((None, [row]) for row in of_client)
            case BillsOfClient.MONTH:
                for month, found in groupby(of_client, key=lambda row: row.visit.date.replace(day=1)):
                    yield month, list(found)
            case _:
                yield None, of_client


def _draft(
    business: Business,
    rows: Sequence[VisitToBill],
    prices: Prices,
    month: dt.date | None,
    by: User | None,
    now: dt.datetime,
) -> Invoice:
    """A draft of these visits; of a month that has a draft already, that draft with these visits too."""
    there = None
    if month is not None:
        there = Invoice.objects.of(business).drafts().filter(client=rows[0].client, month=month).first()
    invoice = (
        Invoice.objects.create(
            business=business,
            client=rows[0].client,
            currency=business.currency,
            month=month,
            drafted_at=now,
            drafted_by=by,
        )
        if there is None
        else hold_draft(there)
    )
    BilledVisit.objects.bulk_create(BilledVisit(invoice=invoice, visit=row.visit) for row in rows)
    before = list(invoice.lines.order_by("position"))
    _write_lines(invoice, [*before, *(_lines_of(invoice, rows, prices))])
    _write_discounts(invoice, rows)
    note_rounds(business=business, rounds=[row.round for row in rows if row.round is not None])
    write_totals(invoice)
    return invoice


def _lines_of(invoice: Invoice, rows: Sequence[VisitToBill], prices: Prices) -> list[InvoiceLine]:
    return [_frozen(invoice, row.visit, line, prices) for row in rows for line in row.priced.lines]


def _write_lines(invoice: Invoice, lines: Sequence[InvoiceLine]) -> None:
    """Write a draft's lines in this order; those of a monthly invoice by farm, then by day, what is by hand last."""
    rows = list(lines)
    if invoice.month is not None:
        last = dt.date.max
        rows.sort(key=lambda row: (row.visit_id is None, row.farm_name, row.visit_date or last, row.visit_id or 0))
    invoice.lines.all().delete()
    for place, row in enumerate(rows, start=1):
        row.pk, row.position = None, place
    InvoiceLine.objects.bulk_create(rows)


def _write_discounts(invoice: Invoice, rows: Sequence[VisitToBill]) -> None:
    """Add the discounts that lists give on these visits to those that stand on the draft."""
    stand = {(one.source, one.percent): one for one in invoice.discounts.filter(by_hand=False)}
    last = max(invoice.discounts.values_list("position", flat=True), default=0)
    for discount in discounts_by_lists(rows):
        same = stand.get((discount.source, discount.percent))
        if same is not None:
            same.visits = [*same.visits, *discount.visits]
            same.save(update_fields=["visits"])
        else:
            last += 1
            discount.invoice, discount.position = invoice, last
            discount.save()


def discounts_by_lists(rows: Iterable[VisitToBill]) -> list[InvoiceDiscount]:
    """What the lists take off visits, one row for each list; not stored."""
    found: dict[tuple[str, Decimal], InvoiceDiscount] = {}
    for row in rows:
        if (one := row.priced.discount) is not None:
            new = InvoiceDiscount(reason=one.reason, percent=one.percent, source=one.sheet_name, visits=[])
            found.setdefault((one.sheet_key, one.percent), new).visits.append(row.visit.pk)
    return list(found.values())


def _frozen(invoice: Invoice, visit: Visit, line: ChargeLine, prices: Prices) -> InvoiceLine:
    return InvoiceLine(
        invoice=invoice,
        visit=visit,
        visit_date=visit.date,
        farm_name=visit.farm.name,
        article=line.article,
        name=line.name,
        quantity=line.quantity,
        unit=line.unit,
        price=line.price,
        net=line.as_line().net(places_of(invoice.currency)),
        tax_code=line.category,
        tax_name=prices.tax_names.get((line.sheet_key, line.article), ""),
        tax_rate=line.rate,
        exemption_reason=line.exemption,
        levies=None if line.levies is None else list(line.levies),
        source=_source(line, prices, invoice.business),
        detail=how_words(line.how, invoice.business)[:200],
        round_m=line.travel.metres if line.travel else None,
        round_share=line.travel.share if line.travel else None,
    )


def _source(line: ChargeLine, prices: Prices, business: Business) -> str:
    sheets = (*prices.lists, *(sheet for group in prices.agreements.values() for sheet in group))
    sheet = next(sheet for sheet in sheets if sheet.key == line.sheet_key)
    day = show_day(sheet.valid_from, business.language, weekday=False)
    if sheet.client_key is None:
        return (_("%(list)s, from %(day)s") % {"list": sheet.name, "day": day})[:200]
    return (_("%(list)s (agreement), from %(day)s") % {"list": sheet.name, "day": day})[:200]


def _somebody_billed(rows: Sequence[VisitToBill]) -> bool:
    """Whether another came first: a visit is billed once, and the database says by whom."""
    return BilledVisit.objects.filter(visit__in=[row.visit for row in rows], released_at__isnull=True).exists()


def _month_not_over() -> Caution:
    return Caution("month_not_over", _("It comes onto the monthly invoice of this client once the month is over."))


def _not_to_bill() -> Caution:
    return Caution("not_to_bill", _("This visit is not done yet, or somebody has billed it."))


def hold_draft(invoice: Invoice) -> Invoice:
    """The draft as it is now, held until the end of the transaction. Raises NotADraft."""
    held = (
        Invoice.objects.select_for_update(of=("self",))
        .select_related("business", "client")
        .filter(pk=invoice.pk, state=InvoiceState.DRAFT)
        .first()
    )
    if held is None:
        raise NotADraft
    return held


@dataclass(frozen=True, slots=True)
class LineValues:
    """What a line of a draft is to say. `line` is the key of a line that is there; without it, one is added.

    A line that is there keeps its tax where `tax_category` is None, and always its unit and visit. An added one needs
    a tax category and a unit (a code of UNITS). A correction has a negative quantity. A discount on the line is
    `percent` of it or an `amount`, and says why.
    """

    name: str
    quantity: Decimal
    price: Decimal
    line: int | None = None
    unit: str = ""
    tax_category: TaxCategory | None = None
    percent: Decimal | None = None
    amount: Decimal | None = None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class DiscountValues:
    """A discount under the lines: per cent or an amount before tax, off the whole draft. `discount` is the key of one
    that is there, which keeps the visits it is for; without it, one is added."""

    reason: str
    percent: Decimal | None = None
    amount: Decimal | None = None
    discount: int | None = None


@transaction.atomic
def revise_draft(
    *,
    invoice: Invoice,
    lines: Sequence[LineValues] | None = None,
    discounts: Sequence[DiscountValues] | None = None,
    note: str | None = None,
) -> Invoice:
    """Say anew what stands on a draft. Lines and discounts that are not given come off it; without `lines` or without
    `discounts` those stay as they are.

    Raises NotADraft, IsACreditNote, LineRefused, DiscountRefused, DiscountExceedsLines.
    """
    draft = hold_draft(invoice) if lines is None and discounts is None else _open_invoice(invoice)
    if note is not None:
        draft.note = note.strip()[:500]
        draft.save(update_fields=["note"])
    if lines is not None:
        with business_locale(draft.business):
            _revise_lines(draft, lines)
    if discounts is not None:
        with business_locale(draft.business):
            _revise_discounts(draft, discounts)
    if lines is not None or discounts is not None:
        write_totals(draft)
    return draft


def _revise_discounts(draft: Invoice, values: Sequence[DiscountValues]) -> None:
    there = {row.pk: row for row in draft.discounts.all()}
    last = max((row.position for row in there.values()), default=0)
    wrong: dict[str, str] = {}
    rows = []
    for place, one in enumerate(values):
        if one.discount is None:
            last += 1
            row = InvoiceDiscount(invoice=draft, position=last, source=_("written by hand"), by_hand=True)
        else:
            found = there.pop(one.discount, None)
            if found is None:
                wrong[f"discounts.{place}.discount"] = _("This discount is not on the draft any more.")
                continue
            row = found
        problems = _discount_problems(one.percent, one.amount, one.reason, places_of(draft.currency), must=True)
        wrong |= {f"discounts.{place}.{field}": sentence for field, sentence in problems.items()}
        if not problems:
            if row.pk and (row.percent, row.amount) != (one.percent, one.amount):
                row.source, row.by_hand = _("changed by hand"), True
            row.percent, row.amount, row.reason = one.percent, one.amount, one.reason.strip()[:100]
            rows.append(row)
    if wrong:
        raise DiscountRefused(fields=wrong)
    draft.allowances.all().delete()
    draft.discounts.filter(pk__in=there).delete()
    for row in rows:
        row.save()


def _discount_problems(
    percent: Decimal | None, amount: Decimal | None, reason: str, places: int, *, must: bool
) -> dict[str, str]:
    """What is wrong with a discount; one that `must` be there is more than nothing."""
    if percent is None and amount is None:
        return {"percent": _("Give a percentage or an amount.")} if must else {}
    found = {}
    if percent is not None and amount is not None:
        found["amount"] = _("Give a percentage or an amount, not both.")
    if percent is not None and (not 0 < percent <= 100 or percent != rounded(percent, 3)):
        found["percent"] = _("Above 0 and at most 100, with at most three decimals.")
    if amount is not None and (not 0 < amount < MOST or amount != rounded(amount, places)):
        found["amount"] = _("Above zero, as the currency is counted.")
    if not reason.strip():
        found["reason"] = _("Say why: it stands on the invoice.")
    return found


def _revise_lines(draft: Invoice, lines: Sequence[LineValues]) -> None:
    there = {row.pk: row for row in draft.lines.all()}
    last = max((row.position for row in there.values()), default=0)
    wrong: dict[str, str] = {}
    rows = []
    for place, values in enumerate(lines):
        if values.line is None:
            last += 1
            row = InvoiceLine(invoice=draft, position=last, unit=values.unit, source=_("written by hand"))
        else:
            found = there.pop(values.line, None)
            if found is None:
                wrong[f"lines.{place}.line"] = _("This line is not on the draft any more.")
                continue
            row = found
        problems = _problems(values, draft) | _place_problem(values, draft, row)
        wrong |= {f"lines.{place}.{field}": sentence for field, sentence in problems.items()}
        if not problems:
            _write(row, values, draft)
            rows.append(row)
    if wrong:
        raise LineRefused(fields=wrong)
    draft.lines.filter(pk__in=there).delete()
    for row in rows:
        row.save()


@transaction.atomic
def drop_draft(*, invoice: Invoice) -> None:
    """Throw a draft away. Its visits can be billed again."""
    draft = hold_draft(invoice)
    draft.billed_visits.all().delete()
    draft.taxes.all().delete()
    draft.sales_taxes.all().delete()
    draft.allowances.all().delete()
    draft.discounts.all().delete()
    draft.lines.all().delete()
    draft.delete()


@dataclass(frozen=True, slots=True)
class Figures:
    """A line's figures, to be compared."""

    quantity: Decimal
    price: Decimal
    tax_rate: Decimal
    net: Decimal
    round_m: int | None = None
    round_share: int | None = None


@dataclass(frozen=True, slots=True)
class DiscountChange:
    """What pricing anew would do to a discount that a list gives: per cent before and after, None for none."""

    reason: str
    before: Decimal | None
    after: Decimal | None


@dataclass(frozen=True, slots=True)
class LineChange:
    """What pricing anew would do to one line: `before` is None for a new line, `after` for one that goes."""

    visit: Visit
    name: str
    before: Figures | None
    after: Figures | None


@dataclass(frozen=True, slots=True)
class Repricing:
    """The difference that today's prices and records would make to a draft."""

    changes: tuple[LineChange, ...]
    net_before: Decimal
    net_after: Decimal
    discounts: tuple[DiscountChange, ...] = ()

    @property
    def mark(self) -> str:
        """Names this very difference: sent back, it says which one was looked at."""
        seen = (self.changes, self.discounts, self.net_after)
        return hashlib.sha256(repr(seen).encode()).hexdigest()[:16]


def look_at_prices(*, invoice: Invoice) -> Repricing:
    """What `reprice_draft` would change. Lines written by hand stay. Raises VisitCannotBePriced."""
    if invoice.kind == InvoiceKind.CREDIT_NOTE or invoice.state != InvoiceState.DRAFT:
        return Repricing((), invoice.net_total, invoice.net_total)
    with business_locale(invoice.business):
        return _repricing(invoice, _priced_anew(invoice))


@transaction.atomic
def reprice_draft(*, invoice: Invoice, seen: str) -> Invoice:
    """Price the visits of a draft anew, by the lists and records as they are now.

    `seen` is the mark of the difference that was looked at; raises PricesMoved if it is another one by now.
    """
    draft = _open_invoice(invoice)
    with business_locale(draft.business):
        anew = _priced_anew(draft)
        if _repricing(draft, anew).mark != seen:
            raise PricesMoved
        prices = prices_of(draft.business, {draft.client_id})
        by_hand = list(draft.lines.filter(article="").order_by("position"))
        _write_lines(draft, [*_lines_of(draft, anew, prices), *by_hand])
        draft.allowances.all().delete()
        draft.discounts.filter(by_hand=False).delete()
        _write_discounts(draft, anew)
        note_rounds(business=draft.business, rounds=[row.round for row in anew if row.round is not None])
    write_totals(draft)
    return draft


def _priced_anew(draft: Invoice) -> list[VisitToBill]:
    visits = (
        Visit.objects.filter(billings__invoice=draft, billings__released_at__isnull=True)
        .select_related("farm__client")
        .order_by("date", "position", "pk")
    )
    rows = priced_visits(draft.business, visits)
    for row in rows:
        if row.obstacles:
            day = show_day(row.visit.date, draft.business.language, weekday=False)
            raise VisitCannotBePriced(day=day, farm=row.visit.farm.name, why=row.obstacles[0].text)
    return rows


def _repricing(draft: Invoice, rows: Sequence[VisitToBill]) -> Repricing:
    places = places_of(draft.currency)
    stand = list(draft.lines.order_by("position"))
    old = {(line.visit_id, line.article, nth): line for line, nth in _counted(stand) if line.article}
    prices = prices_of(draft.business, {draft.client_id})
    anew = _lines_of(draft, rows, prices)
    changes = []
    visits = {row.visit.pk: row.visit for row in rows}
    for line, nth in _counted(anew):
        was = old.pop((line.visit_id, line.article, nth), None)
        before, after = _figures(was) if was else None, _figures(line)
        if before != after and line.visit_id is not None:
            changes.append(LineChange(visits[line.visit_id], line.name, before, after))
    changes += [
        LineChange(visits[line.visit_id], line.name, _figures(line), None)
        for line in old.values()
        if line.visit_id in visits
    ]
    lines = [*anew, *(line for line in stand if not line.article)]
    by_lists = discounts_by_lists(rows)
    kept = list(draft.discounts.filter(by_hand=False))
    discounts = [*draft.discounts.filter(by_hand=True), *by_lists]
    off = allowances_from(draft, lines, discounts, places)
    net_after = sum((line.net for line in lines), ZERO) - sum((one.amount for one in off), ZERO)
    return Repricing(tuple(changes), draft.net_total, net_after, _discount_changes(kept, by_lists))


def _discount_changes(
    before: Iterable[InvoiceDiscount], after: Iterable[InvoiceDiscount]
) -> tuple[DiscountChange, ...]:
    old = {(one.source, one.reason, tuple(sorted(one.visits))): one for one in before}
    found = []
    for one in after:
        was = old.pop((one.source, one.reason, tuple(sorted(one.visits))), None)
        if was is None or was.percent != one.percent:
            found.append(DiscountChange(one.reason, was.percent if was else None, one.percent))
    return (*found, *(DiscountChange(one.reason, one.percent, None) for one in old.values()))


def _counted(lines: Iterable[InvoiceLine]) -> Iterator[tuple[InvoiceLine, int]]:
    """Each line with how many of its visit and article came before it: an article in bands has several."""
    seen: dict[tuple[int | None, str], int] = {}
    for line in lines:
        key = line.visit_id, line.article
        seen[key] = seen.get(key, 0) + 1
        yield line, seen[key]


def _figures(line: InvoiceLine) -> Figures:
    return Figures(line.quantity, line.price, line.tax_rate, line.net, line.round_m, line.round_share)


def _open_invoice(invoice: Invoice) -> Invoice:
    draft = hold_draft(invoice)
    if draft.kind == InvoiceKind.CREDIT_NOTE:
        raise IsACreditNote
    return draft


def _problems(values: LineValues, draft: Invoice) -> dict[str, str]:
    found = {}
    if not values.name.strip():
        found["name"] = _("Say what it is for.")
    quantity, price, tax = values.quantity, values.price, values.tax_category
    if not quantity or abs(quantity) >= MOST_QUANTITY or quantity != rounded(quantity, PLACES):
        found["quantity"] = _("Not zero, below a million, with at most four decimals.")
    if not 0 <= price < MOST_QUANTITY or price != rounded(price, PLACES):
        found["price"] = _("0 or more, with at most four decimals. To take off, make the quantity negative.")
    if not found and abs(quantity * price) >= MOST:
        found["price"] = _("Quantity and price come to too much. Look at both again.")
    if (tax is None and values.line is None) or (tax is not None and tax.business_id != draft.business_id):
        found["tax_category"] = _("Choose one of your own tax categories.")
    if values.line is None and values.unit not in UNITS:
        found["unit"] = _("Choose one of the units.")
    found |= _discount_problems(values.percent, values.amount, values.reason, places_of(draft.currency), must=False)
    if not found and (values.percent or values.amount):
        worth = rounded(quantity * price, places_of(draft.currency))
        if quantity < 0 or (values.amount or ZERO) > worth:
            found["amount"] = _("A discount is at most what the line comes to, and never on a line that takes off.")
    return found


def _place_problem(values: LineValues, draft: Invoice, row: InvoiceLine) -> dict[str, str]:
    """A line with sales taxes needs the place of its farm."""
    tax = values.tax_category
    if tax is None or not tax.sales_tax or tax.business_id != draft.business_id or _levy(tax, draft, row) is not None:
        return {}
    return {"tax_category": _("Say first in which place the farm lies for sales taxes; typed lines need one for all.")}


def _levy(tax: TaxCategory, draft: Invoice, row: InvoiceLine) -> tuple[str, Levy] | None:
    """The sales taxes on a line changed by hand, on the day of its visit or else of the draft, and what the invoice
    says where there are none."""
    farm = row.visit.farm if row.visit is not None else place_for_typed_lines(draft.client)
    if farm is None:
        return None
    taxes = sales_taxes_of(draft.business, {draft.client_id})
    day = row.visit_date or to_local(draft.drafted_at, draft.business.time_zone).date()
    levy = taxes.levy(farm.pk, draft.client_id, Sold(tax.sales_tax), day)
    return None if levy is None else (taxes.why_none(farm.pk, levy), levy)


def _write(row: InvoiceLine, values: LineValues, draft: Invoice) -> None:
    before = (row.quantity, row.price, row.tax_code, row.tax_rate)
    row.name, row.quantity, row.price = values.name.strip()[:200], values.quantity, values.price
    if values.tax_category is not None:
        tax = values.tax_category
        row.tax_code, row.tax_name, row.tax_rate = tax.code, tax.name, tax.rate
        row.exemption_reason = tax.exemption_reason
        row.levies = None
        if tax.sales_tax and (levy := _levy(tax, draft, row)) is not None:
            why_none, found = levy
            row.tax_code, row.tax_rate, row.levies = found.category, found.rate, list(levies_of(found))
            row.exemption_reason = "" if found.rates else why_none
    if row.article and before != (row.quantity, row.price, row.tax_code, row.tax_rate):
        row.source, row.detail = _("changed by hand"), ""
        row.round_m = row.round_share = None
    places = places_of(draft.currency)
    row.allowance_percent, row.allowance_reason = values.percent, values.reason.strip()[:100]
    row.allowance = values.amount or ZERO
    if values.percent is not None:
        row.allowance = part_of(rounded(values.quantity * values.price, places), values.percent, places)
    if not row.allowance:
        row.allowance_percent, row.allowance_reason = None, ""
    row.net = as_line(row).net(places)
