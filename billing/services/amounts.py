"""The sums of a draft, worked out from its lines and written beside them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from django.utils.translation import gettext_lazy

from billing.charges.totals import Line, TaxGroup, Totals, compute_totals, credit_totals
from billing.currencies import MOST, places_of
from billing.models import Invoice, InvoiceKind, InvoiceLine, InvoiceState, InvoiceTax
from billing.services.sales_tax import has_levies, rounding_of, worked_out, write_sales_taxes
from trimmer.errors import Refusal


class AmountTooLarge(Refusal):
    code = "amount_too_large"
    message = gettext_lazy("This would come to ten thousand million or more. Look at quantities and prices again.")


LONGEST_TAX_NAME = 200
LONGEST_TEXT = 1000


def as_line(row: InvoiceLine) -> Line:
    """A stored line as the totals take it."""
    return Line(row.quantity, row.price, category=row.tax_code, rate=row.tax_rate)


def totals_of(invoice: Invoice, lines: Sequence[InvoiceLine]) -> Totals:
    """The totals of a document by its lines; of a credit note, measured against what is left of its invoice.

    Raises CreditTooLarge.
    """
    places = places_of(invoice.currency)
    figures = [as_line(row) for row in lines]
    if invoice.kind == InvoiceKind.INVOICE or invoice.credits_id is None:
        totals = compute_totals(figures, places=places)
        worked = worked_out(lines, (), totals, rounding_of(invoice.business), places) if has_levies(lines) else None
        return totals if worked is None else compute_totals(figures, taxes=worked.by_group, places=places)
    # One draft of a credit note at a time: what was drafted earlier was issued earlier.
    earlier = InvoiceTax.objects.filter(
        invoice__credits=invoice.credits_id, invoice__state=InvoiceState.ISSUED, invoice__lt=invoice.pk
    )
    return credit_totals(
        figures,
        invoiced=_groups(InvoiceTax.objects.filter(invoice=invoice.credits_id)),
        earlier=_groups(earlier),
        places=places,
    )


def write_totals(invoice: Invoice) -> Totals:
    """Work out a draft's sums and taxes anew and store them. Raises CreditTooLarge, AmountTooLarge."""
    lines = list(invoice.lines.order_by("position"))
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
    write_sales_taxes(invoice, lines, (), totals)
    invoice.net_total, invoice.tax_total, invoice.gross_total = totals.net_total, totals.tax_total, totals.gross_total
    invoice.save(update_fields=["net_total", "tax_total", "gross_total"])
    return totals


def _groups(rows: Iterable[InvoiceTax]) -> list[TaxGroup]:
    return [TaxGroup(row.code, row.rate, row.base, row.tax) for row in rows]


def _lines_of(group: TaxGroup, lines: Iterable[InvoiceLine]) -> list[InvoiceLine]:
    return [row for row in lines if row.tax_code == group.category and row.tax_rate == group.rate]


def _joined(texts: Iterable[str], longest: int, between: str) -> str:
    """Each text once, in the order of the lines."""
    return between.join(dict.fromkeys(text for text in texts if text))[:longest]
