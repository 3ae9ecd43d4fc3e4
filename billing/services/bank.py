"""What the bank tells: files brought in, and each line settled by a person's word."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from decimal import Decimal
from http import HTTPStatus
from typing import Final

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from billing.bank.camt053 import is_camt, read_camt053
from billing.bank.statement import Statement, StatementRefused, keyed
from billing.bank_sheets import FIELDS, RowRefused, guessed_columns, is_enough, read_bank_table, titles_key
from billing.models import BankColumns, BankEntry, BankEntryState, BankFile, Invoice, Payment, PaymentMethod
from billing.queries.bank import Suggestion, suggestions
from billing.services.payments import record_payment, undo_payment
from trimmer.errors import Refusal
from trimmer.models import Business, Client, User
from trimmer.services.sheets.comparing import sentence_of
from trimmer.sheets.reading import Table, UnreadableSheet, read_table
from trimmer.sheets.values import language_of
from trimmer.showing import show_day, to_local

LARGEST: Final = 20_000_000
"""Bytes of a bank file that is taken."""


class BankFileRefused(Refusal):
    code = "bank_file_refused"
    message = gettext_lazy("This bank file cannot be read. %(why)s")
    status = HTTPStatus.BAD_REQUEST


class ColumnsRefused(Refusal):
    code = "bank_columns_refused"
    message = gettext_lazy("Say which column holds the day, and which the amount or what was paid in.")
    status = HTTPStatus.BAD_REQUEST


class FileIsRead(Refusal):
    code = "bank_file_is_read"
    message = gettext_lazy("The lines of this file are taken in already.")


class LineNotWaiting(Refusal):
    code = "bank_line_not_waiting"
    message = gettext_lazy("This line is decided already. Take the decision back first.")


class LineNotDecided(Refusal):
    code = "bank_line_not_decided"
    message = gettext_lazy("This line waits already.")


class ProposalChanged(Refusal):
    code = "bank_proposal_changed"
    message = gettext_lazy("What this line may settle has changed meanwhile. Look at it again.")


class OtherCurrency(Refusal):
    code = "bank_line_other_currency"
    message = gettext_lazy(
        "This line is in %(line)s, your invoices are in %(own)s. Set it aside and record it by hand."
    )


class NotMoneyIn(Refusal):
    code = "bank_line_not_money_in"
    message = gettext_lazy(
        "This line took money out: it settles nothing. Set it aside, or say which payment went back."
    )


class ReasonMissing(Refusal):
    code = "bank_line_reason_missing"
    message = gettext_lazy("Say why the line is set aside.")
    status = HTTPStatus.BAD_REQUEST


_SENTENCES: Final = {
    "too_large": gettext_lazy("It is too large. Ask the bank for a shorter period."),
    "not_xml": gettext_lazy("It is damaged or not complete. Download it from the bank again."),
    "not_camt053": gettext_lazy(
        "It is %(which)s. Ask the bank for camt.053 in version 02 or 08 (statements of account), or for CSV."
    ),
    "nothing_in_it": gettext_lazy("There is no statement in it."),
    "bad_amount": gettext_lazy("“%(amount)s” is not an amount."),
    "bad_date": gettext_lazy("“%(date)s” is not a day."),
    "does_not_add_up": gettext_lazy(
        "The lines of account %(account)s do not make the closing balance it tells. Download it from the bank again."
    ),
}


@transaction.atomic
def bring_bank_file(
    *, business: Business, name: str, content: bytes, by: User | None, now: dt.datetime
) -> tuple[BankFile, int]:
    """Take in a statement: camt.053, or CSV and XLSX. Says the file and how many lines are new.

    The same file again changes nothing, and lines that another file told already are not counted twice. A sheet whose
    columns are not known is kept and waits for `tell_columns`. Raises BankFileRefused.
    """
    digest = hashlib.sha256(content).hexdigest()
    known = BankFile.objects.of(business).filter(sha256=digest).first()
    if known is not None:
        return known, 0
    if not content.strip():
        raise BankFileRefused.at("file", why=_("It is empty."))
    if len(content) > LARGEST:
        raise BankFileRefused.at("file", why=str(_SENTENCES["too_large"]))
    file = BankFile(business=business, name=name[:200], content=content, sha256=digest, brought_at=now, brought_by=by)
    if is_camt(content):
        statements = _camt(content)
        file.save()
        return file, _take_in(file, statements, now)
    table = _table(file)
    columns = _columns_of(business, table)
    if not is_enough(columns):
        file.save()
        return file, 0
    statement = _sheet(file, table, columns)
    file.save()
    return file, _take_in(file, [statement], now)


@transaction.atomic
def tell_columns(*, file: BankFile, columns: Mapping[str, str], now: dt.datetime) -> int:
    """Say which column (by its title) holds what, and take the lines in; says how many are new.

    What is told is kept for the next file with the same titles. Raises ColumnsRefused, FileIsRead, BankFileRefused.
    """
    held = BankFile.objects.select_for_update(of=("self",)).select_related("business").get(pk=file.pk)
    if held.read_at is not None:
        raise FileIsRead
    table = _table(held)
    chosen = {
        name: table.header.index(title)
        for name, title in columns.items()
        if name in FIELDS and title and title in table.header
    }
    if not is_enough(chosen) or len(set(chosen.values())) < len(chosen):
        raise ColumnsRefused
    statement = _sheet(held, table, chosen)
    BankColumns.objects.update_or_create(
        business=held.business,
        titles=titles_key(table),
        defaults={"columns": {name: table.header[index] for name, index in chosen.items()}},
    )
    return _take_in(held, [statement], now)


def columns_to_tell(file: BankFile) -> tuple[Sequence[str], dict[str, str], Sequence[Sequence[str]]]:
    """The titles of a sheet, what is guessed of them ({field: title}), and its first rows, to be looked at."""
    table = _table(file)
    guessed = {name: table.header[index] for name, index in _columns_of(file.business, table).items()}
    rows = [["" if cell is None else str(cell) for cell in row.cells] for row in table.rows[:5]]
    return [title for title in table.header if title], guessed, [list(table.header), *rows]


@transaction.atomic
def accept_proposal(*, entry: BankEntry, seen: str, by: User | None, now: dt.datetime) -> Payment:
    """Settle a line as it was proposed. `seen` is the print of the proposal that was looked at.

    Raises LineNotWaiting, ProposalChanged, OtherCurrency, and what `record_payment` raises.
    """
    held = _hold(entry)
    today = to_local(now, held.business.time_zone).date()
    found = next((one for one in suggestions(held.business, today) if one.entry.pk == held.pk), None)
    if found is None or found.print != seen or not found.can_be_accepted:
        raise ProposalChanged
    return _accept(held, found, by, now)


def accept_sure(*, business: Business, by: User | None, now: dt.datetime) -> int:
    """Settle every line whose proposal is sure, each in a transaction of its own; says how many."""
    today = to_local(now, business.time_zone).date()
    settled = 0
    for found in suggestions(business, today):
        if not (found.is_sure and found.can_be_accepted) or found.entry.currency != business.currency:
            continue
        with transaction.atomic():
            try:
                _accept(_hold(found.entry), found, by, now)
            except Refusal:
                continue  # somebody else was quicker: it is no longer proposed
            settled += 1
    return settled


@transaction.atomic
def settle_entry(
    *, entry: BankEntry, client: Client, invoices: Sequence[Invoice] = (), by: User | None, now: dt.datetime
) -> Payment:
    """Record a line as a client's payment: the named invoices first, then the oldest due; the rest is credit.

    Raises LineNotWaiting, NotMoneyIn, OtherCurrency, and what `record_payment` raises.
    """
    held = _hold(entry)
    if held.amount < 0:
        raise NotMoneyIn
    if client.business_id != held.business_id:
        raise ProposalChanged
    return _pay(held, client, invoices, by, now)


@transaction.atomic
def take_back(*, entry: BankEntry, payment: Payment, by: User | None, now: dt.datetime) -> Payment:
    """A line says that an earlier payment went back: it is withdrawn, and what it had settled is open again.

    Raises LineNotWaiting, ProposalChanged (the amounts differ), and what `undo_payment` raises.
    """
    held = _hold(entry)
    if payment.business_id != held.business_id or payment.amount + held.amount != 0:
        raise ProposalChanged
    return _take_back(held, payment, by, now)


@transaction.atomic
def set_aside(*, entry: BankEntry, reason: str, by: User | None, now: dt.datetime) -> BankEntry:
    """A line that is none of the invoices' business, with why. Raises LineNotWaiting, ReasonMissing."""
    held = _hold(entry)
    if not reason.strip():
        raise ReasonMissing.at("reason")
    held.state, held.note = BankEntryState.ASIDE, reason.strip()[:300]
    held.decided_at, held.decided_by = now, by
    held.save()
    return held


@transaction.atomic
def decide_again(*, entry: BankEntry, by: User | None, now: dt.datetime) -> BankEntry:
    """Take a decision back: the line waits again, and a payment made of it is withdrawn. A payment that went back
    stays withdrawn: record it anew. Raises LineNotDecided.
    """
    held = BankEntry.objects.select_for_update(of=("self",)).select_related("payment").get(pk=entry.pk)
    if held.state == BankEntryState.WAITING:
        raise LineNotDecided
    payment = held.payment
    held.state, held.note, held.payment = BankEntryState.WAITING, "", None
    held.decided_at, held.decided_by = now, by
    held.save()
    if payment is not None and payment.withdrawn_at is None:
        undo_payment(payment=payment, reason=_("the line of the bank is decided anew"), by=by, now=now)
    return held


def _accept(held: BankEntry, found: Suggestion, by: User | None, now: dt.datetime) -> Payment:
    if found.payment is not None:
        return _take_back(held, found.payment, by, now)
    if found.client is None:
        raise ProposalChanged
    return _pay(held, found.client, [invoice for invoice, _part in found.parts], by, now)


def _pay(held: BankEntry, client: Client, invoices: Sequence[Invoice], by: User | None, now: dt.datetime) -> Payment:
    business = held.business
    if held.currency != business.currency:
        raise OtherCurrency(line=held.currency, own=business.currency)
    payment = record_payment(
        client=client,
        received_on=held.booked_on,
        amount=Decimal(held.amount),
        method=PaymentMethod.TRANSFER,
        reference=" ".join(held.references) or held.end_to_end or held.text[:140],
        note=held.payer,
        named_invoices=invoices,
        by=by,
        now=now,
    )
    _settled(held, payment, by, now)
    return payment


def _take_back(held: BankEntry, payment: Payment, by: User | None, now: dt.datetime) -> Payment:
    day = show_day(held.booked_on, held.business.language, weekday=False)
    undone = undo_payment(
        payment=payment,
        reason=_("the bank took it back on %(day)s") % {"day": day},
        went_back=True,
        by=by,
        now=now,
    )
    _settled(held, undone, by, now)
    return undone


def _settled(held: BankEntry, payment: Payment, by: User | None, now: dt.datetime) -> None:
    held.state, held.payment = BankEntryState.SETTLED, payment
    held.decided_at, held.decided_by = now, by
    held.save()


def _hold(entry: BankEntry) -> BankEntry:
    held = BankEntry.objects.select_for_update(of=("self",)).select_related("business").get(pk=entry.pk)
    if held.state != BankEntryState.WAITING:
        raise LineNotWaiting
    return held


def _camt(content: bytes) -> list[Statement]:
    try:
        return read_camt053(content)
    except StatementRefused as refused:
        raise BankFileRefused.at("file", why=str(_SENTENCES[refused.code]) % refused.params) from refused


def _table(file: BankFile) -> Table:
    try:
        return read_table(bytes(file.content), file.name)
    except UnreadableSheet as error:
        raise BankFileRefused.at("file", why=sentence_of(error.code, error.params)) from error


def _columns_of(business: Business, table: Table) -> dict[str, int]:
    told = BankColumns.objects.of(business).filter(titles=titles_key(table)).first()
    if told is not None:
        return {name: table.header.index(title) for name, title in told.columns.items() if title in table.header}
    return guessed_columns(table)


def _sheet(file: BankFile, table: Table, columns: Mapping[str, int]) -> Statement:
    business = file.business
    try:
        return read_bank_table(
            table,
            columns,
            language=language_of(business.language),
            account="".join(business.iban.split()),
            currency=business.currency,
        )
    except RowRefused as refused:
        where = _("Row %(row)s, column %(column)s (%(title)s):") % {
            "row": refused.row,
            "column": refused.column,
            "title": refused.title,
        }
        why = sentence_of(refused.problem.code, refused.problem.params)
        raise BankFileRefused.at("file", why=f"{where} {why}") from refused


def _take_in(file: BankFile, statements: Sequence[Statement], now: dt.datetime) -> int:
    """Store the lines that are not known yet; of twins told by two files at once the constraint keeps one."""
    lines = keyed([line for one in statements for line in one.lines])
    keys = [key for key, _line in lines]
    known = set(BankEntry.objects.of(file.business).filter(key__in=keys).values_list("key", flat=True))
    rows = [
        BankEntry(
            business=file.business,
            file=file,
            key=key,
            account=line.account[:42],
            booked_on=line.booked_on,
            amount=line.amount,
            currency=line.currency,
            payer=line.payer[:200],
            payer_account=line.payer_account[:42],
            references=list(line.references),
            text=line.text[:1000],
            end_to_end=line.end_to_end[:70],
            bank_reference=line.bank_reference[:70],
            returned=line.returned,
        )
        for key, line in lines
        if key not in known
    ]
    BankEntry.objects.bulk_create(rows, ignore_conflicts=True, batch_size=500)
    first = statements[0] if statements else None
    file.account = (first.account if first else "")[:42]
    file.number = (first.number if first else "")[:70]
    file.not_booked = sum(one.not_booked for one in statements)
    file.known_already = len(lines) - len(rows)
    file.read_at = now
    file.save()
    return len(rows)
