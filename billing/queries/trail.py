"""Reading the audit trail: whether its chain holds, and what changed, in words."""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
import io
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any, Final
from zoneinfo import ZoneInfo

from django.db.models import BooleanField, DecimalField, ForeignKey, Max, Model
from django.utils.translation import gettext as _

from billing.models import Invoice, Payment, PriceList, TaxCategory, TrailEntry, TrailHead, TrailQuerySet
from billing.trail import watched
from trimmer.models import Business, Client, User
from trimmer.sheets.formulas import harmless

AT_ONCE: Final = 2000
NAMED: Final = (Client, User, Invoice, Payment, PriceList, TaxCategory)
"""What the trail calls by name; other rows by their key."""
SHORT: Final = 160


class Break(StrEnum):
    """How a link of the chain is broken."""

    HASH = "hash"  # the words, or those of the entry before, are not those that were hashed
    COLUMNS = "columns"  # what is searched by does not say what the words say
    MISSING = "missing"  # an entry is not there
    END = "end"  # the last entries are not there, or there are more than the end of the chain says
    UNLINKED = "unlinked"  # an entry that no link was made for
    ANCHOR = "anchor"  # another hash at this place than was handed over


@dataclass(frozen=True, slots=True)
class BrokenLink:
    """The first place at which a chain does not hold, and how."""

    position: int
    how: Break
    entry: int | None = None
    """The key of the entry there, if one is there."""


def link(before: str, body: str) -> str:
    """The hash of an entry: SHA-256 of the hash before it, a line feed and its words."""
    return hashlib.sha256(f"{before}\n{body}".encode()).hexdigest()


def check_trail(business: Business, *, anchors: Iterable[tuple[int, str]] = ()) -> BrokenLink | None:
    """The first broken link of a business's chain; None if all hold.

    `anchors` are (place, hash) as they stand in what was handed over before: the chain must still lead through them.
    Nothing in the database can tell that all of it was written anew; such an anchor does.
    """
    wanted = dict(anchors)
    before, position = "", 0
    for entry in TrailEntry.objects.of(business).sealed().iterator(AT_ONCE):
        position += 1
        if entry.position != position:
            return BrokenLink(position, Break.MISSING)
        if entry.hash != link(before, entry.body):
            return BrokenLink(position, Break.HASH, entry.pk)
        if not _columns_hold(entry):
            return BrokenLink(position, Break.COLUMNS, entry.pk)
        if wanted.pop(position, entry.hash) != entry.hash:
            return BrokenLink(position, Break.ANCHOR, entry.pk)
        before = entry.hash
    if wanted:
        return BrokenLink(min(wanted), Break.MISSING)
    head = TrailHead.objects.of(business).first()
    if (head.position, head.hash) != (position, before) if head else position:
        return BrokenLink(position + 1, Break.END)
    if unlinked := TrailEntry.objects.of(business).filter(position=None).first():
        return BrokenLink(position + 1, Break.UNLINKED, unlinked.pk)
    return None


def _columns_hold(entry: TrailEntry) -> bool:
    try:
        told = entry.told
        row = told["after"] or told["before"]
        pointers = [(entry.client, "client"), (entry.invoice, "invoice")]
        return (
            (entry.by, entry.by_name, entry.act) == (told["by"], told["by_name"], told["act"])
            and (entry.thing, entry.key, entry.at) == (told["thing"], told["key"], entry.told_at)
            and all(key == _pointed(entry, row, name) for key, name in pointers)
        )
    except (json.JSONDecodeError, KeyError, TypeError, ValueError):
        return False


def _pointed(entry: TrailEntry, row: dict[str, object], name: str) -> object:
    return row["id"] if entry.thing.endswith(f"_{name}") else row.get(f"{name}_id")


@dataclass(frozen=True, slots=True)
class Change:
    """One value of a row: as it was and as it became, in words; "" where there was none."""

    name: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Told:
    """An entry in words."""

    entry: TrailEntry
    thing: str
    row: str
    """What the row calls itself; its key where it is gone or has no name."""
    through: str
    changes: tuple[Change, ...]


def watched_things() -> dict[str, str]:
    """{table: what it is called}."""
    return {model._meta.db_table: str(model._meta.verbose_name) for model in watched()}


def trail_of(
    business: Business,
    *,
    thing: str = "",
    by: int | None = None,
    client: int | None = None,
    invoice: int | None = None,
    first: dt.date | None = None,
    last: dt.date | None = None,
) -> TrailQuerySet:
    """Entries of a business, the newest first, narrowed by what is given. Both days count, as the business has them."""
    rows = TrailEntry.objects.of(business)
    given = {"thing": thing, "by": by, "client": client, "invoice": invoice}
    rows = rows.filter(**{name: value for name, value in given.items() if value not in ("", None)})
    zone = ZoneInfo(business.time_zone)
    if first is not None:
        rows = rows.filter(at__gte=dt.datetime.combine(first, dt.time.min, zone))
    if last is not None and last < dt.date.max:
        rows = rows.filter(at__lt=dt.datetime.combine(last + dt.timedelta(days=1), dt.time.min, zone))
    return rows.order_by("-pk")


def people_of_the_trail(business: Business) -> list[tuple[int, str]]:
    """(key, name) of everybody who stands in the trail, under the last name they had."""
    rows = TrailEntry.objects.of(business).filter(by__isnull=False).order_by("by").values_list("by").annotate(Max("pk"))
    latest = TrailEntry.objects.filter(pk__in=[pk for _by, pk in rows])
    named = [(by, name) for by, name in latest.values_list("by", "by_name") if by is not None]
    return sorted(named, key=lambda one: one[1].casefold())


def told_in_words(entries: Sequence[TrailEntry]) -> list[Told]:
    """Entries with their changes in words. Names that keys stand for are looked up together, one query a model."""
    models_by_table = {model._meta.db_table: model for model in watched()}
    bodies = [entry.told for entry in entries]
    wanted: dict[type[Model], set[int]] = defaultdict(set)
    for entry, told in zip(entries, bodies, strict=True):
        model = models_by_table.get(entry.thing)
        if model in NAMED:
            wanted[model].add(entry.key)
        for field in model._meta.concrete_fields if model else ():
            if isinstance(field, ForeignKey) and field.related_model in NAMED:
                for row in (told["before"], told["after"]):
                    if row and row.get(field.column) is not None:
                        wanted[field.related_model].add(row[field.column])
    names: dict[Any, str] = {
        (model, row.pk): str(row)
        for model, keys in wanted.items()
        for row in model._default_manager.filter(pk__in=keys)
    }
    things = watched_things()
    return [
        Told(
            entry=entry,
            thing=things.get(entry.thing, entry.thing),
            row=names.get((models_by_table.get(entry.thing), entry.key), f"#{entry.key}"),
            through=told["through"],
            changes=_changes(models_by_table.get(entry.thing), told["before"] or {}, told["after"] or {}, names),
        )
        for entry, told in zip(entries, bodies, strict=True)
    ]


def _changes(
    model: type[Model] | None, before: Mapping[str, Any], after: Mapping[str, Any], names: Mapping[Any, str]
) -> tuple[Change, ...]:
    if model is None:  # a table of an older day
        keys = [key for key in {**before, **after} if before.get(key) != after.get(key)]
        return tuple(Change(key, _short(before.get(key)), _short(after.get(key))) for key in keys)
    changes = []
    for field in model._meta.concrete_fields:
        was, is_now = (row.get(str(field.column)) for row in (before, after))
        if field.primary_key or field.name == "business" or was == is_now:
            continue
        shown = [_in_words(field, value, names) for value in (was, is_now)]
        if any(shown):
            changes.append(Change(str(getattr(field, "verbose_name", field.name)), *shown))
    return tuple(changes)


def _in_words(field: Any, value: Any, names: Mapping[Any, str]) -> str:
    if value in (None, "", {}, []):
        return ""
    if isinstance(field, ForeignKey):
        return names.get((field.related_model, value), f"#{value}")
    if isinstance(field, BooleanField):
        return _("yes") if value else _("no")
    if field.choices:
        return str(dict(field.flatchoices).get(value, value))
    if isinstance(field, DecimalField):
        return f"{Decimal(str(value)).normalize():f}"
    return _short(value)


def _short(value: Any) -> str:
    if isinstance(value, dict):
        value = ", ".join(f"{name} {one}" for name, one in value.items() if one not in (None, "", [], {}))
    text = "" if value is None else value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= SHORT else f"{text[:SHORT]}…"


def trail_csv(entries: Iterable[TrailEntry]) -> Iterator[str]:
    """Entries as lines of CSV, titles first: who, when, what, before and after, and the link."""
    titles = [_("Place"), _("When (UTC)"), _("Who"), _("Through"), _("What was done"), _("To what"), _("Key")]
    yield csv_line([*titles, _("Before"), _("After"), "SHA-256"])
    for entry in entries:
        told = entry.told
        rows = [json.dumps(told[name], ensure_ascii=False) if told[name] else "" for name in ("before", "after")]
        who = [harmless(entry.by_name), harmless(told["through"])]
        yield csv_line([entry.position or "", told["at"], *who, entry.act, entry.thing, entry.key, *rows, entry.hash])


def trail_lines(entries: Iterable[TrailEntry]) -> Iterator[str]:
    """Entries as JSON lines: `hash` is the SHA-256 of the hash before it, a line feed and `body`."""
    for entry in entries:
        values = {"position": entry.position, "hash": entry.hash, "body": entry.body}
        yield json.dumps(values, ensure_ascii=False) + "\n"


def csv_line(cells: Sequence[object]) -> str:
    """One line of CSV, as RFC 4180 ends it."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\r\n").writerow(cells)
    return out.getvalue()
