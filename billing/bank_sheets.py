"""A bank's CSV or XLSX file as a statement: which column holds what, guessed from its titles or told by a person."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from types import MappingProxyType
from typing import Final

from billing.bank.statement import BankLine, Statement
from trimmer.sheets.reading import Cell, SheetRow, Table, column_letter
from trimmer.sheets.values import CellProblem, Language, fold, parse_date, parse_money, parse_text

BOOKED_ON, AMOUNT, PAID_IN, PAID_OUT = "booked_on", "amount", "paid_in", "paid_out"
PAYER, PAYER_ACCOUNT, REFERENCE, TEXT, BANK_REFERENCE = "payer", "payer_account", "reference", "text", "bank_reference"
FIELDS: Final = (BOOKED_ON, AMOUNT, PAID_IN, PAID_OUT, PAYER, PAYER_ACCOUNT, REFERENCE, TEXT, BANK_REFERENCE)

TITLES: Final[Mapping[str, str]] = MappingProxyType(
    {
        BOOKED_ON: "booked|booking date|posting date|posted|date|transaction date|buchungstag|buchungsdatum|buchung|"
        "datum|boekdatum|date opération|date comptable|valuta",
        AMOUNT: "amount|betrag|betrag (eur)|bedrag|bedrag (eur)|montant|umsatz|transaction amount",
        PAID_IN: "paid in|money in|credit|credit amount|haben|gutschrift|crédit|bij",
        PAID_OUT: "paid out|money out|debit|debit amount|soll|belastung|débit|af",
        PAYER: "payer|name|counterparty|from|auftraggeber|auftraggeber/empfänger|zahlungspflichtiger|naam tegenpartij|"
        "tegenpartij|nom|donneur d'ordre|name zahlungsbeteiligter",
        PAYER_ACCOUNT: "payer's account|account of payer|counterparty account|iban zahlungsbeteiligter|iban|"
        "tegenrekening|kontonummer/iban|compte",
        REFERENCE: "reference|payment reference|kundenreferenz|kenmerk|betalingskenmerk|référence",
        TEXT: "text|details|description|narrative|memo|verwendungszweck|buchungstext|omschrijving|mededelingen|libellé|"
        "particulars",
        BANK_REFERENCE: "transaction id|id|bank reference|bankreferenz|transactiereferentie",
    }
)
"""Titles that banks use, by language; common practice, compared without case, accents and signs."""


class RowRefused(ValueError):
    """A row cannot be read: its number in the file, its column's letter and title, and what is wrong with the cell."""

    def __init__(self, row: int, column: str, title: str, problem: CellProblem) -> None:
        super().__init__(f"{column}{row}: {problem.code}")
        self.row, self.column, self.title, self.problem = row, column, title, problem


def titles_key(table: Table) -> str:
    """The same for every file with these titles."""
    return hashlib.sha256("\x1f".join(table.header).encode()).hexdigest()


def guessed_columns(table: Table) -> dict[str, int]:
    """{field: index of its column}, for the titles that say it plainly; the first title of a field's list wins."""
    folded = [fold(title) for title in table.header]
    found: dict[str, int] = {}
    for name in FIELDS:
        for title in TITLES[name].split("|"):
            if fold(title) in folded and folded.index(fold(title)) not in found.values():
                found[name] = folded.index(fold(title))
                break
    return found


def is_enough(columns: Mapping[str, int]) -> bool:
    """Whether day and amount have their columns."""
    return BOOKED_ON in columns and bool({AMOUNT, PAID_IN} & columns.keys())


def read_bank_table(
    table: Table, columns: Mapping[str, int], *, language: Language, account: str, currency: str
) -> Statement:
    """The lines of a table. Rows without day and amount are passed over, and so are amounts of zero.

    Raises RowRefused for the first cell that cannot be read.
    """
    lines = []
    for row in table.rows:
        if all(_cell(row, columns.get(name)) in (None, "") for name in (BOOKED_ON, AMOUNT, PAID_IN, PAID_OUT)):
            continue
        amount = _amount(table, row, columns, language, currency)
        if amount:
            words = {name: _words(table, row, columns, name) for name in FIELDS[4:]}
            lines.append(
                BankLine(
                    account=account,
                    booked_on=_day(table, row, columns, language),
                    amount=amount,
                    currency=currency,
                    payer=words[PAYER],
                    payer_account="".join(words[PAYER_ACCOUNT].split()),
                    references=tuple(filter(None, [words[REFERENCE]])),
                    text=words[TEXT],
                    bank_reference=words[BANK_REFERENCE],
                )
            )
    return Statement(account=account, currency=currency, lines=tuple(lines))


def _cell(row: SheetRow, index: int | None) -> Cell:
    return None if index is None or index >= len(row.cells) else row.cells[index]


def _refused(table: Table, row: SheetRow, index: int, problem: CellProblem) -> RowRefused:
    return RowRefused(row.number, column_letter(index), table.header[index], problem)


def _day(table: Table, row: SheetRow, columns: Mapping[str, int], language: Language) -> date:
    try:
        return parse_date(_cell(row, columns[BOOKED_ON]), language)
    except CellProblem as problem:
        raise _refused(table, row, columns[BOOKED_ON], problem) from problem


def _amount(table: Table, row: SheetRow, columns: Mapping[str, int], language: Language, currency: str) -> Decimal:
    total = Decimal(0)
    for name, sign in ((AMOUNT, None), (PAID_IN, 1), (PAID_OUT, -1)):
        cell = _cell(row, columns.get(name))
        if name not in columns or cell in (None, ""):
            continue
        try:
            told = parse_money(cell, language, currency=currency)
        except CellProblem as problem:
            raise _refused(table, row, columns[name], problem) from problem
        total += told if sign is None else sign * abs(told)
    return total


def _words(table: Table, row: SheetRow, columns: Mapping[str, int], name: str) -> str:
    cell = _cell(row, columns.get(name))
    if cell in (None, ""):
        return ""
    try:
        return parse_text(cell, max_length=1000, lines=True)
    except CellProblem as problem:
        raise _refused(table, row, columns[name], problem) from problem
