"""The sums of a draft, worked out from its lines and written beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.utils.translation import gettext_lazy

from billing.charges.discounts import Discount, DiscountTooLarge, allowances_of
from billing.charges.totals import Adjustment, Line, TaxGroup, Totals, compute_totals, credit_totals
from billing.currencies import MOST, places_of
from billing.models import (
    Invoice,
    InvoiceAllowance,
    InvoiceDiscount,
    InvoiceKind,
    InvoiceLine,
    InvoiceState,
    InvoiceTax,
)
from billing.services.sales_tax import has_levies, rounding_of, worked_out, write_sales_taxes
from trimmer.errors import Refusal


class AmountTooLarge(Refusal):
    code = "amount_too_large"
    message = gettext_lazy("This would come to ten thousand million or more. Look at quantities and prices again.")


LONGEST_TAX_NAME = 200
LONGEST_TEXT = 1000


class DiscountExceedsLines(Refusal):
    code = "discount_exceeds_lines"
    message = gettext_lazy("“%(reason)s” takes off more than the lines come to: at most %(most)s.")


def as_line(row: InvoiceLine) -> Line:
    """A stored line as the totals take it."""
    allowances = (row.allowance,) if row.allowance else ()
    return Line(row.quantity, row.price, allowances=allowances, category=row.tax_code, rate=row.tax_rate)


def as_adjustment(row: InvoiceAllowance) -> Adjustment:
    """A stored allowance as the totals take it."""
    return Adjustment(row.amount, False, row.tax_code, row.tax_rate, row.reason)


def totals_of(invoice: Invoice, lines: Sequence[InvoiceLine]) -> Totals:
    """The totals of a document by its lines and allowances; of a credit note, measured against what is left of its
    invoice.

    Raises CreditTooLarge.
    """
    places = places_of(invoice.currency)
    figures = [as_line(row) for row in lines]
    off = [as_adjustment(row) for row in invoice.allowances.order_by("pk")] if invoice.pk else []
    if invoice.kind == InvoiceKind.INVOICE or invoice.credits_id is None:
        totals = compute_totals(figures, off, places=places)
        worked = worked_out(lines, off, totals, rounding_of(invoice.business), places) if has_levies(lines) else None
        return totals if worked is None else compute_totals(figures, off, taxes=worked.by_group, places=places)
    # One draft of a credit note at a time: what was drafted earlier was issued earlier.
    earlier = InvoiceTax.objects.filter(
        invoice__credits=invoice.credits_id, invoice__state=InvoiceState.ISSUED, invoice__lt=invoice.pk
    )
    return credit_totals(
        figures,
        off,
        invoiced=_groups(InvoiceTax.objects.filter(invoice=invoice.credits_id)),
        earlier=_groups(earlier),
        places=places,
    )


def write_totals(invoice: Invoice) -> Totals:
    """Work out a draft's discounts, sums and taxes anew and store them.

    Raises CreditTooLarge, DiscountExceedsLines, AmountTooLarge.
    """
    lines = list(invoice.lines.order_by("position"))
    if invoice.kind == InvoiceKind.INVOICE:
        _write_allowances(invoice, lines)
    totals = totals_of(invoice, lines)
    if abs(totals.gross_total) >= MOST:
        raise AmountTooLarge
    invoice.taxes.all().delete()
    InvoiceTax.objects.bulk_create(
        InvoiceTax(
            invoice=invoice,
            code=group.category,
            rate=group.rate,
            base=group.base,
            tax=group.tax,
            name=_joined((row.tax_name for row in _lines_of(group, lines)), LONGEST_TAX_NAME, ", "),
            exemption_reason=_joined((row.exemption_reason for row in _lines_of(group, lines)), LONGEST_TEXT, " "),
        )
        for group in totals.tax_groups
    )
    write_sales_taxes(invoice, lines, [as_adjustment(row) for row in invoice.allowances.order_by("pk")], totals)
    invoice.net_total, invoice.tax_total, invoice.gross_total = totals.net_total, totals.tax_total, totals.gross_total
    invoice.save(update_fields=["net_total", "tax_total", "gross_total"])
    return totals


def _write_allowances(invoice: Invoice, lines: Sequence[InvoiceLine]) -> None:
    invoice.allowances.all().delete()
    rows = list(invoice.discounts.order_by("position"))
    if rows:
        places = places_of(invoice.currency)
        InvoiceAllowance.objects.bulk_create(allowances_from(invoice, lines, rows, places))


def allowances_from(
    invoice: Invoice, lines: Sequence[InvoiceLine], discounts: Sequence[InvoiceDiscount], places: int
) -> list[InvoiceAllowance]:
    """What discounts come to in each tax, as rows that are not stored. Raises DiscountExceedsLines."""
    wanted = [Discount(row.percent, row.amount, _covered(row, lines)) for row in discounts]
    try:
        found = allowances_of([as_line(row) for row in lines], wanted, places)
    except DiscountTooLarge as refused:
        raise DiscountExceedsLines(reason=discounts[refused.discount].reason, most=refused.most) from refused
    return [
        InvoiceAllowance(
            invoice=invoice,
            discount=discounts[one.discount],
            reason=discounts[one.discount].reason,
            percent=one.percent,
            base=one.base,
            amount=one.amount,
            tax_code=one.category,
            tax_rate=one.rate,
        )
        for one in found
    ]


def _covered(discount: InvoiceDiscount, lines: Sequence[InvoiceLine]) -> frozenset[int] | None:
    """The places of the lines a discount is taken off; None for all."""
    if not discount.visits:
        return None
    return frozenset(place for place, row in enumerate(lines) if row.visit_id in discount.visits)


def _groups(rows: Iterable[InvoiceTax]) -> list[TaxGroup]:
    return [TaxGroup(row.code, row.rate, row.base, row.tax) for row in rows]


def _lines_of(group: TaxGroup, lines: Iterable[InvoiceLine]) -> list[InvoiceLine]:
    return [row for row in lines if row.tax_code == group.category and row.tax_rate == group.rate]


def _joined(texts: Iterable[str], longest: int, between: str) -> str:
    """Each text once, in the order of the lines."""
    return between.join(dict.fromkeys(text for text in texts if text))[:longest]
