"""Triggers: whatever is done to a table that touches money is noted beside it, in the same transaction, by whoever.

Watched is every model of this app but those of `NOT_WATCHED`, and the business and its clients. A trigger of each table
writes an entry with the row as it was and as it became; services know nothing of it, and raw SQL does not get past it.
Who acts (trimmer.acting) is told to the database before it writes: `trimround_actor()` on SQLite, a setting of the
session on PostgreSQL.

Entries of a business are a chain: each holds the SHA-256 of the one before and of its own words. SQLite has one writer,
so an entry is linked at once. On PostgreSQL it is linked when its transaction goes through: linked at once, a writer
would hold the end of the chain while it waits for a row that another writer, waiting for the end of the chain, holds.

Triggers are laid after every run of migrations and lifted before one (billing.apps), by their names: no migration need
think of them.
"""

# ruff: noqa: S608  (the statements are put together from names of our own tables and columns, never from values)

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from typing import Any, Final

from django.apps import apps
from django.db import models, transaction
from django.db.backends.base.base import BaseDatabaseWrapper

from trimmer.acting import who_acts
from trimmer.models import OwnedModel

NOT_WATCHED: Final = {
    "TrailEntry": "the trail itself",
    "TrailHead": "the trail itself",
    "InvoiceSeries": "each number stands with its document",
    "IssueRun": "asks for documents, which are watched",
    "BooksFile": "tells, changes nothing",
}
WATCHED_FACTS: Final = ("Business", "Client")
ENTRIES: Final = "billing_trailentry"
HEADS: Final = "billing_trailhead"
COLUMNS: Final = 'business_id, at, "by", by_name, act, thing, "key", client, invoice, body, hash'
SQLITE_PAIRS: Final = 63
"""SQLite's functions take at most 127 arguments."""
SAYS: Final = "the audit trail is only added to"
ACTS: Final = {"INSERT": "added", "UPDATE": "changed", "DELETE": "removed"}
_WRITES = re.compile(r'(?:INSERT INTO|UPDATE|DELETE FROM) "(?:billing_|trimmer_(?:business|client)")')


def watched() -> list[type[models.Model]]:
    """The models whose rows are noted."""
    billing = [model for model in apps.get_app_config("billing").get_models() if model.__name__ not in NOT_WATCHED]
    return [*billing, *(apps.get_model("trimmer", name) for name in WATCHED_FACTS)]


def lay(connection: BaseDatabaseWrapper) -> None:
    """Put the triggers in place, in place of any that are there."""
    statements = {"postgresql": _postgresql, "sqlite": _sqlite}.get(connection.vendor)
    if statements is None:
        raise NotImplementedError(f"no audit trail is written for {connection.vendor}")
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        lift(connection)
        for statement in statements():
            cursor.execute(statement)


def lift(connection: BaseDatabaseWrapper) -> None:
    """Take the triggers away: before a migration, or for a test."""
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute(
                "SELECT tgname, relname FROM pg_trigger JOIN pg_class ON pg_class.oid = tgrelid "
                r"WHERE tgname LIKE 'trail\_%' AND relnamespace = current_schema()::regnamespace"
            )
            drops = [f'DROP TRIGGER "{name}" ON "{table}"' for name, table in cursor.fetchall()]
        else:
            cursor.execute(r"SELECT name FROM sqlite_master WHERE type = 'trigger' AND name LIKE 'trail\_%' ESCAPE '\'")
            drops = [f'DROP TRIGGER "{name}"' for (name,) in cursor.fetchall()]
        for drop in drops:
            cursor.execute(drop)


# Who acts


def introduce(connection: BaseDatabaseWrapper) -> None:
    """Let a new connection know who acts."""
    if connection.vendor == "sqlite":
        connection.connection.create_function("trimround_actor", 0, _actor_text)
    elif connection.vendor == "postgresql" and _tell_actor not in connection.execute_wrappers:
        connection.execute_wrappers.append(_tell_actor)


def _actor_text() -> str:
    actor = who_acts()
    return json.dumps({"by": actor.key, "by_name": actor.name, "through": actor.through}, ensure_ascii=False)


def _tell_actor(
    execute: Callable[[Any, Any, bool, dict[str, Any]], Any],
    sql: object,
    params: Any,
    many: bool,
    context: dict[str, Any],
) -> Any:
    if _WRITES.match(str(sql)):
        with context["connection"].connection.cursor() as cursor:
            cursor.execute("SELECT set_config('trimround.actor', %s, false)", [_actor_text()])
    return execute(sql, params, many, context)


# What is noted of a row


def _kept(model: type[models.Model]) -> list[models.Field[Any, Any]]:
    """The columns that go into the trail: all but files, whose hash stands in the row."""
    return [field for field in model._meta.concrete_fields if not isinstance(field, models.BinaryField)]


def _business_of(model: type[models.Model], row: str) -> str:
    """SQL for the key of the business a row belongs to."""
    if model is apps.get_model("trimmer", "Business"):
        return f"{row}.id"
    if not issubclass(model, OwnedModel):
        raise TypeError(f"{model.__name__} does not say whose it is")
    key = ""
    reached: type[models.Model] = model
    for step in model.business_path.split("__"):
        field = reached._meta.get_field(step)
        if not isinstance(field, models.ForeignKey):
            raise TypeError(f"{model.__name__}.{step} leads to no other row")
        known = key
        key = f'(SELECT "{field.column}" FROM {reached._meta.db_table} WHERE id = {known})'
        if not known:
            key = f'{row}."{field.column}"'
        reached = field.related_model
    return key


def _pointer(model: type[models.Model], name: str, row: str) -> str:
    """SQL for the client or invoice a row is about, as far as the row itself says."""
    if model._meta.model_name == name:
        return f"{row}.id"
    columns = {field.column for field in model._meta.concrete_fields}
    return f"{row}.{name}_id" if f"{name}_id" in columns else "NULL"


def _events(model: type[models.Model]) -> list[str]:
    """A business that goes takes its chain with it, so nothing is left to note that in."""
    return ["INSERT", "UPDATE"] if model._meta.model_name == "business" else list(ACTS)


# SQLite


def _sqlite() -> Iterator[str]:
    def refuse(event: str, when: str) -> str:
        return (
            f"CREATE TRIGGER trail_{ENTRIES}_{event.lower()} BEFORE {event} ON {ENTRIES} FOR EACH ROW WHEN {when} "
            f"BEGIN SELECT RAISE(ABORT, '{SAYS}'); END"
        )

    for model in watched():
        yield from _sqlite_notes(model)
    there = f"EXISTS (SELECT 1 FROM {ENTRIES} WHERE id = NEW.id)"
    yield refuse("INSERT", f"NEW.position IS NOT NULL OR NEW.hash <> '' OR {there}")
    same = " AND ".join(f'NEW."{field.column}" IS OLD."{field.column}"' for field in _unlinked())
    yield refuse("UPDATE", f"OLD.position IS NOT NULL OR NOT ({same})")
    yield refuse("DELETE", "1")
    yield (
        f"CREATE TRIGGER trail_link AFTER INSERT ON {ENTRIES} FOR EACH ROW BEGIN "
        f"INSERT INTO {HEADS} (business_id, position, hash) SELECT NEW.business_id, 0, '' "
        f"WHERE NOT EXISTS (SELECT 1 FROM {HEADS} WHERE business_id = NEW.business_id); "
        f"UPDATE {ENTRIES} SET (position, hash) = (SELECT position + 1, SHA256(hash || char(10) || NEW.body) "
        f"FROM {HEADS} WHERE business_id = NEW.business_id) WHERE id = NEW.id; "
        f"UPDATE {HEADS} SET (position, hash) = (SELECT position, hash FROM {ENTRIES} WHERE id = NEW.id) "
        "WHERE business_id = NEW.business_id; END"
    )


def _unlinked() -> list[models.Field[Any, Any]]:
    entry = apps.get_model("billing", "TrailEntry")
    return [field for field in entry._meta.concrete_fields if field.name not in {"position", "hash"}]


def _sqlite_notes(model: type[models.Model]) -> Iterator[str]:
    table, columns = model._meta.db_table, _kept(model)
    differs = " OR ".join(f'OLD."{field.column}" IS NOT NEW."{field.column}"' for field in columns)

    def as_json(row: str) -> str:
        parts = [f"'{one.column}', {_sqlite_value(one, row)}" for one in columns]
        if len(parts) > SQLITE_PAIRS:
            raise NotImplementedError(f"{table} has more columns than SQLite puts into one object")
        return f"json_object({', '.join(parts)})"

    for event in _events(model):
        row = "OLD" if event == "DELETE" else "NEW"
        before = "NULL" if event == "INSERT" else as_json("OLD")
        after = "NULL" if event == "DELETE" else as_json("NEW")
        actor = "json_extract(trimround_actor(), '$.{}')".format
        body = (
            f"json_object('at', at, 'by', {actor('by')}, 'by_name', {actor('by_name')}, 'through', "
            f"{actor('through')}, 'act', '{ACTS[event]}', 'thing', '{table}', 'key', {row}.id, "
            f"'before', {before}, 'after', {after})"
        )
        client, invoice = (_pointer(model, name, row) for name in ("client", "invoice"))
        yield (
            f"CREATE TRIGGER trail_{table}_{event.lower()} AFTER {event} ON {table} FOR EACH ROW "
            f"{f'WHEN {differs} ' if event == 'UPDATE' else ''}BEGIN "
            f"INSERT INTO {ENTRIES} ({COLUMNS}) "
            f"SELECT {_business_of(model, row)}, at, {actor('by')}, {actor('by_name')}, '{ACTS[event]}', '{table}', "
            f"{row}.id, {client}, {invoice}, {body}, '' "
            "FROM (SELECT strftime('%Y-%m-%d %H:%M:%f', 'now') AS at); END"
        )


def _sqlite_value(field: models.Field[Any, Any], row: str) -> str:
    value = f'{row}."{field.column}"'
    return f"json({value})" if isinstance(field, models.JSONField) else value


# PostgreSQL


def _postgresql() -> Iterator[str]:
    def function(name: str, body: str, declare: str = "") -> str:
        declared = f"DECLARE {declare} " if declare else ""
        return (
            f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $$ {declared}BEGIN {body} END $$"
        )

    def refuse(event: str, when: str = "") -> str:
        each = "STATEMENT" if event == "TRUNCATE" else "ROW"
        return (
            f"CREATE TRIGGER trail_{ENTRIES}_{event.lower()} BEFORE {event} ON {ENTRIES} FOR EACH {each} "
            f"{f'WHEN ({when}) ' if when else ''}EXECUTE FUNCTION billing_trail_refuse()"
        )

    for model in watched():
        table = model._meta.db_table
        yield function(f"{table}_note", *_postgresql_note(model))
        for event in _events(model):
            yield (
                f"CREATE TRIGGER trail_{table}_{event.lower()} AFTER {event} ON {table} FOR EACH ROW "
                f"EXECUTE FUNCTION {table}_note()"
            )
    yield function(
        "billing_trail_refuse", f"RAISE EXCEPTION '{SAYS}' USING ERRCODE = 'integrity_constraint_violation';"
    )
    yield refuse("INSERT", "NEW.position IS NOT NULL OR NEW.hash <> ''")
    same = " AND ".join(f'NEW."{field.column}" IS NOT DISTINCT FROM OLD."{field.column}"' for field in _unlinked())
    yield refuse("UPDATE", f"OLD.position IS NOT NULL OR NOT ({same})")
    yield refuse("DELETE")
    yield refuse("TRUNCATE")
    yield function(
        "billing_trail_link",
        f"INSERT INTO {HEADS} (business_id, position, hash) VALUES (NEW.business_id, 0, '') "
        "ON CONFLICT (business_id) DO NOTHING; "
        "SELECT position + 1, encode(sha256(convert_to(hash || E'\\n' || NEW.body, 'UTF8')), 'hex') "
        f"INTO place, digest FROM {HEADS} WHERE business_id = NEW.business_id FOR UPDATE; "
        f"UPDATE {ENTRIES} SET position = place, hash = digest WHERE id = NEW.id; "
        f"UPDATE {HEADS} SET position = place, hash = digest WHERE business_id = NEW.business_id; RETURN NULL;",
        "place bigint; digest text;",
    )
    yield (
        f"CREATE CONSTRAINT TRIGGER trail_link AFTER INSERT ON {ENTRIES} DEFERRABLE INITIALLY DEFERRED "
        "FOR EACH ROW EXECUTE FUNCTION billing_trail_link()"
    )


def _postgresql_note(model: type[models.Model]) -> tuple[str, str]:
    files = [str(field.column) for field in model._meta.concrete_fields if isinstance(field, models.BinaryField)]
    without = f" - '{{{','.join(files)}}}'::text[]" if files else ""
    insert = (
        f"INSERT INTO {ENTRIES} ({COLUMNS}) "
        f"VALUES ({_business_of(model, 'r')}, moment, (actor ->> 'by')::bigint, actor ->> 'by_name', what, "
        f"TG_TABLE_NAME, r.id, {_pointer(model, 'client', 'r')}, {_pointer(model, 'invoice', 'r')}, "
        "(jsonb_build_object('at', to_char(moment AT TIME ZONE 'UTC', 'YYYY-MM-DD HH24:MI:SS.US'), "
        "'act', what, 'thing', TG_TABLE_NAME, 'key', r.id, 'before', o, 'after', n) || actor)::text, '');"
    )
    body = (
        f"IF TG_OP <> 'INSERT' THEN o := to_jsonb(OLD){without}; r := OLD; END IF; "
        f"IF TG_OP <> 'DELETE' THEN n := to_jsonb(NEW){without}; r := NEW; END IF; "
        "IF o IS NOT DISTINCT FROM n THEN RETURN NULL; END IF; "
        "what := CASE TG_OP WHEN 'INSERT' THEN 'added' WHEN 'UPDATE' THEN 'changed' ELSE 'removed' END; "
        "actor := coalesce(nullif(current_setting('trimround.actor', true), ''), "
        """'{"by": null, "by_name": "", "through": ""}')::jsonb; """
        f"{insert} RETURN NULL;"
    )
    row = f"{model._meta.db_table}%ROWTYPE"
    return body, f"o jsonb; n jsonb; r {row}; actor jsonb; what text; moment timestamptz := clock_timestamp();"
