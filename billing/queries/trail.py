"""Reading the audit trail: whether its chain holds, and what changed, in words."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from billing.models import TrailEntry, TrailHead
from trimmer.models import Business

AT_ONCE = 2000


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
