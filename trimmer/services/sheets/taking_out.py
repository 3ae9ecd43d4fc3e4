"""Tables taken out as files, and empty ones to fill in."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from http import HTTPStatus
from typing import Literal

from django.utils.translation import gettext, gettext_lazy

from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business
from trimmer.services.sheets.kinds import facts_of
from trimmer.sheets.writing import (
    CSV_TYPE,
    XLSX_TYPE,
    write_csv,
    write_csv_template,
    write_xlsx,
    write_xlsx_template,
)

type Form = Literal["csv", "xlsx"]


class SheetFormIsUnknown(Refusal):
    code = "sheet_form_is_unknown"
    message = gettext_lazy("A sheet is made as csv or xlsx. Choose one of them.")
    status = HTTPStatus.BAD_REQUEST


@dataclass(frozen=True, slots=True)
class SheetFile:
    """A file to hand out."""

    name: str
    content: bytes
    content_type: str


def export_table(
    *, business: Business, kind: str, form: Form, first: dt.date | None = None, last: dt.date | None = None
) -> SheetFile:
    """What is stored, in the business's language; brought in again it changes nothing. Of a kind that goes by day, from
    `first` to `last` (both included).

    Raises SheetKindIsUnknown, SheetFormIsUnknown.
    """
    facts = facts_of(kind)
    _check_form(form)
    with business_locale(business):
        write = write_csv if form == "csv" else write_xlsx
        return _file(kind, form, write(facts.told(), facts.rows(business, first=first, last=last), business.language))


def template(*, business: Business, kind: str, form: Form) -> SheetFile:
    """An empty sheet with one example row, in the business's language. Raises as `export_table` does."""
    facts = facts_of(kind)
    _check_form(form)
    with business_locale(business):
        if form == "csv":
            content = write_csv_template(facts.told(), business.language)
        else:
            content = write_xlsx_template(facts.told(), business.language, translate=gettext)
    return _file(f"{kind}_template", form, content)


def _check_form(form: str) -> None:
    if form not in {"csv", "xlsx"}:
        raise SheetFormIsUnknown


def _file(name: str, form: Form, content: bytes) -> SheetFile:
    return SheetFile(f"{name}.{form}", content, CSV_TYPE if form == "csv" else XLSX_TYPE)
