"""Drafts: visits that are done become invoices that can still be looked at, changed and dropped."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from http import HTTPStatus
from itertools import groupby

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.charges.prices import ChargeLine
from billing.charges.sales_tax import Levy, Sold
from billing.charges.totals import ZERO, rounded
from billing.currencies import MOST, places_of
from billing.models import BilledVisit, Invoice, InvoiceKind, InvoiceLine, InvoiceState, TaxCategory
from billing.queries.prices import Prices, prices_of
from billing.queries.sales_tax import levies_of, place_for_typed_lines, sales_taxes_of
from billing.queries.visits import Caution, VisitToBill, priced_visits, visits_to_bill
from billing.services.amounts import as_line, write_totals
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, Client, User, Visit
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
    """Make a draft for each client out of visits that are done and not billed: those given, or all of a client, or all.

    Everything is frozen into the lines: name, price, unit, tax, and where the price came from. A visit that cannot be
    billed is left out and said, and so is one that somebody else billed in this moment.
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
        rows = priced_visits(business, waiting)
        left_out += [LeftOut(row.visit, row.obstacles) for row in rows if row.obstacles]
        prices = prices_of(business, {row.client.pk for row in rows})
        drafts = []
        for _client, group in groupby((row for row in rows if row.ready), key=lambda row: row.client.pk):
            of_client = list(group)
            try:
                with transaction.atomic():
                    drafts.append(_draft(business, of_client, prices, by, now))
            except IntegrityError:
                if not _somebody_billed(of_client):
                    raise
                left_out += [LeftOut(row.visit, (_not_to_bill(),)) for row in of_client]
    return Drafting(tuple(drafts), tuple(left_out))


def _draft(
    business: Business, rows: Sequence[VisitToBill], prices: Prices, by: User | None, now: dt.datetime
) -> Invoice:
    invoice = Invoice.objects.create(
        business=business, client=rows[0].client, currency=business.currency, drafted_at=now, drafted_by=by
    )
    BilledVisit.objects.bulk_create(BilledVisit(invoice=invoice, visit=row.visit) for row in rows)
    lines = [(row.visit, line) for row in rows for line in row.priced.lines]
    InvoiceLine.objects.bulk_create(
        _frozen(invoice, place, visit, line, prices) for place, (visit, line) in enumerate(lines, start=1)
    )
    write_totals(invoice)
    return invoice


def _frozen(invoice: Invoice, place: int, visit: Visit, line: ChargeLine, prices: Prices) -> InvoiceLine:
    return InvoiceLine(
        invoice=invoice,
        position=place,
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
    a tax category and a unit (a code of UNITS). A correction has a negative quantity.
    """

    name: str
    quantity: Decimal
    price: Decimal
    line: int | None = None
    unit: str = ""
    tax_category: TaxCategory | None = None


@transaction.atomic
def revise_draft(*, invoice: Invoice, lines: Sequence[LineValues] | None = None, note: str | None = None) -> Invoice:
    """Say anew what stands on a draft. Lines that are not given come off it; without `lines` they stay as they are.

    Raises NotADraft, IsACreditNote, LineRefused.
    """
    draft = hold_draft(invoice) if lines is None else _open_invoice(invoice)
    if note is not None:
        draft.note = note.strip()[:500]
        draft.save(update_fields=["note"])
    if lines is not None:
        with business_locale(draft.business):
            _revise_lines(draft, lines)
        write_totals(draft)
    return draft


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
    draft.lines.all().delete()
    draft.delete()


@dataclass(frozen=True, slots=True)
class Figures:
    """A line's figures, to be compared."""

    quantity: Decimal
    price: Decimal
    tax_rate: Decimal
    net: Decimal


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

    @property
    def mark(self) -> str:
        """Names this very difference: sent back, it says which one was looked at."""
        return hashlib.sha256(repr(self.changes).encode()).hexdigest()[:16]


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
        draft.lines.all().delete()
        lines = [_frozen(draft, 0, row.visit, line, prices) for row in anew for line in row.priced.lines]
        for place, row in enumerate([*lines, *by_hand], start=1):
            row.pk, row.position = None, place
        InvoiceLine.objects.bulk_create([*lines, *by_hand])
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
    old = {(line.visit_id, line.article): line for line in draft.lines.exclude(article="").order_by("position")}
    changes = []
    net_after = sum((line.net for line in draft.lines.filter(article="")), ZERO)
    for row in rows:
        for line in row.priced.lines:
            net = line.as_line().net(places)
            net_after += net
            after = Figures(line.quantity, line.price, line.rate, net)
            was = old.pop((row.visit.pk, line.article), None)
            before = _figures(was) if was else None
            if before != after:
                changes.append(LineChange(row.visit, line.name, before, after))
    visits = {row.visit.pk: row.visit for row in rows}
    changes += [
        LineChange(visits[line.visit_id], line.name, _figures(line), None)
        for line in old.values()
        if line.visit_id in visits
    ]
    return Repricing(tuple(changes), draft.net_total, net_after)


def _figures(line: InvoiceLine) -> Figures:
    return Figures(line.quantity, line.price, line.tax_rate, line.net)


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
        row.source = _("changed by hand")
    row.net = as_line(row).net(places_of(draft.currency))
