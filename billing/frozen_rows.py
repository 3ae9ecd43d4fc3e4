"""Triggers: what is issued is neither changed nor taken away, whoever asks. The database has the last word.

Frozen are an issued invoice or credit note, its lines, discounts and taxes, its e-invoices, its file, and which visits
it bills (one may be released, once). A counter that has given a number only goes up. On PostgreSQL this holds for
TRUNCATE too, which passes row triggers by.

On SQLite altering a table drops its triggers, so they are laid anew after every run of migrations (billing.apps). A
migration that alters one of these tables once they are there must `lift` first: SQLite refuses to alter a table that
another table's trigger names. A test looks whether they are there after the last migration.
"""

# ruff: noqa: S608  (the statements are put together from table names of our own, never from values)

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from django.db import transaction
from django.db.backends.base.base import BaseDatabaseWrapper

INVOICES = "billing_invoice"
PARTS = (
    "billing_invoiceline",
    "billing_invoicediscount",
    "billing_invoiceallowance",
    "billing_invoicetax",
    "billing_invoicesalestax",
    "billing_invoicexml",
)
FILES = ("billing_invoicefile",)
BILLED = ("billing_billedvisit",)
COUNTERS = ("billing_invoiceseries",)

SAYS = "what is issued stays as it is: make a credit note"
RELEASE = (
    "OLD.released_at IS NULL AND NEW.released_at IS NOT NULL AND NEW.id {same} OLD.id "
    "AND NEW.invoice_id {same} OLD.invoice_id AND NEW.visit_id {same} OLD.visit_id"
)
COUNTER_KEYS = "(id = NEW.id OR (business_id = NEW.business_id AND prefix = NEW.prefix AND year = NEW.year))"
FILE_SAYS = "a document has one file, made once it is issued"
COUNTER_SAYS = "a counter of numbers only goes up"


def lay(
    connection: BaseDatabaseWrapper,
    *,
    parts: Sequence[str] = PARTS,
    files: Sequence[str] = FILES,
    billed: Sequence[str] = BILLED,
    counters: Sequence[str] = COUNTERS,
) -> None:
    """Put the triggers in place. Tables are parameters, so that an older migration can name those of its day."""
    _run(connection, _laying(connection.vendor, parts, files, billed, counters))


def lift(
    connection: BaseDatabaseWrapper,
    *,
    parts: Sequence[str] = PARTS,
    files: Sequence[str] = FILES,
    billed: Sequence[str] = BILLED,
    counters: Sequence[str] = COUNTERS,
) -> None:
    """Take the triggers away: for a migration, or for the end of a test."""
    _run(connection, _lifting(connection.vendor, (INVOICES, *parts, *files, *billed, *counters)))


def lay_anew(connection: BaseDatabaseWrapper) -> None:
    """Put the triggers in place, in place of any that are there."""
    with transaction.atomic(using=connection.alias):
        lift(connection)
        lay(connection)


@contextmanager
def lifted(connection: BaseDatabaseWrapper) -> Iterator[None]:
    """Without triggers for the length of the block, in one transaction."""
    with transaction.atomic(using=connection.alias):
        lift(connection)
        yield
        lay(connection)


def _run(connection: BaseDatabaseWrapper, statements: Iterator[str]) -> None:
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def _laying(
    vendor: str, parts: Sequence[str], files: Sequence[str], billed: Sequence[str], counters: Sequence[str]
) -> Iterator[str]:
    if vendor == "postgresql":
        yield from _postgresql(parts, files, billed, counters)
    elif vendor == "sqlite":
        yield from _sqlite(parts, files, billed, counters)
    else:
        raise NotImplementedError(f"no triggers are written for {vendor}")


def _lifting(vendor: str, tables: Sequence[str]) -> Iterator[str]:
    for table in tables:
        for event in ("insert", "update", "delete", "truncate"):
            if vendor == "postgresql":
                yield f"DROP TRIGGER IF EXISTS {table}_frozen_{event} ON {table}"
            else:
                yield f"DROP TRIGGER IF EXISTS {table}_frozen_{event}"


def _sqlite(
    parts: Sequence[str], files: Sequence[str], billed: Sequence[str], counters: Sequence[str]
) -> Iterator[str]:
    def trigger(table: str, event: str, condition: str, says: str = SAYS) -> str:
        return (
            f"CREATE TRIGGER {table}_frozen_{event.lower()} BEFORE {event} ON {table} FOR EACH ROW "
            f"WHEN {condition} BEGIN SELECT RAISE(ABORT, '{says}'); END"
        )

    def issued(*keys: str) -> str:
        return f"EXISTS (SELECT 1 FROM {INVOICES} WHERE state = 'issued' AND id IN ({', '.join(keys)}))"

    # INSERT OR REPLACE takes the row in its way out without asking the DELETE trigger.
    in_its_way = "id = NEW.id OR (business_id = NEW.business_id AND number = NEW.number)"
    yield trigger(INVOICES, "INSERT", f"EXISTS (SELECT 1 FROM {INVOICES} WHERE state = 'issued' AND ({in_its_way}))")
    yield trigger(INVOICES, "UPDATE", "OLD.state = 'issued'")
    yield trigger(INVOICES, "DELETE", "OLD.state = 'issued'")

    def replaces(table: str, keys: str) -> str:
        return f"EXISTS (SELECT 1 FROM {table} AS old WHERE ({keys}) AND {issued('old.invoice_id')})"

    for table in parts:
        yield trigger(table, "INSERT", f"{issued('NEW.invoice_id')} OR {replaces(table, 'old.id = NEW.id')}")
        yield trigger(table, "UPDATE", issued("OLD.invoice_id", "NEW.invoice_id"))
        yield trigger(table, "DELETE", issued("OLD.invoice_id"))
    for table in files:
        there = f"EXISTS (SELECT 1 FROM {table} WHERE id = NEW.id OR invoice_id = NEW.invoice_id)"
        yield trigger(table, "INSERT", f"NOT {issued('NEW.invoice_id')} OR {there}", FILE_SAYS)
        yield trigger(table, "UPDATE", "1")
        yield trigger(table, "DELETE", "1")
    for table in billed:
        twin = replaces(table, "old.id = NEW.id OR (old.visit_id = NEW.visit_id AND old.released_at IS NULL)")
        yield trigger(table, "INSERT", f"{issued('NEW.invoice_id')} OR {twin}")
        release = RELEASE.format(same="IS")
        yield trigger(table, "UPDATE", f"{issued('OLD.invoice_id', 'NEW.invoice_id')} AND NOT ({release})")
        yield trigger(table, "DELETE", issued("OLD.invoice_id"))
    for table in counters:
        there = f"EXISTS (SELECT 1 FROM {table} WHERE last > 0 AND {COUNTER_KEYS})"
        yield trigger(table, "INSERT", there, COUNTER_SAYS)
        yield trigger(table, "UPDATE", "NEW.last < OLD.last", COUNTER_SAYS)
        yield trigger(table, "DELETE", "OLD.last > 0", COUNTER_SAYS)


def _postgresql(
    parts: Sequence[str], files: Sequence[str], billed: Sequence[str], counters: Sequence[str]
) -> Iterator[str]:
    def function(name: str, body: str) -> str:
        return f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN {body} END $$"

    def refuse(says: str = SAYS) -> str:
        return f"RAISE EXCEPTION '{says}' USING ERRCODE = 'integrity_constraint_violation';"

    def trigger(table: str, event: str, name: str, condition: str = "") -> str:
        each = "STATEMENT" if event == "TRUNCATE" else "ROW"
        when = f" WHEN ({condition})" if condition else ""
        return (
            f"CREATE TRIGGER {table}_frozen_{event.lower()} BEFORE {event} ON {table} FOR EACH {each}{when} "
            f"EXECUTE FUNCTION {name}()"
        )

    def issued(key: str) -> str:
        return f"EXISTS (SELECT 1 FROM {INVOICES} WHERE state = 'issued' AND id = {key})"

    yield function("billing_refuse", refuse())
    yield function("billing_refuse_counter", refuse(COUNTER_SAYS))
    yield function(
        "billing_refuse_part",
        # One after another: OLD has no value when a row is added, NEW none when it is taken away.
        f"IF TG_OP <> 'INSERT' THEN IF {issued('OLD.invoice_id')} THEN {refuse()} END IF; END IF; "
        f"IF TG_OP <> 'DELETE' THEN IF {issued('NEW.invoice_id')} THEN {refuse()} END IF; RETURN NEW; END IF; "
        "RETURN OLD;",
    )
    yield function(
        "billing_refuse_file",
        f"IF NOT {issued('NEW.invoice_id')} THEN {refuse(FILE_SAYS)} END IF; RETURN NEW;",
    )
    yield function(
        "billing_refuse_truncate",
        f"IF EXISTS (SELECT 1 FROM {INVOICES} WHERE state = 'issued') THEN {refuse()} END IF; RETURN NULL;",
    )
    yield trigger(INVOICES, "UPDATE", "billing_refuse", "OLD.state = 'issued'")
    yield trigger(INVOICES, "DELETE", "billing_refuse", "OLD.state = 'issued'")
    for table in parts:
        for event in ("INSERT", "UPDATE", "DELETE"):
            yield trigger(table, event, "billing_refuse_part")
    for table in files:
        yield trigger(table, "INSERT", "billing_refuse_file")
        yield trigger(table, "UPDATE", "billing_refuse")
        yield trigger(table, "DELETE", "billing_refuse")
    for table in billed:
        yield trigger(table, "INSERT", "billing_refuse_part")
        released = RELEASE.format(same="IS NOT DISTINCT FROM")
        yield trigger(table, "UPDATE", "billing_refuse_part", f"NOT ({released})")
        yield trigger(table, "DELETE", "billing_refuse_part")
    for table in (INVOICES, *parts, *files, *billed):
        yield trigger(table, "TRUNCATE", "billing_refuse_truncate")
    for table in counters:
        yield trigger(table, "UPDATE", "billing_refuse_counter", "NEW.last < OLD.last")
        yield trigger(table, "DELETE", "billing_refuse_counter", "OLD.last > 0")
        yield function(
            f"{table}_refuse_truncate",
            f"IF EXISTS (SELECT 1 FROM {table} WHERE last > 0) THEN {refuse(COUNTER_SAYS)} END IF; RETURN NULL;",
        )
        yield trigger(table, "TRUNCATE", f"{table}_refuse_truncate")
