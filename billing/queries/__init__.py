"""Reading prices, visits to bill, invoices and balances across rows."""

from billing.queries.balances import (
    ageing_of,
    client_balance,
    invoice_standing,
    invoices_seen_by,
    overdue_invoices,
    statement_of,
    with_standing,
)
from billing.queries.visits import priced_visits, visits_to_bill

__all__ = [
    "ageing_of",
    "client_balance",
    "invoice_standing",
    "invoices_seen_by",
    "overdue_invoices",
    "priced_visits",
    "statement_of",
    "visits_to_bill",
    "with_standing",
]
