"""Whose a line of the bank may be: proposals for a person, and how sure each is.

What counts for how much is common practice: a creditor reference with its check digits (ISO 11649) and the exact amount
are sure; a number or a name with the exact amount is likely; the rest is for a person. Nothing is settled here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from itertools import combinations

from stdnum import iso11649

from billing.bank.statement import BankLine

MOST_TOGETHER = 8
"""A payer with more open invoices than this is asked for by name only, not by sums of some of them."""


class Sureness(StrEnum):
    SURE = "sure"
    LIKELY = "likely"
    OPEN = "open"


class Ground(StrEnum):
    """Why a line is proposed for an invoice."""

    REFERENCE_AND_AMOUNT = "reference_and_amount"
    REFERENCE = "reference"
    NUMBER_AND_AMOUNT = "number_and_amount"
    NUMBER = "number"
    ACCOUNT_AND_AMOUNT = "account_and_amount"
    NAME_AND_AMOUNT = "name_and_amount"
    NAME_AND_SUM = "name_and_sum"
    ACCOUNT = "account"
    NAME = "name"
    AMOUNT = "amount"
    RETURNED = "returned"
    NOTHING = "nothing"


@dataclass(frozen=True, kw_only=True)
class OpenInvoice:
    """What is open of an issued invoice. reference: its ISO 11649 one, without spaces. accounts: those its client
    paid from before."""

    key: str
    client: str
    client_name: str
    number: str
    reference: str
    due: date
    amount: Decimal
    currency: str
    accounts: frozenset[str] = frozenset()


@dataclass(frozen=True, kw_only=True)
class EarlierPayment:
    """Money recorded from an earlier line, which a bank may take back."""

    key: str
    amount: Decimal
    received_on: date
    payer_account: str = ""
    end_to_end: str = ""
    bank_reference: str = ""
    words: str = ""


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """What a line may settle. parts: (invoice key, amount) in order; what the parts leave of the line is credit on
    the client's account. client: whose money it is taken for, or None. payment: the earlier payment a returned line
    takes back."""

    sureness: Sureness
    ground: Ground
    client: str | None = None
    parts: tuple[tuple[str, Decimal], ...] = ()
    payment: str | None = None


def propose(
    lines: Iterable[tuple[str, BankLine]], items: Sequence[OpenInvoice], earlier: Sequence[EarlierPayment] = ()
) -> dict[str, Proposal]:
    """A proposal for each line, by the line's key. An invoice that one line settles is not proposed for the next:
    sure lines come first, then those likely, each in the order given."""
    left = {item.key: item.amount for item in items}
    taken: set[str] = set()
    waiting = list(lines)
    result: dict[str, Proposal] = {}
    for wanted in (Sureness.SURE, Sureness.LIKELY, Sureness.OPEN):
        still = []
        for key, line in waiting:
            open_now = [item for item in items if left[item.key] > 0 and item.currency == line.currency]
            payments = [one for one in earlier if one.key not in taken]
            found = _returned(line, payments) if line.amount < 0 else _best(line, open_now, left)
            if found.sureness is not wanted:
                still.append((key, line))
                continue
            result[key] = found
            taken |= {found.payment} if found.payment else set()
            if wanted is not Sureness.OPEN:
                for invoice, part in found.parts:
                    left[invoice] -= part
        waiting = still
    return result


def _best(line: BankLine, items: Sequence[OpenInvoice], left: dict[str, Decimal]) -> Proposal:
    def said(sureness: Sureness, ground: Ground, hits: Sequence[OpenInvoice]) -> Proposal:
        return Proposal(sureness=sureness, ground=ground, client=hits[0].client, parts=_spread(line.amount, hits, left))

    by_reference = _one_client([item for item in items if item.reference and item.reference in _references(line)])
    if by_reference:
        exact_sum = _sum(by_reference, left) == line.amount
        ground = Ground.REFERENCE_AND_AMOUNT if exact_sum else Ground.REFERENCE
        return said(Sureness.SURE if exact_sum else Sureness.LIKELY, ground, by_reference)
    by_number = _one_client([item for item in items if _names_number(line.words, item.number)])
    if by_number and _sum(by_number, left) == line.amount:
        return said(Sureness.LIKELY, Ground.NUMBER_AND_AMOUNT, by_number)
    if by_number:
        return said(Sureness.OPEN, Ground.NUMBER, by_number)
    by_account = _one_client([item for item in items if line.payer_account and line.payer_account in item.accounts])
    by_name = _one_client([item for item in items if same_name(line.payer, item.client_name)])
    for hits, with_amount, alone in (
        (by_account, Ground.ACCOUNT_AND_AMOUNT, Ground.ACCOUNT),
        (by_name, Ground.NAME_AND_AMOUNT, Ground.NAME),
    ):
        if not hits:
            continue
        chosen, one = _making(line.amount, hits, left)
        if chosen:
            return said(Sureness.LIKELY, with_amount if one else Ground.NAME_AND_SUM, chosen)
        return said(Sureness.OPEN, alone, sorted(hits, key=lambda item: (item.due, item.number)))
    by_amount = [item for item in items if left[item.key] == line.amount]
    if len(by_amount) == 1:
        return said(Sureness.OPEN, Ground.AMOUNT, by_amount)
    return Proposal(sureness=Sureness.OPEN, ground=Ground.NOTHING)


def _returned(line: BankLine, earlier: Sequence[EarlierPayment]) -> Proposal:
    """Which earlier payment a returned line takes back: the same amount, and the same end-to-end id, bank's reference
    or payer's account. Other money that went out is none of the invoices' business."""
    if not line.returned:
        return Proposal(sureness=Sureness.OPEN, ground=Ground.NOTHING)
    alike = [one for one in earlier if one.amount == -line.amount and one.received_on <= line.booked_on]
    named = [
        one
        for one in alike
        if (line.end_to_end and line.end_to_end == one.end_to_end)
        or (line.bank_reference and line.bank_reference == one.bank_reference)
        or (_references(line) and _references(line) & set(_found_references(one.words)))
    ]
    if len(named) == 1:
        return Proposal(sureness=Sureness.SURE, ground=Ground.RETURNED, payment=named[0].key)
    by_account = [one for one in alike if line.payer_account and line.payer_account == one.payer_account]
    pick = named or by_account
    if pick:
        newest = max(pick, key=lambda one: one.received_on)
        return Proposal(sureness=Sureness.LIKELY, ground=Ground.RETURNED, payment=newest.key)
    return Proposal(sureness=Sureness.OPEN, ground=Ground.RETURNED)


def _spread(amount: Decimal, hits: Sequence[OpenInvoice], left: dict[str, Decimal]) -> tuple[tuple[str, Decimal], ...]:
    parts = []
    for item in hits:
        part = min(amount, left[item.key])
        if part > 0:
            parts.append((item.key, part))
            amount -= part
    return tuple(parts)


def _sum(hits: Sequence[OpenInvoice], left: dict[str, Decimal]) -> Decimal:
    return sum((left[item.key] for item in hits), Decimal(0))


def _one_client(hits: list[OpenInvoice]) -> list[OpenInvoice]:
    """The hits when they are one client's, the oldest due first; none when they are not: a person decides."""
    if len({item.client for item in hits}) != 1:
        return []
    return sorted(hits, key=lambda item: (item.due, item.number))


def _making(
    amount: Decimal, hits: Sequence[OpenInvoice], left: dict[str, Decimal]
) -> tuple[Sequence[OpenInvoice], bool]:
    """The one way in which open invoices make the amount (fewest first), and whether one alone does; () if several
    ways do."""
    most = len(hits) if len(hits) <= MOST_TOGETHER else 1
    for size in range(1, most + 1):
        ways = [way for way in combinations(hits, size) if _sum(way, left) == amount]
        if len(ways) == 1:
            return ways[0], size == 1
        if ways:
            return (), False
    return (hits, False) if _sum(hits, left) == amount else ((), False)


def _references(line: BankLine) -> frozenset[str]:
    """Creditor references whose check digits hold, wherever the payer wrote them."""
    return frozenset(_found_references(" ".join((*line.references, line.text, line.end_to_end))))


def _found_references(text: str) -> Iterable[str]:
    """Banks and people break references with spaces: every run of groups after RF and two digits is tried."""
    for start in re.finditer(r"RF ?\d ?\d", text.upper()):
        compact = ""
        for sign in text.upper()[start.start() :]:
            if sign in " -./":
                if iso11649.is_valid(compact):
                    yield compact
                continue
            if not (sign.isascii() and sign.isalnum()):
                break
            compact += sign
            if len(compact) > 25:
                break
        if iso11649.is_valid(compact[:25]):
            yield compact[:25]


def _names_number(text: str, number: str) -> bool:
    """Whether the number stands in the text by itself, however its parts are joined."""
    parts = re.findall(r"[A-Z]+|\d+", number.upper())
    if not parts or sum(map(len, parts)) < 4:
        return False
    between = r"[\s\-./]*"
    return re.search(rf"(?<![A-Z0-9]){between.join(map(re.escape, parts))}(?![A-Z0-9])", text.upper()) is not None


def same_name(one: str, other: str) -> bool:
    """Whether two names tell of the same payer: the words of the shorter all stand in the longer, two at least
    (or all, when it is a single long word); accents, signs and legal forms do not count."""
    a, b = sorted((_name_words(one), _name_words(other)), key=len)
    if not a:
        return False
    if len(a) == 1:
        return a == b and len(next(iter(a))) > 3
    return a <= b


_FORMS = frozenset(
    {"ltd", "limited", "llc", "inc", "co", "gmbh", "kg", "ag", "bv", "vof", "nv", "sa", "sas", "sarl", "gaec", "earl"}
    | {"srl", "spa", "und", "and", "et", "en", "the", "mr", "mrs"}
)
"""Legal forms and small words that stand in many names."""


def _name_words(name: str) -> frozenset[str]:
    plain = "".join(sign for sign in unicodedata.normalize("NFKD", name) if not unicodedata.combining(sign))
    return frozenset(word for word in re.findall(r"[^\W_]+", plain.casefold()) if word not in _FORMS and len(word) > 1)
