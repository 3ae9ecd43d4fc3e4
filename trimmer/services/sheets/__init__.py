"""Sheets brought in and taken out: what a table says, held against the facts, then stored whole or not at all."""

from trimmer.services.sheets import animals, clients_and_farms, visits_and_records  # noqa: F401 (each registers its kind)
from trimmer.services.sheets.bringing import (
    FactsMoved,
    SheetCannotBeRead,
    SheetIsBeingStored,
    SheetIsEmpty,
    SheetIsNotReady,
    SheetIsTooLarge,
    bring_sheet,
    check_size,
    drop_sheet,
    store_sheet,
)
from trimmer.services.sheets.kinds import SheetFacts, SheetKind, SheetKindIsUnknown, kinds, sheet_kind
from trimmer.services.sheets.taking_out import Form, SheetFile, SheetFormIsUnknown, export_table, template

__all__ = [
    "FactsMoved",
    "Form",
    "SheetCannotBeRead",
    "SheetFacts",
    "SheetFile",
    "SheetFormIsUnknown",
    "SheetIsBeingStored",
    "SheetIsEmpty",
    "SheetIsNotReady",
    "SheetIsTooLarge",
    "SheetKind",
    "SheetKindIsUnknown",
    "bring_sheet",
    "check_size",
    "drop_sheet",
    "export_table",
    "kinds",
    "sheet_kind",
    "store_sheet",
    "template",
]
