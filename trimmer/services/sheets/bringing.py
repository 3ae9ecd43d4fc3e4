"""Sheets brought in: checked by a worker, looked at by a person, then stored whole or not at all."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from http import HTTPStatus
from typing import Any, Final

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, Job, JobState, SheetImport, SheetState, User
from trimmer.services.jobs import Save, Work, job_kind, start_job
from trimmer.services.sheets.comparing import Comparison, Fault, Sheet, fault_of, sentence_of
from trimmer.services.sheets.kinds import facts_of
from trimmer.sheets.layout import Parsed, parse
from trimmer.sheets.reading import LIMITS, Table, UnreadableSheet, check_file, is_packed, read_table
from trimmer.showing import to_local

LARGEST: Final = 25_000_000
"""Bytes of a file that is taken."""

MOST_FAULTS: Final = 1_000
"""How many faults, and how many doubts, are kept of a sheet."""

READ_AT_ONCE: Final = 300_000
"""Bytes of an XLSX file that is read while the person waits, so that one that cannot be read is refused right there.
CSV is read whatever its size: twenty thousand rows take a fifth of a second, as XLSX five seconds."""

_NAME_LENGTH: Final = 200
_LIMITS: Final = replace(LIMITS, size=LARGEST)


class SheetIsEmpty(Refusal):
    code = "sheet_is_empty"
    message = gettext_lazy("There is nothing in this file. Choose another one.")
    status = HTTPStatus.BAD_REQUEST


class SheetIsTooLarge(Refusal):
    code = "sheet_is_too_large"
    message = gettext_lazy("The file is larger than 25 MB. Split it, or leave out what is not part of the table.")
    status = HTTPStatus.BAD_REQUEST


class SheetCannotBeRead(Refusal):
    code = "sheet_cannot_be_read"
    message = gettext_lazy("This file cannot be read. %(why)s")
    status = HTTPStatus.BAD_REQUEST


class SheetIsNotReady(Refusal):
    code = "sheet_is_not_ready"
    message = gettext_lazy("This sheet is not ready to store. Load the page again to see how it stands.")


class SheetIsBeingStored(Refusal):
    code = "sheet_is_being_stored"
    message = gettext_lazy("This sheet is being stored right now. Wait until that is done.")


class FactsMoved(Refusal):
    code = "facts_moved"
    message = gettext_lazy("Somebody changed the same things at this moment, so nothing was stored. Store it again.")


@transaction.atomic
def bring_sheet(
    *, business: Business, kind: str, file_name: str, content: bytes, by: User | None, now: dt.datetime
) -> SheetImport:
    """Take a file in and have it checked by a worker; nothing of it is stored.

    Raises SheetKindIsUnknown, SheetIsEmpty, SheetIsTooLarge, SheetCannotBeRead.
    """
    facts_of(kind)
    if not content.strip():
        raise SheetIsEmpty.at("file")
    check_size(len(content))
    file_name = _clean(file_name)
    _look_at(content, file_name)
    sheet = SheetImport.objects.create(
        business=business,
        kind=kind,
        file_name=file_name,
        content=content,
        brought_by=by,
        brought_at=now,
    )
    return _start(sheet, "check_sheet", by)


def check_size(size: int) -> None:
    """Refuse a file for its size in bytes, before it is read. Raises SheetIsTooLarge."""
    if size > LARGEST:
        raise SheetIsTooLarge.at("file")


@transaction.atomic
def store_sheet(*, sheet: SheetImport, by: User | None, now: dt.datetime) -> SheetImport:
    """Have a sheet without faults stored by a worker; of two who say so the first counts.

    It is held against the facts again then: what has become faulty meanwhile is not stored. A sheet whose storing
    broke off may be stored again. Raises SheetIsNotReady.
    """
    job = start_job(business=sheet.business, kind="store_sheet", arguments={"sheet": sheet.pk}, asked_by=by)
    mine = SheetImport.objects.filter(pk=sheet.pk)
    taken = mine.filter(state=SheetState.READY).update(state=SheetState.STORING, job=job)
    if not taken:
        # A job that failed stays so, so of two who try again the first finds the sheet still with that job.
        broken = Job.objects.filter(kind="store_sheet", state=JobState.FAILED).in_bulk(
            [sheet.job_id] if sheet.job_id else []
        )
        taken = mine.filter(state=SheetState.STORING, job__in=list(broken)).update(job=job)
    if not taken:
        raise SheetIsNotReady
    sheet.refresh_from_db(fields=["state", "job"])
    return sheet


@transaction.atomic
def drop_sheet(*, sheet: SheetImport) -> None:
    """Forget a sheet; what was stored of it stays. Raises SheetIsBeingStored."""
    rows = SheetImport.objects.select_for_update(of=("self",)).select_related("job")
    row = rows.filter(pk=sheet.pk).first()
    if row is None:
        return
    if row.state == SheetState.STORING and not (row.job and row.job.state == JobState.FAILED):
        raise SheetIsBeingStored
    row.delete()


def _clean(name: str) -> str:
    """A file's name without characters that cannot be shown; of a long one its end, which says what it is."""
    return "".join(letter for letter in name.strip() if letter.isprintable())[-_NAME_LENGTH:]


def _look_at(content: bytes, name: str) -> None:
    """Refuse what cannot be read as a whole; a large XLSX file is only looked at from outside, the worker reads it."""
    try:
        if is_packed(content) and len(content) > READ_AT_ONCE:
            check_file(content, name, limits=_LIMITS)
        else:
            read_table(content, name, limits=_LIMITS)
    except UnreadableSheet as error:
        raise SheetCannotBeRead.at("file", why=sentence_of(error.code, error.params)) from error


def _start(sheet: SheetImport, kind: str, by: User | None) -> SheetImport:
    sheet.job = start_job(business=sheet.business, kind=kind, arguments={"sheet": sheet.pk}, asked_by=by)
    sheet.save(update_fields=["job"])
    return sheet


# --- the work ---------------------------------------------------------------------------------------------------------


class _Reading:
    """A sheet on its way: read once, held against the facts as often as it takes."""

    def __init__(self, sheet: SheetImport, now: dt.datetime) -> None:
        self.sheet = sheet
        self.now = now
        self.facts = facts_of(sheet.kind)
        self.table: Table | None = None
        self.parsed: Parsed | None = None
        self.unreadable: Fault | None = None
        business = sheet.business
        try:
            self.table = read_table(bytes(sheet.content), sheet.file_name, limits=_LIMITS)
        except UnreadableSheet as error:
            self.unreadable = _of_the_file(error.code, sentence_of(error.code, error.params))
        else:
            today = to_local(now, business.time_zone).date()
            self.parsed = parse(
                self.table, self.facts.told(), business.language, currency=business.currency, today=today
            )

    def compare(self, *, by: User | None, storing: bool) -> tuple[Comparison | None, dict[str, Any]]:
        """What holding it against the facts shows, and the fields of the sheet's row that tell it."""
        if self.table is None or self.parsed is None:
            faults = [self.unreadable] if self.unreadable else []
            return None, {"state": SheetState.FAULTY, "problems": faults, "warnings": [], "row_count": 0, "summary": {}}
        held = Sheet(
            business=self.sheet.business,
            table=self.table,
            parsed=self.parsed,
            by=by,
            now=self.now,
            storing=storing,
        )
        comparison = self.facts.compare(held)
        faults = _in_order([*map(fault_of, self.parsed.problems), *comparison.faults])
        doubts = [fault_of(found) for found in self.parsed.warnings if found.code not in comparison.passed_over]
        return comparison, {
            "state": SheetState.FAULTY if faults else SheetState.READY,
            "problems": _the_first(faults),
            "warnings": _the_first(_in_order([*doubts, *comparison.warnings])),
            "row_count": self.parsed.row_count,
            "summary": comparison.summary(),
        }


@job_kind("check_sheet")
def check(work: Work) -> Save:
    """Read a sheet and tell what is wrong with it, or what it would add and change."""
    sheet = _sheet_of(work)
    if sheet is None:
        return dict
    with business_locale(sheet.business):
        work.report(5, _("Reading the file"))
        reading = _Reading(sheet, work.clock())
        work.report(60, _("Comparing it with what is stored"))
        _comparison, told = reading.compare(by=work.job.asked_by, storing=False)
    return _saving(sheet, SheetState.CHECKING, lambda: told)


@job_kind("store_sheet")
def store(work: Work) -> Save:
    """Store all of a sheet, or, when it has become faulty meanwhile, nothing."""
    sheet = _sheet_of(work)
    if sheet is None:
        return dict
    now = work.clock()
    with business_locale(sheet.business):
        work.report(5, _("Reading the file"))
        reading = _Reading(sheet, now)
        work.report(40, _("Storing"))

    def save() -> dict[str, Any]:
        with business_locale(sheet.business):
            comparison, told = reading.compare(by=work.job.asked_by, storing=True)
            if comparison is not None and told["state"] == SheetState.READY:
                try:
                    with transaction.atomic():
                        comparison.store()
                except IntegrityError as error:
                    raise FactsMoved from error
                told |= {"state": SheetState.STORED, "stored_at": now, "content": b""}
            return told

    return _saving(sheet, SheetState.STORING, save)


def _sheet_of(work: Work) -> SheetImport | None:
    """The sheet a job is about; None when it was dropped meanwhile."""
    sheets = SheetImport.objects.of(work.job.business).select_related("business")
    return sheets.filter(pk=work.job.arguments["sheet"], job=work.job).first()


def _saving(sheet: SheetImport, state: SheetState, tell: Callable[[], dict[str, Any]]) -> Save:
    """Write what is told into the sheet's row, as long as it still waits for it."""

    def save() -> dict[str, Any]:
        waiting = SheetImport.objects.select_for_update().filter(pk=sheet.pk, state=state)
        if not waiting.exists():
            return {}
        told = tell()
        SheetImport.objects.filter(pk=sheet.pk).update(**told)
        return {"sheet": sheet.pk, "state": str(told["state"])}

    return save


def _of_the_file(code: str, message: str) -> Fault:
    return Fault(row=0, column="", cell="", title="", code=code, value="", message=message)


def _in_order(faults: list[Fault]) -> list[Fault]:
    """By row, and in a row by column as the file has them."""
    return sorted(faults, key=lambda fault: (fault["row"], len(fault["cell"]), fault["cell"]))


def _the_first(faults: list[Fault]) -> list[Fault]:
    more = len(faults) - MOST_FAULTS
    if more <= 0:
        return faults
    text = ngettext("There is %(count)s more.", "There are %(count)s more.", more) % {"count": more}
    return [*faults[:MOST_FAULTS], _of_the_file("more_of_them", text)]
