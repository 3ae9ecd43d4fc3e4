"""Lines of the bank that wait for a decision, with what each may settle. Nothing here is stored."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from billing.bank.matching import EarlierPayment, OpenInvoice, Proposal, Sureness, propose
from billing.bank.statement import BankLine
from billing.currencies import in_currency
from billing.models import BankEntry, BankEntryState, Invoice, Payment
from billing.queries.balances import unsettled
from trimmer.models import Business, Client


@dataclass(frozen=True)
class Suggestion:
    """A waiting line with its proposal: the rows behind the keys, and a print of it that a decision must repeat."""

    entry: BankEntry
    proposal: Proposal
    client: Client | None
    parts: Sequence[tuple[Invoice, Any]]
    payment: Payment | None

    @property
    def is_sure(self) -> bool:
        return self.proposal.sureness is Sureness.SURE

    @property
    def can_be_accepted(self) -> bool:
        """Whether one press settles it: an invoice or an earlier payment is named, and it is at least likely."""
        return self.proposal.sureness is not Sureness.OPEN and bool(self.parts or self.payment)

    @property
    def left(self) -> Any:
        """What the proposal leaves of the line: credit on the client's account."""
        return self.entry.amount - sum(part for _, part in self.parts)

    @property
    def print(self) -> str:
        told = f"{self.entry.pk} {self.proposal}"
        return hashlib.sha256(told.encode()).hexdigest()[:16]


def line_of(entry: BankEntry) -> BankLine:
    """The line as the bank told it."""
    return BankLine(
        account=entry.account,
        booked_on=entry.booked_on,
        amount=in_currency(entry.amount, entry.currency),
        currency=entry.currency,
        payer=entry.payer,
        payer_account=entry.payer_account,
        references=tuple(entry.references),
        text=entry.text,
        end_to_end=entry.end_to_end,
        bank_reference=entry.bank_reference,
        returned=entry.returned,
    )


def suggestions(business: Business, today: date) -> list[Suggestion]:
    """What each waiting line may settle: sure ones first, then likely ones, then those for a person."""
    entries = list(BankEntry.objects.of(business).filter(state=BankEntryState.WAITING).order_by("booked_on", "pk"))
    if not entries:
        return []
    accounts = _accounts_paid_from(business)
    invoices = {str(row.pk): row for row in unsettled(Invoice.objects.of(business), today).select_related("client")}
    items = [
        OpenInvoice(
            key=key,
            client=str(row.client_id),
            client_name=row.client.name,
            number=row.number or "",
            reference=row.reference,
            due=row.due_on or today,
            amount=in_currency(row.open_amount, row.currency),
            currency=row.currency,
            accounts=frozenset(accounts[row.client_id]),
        )
        for key, row in invoices.items()
    ]
    earlier = _earlier(business)
    found = propose([(str(entry.pk), line_of(entry)) for entry in entries], items, list(earlier.values()))
    payments = {
        str(row.pk): row
        for row in Payment.objects.of(business)
        .filter(pk__in=[one.payment for one in found.values() if one.payment])
        .select_related("client")
    }
    clients = {str(row.client_id): row.client for row in invoices.values()}
    order = list(Sureness)
    result = []
    for entry in entries:
        proposal = found[str(entry.pk)]
        payment = payments.get(proposal.payment or "")
        result.append(
            Suggestion(
                entry=entry,
                proposal=proposal,
                client=payment.client if payment else clients.get(proposal.client or ""),
                parts=[(invoices[key], part) for key, part in proposal.parts],
                payment=payment,
            )
        )
    return sorted(result, key=lambda one: order.index(one.proposal.sureness))


def _accounts_paid_from(business: Business) -> dict[int, set[str]]:
    """{client: accounts it paid from before}, from lines that were settled."""
    rows = BankEntry.objects.of(business).filter(state=BankEntryState.SETTLED, amount__gt=0).exclude(payer_account="")
    accounts: dict[int, set[str]] = defaultdict(set)
    for client, account in rows.values_list("payment__client", "payer_account").distinct():
        if client is not None:
            accounts[client].add(account)
    return accounts


def _earlier(business: Business) -> dict[str, EarlierPayment]:
    """Standing payments that came by the bank, by key."""
    rows = BankEntry.objects.of(business).filter(
        state=BankEntryState.SETTLED, amount__gt=0, payment__withdrawn_at__isnull=True
    )
    return {
        str(row.payment_id): EarlierPayment(
            key=str(row.payment_id),
            amount=in_currency(row.amount, row.currency),
            received_on=row.booked_on,
            payer_account=row.payer_account,
            end_to_end=row.end_to_end,
            bank_reference=row.bank_reference,
            words=line_of(row).words,
        )
        for row in rows
    }
