"""The books as double entry: what each document and payment moves, as CSV and as Beancount text.

Amounts are Decimals in the business's currency; a debit is positive, a credit negative, and the postings of an entry
make zero. Names follow Beancount's syntax (its language reference): five roots, parts that begin with a capital or a
digit.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from enum import StrEnum

from billing.charges.totals import ZERO, exact


class Role(StrEnum):
    """What an account is for. How the accountant calls it is the business's setting."""

    RECEIVABLE = "receivable"
    REVENUE = "revenue"
    TAX = "tax"
    TRANSFER = "transfer"
    CHEQUE = "cheque"
    CASH = "cash"
    CARD = "card"
    OPENING = "opening"


_ROOTS = {
    Role.RECEIVABLE: "Assets:Receivable",
    Role.REVENUE: "Income:Trimming",
    Role.TAX: "Liabilities:Tax",
    Role.TRANSFER: "Assets:Bank",
    Role.CHEQUE: "Assets:Cheques",
    Role.CASH: "Assets:Cash",
    Role.CARD: "Assets:Card",
    Role.OPENING: "Equity:Opening",
}


@dataclass(frozen=True, order=True)
class Account:
    """An account: its role, and of whom or which tax (a client's number; a category and rate such as S 19)."""

    role: Role
    detail: str = ""

    @property
    def name(self) -> str:
        """Its name in Beancount."""
        part = account_part(self.detail)
        return f"{_ROOTS[self.role]}:{part}" if part else _ROOTS[self.role]


def account_part(text: str) -> str:
    """A text as a part of an account's name: letters, digits and dashes, with a capital or digit first. Texts that
    differ only in other signs would share a name, so those get the code points of what was left out."""
    if not text:
        return ""
    plain = "".join(sign for sign in unicodedata.normalize("NFKD", text) if not unicodedata.combining(sign))
    kept = re.sub(r"[^A-Za-z0-9-]+", "-", plain).strip("-")
    first = kept[:1].upper() + kept[1:]
    if kept != text or not first or first != kept:
        left = "".join(f"{ord(sign):X}" for sign in text if not (sign.isascii() and (sign.isalnum() or sign == "-")))
        left += "L" if first != kept else ""
        first = "-".join(filter(None, (first, left))) or "X"
    return first if first[0].isascii() and first[0].isalnum() else f"X{first}"


@dataclass(frozen=True)
class Posting:
    account: Account
    amount: Decimal


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One event of the books. `document`: the number of the invoice or credit note, or the payment's own mark."""

    on: date
    document: str
    client_number: str
    client: str
    text: str
    postings: tuple[Posting, ...]

    def __post_init__(self) -> None:
        if sum((exact(posting.amount, "amount") for posting in self.postings), ZERO) != 0:
            raise ValueError(f"the postings of {self.document} do not make zero")


def balances(entries: Iterable[Entry]) -> dict[Account, Decimal]:
    """What the entries leave on each account, those at zero too."""
    result: dict[Account, Decimal] = {}
    for entry in entries:
        for posting in entry.postings:
            result[posting.account] = result.get(posting.account, ZERO) + posting.amount
    return result


def journal_csv(
    entries: Sequence[Entry], *, titles: Sequence[str], codes: Mapping[Account, str], currency: str, comma: bool
) -> str:
    """The journal, a line for each posting. `titles`: the ten of the columns. `codes`: the accountant's numbers, ''
    where none is set. `comma`: decimals after a comma, cells parted by semicolons."""
    out = io.StringIO()
    sheet = csv.writer(out, delimiter=";" if comma else ",", lineterminator="\r\n")
    sheet.writerow(titles)
    for entry in entries:
        for posting in entry.postings:
            debit = posting.amount if posting.amount > 0 else ZERO
            credit = -posting.amount if posting.amount < 0 else ZERO
            amounts = ["" if not amount else _plain(amount, comma) for amount in (debit, credit)]
            words = [_harmless(word) for word in (entry.document, entry.client_number, entry.client, entry.text)]
            account = posting.account
            sheet.writerow(
                [entry.on.isoformat(), *words, _harmless(codes.get(account, "")), account.name, *amounts, currency]
            )
    return out.getvalue()


def _plain(amount: Decimal, comma: bool) -> str:
    text = f"{amount:f}"
    return text.replace(".", ",") if comma else text


def _harmless(text: str) -> str:
    """No cell of ours is a formula in the accountant's spreadsheet."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def beancount_text(
    entries: Sequence[Entry],
    *,
    opening: Mapping[Account, Decimal],
    closing: Mapping[Account, Decimal],
    first: date,
    last: date,
    currency: str,
    codes: Mapping[Account, str],
    title: str,
) -> str:
    """The same as Beancount text: accounts opened, balances before `first`, entries, and what must stand after `last`.

    `closing` comes from another reckoning than the entries (who owes what), so that a checker of the text proves one
    against the other.
    """
    used = sorted(
        {posting.account for entry in entries for posting in entry.postings} | opening.keys() | closing.keys()
    )
    carried = [(account, amount) for account, amount in sorted(opening.items()) if amount]
    before = first - timedelta(days=1)
    lines = [f'option "title" "{_quoted(title)}"', f'option "operating_currency" "{currency}"', ""]
    if carried:
        used.append(Account(Role.OPENING))
    for account in used:
        lines.append(f"{before.isoformat()} open {account.name} {currency}")
        if codes.get(account):
            lines.append(f'  code: "{_quoted(codes[account])}"')
    if carried:
        lines += ["", f'{before.isoformat()} * "Balances before the period"']
        lines += [f"  {account.name}  {amount:f} {currency}" for account, amount in carried]
        lines.append(f"  {Account(Role.OPENING).name}  {-sum((amount for _, amount in carried), ZERO):f} {currency}")
    for entry in entries:
        lines += ["", f'{entry.on.isoformat()} * "{_quoted(entry.client)}" "{_quoted(entry.text)}"']
        lines.append(f'  document: "{_quoted(entry.document)}"')
        lines += [f"  {posting.account.name}  {posting.amount:f} {currency}" for posting in entry.postings]
    lines.append("")
    after = last + timedelta(days=1)
    for account, amount in sorted(closing.items()):  # without the tolerance of a cent that is the checker's default
        lines.append(f"{after.isoformat()} balance {account.name}  {amount:f} ~ 0 {currency}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    return " ".join(text.split()).replace("\\", "\\\\").replace('"', '\\"')
