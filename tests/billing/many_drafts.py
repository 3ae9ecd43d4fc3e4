"""Many drafts, made at once."""

from __future__ import annotations

from typing import Any

from billing.models import Invoice, InvoiceLine
from tests import make
from tests.billing import bills
from trimmer.models import Business, Client


def many_drafts(business: Business, count: int) -> list[Invoice]:
    """Drafts for as many clients: 40 cows, 3 blocks and the drive, without visits of their own. Three inserts."""
    tax = bills.a_tax(business)
    address = {"street": "Mill Lane 9", "postcode": "4840", "city": "Untertal", "country": "AT"}
    clients = Client.objects.bulk_create(
        Client(business=business, number=f"C{place:04}", name=f"Dairy {place:04}", email="d@example.test", **address)
        for place in range(count)
    )
    drafts = Invoice.objects.bulk_create(
        Invoice(business=business, client=client, currency=business.currency, drafted_at=make.NOW) for client in clients
    )
    taxed: dict[str, Any] = {"tax_code": tax.code, "tax_name": tax.name, "tax_rate": tax.rate}
    rows = [
        ("Cow trimmed", 40, "HEA", "14.50", "580"),
        ("Block", 3, "H87", "8.00", "24"),
        ("Travel, per km", 36, "KMT", "0.85", "30.60"),
    ]
    InvoiceLine.objects.bulk_create(
        InvoiceLine(invoice=draft, position=place, name=name, quantity=q, unit=unit, price=price, net=net, **taxed)
        for draft in drafts
        for place, (name, q, unit, price, net) in enumerate(rows, start=1)
    )
    return drafts
