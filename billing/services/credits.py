"""Credit notes: the only way to correct what is issued, and never more than was billed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from http import HTTPStatus

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.charges.discounts import given_back
from billing.charges.totals import ZERO, CreditTooLarge, rounded
from billing.currencies import places_of
from billing.models import Invoice, InvoiceAllowance, InvoiceKind, InvoiceLine, InvoiceState
from billing.services.amounts import as_line, write_totals
from billing.services.issuing import CreditExceedsInvoice
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Client, User

ONE = Decimal(1)
ONE_UNIT = "C62"


@dataclass(frozen=True, slots=True)
class LineCredit:
    """What to credit of one line of the invoice: a quantity, an amount before tax, or with neither all that is left."""

    line: InvoiceLine
    quantity: Decimal | None = None
    amount: Decimal | None = None


@dataclass(frozen=True, slots=True)
class LineLeft:
    """A line of an issued invoice, and what its credit notes have left of it."""

    line: InvoiceLine
    quantity: Decimal
    net: Decimal
    allowance: Decimal = ZERO

    @property
    def whole(self) -> bool:
        """Nothing of it was credited."""
        return self.quantity == self.line.quantity and self.net == self.line.net

    @property
    def gone(self) -> bool:
        """Nothing is left of it."""
        return not self.net and not (self.quantity and not self.line.net)


class NotAnIssuedInvoice(Refusal):
    code = "not_an_issued_invoice"
    message = gettext_lazy("Only an issued invoice can be credited. A draft is changed or dropped.")


class CreditReasonMissing(Refusal):
    code = "credit_reason_missing"
    message = gettext_lazy("Say why it is credited: the reason stands on the credit note.")
    status = HTTPStatus.BAD_REQUEST


class NothingToCredit(Refusal):
    code = "nothing_to_credit"
    message = gettext_lazy("Nothing is left to credit of what you chose.")


class CreditRefused(Refusal):
    code = "credit_refused"
    message = gettext_lazy("This cannot be credited. Correct what is marked.")
    status = HTTPStatus.BAD_REQUEST


class CreditDraftWaits(Refusal):
    code = "credit_draft_waits"
    message = gettext_lazy("A draft of a credit note for this invoice waits already. Issue or drop it first.")


def lines_left(invoice: Invoice) -> list[LineLeft]:
    """The lines of an issued invoice with what is left of each after its issued credit notes. Two queries."""
    lines = list(invoice.lines.order_by("position"))
    taken: dict[int, list[InvoiceLine]] = {}
    credited = InvoiceLine.objects.filter(credits__invoice=invoice, invoice__state=InvoiceState.ISSUED)
    for row in credited:
        taken.setdefault(row.credits_id or 0, []).append(row)
    return [_left(line, taken.get(line.pk, [])) for line in lines]


@transaction.atomic
def credit_invoice(
    *,
    invoice: Invoice,
    parts: Sequence[LineCredit] | None = None,
    reason: str,
    by: User | None,
    now: dt.datetime,
) -> Invoice:
    """Draft a credit note for an issued invoice: of all that is left (`parts` None), or of the given parts of lines.

    It is issued like an invoice. Amounts are positive. No line and no tax group is credited beyond what was billed, and
    the credit that takes the last of it takes the last cent of tax with it. Discounts under the lines go back in
    proportion to what is credited of the lines they were taken off.

    Raises NotAnIssuedInvoice, CreditReasonMissing, NothingToCredit, CreditRefused, CreditDraftWaits,
    CreditExceedsInvoice.
    """
    Client.objects.select_for_update(no_key=True).get(pk=invoice.client_id)
    if invoice.state != InvoiceState.ISSUED or invoice.kind != InvoiceKind.INVOICE:
        raise NotAnIssuedInvoice
    if not reason.strip():
        raise CreditReasonMissing.at("reason")
    with business_locale(invoice.business):
        left = lines_left(invoice)
        rows = _all_of(left) if parts is None else _parts_of(invoice, left, parts)
    if not rows:
        raise NothingToCredit
    try:
        with transaction.atomic():
            note = Invoice.objects.create(
                business=invoice.business,
                client=invoice.client,
                kind=InvoiceKind.CREDIT_NOTE,
                credits=invoice,
                credit_reason=reason.strip()[:300],
                currency=invoice.currency,
                drafted_at=now,
                drafted_by=by,
            )
    except IntegrityError:
        if invoice.credit_notes.filter(state=InvoiceState.DRAFT).exists():
            raise CreditDraftWaits from None
        raise
    for place, row in enumerate(rows, start=1):
        row.invoice, row.position = note, place
    InvoiceLine.objects.bulk_create(rows)
    _give_back(note, invoice, rows)
    try:
        write_totals(note)
    except CreditTooLarge as refused:
        raise CreditExceedsInvoice from refused
    if note.gross_total < 0:
        raise NothingToCredit
    return note


def _give_back(note: Invoice, invoice: Invoice, rows: Sequence[InvoiceLine]) -> None:
    """What of the invoice's discounts the credited lines take with them."""
    allowances = list(invoice.allowances.select_related("discount").order_by("pk"))
    if not allowances:
        return
    places = places_of(invoice.currency)
    issued = InvoiceLine.objects.filter(credits__invoice=invoice, invoice__state=InvoiceState.ISSUED)
    before = list(issued.exclude(invoice=note))
    back: dict[int | None, Decimal] = {}
    gone = InvoiceAllowance.objects.filter(credits__invoice=invoice, invoice__state=InvoiceState.ISSUED)
    for key, amount in gone.values_list("credits_id", "amount"):
        back[key] = back.get(key, ZERO) + amount
    found = []
    for one in allowances:
        amount = given_back(
            one.amount,
            one.base,
            credited=_of_its_base(one, before),
            now=_of_its_base(one, rows),
            earlier=back.get(one.pk, ZERO),
            places=places,
        )
        if amount:
            found.append(
                InvoiceAllowance(
                    invoice=note,
                    credits=one,
                    reason=one.reason,
                    base=_of_its_base(one, rows),
                    amount=amount,
                    tax_code=one.tax_code,
                    tax_rate=one.tax_rate,
                )
            )
    InvoiceAllowance.objects.bulk_create(found)


def _of_its_base(allowance: InvoiceAllowance, rows: Iterable[InvoiceLine]) -> Decimal:
    """What these lines come to of the lines that an allowance was taken off."""
    visits = allowance.discount.visits if allowance.discount is not None else []
    return sum(
        (
            row.net
            for row in rows
            if (row.tax_code, row.tax_rate) == (allowance.tax_code, allowance.tax_rate)
            and (not visits or row.visit_id in visits)
        ),
        ZERO,
    )


def _left(line: InvoiceLine, taken: Iterable[InvoiceLine]) -> LineLeft:
    """Credits at the line's own price count as quantity, the others only as amount."""
    quantity, net, allowance = line.quantity, line.net, line.allowance
    for row in taken:
        net -= row.net
        allowance -= row.allowance
        if row.price == line.price and row.unit == line.unit:
            quantity -= row.quantity
    return LineLeft(line, quantity, net, allowance)


def _all_of(left: Iterable[LineLeft]) -> list[InvoiceLine]:
    return [_rest(one) for one in left if not one.gone]


def _parts_of(invoice: Invoice, left: Sequence[LineLeft], parts: Sequence[LineCredit]) -> list[InvoiceLine]:
    places = places_of(invoice.currency)
    by_line = {one.line.pk: one for one in left}
    rows, wrong = [], {}
    for place, part in enumerate(parts):
        one = by_line.pop(part.line.pk, None)
        if one is None:
            wrong[f"parts.{place}.line"] = _("This is not a line of the invoice, or it is named twice.")
        elif part.amount is not None:
            if sentence := _amount_problem(one, part.amount, places):
                wrong[f"parts.{place}.amount"] = sentence
            else:
                rows.append(_by_amount(one.line, part.amount))
        elif part.quantity is not None:
            if sentence := _quantity_problem(one, part.quantity, places):
                wrong[f"parts.{place}.quantity"] = sentence
            elif part.quantity == one.quantity:
                rows.append(_rest(one))
            else:
                rows.append(_part(one, part.quantity, places))
        elif not one.gone:
            rows.append(_rest(one))
    if wrong:
        raise CreditRefused(fields=wrong)
    return rows


def _amount_problem(one: LineLeft, amount: Decimal, places: int) -> str:
    if amount != rounded(amount, places) or not amount:
        return _("Give an amount above zero, as the currency is counted.")
    if amount * one.net <= 0 or abs(amount) > abs(one.net):
        return _("At most %(left)s is left of this line.") % {"left": rounded(one.net, places)}
    return ""


def _quantity_problem(one: LineLeft, quantity: Decimal, places: int) -> str:
    if one.gone:
        return _("Nothing is left of this line.")
    if not quantity or quantity * one.quantity <= 0 or abs(quantity) > abs(one.quantity):
        return _("At most %(left)s is left of this line.") % {"left": f"{one.quantity.normalize():f}"}
    if quantity == one.quantity:
        return ""  # it takes what is left, to the cent
    net = _part(one, quantity, places).net
    if abs(net) > abs(one.net):
        return _("That would come to more than is left of this line. Credit an amount instead.")
    return ""


def _rest(one: LineLeft) -> InvoiceLine:
    """All that is left of a line: by quantity if that comes to it to the cent, else as an amount."""
    places = places_of(one.line.invoice.currency)
    row = _copy(one.line, one.quantity, one.line.price, places, one.allowance)
    return row if row.net == one.net else _by_amount(one.line, one.net)


def _part(one: LineLeft, quantity: Decimal, places: int) -> InvoiceLine:
    """A part of a line by quantity, with that part of its discount."""
    allowance = min(one.allowance, rounded(one.line.allowance * quantity / one.line.quantity, places))
    return _copy(one.line, quantity, one.line.price, places, allowance)


def _by_amount(line: InvoiceLine, amount: Decimal) -> InvoiceLine:
    """One of an amount. A price is never negative: of a correction line, the quantity is."""
    row = _copy(line, ONE if amount > 0 else -ONE, abs(amount), places_of(line.invoice.currency))
    row.unit = ONE_UNIT
    return row


def _copy(line: InvoiceLine, quantity: Decimal, price: Decimal, places: int, allowance: Decimal = ZERO) -> InvoiceLine:
    row = InvoiceLine(
        credits=line,
        visit_id=line.visit_id,
        visit_date=line.visit_date,
        farm_name=line.farm_name,
        article=line.article,
        name=line.name,
        quantity=quantity,
        unit=line.unit,
        price=price,
        allowance=allowance,
        allowance_reason=line.allowance_reason if allowance else "",
        tax_code=line.tax_code,
        tax_name=line.tax_name,
        tax_rate=line.tax_rate,
        exemption_reason=line.exemption_reason,
        levies=line.levies,
        source=_("line %(position)s of %(number)s") % {"position": line.position, "number": line.invoice.number},
    )
    row.net = as_line(row).net(places)
    return row
