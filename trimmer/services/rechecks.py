"""Rechecks: raised and settled by records, written down and closed by hand; and the rules that raise them."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Sequence
from http import HTTPStatus
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from trimmer import rechecks, wording
from trimmer.errors import Refusal
from trimmer.models import Animal, Business, ChuteRecord, Recheck, RecheckRule, User
from trimmer.rechecks import (
    DEFAULT_RULES,
    PURPOSES,
    DueRecheck,
    FindingFacts,
    RecordFacts,
    Rule,
    ScoreFacts,
    TreatmentFacts,
)

LONGEST_DAYS = 400


class RecheckIsClosed(Refusal):
    code = "recheck_is_closed"
    message = _("This recheck is closed already. Load the list again.")


class ReasonIsMissing(Refusal):
    code = "reason_is_missing"
    message = _("Say why the recheck is closed.")
    status = HTTPStatus.BAD_REQUEST


class PurposeIsUnknown(Refusal):
    code = "recheck_purpose_is_unknown"
    message = _("Choose what is to be done at the recheck.")
    status = HTTPStatus.BAD_REQUEST


class RecheckEndsTooEarly(Refusal):
    code = "recheck_ends_too_early"
    message = _("The last day comes before the first. Turn them round.")
    status = HTTPStatus.BAD_REQUEST


class RuleCannotBe(Refusal):
    code = "recheck_rule_cannot_be"
    message = _("The days of a rule go from 0 to 400, the first not after the last, the warning not after the last.")
    status = HTTPStatus.BAD_REQUEST


def raise_recheck(
    *, animal: Animal, what: str, due_from: dt.date, due_by: dt.date, note: str = "", today: dt.date
) -> Recheck:
    """Write down by hand that an animal is to be seen again, between two days (both included).

    ``what`` is a code of `trimmer.rechecks.PURPOSES`. Raises PurposeIsUnknown, RecheckEndsTooEarly.
    """
    if what not in PURPOSES:
        raise PurposeIsUnknown(fields={"what": str(PurposeIsUnknown.message)})
    if due_by < due_from:
        raise RecheckEndsTooEarly(fields={"due_by": str(RecheckEndsTooEarly.message)})
    return Recheck.objects.create(
        animal=animal,
        trigger=wording.BY_HAND,
        what=what,
        raised_on=today,
        due_from=due_from,
        due_by=due_by,
        note=note.strip(),
    )


def close_recheck(*, recheck: Recheck, reason: str, by: User | None, now: dt.datetime) -> None:
    """Close an open recheck by hand. Of two who try, the first does. Raises ReasonIsMissing, RecheckIsClosed."""
    reason = reason.strip()
    if not reason:
        raise ReasonIsMissing(fields={"reason": str(ReasonIsMissing.message)})
    closed = Recheck.objects.filter(pk=recheck.pk, closed_at__isnull=True).update(
        closed_at=now, closed_reason=reason, closed_by=by
    )
    if not closed:
        raise RecheckIsClosed
    recheck.refresh_from_db()


def change_rule(*, rule: RecheckRule, from_days: int, by_days: int, warn_days: int | None, active: bool) -> None:
    """Change a rule's days, counted from the day of the record. Rechecks raised before keep theirs.

    Raises RuleCannotBe.
    """
    if not 0 <= from_days <= by_days <= LONGEST_DAYS or (warn_days is not None and not 0 <= warn_days <= by_days):
        raise RuleCannotBe
    rule.from_days, rule.by_days, rule.warn_days, rule.active = from_days, by_days, warn_days, active
    rule.save(update_fields=["from_days", "by_days", "warn_days", "active"])


def rules_of(business: Business) -> tuple[Rule, ...]:
    """The rules a business follows. One that never edited any follows the defaults, so that no recheck is lost."""
    rows = list(RecheckRule.objects.of(business))
    if not rows:
        return DEFAULT_RULES
    return tuple(
        Rule(row.trigger, row.what, row.from_days, row.by_days, row.warn_days, source="") for row in rows if row.active
    )


def follow_records(*, business: Business, records: Sequence[ChuteRecord], due_since: dt.date | None = None) -> None:
    """Raise what records (new or changed) give reason for, and settle what they settle. Safe to run again.

    Open rechecks that a record raised follow what it says now; those closed meanwhile stay, and what they were for is
    not raised a second time. With ``due_since``, what was due before that day is not raised any more. For new records
    a handful of queries, however many they are.
    """
    with transaction.atomic():
        stored = list(
            ChuteRecord.objects.of(business)
            .filter(pk__in=[record.pk for record in records])
            .select_related("visit")
            .prefetch_related("findings", "treatments", "rechecks_raised")
        )
        rules = rules_of(business)
        fresh: list[Recheck] = []
        for record in stored:
            fresh += [due for due in _raise_anew(record, rules) if due_since is None or due.due_by >= due_since]
        if fresh:
            Recheck.objects.bulk_create(fresh)
        settle(animal_ids={record.animal_id for record in stored})


def settle(*, animal_ids: Iterable[int]) -> None:
    """Let each animal's records close its rechecks, whatever order they came in: the first that settles one closes it.

    A recheck whose closing record no longer settles it is open again. What was closed by hand stays closed.
    """
    left_to_records = Q(closed_at__isnull=True) | Q(closed_by_record__isnull=False)
    found = list(Recheck.objects.filter(left_to_records, animal_id__in=list(animal_ids)))
    if not found:
        return
    looks: defaultdict[int, list[ChuteRecord]] = defaultdict(list)
    for record in (
        ChuteRecord.objects.filter(animal_id__in={recheck.animal_id for recheck in found})
        .select_related("visit")
        .prefetch_related("treatments")
        .order_by("visit__date", "recorded_at", "pk")
    ):
        looks[record.animal_id].append(record)
    for recheck in found:
        closer = next((record for record in looks[recheck.animal_id] if _settles(recheck, record)), None)
        if recheck.closed_by_record_id == (closer.pk if closer else None):
            continue
        Recheck.objects.filter(left_to_records, pk=recheck.pk).update(
            closed_by_record=closer, closed_at=closer.recorded_at if closer else None
        )


def drop_raised_by(*, record: ChuteRecord) -> None:
    """Forget what a record raised, closed or not: it was about another animal, or never was."""
    Recheck.objects.filter(raised_by=record).delete()


def reopen_closed_by(*, record: ChuteRecord) -> None:
    """Open again what a record had closed, before it goes."""
    Recheck.objects.filter(closed_by_record=record).update(closed_by_record=None, closed_at=None)


def _raise_anew(record: ChuteRecord, rules: Sequence[Rule]) -> list[Recheck]:
    """Bring the open rechecks of a record in line with what it raises now; those still to be stored come back."""
    raised = {due.what: due for due in rechecks.raised_by(_facts(record), rules)}
    before = {recheck.what: recheck for recheck in record.rechecks_raised.all()}
    for what, recheck in before.items():
        still_open = Recheck.objects.filter(pk=recheck.pk, closed_at__isnull=True)
        if what not in raised:
            still_open.delete()
        elif _window(recheck) != _window(raised[what]):
            still_open.update(**_window(raised[what]))
    return [
        Recheck(animal_id=record.animal_id, raised_by=record, what=due.what, **_window(due))
        for due in raised.values()
        if due.what not in before
    ]


def _window(due: DueRecheck | Recheck) -> dict[str, Any]:
    days = {name: getattr(due, name) for name in ("trigger", "raised_on", "due_from", "due_by", "warn_from")}
    return {**days, "feet": list(due.feet)}


def _facts(record: ChuteRecord) -> RecordFacts:
    """A record's day is the day of its visit, whenever it was written down."""
    return RecordFacts(
        on=record.visit.date,
        findings=tuple(
            FindingFacts(finding.lesion, finding.m_stage, finding.foot) for finding in record.findings.all()
        ),
        treatments=_treatments(record),
        score=ScoreFacts(record.scale, record.score) if record.score is not None else None,
    )


def _treatments(record: ChuteRecord) -> tuple[TreatmentFacts, ...]:
    return tuple(TreatmentFacts(done.kind, done.block_kind, done.foot) for done in record.treatments.all())


def _settles(recheck: Recheck, record: ChuteRecord) -> bool:
    if recheck.raised_by_id == record.pk:
        return False
    due = DueRecheck(
        recheck.trigger,
        recheck.what,
        recheck.due_from,
        recheck.due_by,
        recheck.warn_from,
        recheck.raised_on,
        tuple(recheck.feet),
    )
    return rechecks.closes(due, record.visit.date, _treatments(record))
