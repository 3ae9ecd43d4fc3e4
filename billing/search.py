"""Invoices found by their number or reference."""

from __future__ import annotations

from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from billing.models import Invoice
from trimmer.access import OFFICE, OWNER, Seat
from trimmer.search import MOST_OF_A_KIND, Hit, searches
from trimmer.showing import show_money


@searches(_("Invoices"))
def _invoices(seat: Seat, typed: str) -> list[Hit]:
    if not (seat.role in {OWNER, OFFICE} or seat.may_see_invoices):
        return []
    compact = typed.replace(" ", "")
    found = Invoice.objects.issued().seen_by(seat).filter(Q(number__icontains=compact) | Q(reference__iexact=compact))
    return [
        Hit(
            invoice.number or "",
            f"{invoice.client.name}, {show_money(invoice.gross_total, invoice.currency, seat.business.language)}",
            reverse("invoice-page", args=[invoice.pk]),
        )
        for invoice in found.select_related("client").order_by("-issued_at", "-pk")[:MOST_OF_A_KIND]
    ]
