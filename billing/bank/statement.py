"""A bank statement as values, whatever file it came in."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal

from billing.charges.totals import exact


class StatementRefused(ValueError):
    """The file cannot be read as a bank statement. `code` names why, `params` what it was about."""

    def __init__(self, code: str, **params: str) -> None:
        super().__init__(f"{code} {params}" if params else code)
        self.code = code
        self.params = params


@dataclass(frozen=True, kw_only=True)
class BankLine:
    """One amount on an account. Positive came in, negative went out.

    references: creditor references (ISO 11649) and others the payer gave in a structured field, as written. returned:
    an earlier payment went back (a debit returned by its payer's bank). bank_reference: the bank's own name for it.
    """

    account: str
    booked_on: date
    amount: Decimal
    currency: str
    payer: str = ""
    payer_account: str = ""
    references: tuple[str, ...] = ()
    text: str = ""
    end_to_end: str = ""
    bank_reference: str = ""
    returned: bool = False

    def __post_init__(self) -> None:
        if exact(self.amount, "amount") == 0:
            raise ValueError("a bank line moves money")

    @property
    def words(self) -> str:
        """All the payer wrote."""
        return " ".join(filter(None, (*self.references, self.text, self.end_to_end)))


@dataclass(frozen=True, kw_only=True)
class Statement:
    """The booked lines of one account. opening and closing: the balances the file tells, or None."""

    account: str
    currency: str
    lines: Sequence[BankLine]
    number: str = ""
    opening: Decimal | None = None
    closing: Decimal | None = None
    not_booked: int = 0
    """How many lines the bank had not booked yet; they are left out."""
    notes: Mapping[str, str] = field(default_factory=dict)

    @property
    def adds_up(self) -> bool | None:
        """Whether opening balance and lines make the closing one, to the last cent; None when the file tells none."""
        if self.opening is None or self.closing is None:
            return None
        return self.opening + sum((line.amount for line in self.lines), Decimal(0)) == self.closing


def keyed(lines: Iterable[BankLine]) -> list[tuple[str, BankLine]]:
    """Each line with a key that is the same whenever the same statement, or one overlapping it, is read again.

    Two lines alike in all a bank tells are two payments when they stand in one file: the second counts as the second.
    """
    seen: Counter[str] = Counter()
    result = []
    for line in lines:
        told = (
            "".join(line.account.split()).upper(),
            line.booked_on.isoformat(),
            str(line.amount.normalize()),
            line.currency,
            line.bank_reference,
            line.end_to_end,
            " ".join(line.references),
            " ".join(line.text.split()),
            " ".join(line.payer.split()),
        )
        print_ = hashlib.sha256("\x1f".join(told).encode()).hexdigest()
        seen[print_] += 1
        result.append((hashlib.sha256(f"{print_} {seen[print_]}".encode()).hexdigest(), line))
    return result
